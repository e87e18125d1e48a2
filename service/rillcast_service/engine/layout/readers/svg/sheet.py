"""The drawing sheet: its real size, and how user units map to millimetres on it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnitsMissing
from rillcast_service.engine.layout.affine import Matrix, scaling, translation
from rillcast_service.engine.layout.lengths import MM_PER_INCH, MM_PER_UNIT, mm_per_unit
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.units import Lengths, number_and_unit
from rillcast_service.engine.layout.sketch import Sketch

#: Units that a ruler shows. A pixel is 1/96 inch by CSS but was 1/90 or 1/72 to older editors: `options.dpi`.
RULER_UNITS = ("mm", "cm", "in", "pt", "pc", "q")

#: Source: CSS Values and Units Module Level 3, §5.2.
PX_PER_INCH = 96.0

_SOURCE = "CSS Values and Units Module Level 3, §5.2 (1 px = 1/96 in)"

#: Unit that a drawing without one may be in → how to say so.
_LIKELY = {"mm": "a millimetre", "px": "a pixel at 96 to the inch", "um": "a micrometre"}

#: Longer side of a sheet that a chip may be drawn on: from a millimetre to the longest side of A2.
_LIKELY_SHEET_MM = (1.0, 594.0)

#: min-x, min-y, width and height, in user units.
ViewBox = tuple[float, float, float, float]

Size = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Side:
    """Width or height as the drawing states it; `unit` is empty when it states none."""

    value: float
    unit: str

    def number(self) -> float:
        return self.value

    def in_mm(self, px_mm: float) -> float:
        return self.value * (px_mm if self.unit in ("", "px") else MM_PER_UNIT[self.unit])


Sides = tuple[_Side | None, _Side | None]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The drawing sheet.

    Args:
        width_mm, height_mm: its size.
        to_mm: user units of the root to mm, y still down, origin at the sheet's upper left.
        lengths: for the shapes' attributes.
    """

    width_mm: float
    height_mm: float
    to_mm: Matrix
    lengths: Lengths


def sheet(root: Element, sketch: Sketch) -> Sheet:
    """The sheet that the root element describes.

    A size in a ruler's unit is taken as it is. Any other takes the request's unit or pixels per inch, when
    there are any; a size in pixels can do without.

    Args:
        root: the `svg` element.
        sketch: holds the request's unit, and is told what was assumed.

    Returns:
        Size and scale.

    Raises:
        LayoutUnitsMissing: no real size in the file and no unit in the request.
        LayoutInvalid: a size or view box that cannot be used, or both a unit and pixels per inch.
    """
    unit, dpi = sketch.options.unit, sketch.options.dpi
    px_mm = MM_PER_INCH / (dpi or PX_PER_INCH)
    try:
        box = view_box(root.get("viewBox"))
        sides = _side(root, "width"), _side(root, "height")
        ruled = any(side is not None and side.unit in RULER_UNITS for side in sides)
        user_unit_mm = px_mm
        if unit is None or ruled:
            width_mm, height_mm = _stated_size(sides, box, px_mm, sketch)
        else:
            if unit.strip().lower() != "px":
                user_unit_mm = mm_per_unit(unit, pointer="#/unit")
                _refuse_both(unit, dpi)
            width_mm, height_mm = _requested_size(sides, box, user_unit_mm, sketch)
        if box is None:
            box = (0.0, 0.0, width_mm / user_unit_mm, height_mm / user_unit_mm)
        to_mm = fitted(box, width_mm, height_mm, root.get("preserveAspectRatio", ""))
    except Unusable as fault:
        raise LayoutInvalid(Fault(fault.message, fault.remedy, where="<svg>")) from None
    return Sheet(width_mm, height_mm, to_mm, Lengths(box[2], box[3], px_mm))


def fitted(box: ViewBox, width: float, height: float, preserve_aspect_ratio: str) -> Matrix:
    """The map from a view box to the rectangle (0, 0, width, height).

    Args:
        box: min-x, min-y, width, height, in user units.
        width, height: of the rectangle.
        preserve_aspect_ratio: the attribute; empty for its default, `xMidYMid meet`.

    Returns:
        The map, shape (3, 3).

    Source: SVG 2, §8.2 "The equivalent transform of an SVG viewport".

    Raises:
        Unusable: not a value of the attribute.
    """
    words = preserve_aspect_ratio.split() or ["xMidYMid"]
    places = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    align = re.fullmatch(r"none|x(Min|Mid|Max)Y(Min|Mid|Max)", words[0])
    if align is None or words[1:] not in ([], ["meet"], ["slice"]):
        raise Unusable(
            f"preserveAspectRatio={preserve_aspect_ratio!r} is not of the standard's form.",
            "Give `none`, or such as `xMidYMid meet`.",
        )
    scale_x, scale_y = width / box[2], height / box[3]
    shift_x = shift_y = 0.0
    if words[0] != "none":
        scale_x = scale_y = max(scale_x, scale_y) if words[1:] == ["slice"] else min(scale_x, scale_y)
        shift_x = places[align[1]] * (width - box[2] * scale_x)
        shift_y = places[align[2]] * (height - box[3] * scale_y)
    placed: Matrix = translation(shift_x, shift_y) @ scaling(scale_x, scale_y) @ translation(-box[0], -box[1])
    return placed


def view_box(text: str | None) -> ViewBox | None:
    """The `viewBox` attribute.

    Args:
        text: its value; None when there is none.

    Returns:
        The four numbers, in user units; None when there are none.

    Raises:
        Unusable: not four finite numbers, or without area.
    """
    if text is None:
        return None
    try:
        x, y, width, height = (float(word) for word in text.replace(",", " ").split())
    except ValueError:
        x = y = width = height = math.nan
    if not (all(map(math.isfinite, (x, y, width, height))) and width > 0.0 and height > 0.0):
        raise Unusable(
            f"viewBox={text!r} is not of the standard's form.", "Give four numbers, the size above 0."
        )
    return x, y, width, height


def _side(root: Element, key: str) -> _Side | None:
    """The root's width or height; None when it is left to what shows the drawing."""
    text = root.get(key, "auto").strip()
    if text == "auto" or text.endswith("%"):
        return None
    value, unit = number_and_unit(text)
    if value <= 0.0:
        raise Unusable(f"{key}={text!r} leaves no sheet.", f"Give a {key} above 0.")
    return _Side(value, unit)


def _refuse_both(unit: str, dpi: float | None) -> None:
    """Refuse a request that says twice what a user unit is."""
    if dpi is not None:
        raise LayoutInvalid(
            Fault(
                f"The request says that one unit is {unit} and that there are {dpi:g} of them to the inch.",
                "Give either the unit or the dpi.",
                pointer="#/dpi",
            )
        )


def _stated_size(sides: Sides, box: ViewBox | None, px_mm: float, sketch: Sketch) -> Size:
    """Width and height in mm by the drawing's own units, of which a pixel may be the request's."""
    stated = [side for side in sides if side is not None]
    dpi = sketch.options.dpi
    if not stated and dpi is None:
        raise _units_missing("it has no width and height", None if box is None else box[2:])
    if any(not side.unit for side in stated) and dpi is None:
        numbers = _whole(sides, box, _Side.number)
        raise _units_missing("its width and height have no unit", numbers)
    size = _whole(sides, box, lambda side: side.in_mm(px_mm))
    if size is None and not stated and box is not None:
        size = box[2] * px_mm, box[3] * px_mm
    if size is None:
        raise _units_missing("it has only one of width and height, and no viewBox", None)
    if sketch.options.unit is not None:
        sketch.assume(
            "unit",
            f"{size[0]:g} × {size[1]:g} mm",
            "the drawing states its real size, which goes before the request's unit",
            _SOURCE,
        )
    if dpi is not None:
        sketch.assume(
            "unit",
            f"1 px = 1/{dpi:g} in, a sheet of {size[0]:.4g} × {size[1]:.4g} mm",
            "the request says so; CSS takes 1/96 in, and some older editors took 1/90 or 1/72 in",
            "the request",
        )
    elif any(side.unit == "px" for side in stated):
        sketch.assume(
            "unit",
            f"1 px = 1/96 in, a sheet of {size[0]:.4g} × {size[1]:.4g} mm",
            "the size is given in pixels, which some older editors took as 1/90 or 1/72 in; check it",
            _SOURCE,
        )
    return size


def _requested_size(sides: Sides, box: ViewBox | None, unit_mm: float, sketch: Sketch) -> Size:
    """Width and height in mm when the request's unit stands in for the missing one."""
    size = _whole(sides, box, _Side.number) or (box and box[2:])
    if size is None:
        raise Unusable(
            "The drawing has neither a viewBox nor a width and height.",
            "Give it a viewBox, or a size with a unit.",
        )
    width_mm, height_mm = size[0] * unit_mm, size[1] * unit_mm
    sketch.assume(
        "unit",
        f"1 unit = {unit_mm:g} mm, a sheet of {width_mm:g} × {height_mm:g} mm",
        "the drawing states no real unit; the request's was taken",
        "the request",
    )
    return width_mm, height_mm


def _whole(sides: Sides, box: ViewBox | None, measure: Callable[[_Side], float]) -> Size | None:
    """Width and height, one that is missing by the shape of the view box; None when that cannot be."""
    width, height = (None if side is None else measure(side) for side in sides)
    if width is not None and height is not None:
        return width, height
    if box is not None and width is not None:
        return width, width * box[3] / box[2]
    if box is not None and height is not None:
        return height * box[2] / box[3], height
    return None


def _units_missing(why: str, size: Size | None) -> LayoutUnitsMissing:
    if size is None:
        readings = "The unit may be " + " or ".join(f"{words} ({unit})" for unit, words in _LIKELY.items())
    else:
        low_mm, high_mm = _LIKELY_SHEET_MM
        sheets = {
            words: (size[0] * MM_PER_UNIT[unit], size[1] * MM_PER_UNIT[unit])
            for unit, words in _LIKELY.items()
        }
        likely = {words: sides for words, sides in sheets.items() if low_mm <= max(sides) <= high_mm}
        readings = "; ".join(
            f"if its unit is {words}, the sheet is {width:.3g} × {height:.3g} mm"
            for words, (width, height) in (likely or sheets).items()
        )
    return LayoutUnitsMissing(
        Fault(
            f"The drawing states no real size: {why}. {readings[0].upper()}{readings[1:]}.",
            'Give the sheet a size such as width="76mm" height="26mm", or name the unit with the request.',
            where="<svg>",
        )
    )
