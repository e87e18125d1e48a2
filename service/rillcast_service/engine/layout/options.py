"""What the sender may say about a layout file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout import roles
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Role

#: Largest distance between a drawn curve and its polygon. A disc of 1 mm then keeps its area within
#: 0.07 % even when drawn as arcs (whole circles keep theirs exactly), well below any printer's pixel.
DEFAULT_FLATTENING_UM = 0.25

FLATTENING_RANGE_UM = (0.01, 100.0)


def escaped(name: str) -> str:
    """A name as one step of a JSON pointer.

    Args:
        name: such as `top/left`.

    Returns:
        Such as `top~1left`. Source: RFC 6901, §3.
    """
    return name.replace("~", "~0").replace("/", "~1")


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """Options of reading a layout.

    Args:
        unit: the length that one unit of the drawing stands for (`mm`, `um`, `in` …), for a file that
            states no real unit of its own.
        roles: layer name → role, which goes before the table of names in `layout.roles`.
        depths_um: channel layer name → depth; `channels` stands for every channel layer.
        flattening_um: largest distance between a curve and its polygon.
        limits: how large the layout may be.

    Raises:
        LayoutInvalid: a role, depth or distance that cannot be.
    """

    unit: str | None = None
    roles: Mapping[str, str] = field(default_factory=dict)
    depths_um: Mapping[str, float] = field(default_factory=dict)
    flattening_um: float = DEFAULT_FLATTENING_UM
    limits: Limits = field(default_factory=Limits)

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
        low, high = FLATTENING_RANGE_UM
        if not low <= self.flattening_um <= high:
            faults.append(
                Fault(
                    f"A flattening distance of {self.flattening_um:g} µm is out of range.",
                    f"Give {low:g} to {high:g} µm.",
                    pointer="#/flattening_um",
                )
            )
        if faults:
            raise LayoutInvalid(*faults)

    @property
    def roles_by_plain_name(self) -> dict[str, Role]:
        """`roles` with names as `layout.roles.plain` writes them."""
        return {roles.plain(name): Role(role) for name, role in self.roles.items()}
