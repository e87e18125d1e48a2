"""Closed lines within closed lines: which of them enclose an area, and which cut a hole into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rillcast_service.engine.layout.polygons import JOIN_GRID_MM

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


def nested(insides: Geometries) -> Nested:
    """Tell areas from holes by how deep closed lines lie in one another.

    A line that lies in no other encloses an area; one within it cuts a hole; one within the hole
    encloses an area again. Lines that cross do not lie in one another, nor do copies of one line.

    Args:
        insides: what each line goes around, valid, object array of shape (n,), mm.

    Returns:
        Areas and holes.
    """
    outer, inner = _pairs(insides)
    depth = np.zeros(len(insides), dtype=np.intp)
    # A line lies deeper than all that lie around it, and what lies around another is larger.
    size = shapely.area(insides)
    for pair in np.argsort(-size[outer], kind="stable"):
        depth[inner[pair]] = max(depth[inner[pair]], depth[outer[pair]] + 1)
    is_hole = depth % 2 == 1
    areas = insides[~is_hole]
    place = np.cumsum(~is_hole) - 1
    cuts = is_hole[inner] & (depth[inner] == depth[outer] + 1)
    outer, inner = outer[cuts], inner[cuts]
    order = np.argsort(outer, kind="stable")
    around, first = np.unique(outer[order], return_index=True)
    for index, begin, end in zip(around, first, [*first[1:], len(order)], strict=False):
        cut = shapely.disjoint_subset_union_all(insides[inner[order[begin:end]]])
        areas[place[index]] = shapely.difference(insides[index], cut)
    return Nested(areas, np.flatnonzero(~is_hole), np.flatnonzero(is_hole))


def _pairs(insides: Geometries) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which lines lie around which, each of shape (pairs,)."""
    boxes, sizes = shapely.bounds(insides), shapely.area(insides)
    inner, outer = shapely.STRtree(insides).query(shapely.point_on_surface(insides), predicate="within")
    # Rounding may have moved either edge by a step of the grid.
    fits = (boxes[outer] - boxes[inner]) * [1.0, 1.0, -1.0, -1.0] <= JOIN_GRID_MM
    near = (inner != outer) & np.all(fits, axis=1) & (sizes[inner] < sizes[outer])
    inner, outer = inner[near], outer[near]
    shapely.prepare(insides)
    lies_within = shapely.covers(insides[outer], insides[inner])
    doubtful = np.flatnonzero(~lies_within)
    outside = shapely.area(shapely.difference(insides[inner[doubtful]], insides[outer[doubtful]]))
    lies_within[doubtful] = outside <= JOIN_GRID_MM * shapely.length(insides[inner[doubtful]])
    left = sizes[outer] - sizes[inner] > JOIN_GRID_MM * shapely.length(insides[outer])
    return outer[lies_within & left], inner[lies_within & left]
