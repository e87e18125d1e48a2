"""Marching squares on tiles of a lattice: where a field crosses a level, joined into closed rings.

Every cell of four lattice points whose values lie on both sides of the level holds one or two
segments, from one of its sides to another, with the greater values on the left. A segment ends where
the next one begins, on a side that two cells share, so rings close by the numbers of the sides and
not by coordinates.

Source: Lorensen, Cline 1987, "Marching cubes", Computer Graphics 21, 163-169, in the plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.layout.medial import Floats, Ints

Geometries = NDArray[np.object_]

#: A contour that turns by less than this (sine) at a point runs straight there.
_STRAIGHT = 1e-4

# Sides of a cell: 0 bottom, 1 right, 2 top, 3 left. Bits of a case: 1 bottom left, 2 bottom right, 4 top
# right, 8 top left lies inside. Each case: up to two segments (from side, to side), -1 where there is none.
_NONE = (-1, -1)
_SEGMENTS = np.array(
    [
        [_NONE, _NONE],
        [(0, 3), _NONE],
        [(1, 0), _NONE],
        [(1, 3), _NONE],
        [(2, 1), _NONE],
        [(0, 3), (2, 1)],
        [(2, 0), _NONE],
        [(2, 3), _NONE],
        [(3, 2), _NONE],
        [(0, 2), _NONE],
        [(1, 0), (3, 2)],
        [(1, 2), _NONE],
        [(3, 1), _NONE],
        [(0, 1), _NONE],
        [(3, 0), _NONE],
        [_NONE, _NONE],
        # two opposite corners inside, and the middle of the cell with them
        [(0, 1), (2, 3)],
        [(3, 0), (1, 2)],
    ]
)
_SADDLES = {5: 16, 10: 17}


@dataclass(frozen=True, slots=True)
class Segments:
    """Pieces of contour, each from one side of a cell to another, greater values on the left.

    Args:
        tile: (n,) the tile that a piece lies in.
        row, column: (n,) the lattice point of that tile in which the side where the piece begins starts.
        upright: (n,) whether that side runs up from there, and not to the right.
        begin, end: (n,) numbers of the sides where a piece begins and ends, the same in all tiles.
    """

    tile: Ints
    row: Ints
    column: Ints
    upright: Ints
    begin: Ints
    end: Ints


def segments(values: Floats, level: float, *, tile_row: Ints, tile_column: Ints, stride: int) -> Segments:
    """The contour of a field that is known on square tiles of a lattice.

    Args:
        values: (tiles, m, m) at the lattice points; neighbouring tiles share their outer points.
        level: which contour.
        tile_row, tile_column: (tiles,) where the tiles lie, in tiles, zero or more.
        stride: lattice points along a row of all tiles, at least.

    Returns:
        Its pieces; where two opposite corners of a cell lie inside, they are joined when the mean of
        the four does.
    """
    inside = values >= level
    case = (
        inside[:, :-1, :-1].astype(np.int8)
        + 2 * inside[:, :-1, 1:]
        + 4 * inside[:, 1:, 1:]
        + 8 * inside[:, 1:, :-1]
    )
    tile, row, column = np.nonzero((case != 0) & (case != 15))
    case = case[tile, row, column].astype(np.int64)
    saddle = np.flatnonzero((case == 5) | (case == 10))
    t, r, c = tile[saddle], row[saddle], column[saddle]
    mean = (values[t, r, c] + values[t, r, c + 1] + values[t, r + 1, c] + values[t, r + 1, c + 1]) / 4.0
    joined = np.where(case[saddle] == 5, _SADDLES[5], _SADDLES[10])
    case[saddle] = np.where(mean >= level, joined, case[saddle])

    cell, which = np.nonzero(_SEGMENTS[case][:, :, 0] >= 0)
    begin_side, end_side = _SEGMENTS[case[cell], which].T
    tile, row, column = tile[cell], row[cell], column[cell]
    cells = values.shape[1] - 1

    def side(number: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        at_row, at_column = row + (number == 2), column + (number == 1)
        upright = (number % 2).astype(np.int64)
        point = (tile_row[tile] * cells + at_row) * stride + tile_column[tile] * cells + at_column
        return at_row, at_column, upright, 2 * point + upright

    begin_row, begin_column, upright, begin = side(begin_side)
    *_, end = side(end_side)
    return Segments(tile, begin_row, begin_column, upright, begin, end)


def rings(begin: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Pieces put in the order in which they follow one another.

    Args:
        begin, end: (n,) numbers of the sides; each side begins one piece and ends one.

    Returns:
        The pieces ring by ring (n,), and where each ring starts among them.
    """
    order = np.argsort(begin)
    following = order[np.searchsorted(begin[order], end)].tolist()
    seen = bytearray(len(following))
    walk: list[int] = []
    starts: list[int] = []
    for first in range(len(following)):
        if seen[first]:
            continue
        starts.append(len(walk))
        piece = first
        while not seen[piece]:
            seen[piece] = 1
            walk.append(piece)
            piece = following[piece]
    return np.array(walk, dtype=np.int64), np.array(starts, dtype=np.int64)


def enclosed(
    points: Floats, starts: Ints, *, tolerance: float, straight: float, least_area: float
) -> MultiPolygon:
    """The areas that closed rings go around, with fewer points.

    Args:
        points: (n, 2) ring by ring; a ring that runs against the clock encloses an area, the others cut
            holes. Rings do not cross.
        starts: where each ring starts.
        tolerance: how far the outline may move when points are left out, in the unit of the points.
        straight: an edge that runs straight for this long keeps its ends and does not move at all.
        least_area: what is smaller is left out.

    Returns:
        Valid polygons.
    """
    if not len(starts):
        return MultiPolygon()
    sizes = np.diff(np.append(starts, len(points)))
    ring = np.repeat(np.arange(len(starts)), sizes)
    x, y = points.T
    following = _following(starts, sizes)
    area = np.add.reduceat(x * y[following] - x[following] * y, starts) / 2.0
    kept = (np.abs(area) > least_area) & (sizes >= 3)
    if not kept.any():
        return MultiPolygon()
    points, area, sizes = points[kept[ring]], area[kept], sizes[kept]
    ring = np.repeat(np.arange(len(sizes)), sizes)
    simple = _simplified(points, sizes, tolerance, straight)
    return MultiPolygon(_nested(simple, shapely.linearrings(points, indices=ring), area > 0.0))


def _simplified(points: Floats, sizes: Ints, tolerance: float, straight: float) -> Geometries:
    """Rings with fewer points; the ends of long straight edges stay. A ring that collapses stays whole."""
    starts = np.cumsum(sizes) - sizes
    ring = np.repeat(np.arange(len(sizes)), sizes)
    fixed = _ends_of_straights(points, starts, sizes, straight)
    order = _from_the_first(fixed, starts, sizes) if fixed.any() else np.arange(len(points))
    points, fixed = points[order], fixed[order]

    # every ring closed, and cut into lines at its fixed points, which then stand in two lines
    closed = np.insert(np.arange(len(points)), starts + sizes, starts)
    ends = np.zeros(len(closed), dtype=bool)
    ends[np.cumsum(sizes + 1) - 1] = True
    inner = fixed[closed] & ~ends
    inner[starts + np.arange(len(sizes))] = False
    copies = 1 + inner
    doubled = np.repeat(closed, copies)
    begins = np.zeros(len(doubled), dtype=np.int64)
    begins[np.cumsum(copies)[inner] - 1] = 1
    begins[(np.cumsum(copies) - copies)[starts + np.arange(len(sizes))]] = 1
    line = np.cumsum(begins) - 1
    ring_of_line = ring[doubled[np.flatnonzero(begins)]]
    lines = shapely.simplify(
        shapely.linestrings(points[doubled], indices=line), tolerance, preserve_topology=False
    )
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    # the last point of each line is the first of the next
    kept = np.append(line[1:] == line[:-1], False)
    coordinates, ring_of = coordinates[kept], ring_of_line[line[kept]]
    collapsed = np.bincount(ring_of, minlength=len(sizes)) < 3
    if collapsed.any():
        coordinates = np.concatenate((coordinates[~collapsed[ring_of]], points[collapsed[ring]]))
        ring_of = np.concatenate((ring_of[~collapsed[ring_of]], ring[collapsed[ring]]))
        order = np.argsort(ring_of, kind="stable")
        coordinates, ring_of = coordinates[order], ring_of[order]
    simple: Geometries = np.asarray(shapely.linearrings(coordinates, indices=ring_of), dtype=object)
    return simple


def _ends_of_straights(points: Floats, starts: Ints, sizes: Ints, straight: float) -> NDArray[np.bool_]:
    """Which points are ends of edges that run straight for so long."""
    following = _following(starts, sizes)
    ahead = points[following] - points
    behind = np.empty_like(ahead)
    behind[following] = ahead
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    bends = np.flatnonzero(
        np.abs(cross) > _STRAIGHT * np.linalg.norm(ahead, axis=1) * np.linalg.norm(behind, axis=1)
    )
    ring = np.repeat(np.arange(len(sizes)), sizes)[bends]
    counts = np.bincount(ring, minlength=len(sizes))
    having = counts > 0
    next_bend = bends[_following((np.cumsum(counts) - counts)[having], counts[having])]
    long = np.linalg.norm(points[next_bend] - points[bends], axis=1) >= straight
    fixed = np.zeros(len(points), dtype=bool)
    fixed[bends[long]] = fixed[next_bend[long]] = True
    return fixed


def _from_the_first(fixed: NDArray[np.bool_], starts: Ints, sizes: Ints) -> Ints:
    """Order of the points in which every ring begins at its first fixed point, where it has one."""
    ring = np.repeat(np.arange(len(starts)), sizes)
    shift = np.zeros(len(starts), dtype=np.int64)
    having, first = np.unique(ring[fixed], return_index=True)
    shift[having] = np.flatnonzero(fixed)[first] - starts[having]
    place = np.arange(len(ring)) - starts[ring]
    order: Ints = starts[ring] + (place + shift[ring]) % sizes[ring]
    return order


def _following(starts: Ints, sizes: Ints) -> Ints:
    """The next point of each along its ring."""
    following = np.arange(int(sizes.sum())) + 1
    following[starts + sizes - 1] = starts
    return following


def _nested(simple: Geometries, full: Geometries, outer: NDArray[np.bool_]) -> list[Polygon]:
    """Polygons of outer rings and the holes within them; where simplifying spoils one, of the full rings."""
    shells, holes = np.flatnonzero(outer), np.flatnonzero(~outer)
    solid = shapely.polygons(full[shells])
    hole, shell = shapely.STRtree(solid).query(shapely.get_point(full[holes], 0), predicate="within")
    # of the areas around a hole the smallest is the one it lies in
    order = np.lexsort((shapely.area(solid)[shell], hole))
    hole, first = np.unique(hole[order], return_index=True)
    inner: dict[int, list[int]] = {}
    for owner, index in zip(shell[order][first].tolist(), holes[hole].tolist(), strict=True):
        inner.setdefault(owner, []).append(index)
    found: list[Polygon] = []
    for index, ring in enumerate(shells.tolist()):
        polygon = Polygon(simple[ring], simple[inner.get(index, [])].tolist())
        if not polygon.is_valid:
            polygon = Polygon(full[ring], full[inner.get(index, [])].tolist()).buffer(0)
        found += [part for part in shapely.get_parts(polygon) if not part.is_empty]
    return found
