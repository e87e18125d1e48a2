"""What one unit of a DXF drawing is, by its header."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from ezdxf.document import Drawing
from ezdxf.entities.dxfentity import DXFEntity

from rillcast_service.engine.errors import Fault, LayoutUnitsMissing
from rillcast_service.engine.layout.lengths import MM_PER_INCH, mm_per_unit
from rillcast_service.engine.layout.sketch import Sketch

_SOURCE = "DXF Reference, HEADER section, $INSUNITS"

_FOOT_MM = 12.0 * MM_PER_INCH
#: Source: Federal Register 24-5442 (1959): 1 US survey foot = 1200/3937 m.
_SURVEY_FOOT_MM = 1200.0 / 3937.0 * 1e3
#: Source: International Astronomical Union, resolution 2012 B2, and the Julian year of 365.25 days at the
#: speed of light of 299 792 458 m/s.
_ASTRONOMICAL_UNIT_MM = 149_597_870_700.0 * 1e3
_LIGHT_YEAR_MM = 299_792_458.0 * 365.25 * 86_400.0 * 1e3

#: Code → name and millimetres. Source: DXF Reference, HEADER section, $INSUNITS; 0 is no unit.
INSUNITS: Mapping[int, tuple[str, float]] = {
    1: ("inch", MM_PER_INCH),
    2: ("foot", _FOOT_MM),
    3: ("mile", 5280.0 * _FOOT_MM),
    4: ("millimetre", 1.0),
    5: ("centimetre", 10.0),
    6: ("metre", 1e3),
    7: ("kilometre", 1e6),
    8: ("microinch", MM_PER_INCH * 1e-6),
    9: ("mil", MM_PER_INCH * 1e-3),
    10: ("yard", 3.0 * _FOOT_MM),
    11: ("ångström", 1e-7),
    12: ("nanometre", 1e-6),
    13: ("micrometre", 1e-3),
    14: ("decimetre", 100.0),
    15: ("decametre", 1e4),
    16: ("hectometre", 1e5),
    17: ("gigametre", 1e12),
    18: ("astronomical unit", _ASTRONOMICAL_UNIT_MM),
    19: ("light year", _LIGHT_YEAR_MM),
    20: ("parsec", _ASTRONOMICAL_UNIT_MM * 648_000.0 / math.pi),
    21: ("US survey foot", _SURVEY_FOOT_MM),
    22: ("US survey inch", _SURVEY_FOOT_MM / 12.0),
    23: ("US survey yard", 3.0 * _SURVEY_FOOT_MM),
    24: ("US survey mile", 5280.0 * _SURVEY_FOOT_MM),
}

#: Units that a drawing without one may be in.
_LIKELY = {"a millimetre (mm)": 1.0, "an inch (in)": MM_PER_INCH, "a micrometre (um)": 1e-3}

#: Longer side of a chip or a wafer: the units with which the drawing would be that large are likely.
_LIKELY_SIDE_MM = (1.0, 300.0)


def mm_per_drawing_unit(document: Drawing, sketch: Sketch) -> float:
    """Millimetres in one unit of the drawing.

    Args:
        document: with its header.
        sketch: holds the request's unit, and is told what was assumed.

    Returns:
        Such as 25.4 for inches.

    Raises:
        LayoutUnitsMissing: neither the drawing nor the request says.
        LayoutInvalid: the request's unit is not known.
    """
    code = _whole(document.header.get("$INSUNITS", 0))
    requested = sketch.options.unit
    if code is not None and code in INSUNITS:
        name, unit_mm = INSUNITS[code]
        if requested is not None and not math.isclose(mm_per_unit(requested, pointer="#/unit"), unit_mm):
            sketch.assume(
                "unit",
                f"1 unit = {unit_mm:g} mm ({name})",
                "the drawing states its unit ($INSUNITS), which goes before the request's unit",
                _SOURCE,
            )
        return unit_mm
    if requested is not None:
        unit_mm = mm_per_unit(requested, pointer="#/unit")
        sketch.assume(
            "unit",
            f"1 unit = {unit_mm:g} mm",
            "the drawing states no unit; the request's was taken",
            "the request",
        )
        return unit_mm
    raise LayoutUnitsMissing(
        Fault(
            f"The drawing states no unit of length: {_unsaid(document)}. {_readings(document)}.",
            "Set the drawing's insertion unit ($INSUNITS), or name the unit with the request.",
            where="HEADER section",
        )
    )


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) else None


def _unsaid(document: Drawing) -> str:
    """How it says nothing. $MEASUREMENT chooses hatch patterns and line types, and is no more than a hint."""
    code = document.header.get("$INSUNITS")
    system = {0: "imperial", 1: "metric"}.get(document.header.get("$MEASUREMENT"))
    hint = f" ($MEASUREMENT hints at {system} units)" if system else ""
    return ("it has no $INSUNITS" if code is None else f"its $INSUNITS is {code}") + hint


def _readings(document: Drawing) -> str:
    size = _size(document)
    if size is None:
        return "The unit may be " + " or ".join(_LIKELY)
    low, high = _LIKELY_SIDE_MM
    likely = {words: mm for words, mm in _LIKELY.items() if low <= max(size) * mm <= high}
    readings = "; ".join(
        f"if its unit is {words}, the drawing is {size[0] * mm:.3g} × {size[1] * mm:.3g} mm"
        for words, mm in (likely or _LIKELY).items()
    )
    return readings[0].upper() + readings[1:]


def _size(document: Drawing) -> tuple[float, float] | None:
    """Width and height in drawing units of what lies in model space itself; None when nothing can be told."""
    places = [place for entity in document.modelspace() for place in _places(entity)]
    places = [(x, y) for x, y in places if math.isfinite(x) and math.isfinite(y)]
    if not places:
        return None
    xs, ys = zip(*places, strict=True)
    size = max(xs) - min(xs), max(ys) - min(ys)
    return size if max(size) > 0.0 and math.isfinite(max(size)) else None


def _places(entity: DXFEntity) -> Iterator[tuple[float, float]]:
    """Some points of a plain entity; their extent is told to people only."""
    match entity.dxftype():
        case "LINE":
            yield from (entity.dxf.start.vec2, entity.dxf.end.vec2)
        case "CIRCLE" | "ARC":
            centre, radius = entity.dxf.center, entity.dxf.radius
            yield centre.x - radius, centre.y - radius
            yield centre.x + radius, centre.y + radius
        case "LWPOLYLINE":
            yield from entity.get_points("xy")  # type: ignore[attr-defined]
