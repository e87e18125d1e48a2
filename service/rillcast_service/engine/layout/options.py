"""What the sender may say about a layout file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from rillcast_service.catalogue.types import Quantity, Value
from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout import roles
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Assumption, RepairKind, Role

#: What the sender may set a tolerance of reading to. The defaults are the catalogue's.
TOLERANCE_RANGES_UM: Mapping[str, tuple[float, float]] = {
    "flattening_um": (0.01, 100.0),
    "closing_um": (0.0, 200.0),
    "gap_um": (0.0, 200.0),
    "sliver_um": (0.0, 100.0),
}

#: Pixels per inch that drawings without a real unit were made for: 96 by CSS, 90 and 72 by older editors.
DPI = (96.0, 90.0, 72.0)

#: Planes of a chip.
MAX_LEVEL = 16


def escaped(name: str) -> str:
    """A name as one step of a JSON pointer.

    Args:
        name: such as `top/left`.

    Returns:
        Such as `top~1left`. Source: RFC 6901, §3.
    """
    return name.replace("~", "~0").replace("/", "~1")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """Options of reading a layout. `from_defaults` fills in the catalogue's tolerances.

    Args:
        flattening_um: largest distance between a curve and its polygon.
        closing_um: ends of an outline that lie no further apart were meant to meet.
        gap_um: channels that lie no further apart were meant to touch.
        sliver_um: what is thinner is no feature.
        tilt_deg: an outline turned out of the axes by less was meant to lie along them.
        guessed_bore: mm, of a port that is guessed; the range is that of holes that a circle is taken for.
        pad_margin: mm, how much wider than its hole a pad is.
        lettering: mm, how tall letters on a chip are.
        unit: the length that one unit of the drawing stands for (`mm`, `um`, `in` …), for a file that
            states no real unit of its own.
        dpi: pixels per inch of an SVG drawing that states its size in pixels or not at all.
        cell: of a mask file, the one that is the chip; needed when several are placed in no other.
        roles: layer name, id, colour (`#ff0000`) or number (`1`, `1/0`) → role, which goes before the
            table of names in `layout.roles`.
        depths_um: channel layer name → depth; `channels` stands for every channel layer.
        levels: channel layer name → plane, 1 next to the lid.
        leave: kinds of repair that are switched off.
        limits: how large the layout may be.

    Raises:
        LayoutInvalid: a role, depth, level, kind or distance that cannot be.
    """

    flattening_um: float
    closing_um: float
    gap_um: float
    sliver_um: float
    tilt_deg: float
    guessed_bore: Quantity
    pad_margin: Quantity
    lettering: Quantity
    unit: str | None = None
    dpi: float | None = None
    cell: str | None = None
    roles: Mapping[str, str] = field(default_factory=dict)
    depths_um: Mapping[str, float] = field(default_factory=dict)
    levels: Mapping[str, int] = field(default_factory=dict)
    leave: frozenset[str] = frozenset()
    limits: Limits = field(default_factory=Limits)

    @classmethod
    def from_defaults(cls, defaults: Mapping[str, Value], **given: Any) -> ReadOptions:
        """Options with the catalogue's tolerances where none are given.

        Args:
            defaults: of the catalogue.
            given: fields of this class; None is left out.

        Raises:
            LayoutInvalid: as for the class.
        """
        taken: dict[str, Any] = {key: cast(Quantity, defaults[key]).value for key in TOLERANCE_RANGES_UM}
        taken["tilt_deg"] = cast(Quantity, defaults["tilt_deg"]).value
        taken |= {key: defaults[f"{key}_mm"] for key in ("guessed_bore", "pad_margin", "lettering")}
        return cls(**{**taken, **{key: value for key, value in given.items() if value is not None}})

    @staticmethod
    def assumed(defaults: Mapping[str, Value], *given: str) -> tuple[Assumption, ...]:
        """The catalogue's tolerances that stand in for those that were not given, to be told with the layout.

        Args:
            defaults: of the catalogue.
            given: names of options that were.

        Returns:
            One assumption a tolerance, with reason and source.
        """
        taken = {key: cast(Quantity, defaults[key]) for key in TOLERANCE_RANGES_UM if key not in given}
        return tuple(
            Assumption(what=key, value=f"{default.value:g} µm", why=default.note, source=default.source)
            for key, default in taken.items()
        )

    def __post_init__(self) -> None:
        faults = [
            Fault(
                f"{role!r} is no role of a layer.",
                f"Give one of {', '.join(Role)}.",
                pointer=f"#/roles/{escaped(name)}",
            )
            for name, role in self.roles.items()
            if role not in tuple(Role)
        ]
        faults += [
            Fault(
                f"The depth of {name!r} is {depth:g} µm.",
                "Give a depth above 0 µm.",
                f"#/depths_um/{escaped(name)}",
            )
            for name, depth in self.depths_um.items()
            if not (depth > 0.0 and math.isfinite(depth))
        ]
        faults += [
            Fault(
                f"The level of {name!r} is {level}.",
                f"Give a whole number from 1 (next to the lid) to {MAX_LEVEL}.",
                f"#/levels/{escaped(name)}",
            )
            for name, level in self.levels.items()
            if not 1 <= level <= MAX_LEVEL
        ]
        faults += [
            Fault(f"There is no repair {kind!r}.", f"Use {', '.join(RepairKind)}.", pointer="#/leave")
            for kind in sorted(self.leave)
            if kind not in tuple(RepairKind)
        ]
        faults += [
            Fault(
                f"{key} of {getattr(self, key):g} µm is out of range.",
                f"Give {low:g} to {high:g} µm.",
                pointer=f"#/{key}",
            )
            for key, (low, high) in TOLERANCE_RANGES_UM.items()
            if not low <= getattr(self, key) <= high
        ]
        if self.dpi is not None and self.dpi not in DPI:
            faults.append(
                Fault(
                    f"{self.dpi:g} dpi is no resolution of a drawing program.",
                    f"Give {', '.join(f'{dpi:g}' for dpi in DPI)}, or the unit that one unit stands for.",
                    pointer="#/dpi",
                )
            )
        if faults:
            raise LayoutInvalid(*faults)

    @property
    def roles_by_plain_name(self) -> dict[str, Role]:
        """`roles` with names as `layout.roles.plain` writes them."""
        return {roles.plain(name): Role(role) for name, role in self.roles.items()}

    def mends(self, kind: RepairKind) -> bool:
        """Whether repairs of this kind are wanted."""
        return kind not in self.leave
