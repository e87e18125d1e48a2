"""Printers of the bench whose profile leaves open what the pixel model needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from rillcast_service.catalogue.types import Catalogue, Entry, Quantity

_SPREAD, _GREYS = "light_spread_um", "grey_levels_count"


@dataclass(frozen=True, slots=True)
class FilledIn:
    """A value that a printer's profile leaves open.

    Args:
        printer: name of the entry; key: of the value; value: what is taken.
    """

    printer: str
    key: str
    value: Quantity


def with_whole_profiles(catalogue: Catalogue) -> tuple[Catalogue, tuple[FilledIn, ...]]:
    """Every printer with spread of light and grey levels, from the defaults where it says nothing of them.

    Args:
        catalogue: shipped entries with the user's own over them.

    Returns:
        The catalogue, and what was filled in.
    """
    told = tuple(
        FilledIn(printer.name, key, value)
        for printer in catalogue.of_kind("printers")
        for key, value in _open(printer, catalogue).items()
    )
    if not told:
        return catalogue, ()
    entries = dict(catalogue.entries)
    for item in told:
        printer = entries["printers", item.printer]
        entries["printers", item.printer] = replace(printer, values={**printer.values, item.key: item.value})
    return replace(catalogue, entries=entries), told


def _open(printer: Entry, catalogue: Catalogue) -> Mapping[str, Quantity]:
    found = {}
    if not printer.has(_SPREAD):
        share = catalogue.defaults["light_spread_percent"]
        assert isinstance(share, Quantity), "a number of the shipped catalogue"
        pixel_um = max(printer.number("pixel_x_um"), printer.number("pixel_y_um"))
        low, best, high = (pixel_um * part / 100.0 for part in (share.low, share.value, share.high))
        found[_SPREAD] = replace(share, value=best, low=low, high=high, unit="µm")
    if not printer.has(_GREYS):
        levels = catalogue.defaults[_GREYS]
        assert isinstance(levels, Quantity), "a number of the shipped catalogue"
        found[_GREYS] = levels
    return found
