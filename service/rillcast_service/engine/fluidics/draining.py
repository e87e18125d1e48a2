"""How a thick liquid is pushed out of enclosed channels: port by port, and what no push reaches.

One port is pushed and another left open while all others are plugged. What pushes (air, or a solvent that
is a hundred times thinner) meets no resistance of its own, so the whole pressure falls over the liquid that
is left. Along one stream tube that carries the share q of the flow, with the resistance r(v) per volume and
the volume v behind the front, the front moves at dv/dt = Δp / ∫ᵥ r dv′, so the tube is clear after

    t = (1/Δp) ∫ (∫ᵥ r dv′) dv = ∫ φ dτ,

where φ is the pressure of the full channel over Δp, and dτ = dv/q the time the full channel's flow takes.
In a straight duct φ falls evenly and t = R V / (2 Δp). On the grid this is one balance a cell: what flows
through it arrives with the mean time of its inflows and leaves φ V / flow later. Stream tubes are those of
the full channel, and the film that the front leaves behind is not counted: it is washed off by solvent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu

from rillcast_service.engine.fluidics import network
from rillcast_service.engine.fluidics.hydraulics import Hydraulics, LevelProblem
from rillcast_service.engine.fluidics.nodes import Nodes, join, weighted_quantile
from rillcast_service.engine.fluidics.spots import Spot, cell_volume_m3, spots
from rillcast_service.engine.layout.medial import Floats

Bools = NDArray[np.bool_]

_UL_PER_M3 = 1e9
_M_PER_MM = 1e-3
#: Pressure differences below this share of the whole are rounding of the solver.
_STILL = 1e-11


@dataclass(frozen=True, slots=True)
class Push:
    """Pushing at one port with one other open, the rest plugged.

    Args:
        port_in, port_out: names of the two.
        effort: time to clear what this push moves, times pressure over viscosity (1).
        first_effort: the same until what pushes first breaks through at the open port.
        resistance_per_viscosity: of the way between them, 1/m³.
        moved_ul: volume that this push moves.
    """

    port_in: str
    port_out: str
    effort: float
    first_effort: float
    resistance_per_viscosity: float
    moved_ul: float

    def seconds(self, *, viscosity_pa_s: float, pressure_pa: float) -> float:
        """Time to clear what this push moves.

        Args:
            viscosity_pa_s: of the liquid that is pushed out.
            pressure_pa: held between the two ports.

        Returns:
            Seconds: effort · viscosity / pressure.
        """
        return self.effort * viscosity_pa_s / pressure_pa


@dataclass(frozen=True, slots=True)
class Drained:
    """What pushing can do for the channels of a chip.

    Args:
        pushes: one for every port but one of each connected system, in which order does not matter.
        still: spots that no push moves, farthest reach first.
        bypassed: spots where liquid moves, but not before every push through them has broken through
            elsewhere; largest first.
        volume_ul: of the channels that ports reach.
    """

    pushes: tuple[Push, ...]
    still: tuple[Spot, ...]
    bypassed: tuple[Spot, ...]
    volume_ul: float


def drain(
    hydraulics: Hydraulics, *, still_share: float, bypass_ratio: float, cleared_share: float
) -> Drained:
    """Push every connected channel system clear, port by port, and say what is left.

    Args:
        hydraulics: the solved flow through the channels as made; ports count as open whatever they are
            at the operating point.
        still_share: a place moves when at least this share of a push's flow would pass its section at
            the place's own speed.
        bypass_ratio: a place is bypassed when the front first gets there later than this many times the
            first breakthrough of every push that moves it.
        cleared_share: a push is over when this share of the volume that it moves is clear; the rest is
            at the edge of what stands still.

    Returns:
        What the pushes do. In each system the port with the least resistance to all others stays open and
        the others are pushed in turn: in a tree of channels these ways cover every branch that ends in a
        port.
    """
    nodes = join(hydraulics)
    conductance = hydraulics.viscosity_pa_s * nodes.of_faces(
        [p.field.conductance for p in hydraulics.problems]
    )
    levels = hydraulics.problems
    moves = [np.zeros(len(problem.depth_mm), dtype=bool) for problem in levels]
    in_time = [np.zeros(len(problem.depth_mm), dtype=bool) for problem in levels]
    pushes = []
    for pushed, left_open in _pairs(hydraulics):
        potential = _potentials(hydraulics.admittance, pushed, left_open)
        by_level = [problem.field.pressure_pa(potential[problem.reaching]) for problem in levels]
        flow = float(hydraulics.admittance[pushed] @ np.nan_to_num(potential))
        moving = [
            (_share(problem, pressure, flow) >= still_share) & (place >= nodes.ports)
            for problem, pressure, place in zip(levels, by_level, nodes.place, strict=True)
        ]
        effort, first = _arrival(nodes, conductance, by_level, moving, potential, pushed)
        for k in range(len(levels)):
            moves[k] |= moving[k]
            # by its earliest way: beyond a junction what comes late runs beside what came early
            in_time[k] |= moving[k] & (first[nodes.place[k]] <= bypass_ratio * first[left_open])
        moved = np.concatenate([place[own] for place, own in zip(nodes.place, moving, strict=True)])
        pushes.append(
            Push(
                port_in=hydraulics.ports[pushed].name,
                port_out=hydraulics.ports[left_open].name,
                effort=weighted_quantile(effort[moved], nodes.volume_m3[moved], cleared_share),
                first_effort=float(first[left_open]),
                resistance_per_viscosity=1.0 / (flow * hydraulics.viscosity_pa_s),
                moved_ul=float(nodes.volume_m3[moved].sum()) * _UL_PER_M3,
            )
        )
    still: list[Spot] = []
    bypassed: list[Spot] = []
    for k, problem in enumerate(levels):
        reached = nodes.place[k] >= 0
        at_rest = reached & ~moves[k] & ~_at_a_port(hydraulics, problem)
        still += spots(
            problem, at_rest, beside=moves[k] | (problem.held.owner >= 0), least_mm2=problem.width_mm**2
        )
        late = moves[k] & ~in_time[k]
        bypassed += spots(problem, late, beside=in_time[k], least_mm2=problem.width_mm**2)
    volume = sum(
        float(cell_volume_m3(problem)[nodes.place[k] >= 0].sum()) for k, problem in enumerate(levels)
    )
    return Drained(
        pushes=tuple(pushes),
        still=tuple(sorted(still, key=lambda spot: -spot.reach_mm)),
        bypassed=tuple(sorted(bypassed, key=lambda spot: -spot.volume_ul)),
        volume_ul=volume * _UL_PER_M3,
    )


def _pairs(hydraulics: Hydraulics) -> list[tuple[int, int]]:
    """Pushed and open port of each push."""
    resistance = hydraulics.resistance_pa_s_per_m3
    labels = network.circuits(hydraulics.admittance)
    pairs = []
    for label in np.unique(labels):
        own = np.flatnonzero(labels == label).tolist()
        if len(own) > 1:
            hub = min(own, key=lambda port: sum(resistance[port][other] or 0.0 for other in own))
            pairs += [(port, hub) for port in own if port != hub]
    return pairs


def _potentials(admittance: Floats, pushed: int, left_open: int) -> Floats:
    """Pressure of every port over the whole: 1 where pushed, 0 where open, NaN where cut off from both."""
    labels = network.circuits(admittance)
    own = np.flatnonzero(labels == labels[pushed])
    plugged = own[(own != pushed) & (own != left_open)]
    result = np.full(len(admittance), np.nan)
    result[pushed], result[left_open] = 1.0, 0.0
    if plugged.size:
        inner = admittance[np.ix_(plugged, plugged)]
        scale = float(np.abs(np.diag(inner)).max())
        result[plugged] = np.linalg.solve(inner / scale, -admittance[plugged, pushed] / scale)
    return result


def _arrival(
    nodes: Nodes,
    conductance: Floats,
    by_level: Sequence[Floats],
    moving: Sequence[Bools],
    potential: Floats,
    pushed: int,
) -> tuple[Floats, Floats]:
    """Effort until the front has passed each node: the mean of its stream tubes, and the first of them.

    The front passes by what stands still, so only what moves takes time. Nodes that the push does not
    reach have infinite effort.
    """
    count = len(nodes.volume_m3)
    phi, volume = np.full(count, np.nan), np.zeros(count)
    phi[: nodes.ports], volume[: nodes.ports] = potential, nodes.volume_m3[: nodes.ports]
    for place, pressure, moves in zip(nodes.place, by_level, moving, strict=True):
        free = place >= nodes.ports
        phi[place[free]] = pressure[free]
        volume[place[moves]] = nodes.volume_m3[place[moves]]
    drop = phi[nodes.a] - phi[nodes.b]
    runs = np.abs(np.nan_to_num(drop)) > _STILL
    up = np.where(drop > 0.0, nodes.a, nodes.b)[runs]
    down = np.where(drop > 0.0, nodes.b, nodes.a)[runs]
    flow = conductance[runs] * np.abs(drop[runs])
    inflow = np.bincount(down, weights=flow, minlength=count)
    fed = inflow > 0.0
    fed[pushed] = False
    dwell = np.zeros(count)
    dwell[fed] = phi[fed] * volume[fed] / inflow[fed]

    # In the order of falling pressure the balance is a triangle: every inflow comes from before.
    order = np.argsort(-np.nan_to_num(phi, nan=-1.0), kind="stable")
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    into = fed[down]
    share = flow[into] / inflow[down[into]]
    diagonal = np.arange(count)
    matrix = csc_array(
        coo_array(
            (
                np.concatenate((np.ones(count), -share)),
                (np.concatenate((diagonal, rank[down[into]])), np.concatenate((diagonal, rank[up[into]]))),
            ),
            shape=(count, count),
        )
    )
    mean: Floats = splu(matrix, permc_spec="NATURAL", diag_pivot_thresh=0.0).solve(dwell[order])[rank]
    # Weights of zero would be taken for no way at all.
    ways = coo_array((np.maximum(dwell[down], 1e-300), (up, down)), shape=(count, count)).tocsr()
    first: Floats = np.asarray(dijkstra(ways, directed=True, indices=[pushed]), dtype=np.float64)[0]
    mean[~fed] = np.inf
    mean[pushed] = 0.0
    return mean, first


def _share(problem: LevelProblem, pressure: Floats, flow: float) -> Floats:
    """Share of a push's flow that would pass each cell's section at the cell's own speed."""
    speed = problem.field.speed_m_per_s(pressure, problem.depth_mm * _M_PER_MM)
    section = problem.width_mm * problem.depth_mm * _M_PER_MM**2
    share: Floats = speed * section / flow
    return share


def _at_a_port(hydraulics: Hydraulics, problem: LevelProblem) -> Bools:
    """Cells within their own width of a port: what stands there comes out of the hole itself."""
    if not len(problem.reaching):
        return np.zeros(len(problem.width_mm), dtype=bool)
    openings = shapely.union_all([hydraulics.ports[int(k)].opening for k in problem.reaching])
    shapely.prepare(openings)
    near: Bools = shapely.dwithin(openings, shapely.points(problem.field.grid.centre_mm), problem.width_mm)
    return near
