"""Units of length that a drawing may be given in."""

from __future__ import annotations

from collections.abc import Mapping

from rillcast_service.engine.errors import Fault, LayoutInvalid

MM_PER_INCH = 25.4

#: Unit → millimetres. The inch is 25.4 mm by definition.
#: Source for pt, pc, px and q: CSS Values and Units Module Level 3, §5.2 "Absolute lengths".
MM_PER_UNIT: Mapping[str, float] = {
    "um": 1e-3,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "pt": MM_PER_INCH / 72.0,
    "pc": MM_PER_INCH / 6.0,
    "px": MM_PER_INCH / 96.0,
    "q": 0.25,
}

#: Units that a request may name for a drawing that states none.
REQUEST_UNITS = ("um", "mm", "cm", "m", "in", "pt", "px")


def mm_per_unit(unit: str, *, pointer: str) -> float:
    """Millimetres in one unit that a request or a file names.

    Args:
        unit: one of `REQUEST_UNITS`; `µm` is taken too.
        pointer: where it was named, for the fault.

    Returns:
        Such as 1e-3 for `um`.

    Raises:
        LayoutInvalid: no such unit.
    """
    plain = unit.strip().lower().replace("µ", "u").replace("μ", "u")
    if plain not in REQUEST_UNITS:
        raise LayoutInvalid(
            Fault(
                f"{unit!r} is not a unit of length that is known here.",
                f"Give one of {', '.join(REQUEST_UNITS)}.",
                pointer=pointer,
            )
        )
    return MM_PER_UNIT[plain]
