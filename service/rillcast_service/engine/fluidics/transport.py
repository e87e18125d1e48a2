"""What the flow carries and diffusion spreads: finite volumes on the cells and flows of the pressure field.

Each cell holds one concentration. A face carries that of the cell upstream (first-order upwind) at the flow
that the pressure field gives it, which closes the balance of every cell to rounding, and exchanges
D · open area / distance times the difference. With the inlets' liquid as zero and nothing diffusing through
a port through which liquid flows, a source in the cells leaves the chip at its outlets and nowhere else.

The scheme never overshoots, and it is exact for how much is carried where; but upwinding smears a front by
half a cell along the flow, and by as much across it where the flow runs askew to the grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import SuperLU, splu

from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import Hydraulics, LevelFlow, LevelProblem
from rillcast_service.engine.fluidics.nodes import Nodes, sums
from rillcast_service.engine.layout.medial import Floats, Ints

Bools = NDArray[np.bool_]

_M_PER_MM = 1e-3
#: A port's flow below this share of the whole is rounding: nothing flows through it.
_NO_FLOW = 1e-9


@dataclass(frozen=True, slots=True)
class Stream:
    """What flows and diffuses between the nodes of a chip at the operating point.

    Args:
        nodes: ports first, then cells.
        volume_m3: (nodes,) liquid that is exchanged in each; of a port only when nothing flows through
            it, for else what stands in it belongs to the tube.
        flow: (faces,) m³/s from `nodes.a` to `nodes.b`.
        spread: (faces,) m³/s: D · open area / distance.
        enters: (ports,) m³/s that the tube brings; leaves: m³/s that goes out of it.
        exchanged: (nodes,) whether fresh liquid reaches it.
    """

    nodes: Nodes
    volume_m3: Floats
    flow: Floats
    spread: Floats
    enters: Floats
    leaves: Floats
    exchanged: Bools

    @property
    def through_m3_per_s(self) -> float:
        """All that enters."""
        return float(self.enters.sum())

    @property
    def exchanged_m3(self) -> float:
        """Volume that fresh liquid reaches."""
        return float(self.volume_m3[self.exchanged].sum())

    def carried(self, value: Floats) -> Floats:
        """What the flow takes out of each node, less what it brings.

        Args:
            value: (nodes,) amount/m³.

        Returns:
            (nodes,) amount/s.
        """
        nodes, count = self.nodes, len(value)
        through = np.where(self.flow > 0.0, value[nodes.a], value[nodes.b]) * self.flow
        taken = sums(nodes.a, through, count)
        taken -= sums(nodes.b, through, count)
        taken[: nodes.ports] += self.leaves * value[: nodes.ports]
        return taken


@dataclass(frozen=True, slots=True)
class Transport:
    """The factorised steady balance of carrying and spreading.

    Args:
        stream: what it balances.
        factor: of the matrix, its rows and columns in the order `position`.
    """

    stream: Stream
    factor: SuperLU
    position: Ints

    def solve(self, source: Floats) -> Floats:
        """What stands in each node when this much is made in it per second.

        Args:
            source: (nodes,) amount/s; of nodes that fresh liquid does not reach it is left out.

        Returns:
            (nodes,) amount/m³, the inlets' liquid as zero; zero where fresh liquid does not reach.
        """
        right = np.empty(len(source))
        right[self.position] = np.where(self.stream.exchanged, source, 0.0)
        return np.asarray(self.factor.solve(right), dtype=np.float64)[self.position]


def stream(hydraulics: Hydraulics, nodes: Nodes, *, diffusivity_m2_per_s: float) -> Stream:
    """What flows and diffuses at the operating point.

    Args:
        hydraulics: the solved flow.
        nodes: of the same chip.
        diffusivity_m2_per_s: of what is dissolved.

    Returns:
        The stream. A port through which nothing flows is one well-mixed node that joins its levels.
    """
    ports, count = nodes.ports, len(nodes.volume_m3)
    flow = nodes.of_faces(
        [face_flow_m3_per_s(*pair) for pair in zip(hydraulics.problems, hydraulics.levels, strict=True)]
    )
    spread = diffusivity_m2_per_s * nodes.of_faces(
        [_spread(problem, hydraulics.viscosity_pa_s) for problem in hydraulics.problems]
    )
    net = sums(nodes.a, flow, count)[:ports]
    net -= sums(nodes.b, flow, count)[:ports]
    flowing = np.abs(net) > _NO_FLOW * np.abs(net).max(initial=0.0)
    volume = nodes.volume_m3.copy()
    volume[:ports][flowing] = 0.0
    # Through a port that liquid flows through nothing diffuses, for the tube beyond brings or takes all;
    # but what hangs on it and stands still is exchanged with its liquid.
    at_tube = np.zeros(count, dtype=bool)
    at_tube[:ports] = flowing
    spread[(at_tube[nodes.a] | at_tube[nodes.b]) & _runs(nodes, flow, at_tube)] = 0.0
    enters = np.where(flowing, np.maximum(net, 0.0), 0.0)
    leaves = np.where(flowing, np.maximum(-net, 0.0), 0.0)
    # A face that nothing passes, by flow or by spreading, joins nothing; and what comes in must go out.
    passes = (flow != 0.0) | (spread > 0.0)
    labels = _regions(count, nodes.a[passes], nodes.b[passes])
    through = np.intersect1d(labels[:ports][enters > 0.0], labels[:ports][leaves > 0.0])
    return Stream(
        nodes=nodes,
        volume_m3=volume,
        flow=flow,
        spread=spread,
        enters=enters,
        leaves=leaves,
        exchanged=np.isin(labels, through),
    )


def factorise(hydraulics: Hydraulics, stream: Stream) -> Transport:
    """The balance of all nodes, ready to be solved for any source.

    Args:
        hydraulics: whose stream it is; its elimination order serves here too, because
            the matrix has the same pattern.
        stream: what flows and diffuses.

    Returns:
        The factorised balance. Its columns add up to what leaves at outlets, all off-diagonal entries are
        negative: so the diagonal needs no pivoting and no result is negative.
    """
    nodes, count = stream.nodes, len(stream.volume_m3)
    position = np.empty(count, dtype=np.int64)
    done = 0
    for problem, place in zip(hydraulics.problems, nodes.place, strict=True):
        free = problem.field.free
        if problem.field.factor is not None:
            position[place[free]] = done + problem.field.factor.perm_c
            done += len(free)
    position[: nodes.ports] = done + np.arange(nodes.ports)

    forth = np.maximum(stream.flow, 0.0) + stream.spread
    back = np.maximum(-stream.flow, 0.0) + stream.spread
    diagonal = sums(nodes.a, forth, count)
    diagonal += sums(nodes.b, back, count)
    diagonal[: nodes.ports] += stream.leaves
    # What fresh liquid does not reach stands apart; it would make the matrix singular.
    apart = ~stream.exchanged
    diagonal[apart] = 1.0
    coupled = ~apart[nodes.a]
    a, b = position[nodes.a[coupled]], position[nodes.b[coupled]]
    matrix = csc_array(
        coo_array(
            (
                np.concatenate((diagonal, -forth[coupled], -back[coupled])),
                (np.concatenate((position, b, a)), np.concatenate((position, a, b))),
            ),
            shape=(count, count),
        )
    )
    factor = splu(matrix, permc_spec="NATURAL", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    return Transport(stream=stream, factor=factor, position=position)


def false_diffusion(hydraulics: Hydraulics) -> tuple[float, float]:
    """What upwinding adds to diffusion where it adds most: half of speed times pitch.

    Args:
        hydraulics: the solved flow.

    Returns:
        m²/s, along the flow, and as much across it where it runs askew; and the pitch of that grid, mm.
    """
    return max(
        (
            float(level.speed_m_per_s.max()) * level.fitted.grid.pitch_mm * _M_PER_MM / 2.0,
            level.fitted.grid.pitch_mm,
        )
        for level in hydraulics.levels
    )


def _regions(count: int, a: Ints, b: Ints) -> Ints:
    joined = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(count, count))
    labels: Ints = connected_components(joined, directed=False)[1].astype(np.int64)
    return labels


def _runs(nodes: Nodes, flow: Floats, at_tube: Bools) -> Bools:
    """Whether each face belongs to channels between flowing ports that liquid runs through, (faces,)."""
    count = len(at_tube)
    within = ~(at_tube[nodes.a] | at_tube[nodes.b])
    labels = _regions(count, nodes.a[within], nodes.b[within])
    own = labels[np.where(at_tube[nodes.a], nodes.b, nodes.a)]
    into = np.where(at_tube[nodes.a], flow, np.where(at_tube[nodes.b], -flow, 0.0))
    fed = sums(own, np.maximum(into, 0.0), count)
    runs: Bools = (fed > _NO_FLOW * fed.max(initial=0.0))[own]
    return runs


def face_flow_m3_per_s(problem: LevelProblem, level: LevelFlow) -> Floats:
    """Flow through each face of a level.

    Args:
        problem, level: of that level.

    Returns:
        (faces,) m³/s from the first cell to the second; nothing where the pressure is not known.
    """
    a, b = problem.field.grid.face.T
    drop = level.pressure_pa[a] - level.pressure_pa[b]
    result: Floats = np.nan_to_num(problem.field.conductance * drop)
    return result


def _spread(problem: LevelProblem, viscosity_pa_s: float) -> Floats:
    """Open area over distance of each face, m, from its conductance: both see the same distance."""
    depth_m = problem.depth_mm * _M_PER_MM
    per_width = depth_m**3 * duct.shape_factor(problem.depth_mm / problem.width_mm) / (12.0 * viscosity_pa_s)
    a, b = problem.field.grid.face.T
    result: Floats = problem.field.conductance * in_series(depth_m, a, b) / in_series(per_width, a, b)
    return result


def in_series(value: Floats, a: Ints, b: Ints) -> Floats:
    """Of each face, what the two halves between its cells' centres come to in series.

    Args:
        value: (cells,) conductance per width, or a depth.
        a, b: (faces,) the cells on either side.

    Returns:
        (faces,) harmonic means.
    """
    mean: Floats = 2.0 * value[a] * value[b] / (value[a] + value[b])
    return mean
