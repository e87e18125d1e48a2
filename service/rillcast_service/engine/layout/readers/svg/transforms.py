"""The `transform` attribute and property. Source: CSS Transforms Module Level 1, §5, §8 (SVG syntax), §9."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from xml.etree.ElementTree import Element

import numpy as np

from rillcast_service.engine.layout.affine import (
    IDENTITY,
    Matrix,
    matrix,
    rotation,
    scaling,
    skewing,
    translation,
)
from rillcast_service.engine.layout.readers.svg.document import tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.styles import Style, with_geometry
from rillcast_service.engine.layout.readers.svg.units import Lengths

#: Function → (numbers it takes, how they make a matrix).
_FUNCTIONS: Mapping[str, tuple[tuple[int, ...], Callable[..., Matrix]]] = {
    "matrix": ((6,), matrix),
    "translate": ((1, 2), lambda x, y=0.0: translation(x, y)),
    "scale": ((1, 2), lambda x, y=None: scaling(x, x if y is None else y)),
    "rotate": ((1, 3), rotation),
    "skewX": ((1,), lambda degrees: skewing(degrees, 0.0)),
    "skewY": ((1,), lambda degrees: skewing(0.0, degrees)),
}

#: Function of style sheets → (what its arguments are, how they make a matrix). Lengths are along x, then y.
_OF_SHEETS: Mapping[str, tuple[str, Callable[..., Matrix]]] = {
    "matrix": ("number", matrix),
    "translate": ("length", lambda x, y=0.0: translation(x, y)),
    "translatex": ("length", lambda x: translation(x, 0.0)),
    "translatey": ("height", lambda y: translation(0.0, y)),
    "scale": ("number", lambda x, y=None: scaling(x, x if y is None else y)),
    "scalex": ("number", lambda x: scaling(x, 1.0)),
    "scaley": ("number", lambda y: scaling(1.0, y)),
    "rotate": ("angle", rotation),
    "skew": ("angle", lambda x, y=0.0: skewing(x, y)),
    "skewx": ("angle", lambda x: skewing(x, 0.0)),
    "skewy": ("angle", lambda y: skewing(0.0, y)),
}

#: How many arguments the functions of style sheets take, where it is not one.
_COUNTS: Mapping[str, tuple[int, ...]] = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "skew": (1, 2),
}

#: Source: CSS Values and Units Module Level 3, §6.1 "Angle units".
_DEGREES: Mapping[str, float] = {"deg": 1.0, "grad": 0.9, "rad": math.degrees(1.0), "turn": 360.0}

_ANGLE = re.compile(
    r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)(deg|grad|rad|turn)|([+-]?0+(?:\.0*)?)", re.IGNORECASE
)

#: Keyword of an origin → share of the box, and which axis it is of.
_SIDES = {"left": (0.0, "x"), "right": (1.0, "x"), "top": (0.0, "y"), "bottom": (1.0, "y")}

_CALL = re.compile(r"[\s,]*([a-zA-Z]+)\s*\(([^()]*)\)[\s,]*")


def parse_transform(text: str) -> Matrix:
    """The matrix of a list of transforms, the last of which acts first.

    Args:
        text: such as `translate(3 4) rotate(30)`.

    Returns:
        The map, shape (3, 3).

    Raises:
        Unusable: not of the standard's form.
    """
    combined, position = IDENTITY, 0
    while position < len(text.rstrip()):
        call = _CALL.match(text, position)
        if call is None:
            raise _unusable(text)
        counts, build = _FUNCTIONS.get(call[1], ((), None))
        try:
            numbers = [float(word) for word in call[2].replace(",", " ").split()]
        except ValueError:
            raise _unusable(text) from None
        if build is None or len(numbers) not in counts or not all(map(math.isfinite, numbers)):
            raise _unusable(text)
        combined = combined @ build(*numbers)
        position = call.end()
    return combined


def parse_css_transform(text: str, lengths: Lengths) -> Matrix:
    """The matrix of the `transform` property of a style sheet.

    Args:
        text: such as `translate(3px, 10%) rotate(30deg)`, or `none`.
        lengths: of the viewport, which percentages refer to.

    Returns:
        The map, shape (3, 3), about the viewport's origin.

    Raises:
        Unusable: not of the standard's form, or in three dimensions.
    """
    combined, position = IDENTITY, 0
    while text != "none" and position < len(text.rstrip()):
        call = _CALL.match(text, position)
        name = call[1].lower() if call is not None else ""
        if call is None or name not in _OF_SHEETS:
            raise _unusable(text)
        of, build = _OF_SHEETS[name]
        words = [word.strip() for word in call[2].split(",")]
        if len(words) not in _COUNTS.get(name, (1,)):
            raise _unusable(text)
        combined = combined @ build(
            *(_argument(word, of, at, text, lengths) for at, word in enumerate(words))
        )
        position = call.end()
    return combined


def transform_origin(text: str, lengths: Lengths) -> tuple[float, float]:
    """The point that a transform acts about.

    Args:
        text: of the property `transform-origin`, such as `center` or `3px 50%`.
        lengths: of the viewport, which percentages and keywords refer to.

    Returns:
        x and y in user units.

    Raises:
        Unusable: not of the standard's form.
    """
    words = text.lower().split()
    if len(words) == 3 and re.fullmatch(r"0+(\.0*)?[a-z]*", words[2]):  # the depth, of no matter on a plane
        words = words[:2]
    if len(words) == 1:
        words.append("center")
    if len(words) == 2 and (
        _SIDES.get(words[0], ("", ""))[1] == "y" or _SIDES.get(words[1], ("", ""))[1] == "x"
    ):
        words.reverse()
    if len(words) != 2:
        raise Unusable(f"transform-origin is {text!r}.", "Give two lengths.")
    place: list[float] = []
    for word, axis in zip(words, "xy", strict=True):
        share, of = _SIDES.get(word, (0.5 if word == "center" else None, axis))
        if of != axis:
            raise Unusable(f"transform-origin is {text!r}.", "Give two lengths.")
        place.append(lengths.read(word if share is None else f"{share * 100.0}%", along=axis))
    return place[0], place[1]


def transformed(element: Element, style: Style, to_mm: Matrix, lengths: Lengths) -> Matrix:
    """User units within an element to mm: its own transform added, and the place of a `use`.

    Args:
        element: of the drawing.
        style: of it; a transform in a style sheet goes before the attribute.
        to_mm: user units around it to mm, shape (3, 3).
        lengths: of the viewport around it.

    Returns:
        The map, shape (3, 3); the given one itself where the element has no transform.

    Source: SVG 2, §5.6.2 "Layout of re-used graphics": x and y of a `use` are the last of its transforms,
    so that its clip path moves too.

    Raises:
        Unusable: a transform that cannot be read.
    """
    placed = _with_transform(element, style, to_mm, lengths)
    if tag(element) != "use":
        return placed
    element = with_geometry(element, style)
    x, y = (lengths.read(element.get(key, "0"), along=key) for key in "xy")
    with np.errstate(over="ignore", invalid="ignore"):
        moved: Matrix = placed @ translation(x, y)
    return moved


def _with_transform(element: Element, style: Style, to_mm: Matrix, lengths: Lengths) -> Matrix:
    of_sheet, attribute = style["transform"], element.get("transform", "").strip()
    if of_sheet in ("", "none") and (of_sheet or attribute in ("", "none")):
        return to_mm
    if style["transform-box"] != "view-box":
        raise Unusable(
            f"transform-box is {style['transform-box']!r}, which is not read.",
            "Apply the transform to the shape.",
        )
    with np.errstate(over="ignore", invalid="ignore"):
        own = parse_css_transform(of_sheet, lengths) if of_sheet else parse_transform(attribute)
        if style["transform-origin"]:
            x, y = transform_origin(style["transform-origin"], lengths)
            own = translation(x, y) @ own @ translation(-x, -y)
        placed: Matrix = to_mm @ own
    return placed


def _argument(word: str, of: str, index: int, text: str, lengths: Lengths) -> float:
    if of in ("length", "height"):
        return lengths.read(word, along="y" if index or of == "height" else "x")
    if of == "number":
        try:
            value = float(word)
        except ValueError:
            value = math.nan
    else:
        angle = _ANGLE.fullmatch(word)
        value = math.nan if angle is None else float(angle[1] or 0.0) * _DEGREES[(angle[2] or "deg").lower()]
    if not math.isfinite(value):
        raise _unusable(text)
    return value


def _unusable(text: str) -> Unusable:
    return Unusable(
        f"transform={text!r} cannot be read.",
        "Use translate, scale, rotate, skewX, skewY and matrix with plain numbers, or apply the transform.",
    )
