"""Closed lines within closed lines: which of them enclose an area, and which cut a hole into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rillcast_service.engine.layout.limits import Tally
from rillcast_service.engine.layout.polygons import JOIN_GRID_MM
from rillcast_service.engine.layout.repairs.duplicates import first_alike

#: Lines that are looked up in one go, which bounds the memory.
_AT_ONCE = 512

Geometries = NDArray[np.object_]


@dataclass(frozen=True, slots=True, eq=False)
class Nested:
    """Closed lines, told apart.

    Args:
        areas: of those that enclose one, their holes cut out, object array of shape (m,).
        solid: which they are, ascending, shape (m,).
        holes: which of the lines cut a hole, ascending, shape (k,).
    """

    areas: Geometries
    solid: NDArray[np.intp]
    holes: NDArray[np.intp]


def nested(insides: Geometries, *, tally: Tally, where: str) -> Nested:
    """Tell areas from holes by how deep closed lines lie in one another.

    A line that lies in no other encloses an area; one within it cuts a hole; one within the hole
    encloses an area again. Lines that cross do not lie in one another, nor do copies of one line.

    Args:
        insides: what each line goes around, valid, object array of shape (n,), mm.
        tally: stops when very many lines lie in one another.
        where: the layer, in words.

    Returns:
        Areas and holes.

    Raises:
        LayoutTooComplex: more pairs of lines lie in one another than lines may cross.
    """
    firsts = first_alike(insides)
    each = np.unique(firsts)
    outer, inner = _pairs(insides[each], tally, where)
    outer, inner = each[outer], each[inner]
    depth = np.zeros(len(insides), dtype=np.intp)
    # A line lies deeper than all that lie around it, and what lies around another is larger.
    size = shapely.area(insides)
    for pair in np.argsort(-size[outer], kind="stable"):
        depth[inner[pair]] = max(depth[inner[pair]], depth[outer[pair]] + 1)
    # A copy of a line does what the line does, and goes around the same area.
    is_hole = depth[firsts] % 2 == 1
    areas = insides[~is_hole]
    place = np.cumsum(~is_hole) - 1
    cuts = is_hole[inner] & (depth[inner] == depth[outer] + 1)
    outer, inner = outer[cuts], inner[cuts]
    order = np.argsort(outer, kind="stable")
    around, first = np.unique(outer[order], return_index=True)
    for index, begin, end in zip(around, first, [*first[1:], len(order)], strict=False):
        cut = shapely.disjoint_subset_union_all(insides[inner[order[begin:end]]])
        areas[place[index]] = shapely.difference(insides[index], cut)
    solid = np.flatnonzero(~is_hole)
    return Nested(areas[place[firsts[solid]]], solid, np.flatnonzero(is_hole))


def _pairs(insides: Geometries, tally: Tally, where: str) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which lines lie around which, each of shape (pairs,)."""
    boxes, sizes = shapely.bounds(insides), shapely.area(insides)
    tree, points = shapely.STRtree(insides), shapely.point_on_surface(insides)
    shapely.prepare(insides)
    found, count = [], 0
    for begin in range(0, len(points), _AT_ONCE):
        some = tree.query(points[begin : begin + _AT_ONCE], predicate="within")
        found.append(some + np.array([[begin], [0]]))
        count += some.shape[1]
        tally.crossed(count - begin - _AT_ONCE, where=where)  # each lies within itself
    inner, outer = np.concatenate(found, axis=1)
    # Rounding may have moved either edge by a step of the grid.
    fits = (boxes[outer] - boxes[inner]) * [1.0, 1.0, -1.0, -1.0] <= JOIN_GRID_MM
    near = (inner != outer) & np.all(fits, axis=1) & (sizes[inner] < sizes[outer])
    inner, outer = inner[near], outer[near]
    lies_within = shapely.covers(insides[outer], insides[inner])
    doubtful = np.flatnonzero(~lies_within)
    outside = shapely.area(shapely.difference(insides[inner[doubtful]], insides[outer[doubtful]]))
    lies_within[doubtful] = outside <= JOIN_GRID_MM * shapely.length(insides[inner[doubtful]])
    left = sizes[outer] - sizes[inner] > JOIN_GRID_MM * shapely.length(insides[outer])
    return outer[lies_within & left], inner[lies_within & left]
