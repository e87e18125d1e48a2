"""When so much of what stands at a place is fresh: the switch to fresh liquid in time, on blocks of cells.

The blocks are squares of cells, parts of a square that do not hang together apart; flows between them are the
exact sums of the cells' flows, so the balance stays closed. Steps in time grow with the time that has passed.
A place's time over its mean age is taken from its block, the mean age itself from the cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csc_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import SuperLU, splu

from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.nodes import sums
from rillcast_service.engine.fluidics.transport import Bools, Stream
from rillcast_service.engine.layout.medial import Floats, Ints

#: Blocks are as small as this number of them allows, but never larger than half of the narrowest channel.
BLOCKS_MAX = 8_000
_LEAST_BLOCKS_ACROSS = 2.0
#: Steps of one size, how much longer those after them are, and steps in the mean age at the earliest outlet.
_STEPS = 10
_GROWTH = 2.0
_STEPS_IN_FIRST_AGE = 64.0
#: 2^60 times the first step is for ever.
_SIZES = 60
#: The implicit Runge-Kutta method of two stages and second order that damps what it cannot resolve:
#: Alexander 1977, SIAM J. Numer. Anal. 14, 1006-1021.
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks of nodes, with what flows and diffuses between them.

    Args:
        of_node: (nodes,) block of each; ports are blocks of their own, in their order, first.
        volume_m3: (blocks,).
        a, b: (faces,) blocks on either side; flow: m³/s from a to b; spread: m³/s.
        leaves: (blocks,) m³/s that goes out by a tube.
        exchanged: (blocks,) whether fresh liquid reaches it.
    """

    of_node: Ints
    volume_m3: Floats
    a: Ints
    b: Ints
    flow: Floats
    spread: Floats
    leaves: Floats
    exchanged: Bools

    def matrix(self) -> csc_array:
        """The steady balance, (blocks, blocks) m³/s."""
        count = len(self.volume_m3)
        forth = np.maximum(self.flow, 0.0) + self.spread
        back = np.maximum(-self.flow, 0.0) + self.spread
        diagonal = sums(self.a, forth, count) + sums(self.b, back, count) + self.leaves
        diagonal[~self.exchanged] = 1.0
        places = np.arange(count)
        values = np.concatenate((diagonal, -forth, -back))
        rows = np.concatenate((places, self.b, self.a))
        columns = np.concatenate((places, self.a, self.b))
        return csc_array(coo_array((values, (rows, columns)), shape=(count, count)))


def block(hydraulics: Hydraulics, stream: Stream, *, variance_rate_s: Floats) -> Blocks:
    """Gather the nodes of a stream into blocks.

    Args:
        hydraulics: whose stream it is.
        stream: what flows and diffuses between the nodes.
        variance_rate_s: (nodes,) growth of the variance of arrival that the channels' profiles bring, s²/s.
            As upwinding spreads too, only what is missing is put in, as an exchange along the flow.

    Returns:
        The blocks.
    """
    nodes, ports = stream.nodes, stream.nodes.ports
    square = np.arange(len(stream.volume_m3)) - len(stream.volume_m3)
    first = 0
    for problem, place in zip(hydraulics.problems, nodes.place, strict=True):
        grid, free = problem.field.grid, problem.field.free
        size = _block_cells(len(stream.volume_m3), problem.fitted.cells_across)
        wide = grid.columns // size + 1
        square[place[free]] = first + grid.row[free] // size * wide + grid.column[free] // size
        first += wide * (grid.rows // size + 1)
    square[:ports] = -1 - np.arange(ports)
    count = len(square)
    within = square[nodes.a] == square[nodes.b]
    joined = coo_array(
        (np.ones(int(within.sum()), dtype=np.int8), (nodes.a[within], nodes.b[within])), shape=(count, count)
    )
    of_node = connected_components(joined, directed=False)[1].astype(np.int64)
    # ports are the first nodes and stand alone, so they are the first blocks too
    blocks = int(of_node.max()) + 1
    volume = sums(of_node, stream.volume_m3, blocks)
    rate_s = sums(of_node, variance_rate_s * stream.volume_m3, blocks) / np.maximum(volume, 1e-300)

    a, b = of_node[nodes.a], of_node[nodes.b]
    between = a != b
    low, high = np.minimum(a, b)[between], np.maximum(a, b)[between]
    pair, where = np.unique(low * blocks + high, return_inverse=True)
    flow = sums(where, np.where(a < b, stream.flow, -stream.flow)[between], len(pair))
    low, high = pair // blocks, pair % blocks
    spread = sums(where, stream.spread[between] / _distance(hydraulics, stream)[between], len(pair))
    leaves = np.zeros(blocks)
    leaves[:ports] = stream.leaves
    out = sums(low, np.maximum(flow, 0.0), blocks) + sums(high, np.maximum(-flow, 0.0), blocks) + leaves
    dwell_s = volume / np.maximum(out, 1e-300)
    # A chain of mixed blocks spreads by its dwell; with the exchange x along it, by dwell (1 + 2 x / flow).
    upstream = np.where(flow > 0.0, low, high)
    missing = np.maximum(rate_s[upstream] / np.maximum(dwell_s[upstream], 1e-300) - 1.0, 0.0) / 2.0
    inner = (low >= ports) & (high >= ports)
    spread += np.where(inner, np.abs(flow) * missing, 0.0)
    exchanged = np.zeros(blocks, dtype=bool)
    exchanged[of_node] = stream.exchanged
    return Blocks(of_node, volume, low, high, flow, spread, leaves, exchanged)


def exchanged_after_s(blocks: Blocks, age_s: Floats, shares: tuple[float, ...]) -> tuple[Floats, ...]:
    """When so much of what stands in each node is fresh.

    Args:
        blocks: that the nodes belong to.
        age_s: (nodes,) mean age, zero where fresh liquid does not come.
        shares: rising, each above 0 and below 1.

    Returns:
        (nodes,) s for each share, NaN where fresh liquid does not come or always stands.
    """
    matrix, volume = blocks.matrix(), np.where(blocks.exchanged, blocks.volume_m3, 0.0)
    steady = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    block_age = steady.solve(volume)
    order = np.argsort(steady.perm_c)
    matrix, volume = matrix[order][:, order].tocsc(), volume[order]
    aged = (block_age[order] > 0.0) & blocks.exchanged[order]
    old = np.where(aged, 1.0, 0.0)
    times = [np.full(len(old), np.nan) for _ in shares]
    now, step = 0.0, float(block_age[blocks.leaves > 0.0].min()) / _STEPS_IN_FIRST_AGE
    for _ in range(_SIZES):
        factor = _stage(matrix, volume, _GAMMA * step)
        for _ in range(_STEPS):
            half = factor.solve(volume * old)
            new = factor.solve(volume * (old - (1.0 - _GAMMA) / _GAMMA * (old - half)))
            for reached, share in zip(times, shares, strict=True):
                # the last crossing counts: a step that is long for a place may swing below and back
                crossed = np.flatnonzero((old > 1.0 - share) & (new <= 1.0 - share))
                reached[crossed] = now + step * _part(old[crossed], new[crossed], 1.0 - share)
            old, now = new, now + step
        if not (old[aged] > 1.0 - shares[-1]).any():
            break
        step *= _GROWTH
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = age_s / block_age[blocks.of_node]
    return tuple(np.where(age_s > 0.0, reached[back][blocks.of_node] * scale, np.nan) for reached in times)


def _stage(matrix: csc_array, volume: Floats, step_s: float) -> SuperLU:
    places = np.arange(len(volume))
    whole = csc_array(coo_array((volume, (places, places)), shape=matrix.shape) + step_s * matrix)
    return splu(whole, permc_spec="NATURAL", diag_pivot_thresh=0.0, options={"SymmetricMode": True})


def _part(before: Floats, after: Floats, left: float) -> Floats:
    """Part of a step after which so much is left, as what is left falls exponentially, more or less."""
    part: Floats = np.log(before / left) / np.log(before / np.maximum(after, 1e-3 * left))
    return part


def _block_cells(nodes: int, cells_across: float) -> int:
    fewest = math.ceil(math.sqrt(nodes / BLOCKS_MAX))
    return max(1, min(fewest, int(cells_across / _LEAST_BLOCKS_ACROSS)))


def _distance(hydraulics: Hydraulics, stream: Stream) -> Floats:
    """Cells from the middle of one block to that of the next, of each face; one at a port, (faces,)."""
    nodes = stream.nodes
    by_level = [
        np.full(
            len(problem.field.grid.face),
            float(_block_cells(len(stream.volume_m3), problem.fitted.cells_across)),
        )
        for problem in hydraulics.problems
    ]
    distance = nodes.of_faces(by_level)
    return np.where((nodes.a < nodes.ports) | (nodes.b < nodes.ports), (distance + 1.0) / 2.0, distance)
