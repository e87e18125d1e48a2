"""Lines that meet end to end, as the loops and chains that they make together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.limits import Tally
from rillcast_service.engine.layout.polygons import JOIN_GRID_MM


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Lines that meet end to end.

    Args:
        points: shape (n, 2), mm; of a loop the first point is not repeated at the end.
        parts: index of each line, in order.
        is_loop: whether the last end meets the first.
        gap_mm: the widest gap that was bridged; 0 when all ends meet.
        gap_at: where that is, shape (2,).
    """

    points: Points
    parts: tuple[int, ...]
    is_loop: bool
    gap_mm: float
    gap_at: Points


def chains(lines: Sequence[Points], *, closing_mm: float, tally: Tally) -> list[Chain]:
    """Join lines where their ends meet, or were meant to.

    The nearest ends are joined first, and each end to one other. Where four or more meet in one point it does
    not matter which: by the even-odd rule the loops enclose the same area.

    Args:
        lines: each of shape (n, 2), n ≥ 2, mm.
        closing_mm: ends no further apart were meant to meet.
        tally: holds the limit of how many pairs of ends are looked at.

    Returns:
        Loops and open chains, in the order of their first lines.

    Raises:
        LayoutTooComplex: too many ends lie together.
    """
    if not lines:
        return []
    ends = np.array([point for points in lines for point in (points[0], points[-1])])
    mates = _mates(lines, ends, max(closing_mm, JOIN_GRID_MM), tally)
    seen: set[int] = set()
    found = []
    # An open chain begins at a loose end; what is left then are loops.
    for first in [*np.flatnonzero(mates < 0).tolist(), *range(0, len(ends), 2)]:
        if first // 2 in seen:
            continue
        walk = [first]
        seen.add(first // 2)
        while (following := int(mates[walk[-1] ^ 1])) >= 0 and following // 2 not in seen:
            walk.append(following)
            seen.add(following // 2)
        found.append(_chain(lines, walk, is_loop=bool(mates[walk[-1] ^ 1] == walk[0])))
    return sorted(found, key=lambda chain: min(chain.parts))


def _mates(lines: Sequence[Points], ends: Points, within: float, tally: Tally) -> NDArray[np.intp]:
    """The end that each end is joined to, -1 for none; ends 2k and 2k + 1 are those of line k."""
    tree = cKDTree(ends)
    near = int(tree.count_neighbors(tree, within))
    tally.crossed((near - len(ends)) // 2 - len(lines), where="where ends of lines meet")
    pairs = tree.query_pairs(within, output_type="ndarray")
    apart = np.hypot(*(ends[pairs[:, 0]] - ends[pairs[:, 1]]).T)
    mates = np.full(len(ends), -1, dtype=np.intp)
    steps = np.floor(apart / JOIN_GRID_MM)
    for index in np.lexsort((pairs[:, 1], pairs[:, 0], steps)):
        a, b = int(pairs[index, 0]), int(pairs[index, 1])
        if mates[a] >= 0 or mates[b] >= 0 or (a ^ 1 == b and not _goes_around(lines[a // 2], within)):
            continue
        mates[a], mates[b] = b, a
    return mates


def _goes_around(points: Points, closing_mm: float) -> bool:
    """Whether a line whose ends meet is more than a tick as short as the tolerance."""
    return len(points) >= 4 and float(np.hypot(*np.ptp(points, axis=0))) > 2.0 * closing_mm


def _chain(lines: Sequence[Points], walk: list[int], *, is_loop: bool) -> Chain:
    """The chain of lines that are entered at the ends of a walk."""
    pieces = [lines[end // 2] if end % 2 == 0 else lines[end // 2][::-1] for end in walk]
    widest, at = 0.0, pieces[0][0]
    taken = [pieces[0]]
    for before, piece in zip(pieces, pieces[1:] + (pieces[:1] if is_loop else []), strict=False):
        gap = float(np.hypot(*(piece[0] - before[-1])))
        if gap > max(widest, JOIN_GRID_MM):
            widest, at = gap, before[-1]
        # Ends that meet are one corner; a gap is bridged by a straight edge.
        taken.append(piece[1:] if gap <= JOIN_GRID_MM else piece)
    if is_loop:
        closing = taken.pop()
        meets = len(closing) < len(pieces[0])
        if meets:
            taken[-1] = taken[-1][:-1]
    return Chain(np.vstack(taken), tuple(end // 2 for end in walk), is_loop, widest, at)
