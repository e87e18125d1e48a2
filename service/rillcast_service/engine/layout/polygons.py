"""Rings to valid polygons: fill rules, mending, and the union that makes a layer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, LinearRing, MultiPolygon, Polygon

from rillcast_service.engine.layout.curves import Points

FillRule = Literal["nonzero", "evenodd"]

#: Shapes are joined on a grid of 1 nm: far below anything that can be made, and coarse enough that
#: edges which meet in the drawing still meet after rounding in floating point.
JOIN_GRID_MM = 1e-6

GRID_DIGITS = 6

#: Areas that differ by a smaller part are one area, summed up in another order.
AREA_DOUBT = 1e-9

#: How many pairs of edges are looked at in one go, which bounds the memory.
_PAIRS_AT_ONCE = 4_000_000


def multipolygon(geometry: Geometry) -> MultiPolygon:
    """The areas of any geometry.

    Args:
        geometry: whose points and lines are dropped.

    Returns:
        Its polygons.
    """
    parts = [part for part in shapely.get_parts(geometry, return_index=False) if not part.is_empty]
    if any(part.geom_type in ("MultiPolygon", "GeometryCollection") for part in parts):
        parts = [inner for part in parts for inner in multipolygon(part).geoms]
    return MultiPolygon([part for part in parts if isinstance(part, Polygon)])


def joined(geometries: Iterable[Geometry]) -> MultiPolygon:
    """The union of areas.

    Args:
        geometries: valid ones.

    Returns:
        Valid polygons on the joining grid, in an order that does not depend on that of the parts.
    """
    merged = shapely.union_all([multipolygon(geometry) for geometry in geometries])
    snapped = shapely.set_precision(merged, JOIN_GRID_MM)
    return multipolygon(shapely.normalize(snapped))


def on_grid(geometries: NDArray[np.object_]) -> NDArray[np.object_]:
    """Geometries with their coordinates rounded to the joining grid.

    Args:
        geometries: object array of shape (n,), mm.

    Returns:
        New ones, object array of shape (n,); rounding may leave one invalid.
    """
    rounded: NDArray[np.object_] = shapely.transform(geometries, lambda points: np.round(points, GRID_DIGITS))
    return rounded


def rings_of(polygon: Polygon) -> list[Points]:
    """The rings of a polygon.

    Args:
        polygon: any.

    Returns:
        Each of shape (n, 2), its first point repeated at its end; the outer ring first.
    """
    return [shapely.get_coordinates(ring) for ring in (polygon.exterior, *polygon.interiors)]


def ring_of(points: Points, *, closing_mm: float) -> Points | None:
    """The ring that a line makes whose ends meet, or were meant to.

    Args:
        points: of the line, shape (n, 2).
        closing_mm: ends no further apart were meant to meet.

    Returns:
        Shape (m, 2), m ≥ 3, the first point not repeated and standing for both ends; None when the ends
        lie further apart, or when the line is so short that it goes around nothing.
    """
    first, last = points[0], points[-1]
    if len(points) < 4 or np.hypot(*(last - first)) > closing_mm:
        return None
    # A tick as short as the tolerance has ends that close too, and is no loop.
    across = float(np.hypot(*np.ptp(points, axis=0)))
    return points[:-1] if across > 2.0 * closing_mm else None


def parted(polygons: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Polygons that touch themselves, parted where they do.

    A ring that only touches itself, as one does from which a hole is cut along a line, encloses the same
    area by every fill rule; one that crosses itself does not.

    Args:
        polygons: invalid ones, object array of shape (n,), mm.

    Returns:
        Valid polygons and multipolygons, object array of shape (n,), and for which of them the area is
        beyond doubt, shape (n,). Of the others it is that by the even-odd rule.
    """
    parts, owner = shapely.get_parts(shapely.make_valid(polygons), return_index=True)
    inner, part = shapely.get_parts(parts, return_index=True)  # a collection holds multipolygons
    is_area = shapely.get_dimensions(inner) == 2
    inner, owner = inner[is_area], owner[part[is_area]]
    area = np.bincount(owner, shapely.area(inner), minlength=len(polygons))
    mended = np.full(len(polygons), MultiPolygon(), dtype=object)
    shapely.multipolygons(inner, indices=owner, out=mended)
    # By the trapezoid rule, parts that cross over count against each other, or twice.
    doubt = np.abs(area - shapely.area(polygons))
    return mended, doubt <= AREA_DOUBT * area + JOIN_GRID_MM**2


def enclosed_area(rings: Sequence[Points]) -> float:
    """The area that a naive reading of an outline gives.

    Args:
        rings: each of shape (n, 2).

    Returns:
        The sum of the rings' signed areas, without its sign.
    """
    return abs(sum(_signed_area(ring) for ring in rings))


def is_plain(ring: Points) -> bool:
    """Whether a ring needs no fill rule to be understood.

    Args:
        ring: shape (n, 2).

    Returns:
        True when it neither crosses nor touches itself.
    """
    return len(ring) >= 3 and bool(Polygon(ring).is_valid)


def crossings(lines: Sequence[Points], *, stop_at: int) -> int:
    """How often lines cross or touch themselves and one another, beyond meeting their neighbours.

    Combining shapes takes work in proportion to this number, which can be the square of what a file
    holds; so it is looked up before it is done.

    Args:
        lines: each of shape (n, 2).
        stop_at: counting ends soon after this number.

    Returns:
        The count; only a lower bound once it is above `stop_at`.
    """
    pieces = [np.stack([points[:-1], points[1:]], axis=1) for points in lines if len(points) > 1]
    if not pieces:
        return 0
    edges = shapely.linestrings(np.concatenate(pieces))
    tree = shapely.STRtree(edges)
    # Every edge meets itself, and its two neighbours from either side.
    expected = 3 * len(edges)
    found, together = 0, max(1, _PAIRS_AT_ONCE // len(edges))
    for first in range(0, len(edges), together):
        found += tree.query(edges[first : first + together], predicate="intersects").shape[1]
        if found - expected > 2 * stop_at:
            break
    return max(0, found - expected) // 2


def crossings_between(shapes: NDArray[np.object_], *, within: NDArray[np.object_], stop_at: int) -> int:
    """How often the outlines of different shapes cross or touch.

    Args:
        shapes: areas, object array of shape (n,), mm.
        within: the frames outside of which no two outlines meet, object array of shape (m,).
        stop_at: counting ends soon after this number.

    Returns:
        The count; only a lower bound once it is above `stop_at`.
    """
    edges, owner = _edges(shapes)
    near = np.unique(shapely.STRtree(edges).query(within)[1])
    edges, owner = edges[near], owner[near]
    if len(edges) == 0:
        return 0
    tree = shapely.STRtree(edges)
    found, together = 0, max(1, _PAIRS_AT_ONCE // len(edges))
    for first in range(0, len(edges), together):
        a, b = tree.query(edges[first : first + together], predicate="intersects")
        found += int(np.count_nonzero(owner[a + first] < owner[b]))
        if found > stop_at:
            break
    return found


def edges_of(area: Geometry) -> NDArray[np.object_]:
    """The straight edges of an area.

    Args:
        area: polygons.

    Returns:
        Line strings of two points, object array of shape (n,).
    """
    return _edges(np.array([area], dtype=object))[0]


def filled(rings: Sequence[Points], rule: FillRule) -> MultiPolygon:
    """The area that rings enclose under a fill rule.

    Every ring is closed from its last point to its first. A point is inside when the winding number
    of all rings about it is not zero (`nonzero`) or is odd (`evenodd`).

    Args:
        rings: each of shape (n, 2); those of fewer than three points enclose nothing.
        rule: which of the two.

    Returns:
        A valid multipolygon, empty when nothing is enclosed.

    Source: SVG 2, §13.4.2 "The fill-rule property".
    """
    rings = [ring for ring in rings if len(ring) >= 3]
    if len(rings) == 1 and is_plain(rings[0]):
        return MultiPolygon([Polygon(rings[0])])
    if not rings:
        return MultiPolygon()
    lines = shapely.union_all([LinearRing(ring) for ring in rings])
    faces = shapely.get_parts(shapely.polygonize([lines]))
    if len(faces) == 0:
        return MultiPolygon()
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    winding = np.zeros(len(faces), dtype=np.int64)
    for ring in rings:
        low, high = ring.min(axis=0), ring.max(axis=0)
        near = np.flatnonzero(np.all((inside >= low) & (inside <= high), axis=1))
        winding[near] += _winding(ring, inside[near])
    kept = faces[winding != 0] if rule == "nonzero" else faces[winding % 2 == 1]
    return multipolygon(shapely.union_all(kept))


def mended(polygon: Polygon) -> MultiPolygon:
    """An invalid polygon made valid.

    Args:
        polygon: that crosses or touches itself.

    Returns:
        The area inside by the even-odd rule.
    """
    return multipolygon(shapely.make_valid(polygon))


def _edges(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.intp]]:
    """The edges of areas, and the index of the area of each."""
    outlines, owner = shapely.get_parts(shapely.boundary(shapes), return_index=True)
    points, line = shapely.get_coordinates(outlines, return_index=True)
    goes_on = line[1:] == line[:-1]
    edges = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1)[goes_on])
    return edges, owner[line[1:][goes_on]]


def _signed_area(ring: Points) -> float:
    x, y = ring.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0


def _winding(ring: Points, points: Points) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """How often a ring goes round each point, by counting its crossings of a ray towards +x."""
    turns = np.zeros(len(points), dtype=np.int64)
    a, b = ring, np.roll(ring, -1, axis=0)
    for index, (x, y) in enumerate(points):
        side = (b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (x - a[:, 0]) * (b[:, 1] - a[:, 1])
        upward = (a[:, 1] <= y) & (b[:, 1] > y) & (side > 0.0)
        downward = (a[:, 1] > y) & (b[:, 1] <= y) & (side < 0.0)
        turns[index] = np.count_nonzero(upward) - np.count_nonzero(downward)
    return turns
