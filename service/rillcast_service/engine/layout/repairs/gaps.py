"""Channels that nearly touch: bridged where they do, their outlines unchanged everywhere else."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from shapely import Geometry, Polygon

from rillcast_service.engine.layout.polygons import JOIN_GRID_MM, edges_of
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes

#: A channel that was meant to reach another comes at it with its end, or the two lie side by side over no
#: more than a few of their own widths. A thin wall between channels that run along each other was meant.
#: They are told apart by how much of the square behind the gap, as deep as half its length, is channel.
_BEHIND = 0.25

#: A slit is at least so many times as long as it is wide; a hole that is not may be a pillar.
_SLIT_LENGTH = 5.0

#: How far around a bridge the channels are looked at, as a multiple of the gap.
_LOOK_AROUND = 4.0

#: A bridge reaches this far into what it joins, so that rounding does not part them again.
_OVERLAP_MM = 2.0 * JOIN_GRID_MM

#: What is nearer than this touches.
_TOUCH_MM = 2.0 * JOIN_GRID_MM


def bridges(
    one: Geometry, other: Geometry, cavity: Callable[[Polygon], Geometry], *, gap_mm: float
) -> list[Polygon]:
    """What joins two shapes that were meant to touch.

    Args:
        one, other: areas that lie apart, mm.
        cavity: gives the channels within a frame, those two included.
        gap_mm: what lies no further apart was meant to touch.

    Returns:
        The areas to be filled, reaching slightly into both shapes. None where these hang together right
        beside the gap, which then is only the corner between them, nor where a wall between them was meant.
    """
    found: list[Polygon] = []
    half = gap_mm / 2.0 + JOIN_GRID_MM
    for frame in _frames(one, other, gap_mm):
        sides = [shapely.intersection(shape, frame) for shape in (one, other)]
        if any(side.is_empty for side in sides):
            continue
        grown = shapely.union_all(shapely.buffer(sides, half, join_style="mitre"))
        between = shapely.difference(
            shapely.buffer(grown, -half, join_style="mitre"), shapely.union_all(sides)
        )
        across = _direction(*sides)
        for part in shapely.get_parts(between):
            reaches = shapely.dwithin(sides, part, _TOUCH_MM)
            if part.geom_type == "Polygon" and part.area > JOIN_GRID_MM * gap_mm and all(reaches):
                around = cavity(_framed(part, _LOOK_AROUND * gap_mm))
                if _joins(part, around, gap_mm) and _is_meant(part, across, cavity):
                    found.append(shapely.buffer(part, _OVERLAP_MM, join_style="mitre"))
    return found


def slits(polygon: Polygon, *, gap_mm: float) -> list[Polygon]:
    """Holes of a channel that are the seam between two parts of it that were meant to touch.

    Args:
        polygon: a piece of a channel layer, mm.
        gap_mm: what lies no further apart was meant to touch.

    Returns:
        The holes to be filled.
    """
    found = []
    for ring in polygon.interiors:
        hole = Polygon(ring)
        length = hole.length / 2.0
        width = hole.area / length
        if (
            width <= gap_mm
            and length >= _SLIT_LENGTH * width
            and shapely.buffer(hole, -gap_mm / 2.0 - JOIN_GRID_MM).is_empty
        ):
            found.append(hole)
    return found


def apart(shapes: Shapes, pairs: Indices, cavity: Shapes) -> Indices:
    """Of pairs of shapes that lie close, those with nothing of the cavity between them.

    Args:
        shapes: areas, object array of shape (n,), mm.
        pairs: shape (p, 2).
        cavity: pieces of the cavity that the shapes belong to.

    Returns:
        Some of the pairs, shape (q, 2).
    """
    if len(pairs) == 0:
        return pairs
    lines = shapely.shortest_line(shapes[pairs[:, 0]], shapes[pairs[:, 1]])
    middles = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    covered = np.unique(shapely.STRtree(cavity).query(middles, predicate="intersects")[0])
    return np.delete(pairs, covered, axis=0)


def _frames(one: Geometry, other: Geometry, gap_mm: float) -> list[Polygon]:
    """Boxes that hold every place where two shapes lie close."""
    reach = _LOOK_AROUND * gap_mm
    low_x, low_y, high_x, high_y = other.bounds
    edges, others = edges_of(one), edges_of(other)
    near = shapely.STRtree(edges).query(
        shapely.box(low_x - gap_mm, low_y - gap_mm, high_x + gap_mm, high_y + gap_mm)
    )
    edges = edges[near]
    a, b = shapely.STRtree(others).query(edges, predicate="dwithin", distance=gap_mm)
    bounds, other_bounds = shapely.bounds(edges[a]), shapely.bounds(others[b])
    low = np.maximum(bounds[:, :2], other_bounds[:, :2])
    high = np.minimum(bounds[:, 2:], other_bounds[:, 2:])
    # Of edges that lie apart, the frame between them is the wrong way round until it is widened.
    frames = shapely.box(*(np.minimum(low, high) - reach).T, *(np.maximum(low, high) + reach).T)
    together = shapely.get_parts(shapely.union_all(frames))
    return list(shapely.envelope(together))


def _framed(shape: Geometry, margin_mm: float) -> Polygon:
    low_x, low_y, high_x, high_y = shape.bounds
    return shapely.box(low_x - margin_mm, low_y - margin_mm, high_x + margin_mm, high_y + margin_mm)


def _direction(one: Geometry, other: Geometry) -> tuple[float, float]:
    """The way across a gap, of length 1."""
    (x, y), (to_x, to_y) = shapely.get_coordinates(shapely.shortest_line(one, other))
    length = float(np.hypot(to_x - x, to_y - y))
    return (to_x - x) / length, (to_y - y) / length


def _joins(bridge: Polygon, around: Geometry, gap_mm: float) -> bool:
    """Whether what a bridge meets hangs together only through the bridge, as far as can be seen from it."""
    seen = shapely.intersection(around, shapely.buffer(bridge, _LOOK_AROUND * gap_mm))
    parts = shapely.get_parts(seen)
    return int(np.count_nonzero(shapely.dwithin(parts, bridge, _TOUCH_MM))) > 1


def _is_meant(bridge: Polygon, across: tuple[float, float], cavity: Callable[[Polygon], Geometry]) -> bool:
    """Whether a bridge mends a slip, and breaks through no wall that someone drew."""
    normal = np.array(across)
    along = np.array([-normal[1], normal[0]])
    points = shapely.get_coordinates(bridge)
    left, right = (points @ along).min(), (points @ along).max()
    length = right - left
    for near, far in (
        ((points @ normal).min(), (points @ normal).min() - length / 2.0),
        ((points @ normal).max(), (points @ normal).max() + length / 2.0),
    ):
        corners = [left * along, right * along]
        square = Polygon([corners[0] + near * normal, corners[1] + near * normal,
                          corners[1] + far * normal, corners[0] + far * normal])  # fmt: skip
        if shapely.intersection(cavity(square.envelope), square).area < _BEHIND * square.area:
            return False
    return True
