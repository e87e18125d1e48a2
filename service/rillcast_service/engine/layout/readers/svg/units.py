"""Lengths in SVG attributes, and how the sheet's real size maps user units to millimetres."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnitsMissing
from rillcast_service.engine.layout.affine import Matrix, scaling, translation
from rillcast_service.engine.layout.lengths import MM_PER_UNIT, mm_per_unit
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.sketch import Sketch

CSS_UNITS = ("mm", "cm", "in", "pt", "pc", "px", "q")

#: Units that a ruler shows. A pixel is 1/96 inch to a browser but was 1/72 or 1/90 to older editors.
RULER_UNITS = ("mm", "cm", "in", "pt", "pc", "q")

_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z]*|%)\s*")
_SOURCE = "CSS Values and Units Module Level 3, §5.2 (1 px = 1/96 in)"


@dataclass(frozen=True, slots=True)
class Lengths:
    """Reads lengths of shapes in user units.

    Args:
        width, height: of the view box, in user units, which percentages refer to.
    """

    width: float
    height: float

    def read(self, text: str, *, along: str) -> float:
        """A length in user units.

        Args:
            text: as in the attribute, such as `3`, `0.2mm` or `50%`.
            along: what a percentage refers to: `x`, `y` or `diagonal`.

        Raises:
            Unusable: not a length, relative to a font, or not finite.
        """
        value, unit = _split(text)
        if unit == "%":
            return value / 100.0 * self._whole(along)
        return value * MM_PER_UNIT[unit] / MM_PER_UNIT["px"] if unit else value

    def _whole(self, along: str) -> float:
        diagonal = math.hypot(self.width, self.height) / math.sqrt(2.0)
        return {"x": self.width, "y": self.height}.get(along, diagonal)


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

    Args:
        root: the `svg` element.
        sketch: holds the request's unit, and is told what was assumed.

    Returns:
        Size and scale.

    Raises:
        LayoutUnitsMissing: no real size in the file and no unit in the request.
        LayoutInvalid: a size or view box that cannot be used.
    """
    try:
        box = _view_box(root.get("viewBox"))
        width_mm, height_mm = _size_mm(root, box, sketch)
        if box is None:
            box = (0.0, 0.0, width_mm / MM_PER_UNIT["px"], height_mm / MM_PER_UNIT["px"])
            if sketch.options.unit is not None and not _states_ruler_unit(root):
                unit_mm = mm_per_unit(sketch.options.unit, pointer="#/unit")
                box = (0.0, 0.0, width_mm / unit_mm, height_mm / unit_mm)
        to_mm = fitted(box, width_mm, height_mm, root.get("preserveAspectRatio", ""))
    except Unusable as fault:
        raise LayoutInvalid(Fault(fault.message, fault.remedy, where="<svg>")) from None
    return Sheet(width_mm, height_mm, to_mm, Lengths(box[2], box[3]))


def fitted(
    box: tuple[float, float, float, float], width: float, height: float, preserve_aspect_ratio: str
) -> Matrix:
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


def _split(text: str) -> tuple[float, str]:
    match = _LENGTH.fullmatch(text)
    unit = match[2].lower() if match else ""
    if match is None or unit not in ("", "%", *CSS_UNITS):
        raise Unusable(
            f"{text!r} is not a length that can be read.",
            f"Give a number with one of {', '.join(CSS_UNITS)}, or none for user units.",
        )
    value = float(match[1])
    if not math.isfinite(value):
        raise Unusable(f"{text!r} is not finite.", "Give a finite length.")
    return value, unit


def _view_box(text: str | None) -> tuple[float, float, float, float] | None:
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


def _stated(root: Element, key: str) -> tuple[float, str] | None:
    """Number and unit of the root's width or height; None when it has no size of its own."""
    text = root.get(key, "auto").strip()
    if text == "auto":
        return None
    value, unit = _split(text)
    if unit == "%":
        return None
    if value <= 0.0:
        raise Unusable(f"{key}={text!r} leaves no sheet.", f"Give a {key} above 0.")
    return value, unit


def _states_ruler_unit(root: Element) -> bool:
    return any(
        size is not None and size[1] in RULER_UNITS
        for size in (_stated(root, "width"), _stated(root, "height"))
    )


def _size_mm(
    root: Element, box: tuple[float, float, float, float] | None, sketch: Sketch
) -> tuple[float, float]:
    """Width and height of the sheet in mm."""
    width, height = _stated(root, "width"), _stated(root, "height")
    if sketch.options.unit is not None and not _states_ruler_unit(root):
        return _size_by_request(
            width, height, box, mm_per_unit(sketch.options.unit, pointer="#/unit"), sketch
        )
    if width is None and height is None:
        raise _units_missing(None if box is None else (box[2], box[3]), "no width and height with a unit")
    numbers = tuple(None if size is None else size[0] for size in (width, height))
    sides = [None if size is None else _side_mm(*size) for size in (width, height)]
    if (width and not width[1]) or (height and not height[1]):
        raise _units_missing(_whole(numbers[0], numbers[1], box), "a width and height without a unit")
    filled = _whole(sides[0], sides[1], box)
    if filled is None:
        raise _units_missing(None, "only one of width and height, and no viewBox")
    if sketch.options.unit is not None:
        sketch.assume(
            "unit",
            f"{filled[0]:g} × {filled[1]:g} mm",
            "the drawing states its real size, which goes first",
            _SOURCE,
        )
    if any(size is not None and size[1] == "px" for size in (width, height)):
        sketch.assume(
            "unit",
            f"1 px = 1/96 in, a sheet of {filled[0]:.4g} × {filled[1]:.4g} mm",
            "the size is given in pixels, which some older editors took as 1/90 or 1/72 in; check it",
            _SOURCE,
        )
    return filled


def _side_mm(value: float, unit: str) -> float:
    return value * MM_PER_UNIT[unit or "px"]


def _size_by_request(
    width: tuple[float, str] | None,
    height: tuple[float, str] | None,
    box: tuple[float, float, float, float] | None,
    unit_mm: float,
    sketch: Sketch,
) -> tuple[float, float]:
    """The sheet when the request's unit stands in for the missing one."""
    size = _whole(width and width[0], height and height[0], box)
    if size is None and box is not None:
        size = box[2], box[3]
    if size is None:
        raise Unusable(
            "The drawing has neither a viewBox nor a width and height.",
            "Give it a viewBox, or a size with a unit.",
        )
    size_mm = size[0] * unit_mm, size[1] * unit_mm
    sketch.assume(
        "unit",
        f"1 unit = {unit_mm:g} mm, a sheet of {size_mm[0]:g} × {size_mm[1]:g} mm",
        "the drawing states no real unit; the request's was taken",
        "the request",
    )
    return size_mm


def _whole(
    width: float | None, height: float | None, box: tuple[float, float, float, float] | None
) -> tuple[float, float] | None:
    """Width and height, a missing one from the shape of the view box."""
    if width is not None and height is not None:
        return width, height
    if box is None:
        return None
    if width is not None:
        return width, width * box[3] / box[2]
    if height is not None:
        return height * box[2] / box[3], height
    return None


def _units_missing(size: tuple[float, float] | None, what: str) -> LayoutUnitsMissing:
    if size is None:
        likely = "Likely units are mm, px (1/96 in) and um"
    else:
        readings = {"mm": "a millimetre", "px": "a pixel at 96 to the inch", "um": "a micrometre"}
        sheets = [
            f"if {words}, the sheet is {size[0] * mm:.3g} × {size[1] * mm:.3g} mm"
            for mm, words in ((MM_PER_UNIT[unit], words) for unit, words in readings.items())
        ]
        likely = "The drawing's unit may be one of these: " + "; ".join(sheets)
    return LayoutUnitsMissing(
        Fault(
            f"The drawing states no real size: it has {what}. {likely}.",
            'Give the sheet a size such as width="76mm" height="26mm", or name the unit with the request.',
            where="<svg>",
        )
    )
