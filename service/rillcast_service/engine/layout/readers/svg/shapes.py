"""The shape elements as subpaths in user units. Source: SVG 2, chapters 9 and 10."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from xml.etree.ElementTree import Element

import numpy as np

from rillcast_service.engine.layout.curves import (
    EllipticArc,
    Points,
    Segment,
    Subpath,
    ellipse,
    line,
    polyline,
)
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.paths import parse_path, parse_points
from rillcast_service.engine.layout.readers.svg.units import Lengths

Subpaths = tuple[Subpath, ...]

QUARTER_TURN = np.pi / 2.0


def subpaths(element: Element, tag: str, lengths: Lengths) -> Subpaths:
    """The outline of a shape element.

    Args:
        element, tag: the element and its SVG name, one of `SHAPES`.
        lengths: reads its attributes.

    Returns:
        Subpaths in user units; none when the element draws nothing (no size, no points).

    Raises:
        Unusable: an attribute that cannot be read.
    """
    return SHAPES[tag](element, lengths)


def _length(element: Element, name: str, lengths: Lengths, *, along: str, size: bool = False) -> float:
    text = element.get(name)
    if text is None:
        return 0.0
    value = lengths.read(text, along=along)
    if size and value < 0.0:
        raise Unusable(f"{name}={text!r} is below 0.", "Give a size of 0 or more.")
    return value


def _radii(element: Element, lengths: Lengths) -> tuple[float, float]:
    """Attributes rx and ry; one that is left to itself takes the other's value."""
    radii = [
        None
        if element.get(name, "auto").strip() == "auto"
        else _length(element, name, lengths, along=along, size=True)
        for name, along in (("rx", "x"), ("ry", "y"))
    ]
    filled = [radius if radius is not None else other or 0.0 for radius, other in (radii, radii[::-1])]
    return filled[0], filled[1]


def _rect(element: Element, lengths: Lengths) -> Subpaths:
    x, y = (_length(element, key, lengths, along=key) for key in ("x", "y"))
    width = _length(element, "width", lengths, along="x", size=True)
    height = _length(element, "height", lengths, along="y", size=True)
    if width == 0.0 or height == 0.0:
        return ()
    radius_x, radius_y = _radii(element, lengths)
    radius_x, radius_y = min(radius_x, width / 2.0), min(radius_y, height / 2.0)
    if radius_x == 0.0 or radius_y == 0.0:
        corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
        return (polyline(corners, closed=True),)
    return (_rounded_rect(x, y, width, height, radius_x, radius_y),)


def _rounded_rect(
    x: float, y: float, width: float, height: float, radius_x: float, radius_y: float
) -> Subpath:
    u, v = np.array([radius_x, 0.0]), np.array([0.0, radius_y])
    centres = [
        np.array([x + width - radius_x, y + radius_y]),
        np.array([x + width - radius_x, y + height - radius_y]),
        np.array([x + radius_x, y + height - radius_y]),
        np.array([x + radius_x, y + radius_y]),
    ]
    first = here = centres[3] - v
    segments: list[Segment] = []
    for index, centre in enumerate(centres):
        start = (index - 1) * QUARTER_TURN
        begin, end = (centre + np.cos(t) * u + np.sin(t) * v for t in (start, start + QUARTER_TURN))
        segments += [line(here, begin), EllipticArc(centre, u, v, start, QUARTER_TURN)]
        here = end
    return Subpath(first, tuple(segments), closed=True)


def _circle(element: Element, lengths: Lengths) -> Subpaths:
    radius = _length(element, "r", lengths, along="diagonal", size=True)
    return _whole_ellipse(element, lengths, radius, radius)


def _ellipse(element: Element, lengths: Lengths) -> Subpaths:
    return _whole_ellipse(element, lengths, *_radii(element, lengths))


def _whole_ellipse(element: Element, lengths: Lengths, radius_x: float, radius_y: float) -> Subpaths:
    if radius_x == 0.0 or radius_y == 0.0:
        return ()
    centre = np.array(
        [_length(element, "cx", lengths, along="x"), _length(element, "cy", lengths, along="y")]
    )
    return (ellipse(centre, radius_x=radius_x, radius_y=radius_y),)


def _line(element: Element, lengths: Lengths) -> Subpaths:
    ends = [[_length(element, f"{key}{end}", lengths, along=key) for key in ("x", "y")] for end in (1, 2)]
    return (polyline(np.array(ends), closed=False),)


def _polyline(element: Element, _lengths: Lengths) -> Subpaths:
    return _through(parse_points(element.get("points", "")), closed=False)


def _polygon(element: Element, _lengths: Lengths) -> Subpaths:
    return _through(parse_points(element.get("points", "")), closed=True)


def _through(points: Points | None, *, closed: bool) -> Subpaths:
    return () if points is None else (polyline(points, closed=closed),)


def _path(element: Element, _lengths: Lengths) -> Subpaths:
    text = element.get("d", "").strip()
    return () if text in ("", "none") else parse_path(text)


SHAPES: Mapping[str, Callable[[Element, Lengths], Subpaths]] = {
    "rect": _rect,
    "circle": _circle,
    "ellipse": _ellipse,
    "line": _line,
    "polyline": _polyline,
    "polygon": _polygon,
    "path": _path,
}
