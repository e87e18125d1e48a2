"""Which shapes meet, and which lie close: the one search that all repairs between shapes rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from rillcast_service.engine.layout.polygons import JOIN_GRID_MM

Shapes = NDArray[np.object_]
Indices = NDArray[np.intp]

#: How many shapes are looked up in one go, which bounds the memory.
_SHAPES_AT_ONCE = 2_000


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Pairs of shapes, each pair once with the lower index first.

    Args:
        touching: that overlap or touch, shape (n, 2).
        close: that lie apart, but within reach, shape (m, 2).
        complete: whether all of them are there; a search that finds too many ends early.
    """

    touching: Indices
    close: Indices
    complete: bool


def neighbours(shapes: Shapes, *, reach_mm: float, at_most: int) -> Neighbours:
    """Which shapes meet or lie close.

    Args:
        shapes: areas, object array of shape (n,), mm.
        reach_mm: what lies no further apart is close.
        at_most: pairs of touching shapes after which the search ends.

    Returns:
        The pairs, in ascending order.
    """
    reach_mm = max(reach_mm, JOIN_GRID_MM)
    bounds = shapely.bounds(shapes)
    tree = shapely.STRtree(shapes)
    touching: list[Indices] = []
    close: list[Indices] = []
    found = 0
    shapely.prepare(shapes)
    for first in range(0, len(shapes), _SHAPES_AT_ONCE):
        low_x, low_y, high_x, high_y = bounds[first : first + _SHAPES_AT_ONCE].T
        around = shapely.box(low_x - reach_mm, low_y - reach_mm, high_x + reach_mm, high_y + reach_mm)
        a, b = tree.query(around)
        a = a + first
        a, b = a[a < b], b[a < b]
        is_close = shapely.dwithin(shapes[a], shapes[b], reach_mm)
        a, b = a[is_close], b[is_close]
        meets = shapely.dwithin(shapes[a], shapes[b], JOIN_GRID_MM)
        pairs = np.column_stack([a, b])
        touching.append(pairs[meets])
        close.append(pairs[~meets])
        found += int(np.count_nonzero(meets))
        if found > at_most:
            break
    complete = found <= at_most
    return Neighbours(_in_order(touching), _in_order(close), complete)


def groups(count: int, pairs: Indices) -> Indices:
    """Which shapes hang together.

    Args:
        count: of shapes.
        pairs: of shapes that do, shape (n, 2).

    Returns:
        The number of its group for every shape, shape (count,).
    """
    links = coo_array((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, labels = connected_components(links, directed=False)
    return np.asarray(labels, dtype=np.intp)


def _in_order(pairs: list[Indices]) -> Indices:
    together = np.concatenate([np.empty((0, 2), dtype=np.intp), *pairs])
    return together[np.lexsort((together[:, 1], together[:, 0]))]
