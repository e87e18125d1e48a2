"""What a route asks of a mended place, whichever of its build variants is taken."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rillcast_service.catalogue.types import Quantity
from rillcast_service.engine.checks.limits import Limit, least_size_um, limit_table, quantity_limit
from rillcast_service.engine.checks.registry import Case

#: Widths are told, and held to limits, in whole micrometres.
ROUNDING_UM = 0.5
_UM_PER_MM = 1e3


@dataclass(frozen=True, slots=True)
class Needs:
    """Sizes that leave neither blocker nor risk, the largest over the build variants; None: not asked.

    Args:
        width_um, gap_um, island_um: of channels, of the walls between them, and of islands.
        land_mm: between a channel and the chip's edge; `land_on_every_level`, or at the lid alone.
        centre_to_edge_mm, between_ports_mm, port_to_channel_mm: of ports.
        corner_deg: sharper corners are rounded, with a radius of `fillet_mm`.
        stroke_um: of marks and of the spaces between them.
        letter_mm: height of letters.
        smoothing_mm: how far an arc that a correction draws may stray from the true one.
    """

    width_um: float | None
    gap_um: float | None
    island_um: float | None
    land_mm: float | None
    land_on_every_level: bool
    centre_to_edge_mm: float | None
    between_ports_mm: float | None
    port_to_channel_mm: float | None
    corner_deg: float | None
    fillet_mm: float | None
    stroke_um: float | None
    letter_mm: float | None
    smoothing_mm: float


def needs_of(cases: Sequence[Case]) -> Needs:
    """The sizes that a route's review asks of every place.

    Args:
        cases: one a build variant.

    Returns:
        The largest high ends of the limits; widths are rounded up to whole micrometres, as they are judged.
    """
    route = cases[0].route

    def size(rule_id: str) -> float | None:
        if rule_id not in route.rules:
            return None
        largest = _largest(least_size_um(case, rule_id) for case in cases)
        return None if largest is None else float(math.ceil(largest))

    def quantity(rule_id: str, key: str) -> float | None:
        if rule_id not in route.rules:
            return None
        return _largest(quantity_limit(case, rule_id, key) for case in cases)

    def best(rule_id: str, key: str) -> float | None:
        limit = quantity_limit(cases[0], rule_id, key) if rule_id in route.rules else None
        return None if limit is None else limit.value.best

    fillet_um, letter_um = best("sharp_corner", "fillet_um"), size("mark_height")
    smoothing = cases[0].job.catalogue.defaults["correction_smoothing_um"]
    assert isinstance(smoothing, Quantity)
    return Needs(
        width_um=size("channel_width"),
        gap_um=size("channel_gap"),
        island_um=size("island_size"),
        land_mm=quantity("chip_outline", "land_mm"),
        land_on_every_level=limit_table(cases[0], "chip_outline").get("at") != "bonded_face",
        centre_to_edge_mm=quantity("port_clearance", "centre_to_edge_mm"),
        between_ports_mm=quantity("port_clearance", "wall_between_mm"),
        port_to_channel_mm=quantity("port_clearance", "wall_to_channel_mm"),
        corner_deg=best("sharp_corner", "angle_deg"),
        fillet_mm=None if fillet_um is None else fillet_um / _UM_PER_MM,
        stroke_um=size("mark_stroke"),
        letter_mm=None if letter_um is None else letter_um / _UM_PER_MM,
        smoothing_mm=smoothing.value / _UM_PER_MM,
    )


def _largest(limits: Iterable[Limit | None]) -> float | None:
    return max((limit.value.high for limit in limits if limit is not None), default=None)
