"""Local width of the channels on the grid: the largest disc within the channels that covers a cell."""

from __future__ import annotations

import numpy as np

from rillcast_service.engine.layout.grid import Grid
from rillcast_service.engine.layout.medial import Balls, Floats, Ints

#: Distance of neighbouring discs as a share of their radius, in places much wider than the least width.
_OVERLAP = 0.125


def local_width_mm(grid: Grid, balls: Balls) -> Floats:
    """Width of the channels around each cell.

    Args:
        grid: samples of the channels.
        balls: their medial balls, with feet no further apart than a quarter of the least width.

    Returns:
        (cells,) mm: the diameter of the largest medial ball that covers the cell's centre, exact in
        straight channels at any angle.

    Source: the definition of local thickness, Hildebrand & Rüegsegger 1997, J. Microsc. 185, 67-75.
    """
    kept = _thinned(balls)
    width = np.zeros(len(grid.cell))
    cells, ball = _covered(grid, balls.centre[kept], balls.radius[kept])
    np.maximum.at(width, cells, 2.0 * balls.radius[kept][ball])
    return _spread(grid, width)


def _thinned(balls: Balls) -> Ints:
    """Balls enough to cover the channels: large ones stand much closer than they need to."""
    share = balls.radius * _OVERLAP / max(balls.spacing_mm, 1e-12)
    # A power of two of a running count along the boundary keeps the choice even.
    stride = 2 ** np.floor(np.log2(np.maximum(share, 1.0))).astype(np.int64)
    in_step = np.arange(len(stride)) % stride == 0
    # In a square chamber only one ball has the full width.
    before, after = balls.radius[balls.preceding], balls.radius[balls.following]
    peak = (balls.radius > before * (1.0 + 1e-6)) & (balls.radius >= after)
    return np.flatnonzero((in_step | peak) & (balls.radius > 0.0))


def _covered(grid: Grid, centre: Floats, radius: Floats) -> tuple[Ints, Ints]:
    """All pairs of a cell and a ball that covers its centre, ball by ball and row by row."""
    place = (centre - np.asarray(grid.origin_mm)) / grid.pitch_mm - 0.5
    reach = radius / grid.pitch_mm
    first = np.ceil(place[:, 1] - reach).astype(np.int64)
    rows = np.floor(place[:, 1] + reach).astype(np.int64) - first + 1
    ball = np.repeat(np.arange(len(reach)), rows)
    row = _runs(first, rows)
    half = np.sqrt(np.maximum(reach[ball] ** 2 - (row - place[ball, 1]) ** 2, 0.0))
    # Cells of a row that are covered follow one another in the grid.
    left = row * grid.columns + np.ceil(place[ball, 0] - half).astype(np.int64)
    right = row * grid.columns + np.floor(place[ball, 0] + half).astype(np.int64)
    start = np.searchsorted(grid.cell, left)
    count = np.maximum(np.searchsorted(grid.cell, right, side="right") - start, 0)
    return _runs(start, count), np.repeat(ball, count)


def _runs(first: Ints, counts: Ints) -> Ints:
    """first, first + 1, … for each count, one after the other."""
    ends = np.cumsum(counts)
    total = int(ends[-1]) if len(ends) else 0
    result: Ints = np.arange(total) + np.repeat(first - (ends - counts), counts)
    return result


def _spread(grid: Grid, width: Floats) -> Floats:
    """Cells that no ball covers, at the walls and in corners, take the width of their neighbours."""
    a, b = grid.face.T
    while True:
        bare_a, bare_b = width[a] == 0.0, width[b] == 0.0
        rim = bare_a != bare_b
        if not rim.any():
            return width
        bare = np.where(bare_a[rim], a[rim], b[rim])
        known = width[np.where(bare_a[rim], b[rim], a[rim])]
        np.maximum.at(width, bare, known)
