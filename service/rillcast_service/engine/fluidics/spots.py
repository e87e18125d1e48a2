"""Spots of cells with something in common, such as that liquid stays in them: where, how large, how deep."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from shapely import Geometry, Point

from rillcast_service.engine.fluidics.hydraulics import LevelProblem
from rillcast_service.engine.layout.grid import Grid
from rillcast_service.engine.layout.medial import Floats, Ints

Bools = NDArray[np.bool_]

_UL_PER_M3 = 1e9
_M3_PER_MM3 = 1e-9
#: Spots are drawn on a lattice of this share of a cell, and their steps smoothed by up to so many cells.
_SNAP = 1e-3
_SIMPLER = 0.75


@dataclass(frozen=True, slots=True)
class Spot:
    """A place where liquid stays.

    Args:
        level: plane of the channels.
        geometry: mm, as the cells of the grid draw it.
        volume_ul: what stays there.
        reach_mm: the farthest way, inside the channels, from where liquid moves.
        end: the place at the end of that way.
        cells: which of its level's cells it has; end_cell: the one at its end.
        entrance: those of them that lie beside where liquid moves.
    """

    level: int
    geometry: Geometry
    volume_ul: float
    reach_mm: float
    end: Point
    cells: Ints
    end_cell: int
    entrance: Ints


def spots(problem: LevelProblem, stays: Bools, *, beside: Bools, least_mm2: Floats) -> list[Spot]:
    """Connected spots of cells.

    Args:
        problem: the level that they lie on.
        stays: (cells,) whether a cell belongs to a spot.
        beside: (cells,) whether liquid moves in a cell, so that the way into a spot begins next to it.
        least_mm2: (cells,) a spot is left out when it is smaller than the largest of these among its cells.

    Returns:
        The spots. Ways go from cell to cell, straight or diagonal, which is 8 % too long at worst.
    """
    grid, volume = problem.field.grid, cell_volume_m3(problem)
    own = np.flatnonzero(stays)
    if not own.size:
        return []
    links = _links(grid, own)
    labels = connected_components(links, directed=False)[1]
    place = np.full(len(stays), -1, dtype=np.int64)
    place[own] = np.arange(len(own))
    entrance = np.zeros(len(own), dtype=bool)
    a, b = grid.face.T
    for here, there in ((a, b), (b, a)):
        entrance[place[here[stays[here] & beside[there]]]] = True
    areas = np.bincount(labels, weights=grid.area_mm2[own])
    least = np.full(len(areas), 0.0)
    np.maximum.at(least, labels, least_mm2[own])
    found = []
    for label in np.flatnonzero(areas >= least):
        cells = np.flatnonzero(labels == label)
        starts = cells[entrance[cells]]
        away = np.zeros(len(cells))
        if starts.size:
            away = np.asarray(dijkstra(links, directed=False, indices=starts, min_only=True))[cells]
        end = int(own[cells[int(np.argmax(away))]])
        found.append(
            Spot(
                level=problem.level,
                geometry=drawn(grid, own[cells]),
                volume_ul=float(volume[own[cells]].sum()) * _UL_PER_M3,
                reach_mm=float(away.max()),
                end=Point(*grid.centre_mm[end]),
                cells=own[cells],
                end_cell=end,
                entrance=own[starts],
            )
        )
    return found


def drawn(grid: Grid, cells: Ints) -> Geometry:
    """Cells as a shape: runs of them within a row become one box each.

    Args:
        grid: that they belong to.
        cells: positions in it.

    Returns:
        Polygons, mm.
    """
    cells = np.sort(cells)
    number = grid.cell[cells]
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 2) != 1)
    ends = np.append(starts[1:], len(number)) - 1
    centre, half = grid.centre_mm, grid.pitch_mm / 2.0
    low, high = centre[cells[starts]] - half, centre[cells[ends]] + half
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    # edges of rows that differ by rounding would leave slits between them
    merged: Geometry = shapely.union_all(boxes, grid_size=grid.pitch_mm * _SNAP)
    return merged.simplify(grid.pitch_mm * _SIMPLER)


def cell_volume_m3(problem: LevelProblem) -> Floats:
    """Volume of each cell of a level.

    Args:
        problem: of that level.

    Returns:
        (cells,) m³.
    """
    volume: Floats = problem.field.grid.area_mm2 * problem.depth_mm * _M3_PER_MM3
    return volume


def _links(grid: Grid, own: Ints) -> csr_array:
    """Ways between cells that share a face, and across corners of four cells that do; lengths in mm."""
    count = len(grid.cell)
    place = np.full(count + 1, -1, dtype=np.int64)
    place[own] = np.arange(len(own))
    # neighbours by position in the grid; the last place stands for none
    right, left, above = (np.full(count + 1, count, dtype=np.int64) for _ in range(3))
    a, b = grid.face.T
    right[a[grid.upright]], left[b[grid.upright]] = b[grid.upright], a[grid.upright]
    above[a[~grid.upright]] = b[~grid.upright]
    pairs, lengths = [], []
    for beside, length in ((right, 1.0), (above, 1.0)):
        pairs.append(np.stack((own, beside[own])))
        lengths.append(np.full(len(own), length))
    for beside in (right, left):
        across = above[beside[own]]
        open_corner = (beside[above[own]] == across) & (across < count)
        pairs.append(np.stack((own[open_corner], across[open_corner])))
        lengths.append(np.full(int(open_corner.sum()), math.sqrt(2.0)))
    ends, length_mm = place[np.concatenate(pairs, axis=1)], np.concatenate(lengths) * grid.pitch_mm
    valid = (ends >= 0).all(axis=0)
    return coo_array((length_mm[valid], ends[:, valid]), shape=(len(own), len(own))).tocsr()
