"""The channels as a circuit of branches, from port or junction to the next, at the operating point.

Branches are the runs of `streams`: connected pieces of the lines of equal pressure, followed from where they
meet to where they part. So each has one flow, and the pressures at its ends are those of its junctions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.nodes import weighted_quantile
from rillcast_service.engine.fluidics.streams import Streams
from rillcast_service.engine.layout.medial import Floats, Ints

#: Branches with a smaller share of the whole flow are rounding, or stand still.
_STILL = 1e-6
#: Of the pressure over the whole chip: a branch that loses less is no more than a junction.
_NO_DROP = 1e-6
#: What is within this factor of a branch's width is its main part.
_ALIKE = 1.25
_M_PER_MM = 1e-3
#: Balanced widths are looked for up to this many times narrower or wider.
_NARROWER, _WIDER = 0.02, 50.0


@dataclass(frozen=True, slots=True)
class Branch:
    """A stretch of channel between two junctions or ports.

    Args:
        begins, ends: nodes upstream and downstream.
        flow_m3_per_s: through it.
        from_pa, to_pa: pressure at its ends.
        width_m: of its channel where most of the pressure is lost: half is lost where it is narrower.
        depth_m: there, on the mean.
        length_m: of a straight channel of that width and depth with the same resistance.
        part_share: of the pressure that is lost where the channel has about that width.
        level: plane of the channels; x_mm, y_mm: a place halfway along it.
    """

    begins: int
    ends: int
    flow_m3_per_s: float
    from_pa: float
    to_pa: float
    width_m: float
    depth_m: float
    length_m: float
    part_share: float
    level: int
    x_mm: float
    y_mm: float

    @property
    def resistance_pa_s_per_m3(self) -> float:
        """Pressure lost over flow."""
        return (self.from_pa - self.to_pa) / self.flow_m3_per_s


@dataclass(frozen=True, slots=True)
class Split:
    """Where a flow parts.

    Args:
        node: of the circuit.
        out: numbers of the branches that leave it, the largest flow first.
        shares: of the flow that leaves it, likewise.
    """

    node: int
    out: tuple[int, ...]
    shares: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Branches:
    """The circuit.

    Args:
        branches: that carry flow.
        nodes: how many; port_node: port → its node, for ports at which something flows.
        entering: (nodes,) m³/s that comes in there from outside; negative where it leaves.
    """

    branches: tuple[Branch, ...]
    nodes: int
    port_node: dict[int, int]
    entering: Floats

    def splits(self) -> list[Split]:
        """Where the flow parts, in the order of the nodes."""
        found = []
        for node in range(self.nodes):
            out = [k for k, branch in enumerate(self.branches) if branch.begins == node]
            if len(out) < 2:
                continue
            out.sort(key=lambda k: -self.branches[k].flow_m3_per_s)
            flows = [self.branches[k].flow_m3_per_s for k in out]
            found.append(Split(node, tuple(out), tuple(flow / sum(flows) for flow in flows)))
        return found

    def flows(self, resistance: Floats) -> Floats:
        """Flows through the branches were their resistances others.

        Args:
            resistance: (branches,) Pa·s/m³.

        Returns:
            (branches,) m³/s with the same flow at every inlet, and every outlet at its pressure.
        """
        ends = np.array([(branch.begins, branch.ends) for branch in self.branches])
        held = self._held()
        conductance = 1.0 / resistance
        matrix = np.zeros((self.nodes, self.nodes))
        for (begin, end), each in zip(ends, conductance, strict=True):
            matrix[[begin, end], [begin, end]] += each
            matrix[[begin, end], [end, begin]] -= each
        scale = float(conductance.max())
        pressure = np.array([held.get(node, 0.0) for node in range(self.nodes)])
        free = np.array([node for node in range(self.nodes) if node not in held], dtype=np.int64)
        fixed = np.array(sorted(held), dtype=np.int64)
        right = self.entering[free] - matrix[np.ix_(free, fixed)] @ pressure[fixed]
        pressure[free] = np.linalg.solve(matrix[np.ix_(free, free)] / scale, right / scale)
        result: Floats = conductance * (pressure[ends[:, 0]] - pressure[ends[:, 1]])
        return result

    def _held(self) -> dict[int, float]:
        """Nodes that something leaves the chip by, with their pressure."""
        return {branch.ends: branch.to_pa for branch in self.branches if self.entering[branch.ends] < 0.0}

    def balanced_width_m(self, split: Split) -> float | None:
        """Width of its main part at which the largest branch of a split takes no more than the others.

        Args:
            split: of this circuit.

        Returns:
            m, with all other branches as they are, and the part of it that is much wider or narrower now;
            None where no width does it.
        """
        largest = split.out[0]
        branch = self.branches[largest]
        resistance = np.array([item.resistance_pa_s_per_m3 for item in self.branches])

        def above_even(ratio: float) -> float:
            changed = resistance.copy()
            changed[largest] *= ratio
            flow = self.flows(changed)[list(split.out)]
            return float(flow[0] - flow.sum() / len(flow))

        def ratio_of(factor: float) -> float:
            def conductance(width_m: float) -> float:
                return width_m * float(duct.shape_factor(branch.depth_m / width_m))

            changed = conductance(branch.width_m) / conductance(branch.width_m * factor)
            return 1.0 + branch.part_share * (changed - 1.0)

        if above_even(ratio_of(_NARROWER)) > 0.0 or above_even(1.0) <= 0.0:
            return None
        factor = brentq(lambda log: above_even(ratio_of(math.exp(log))), math.log(_NARROWER), 0.0)
        return branch.width_m * math.exp(float(factor))


def branches_of(hydraulics: Hydraulics, streams: Streams) -> Branches:
    """The circuit of a chip at its operating point.

    Args:
        hydraulics: the solved flow.
        streams: its runs.

    Returns:
        The branches that carry flow.
    """
    runs, ports = streams.runs, len(hydraulics.ports)
    total = float(streams.enters.sum())
    label, port_label = _ends(streams, ports)
    pressure = _node_pressure(hydraulics, streams, label, port_label)
    runs_on = [
        k for k, run in enumerate(runs) if k > 0 and run.flow > _STILL * total and math.isfinite(run.to_pa)
    ]
    courses = _courses(hydraulics, streams, runs_on)
    whole = max(pressure.values()) - min(pressure.values())
    drop = {k: pressure[int(label[0, k])] - pressure[int(label[1, k])] for k in runs_on}
    kept = [k for k in runs_on if k in courses and drop[k] > _NO_DROP * whole]
    short = [k for k in runs_on if k not in kept]
    node = _numbered(label, port_label, kept, short)
    found = []
    for k in kept:
        course = courses[k]
        shape = float(duct.shape_factor(course.depth_m / course.width_m))
        conducts = course.width_m * course.depth_m**3 * shape / (12.0 * hydraulics.viscosity_pa_s)
        found.append(
            Branch(
                begins=node[int(label[0, k])],
                ends=node[int(label[1, k])],
                flow_m3_per_s=runs[k].flow,
                from_pa=pressure[int(label[0, k])],
                to_pa=pressure[int(label[1, k])],
                width_m=course.width_m,
                depth_m=course.depth_m,
                length_m=drop[k] / runs[k].flow * conducts,
                part_share=course.share,
                level=course.level,
                x_mm=course.x_mm,
                y_mm=course.y_mm,
            )
        )
    port_node = {port: node[int(port_label[port])] for port in range(ports) if int(port_label[port]) in node}
    nodes = len(set(node.values()))
    entering = np.zeros(nodes)
    for port, place in port_node.items():
        entering[place] += hydraulics.operating.flow_m3_per_s[port] or 0.0
    return Branches(tuple(found), nodes, port_node, entering)


def _numbered(label: Ints, port_label: Ints, kept: Sequence[int], short: Sequence[int]) -> dict[int, int]:
    """Number of each node at an end of a branch; a run that loses next to nothing joins two nodes."""
    size = int(max(label.max(), port_label.max(initial=0))) + 1
    ends = label[:, list(short)]
    links = coo_array((np.ones(ends.shape[1], dtype=np.int8), (ends[0], ends[1])), shape=(size, size))
    joined = connected_components(links, directed=False)[1]
    used = np.unique(joined[label[:, list(kept)]])
    number = {int(group): n for n, group in enumerate(used)}
    return {place: number[int(joined[place])] for place in range(size) if int(joined[place]) in number}


def _ends(streams: Streams, ports: int) -> tuple[Ints, Ints]:
    """Node of the beginning and the end of each run, (2, runs), and of each port.

    Where one run goes on as another, the end of the one is the beginning of the other.
    """
    count = len(streams.runs)
    # places: beginnings of runs, then their ends, then ports
    pairs: list[tuple[int, int]] = []
    for k, run in enumerate(streams.runs):
        if k == 0:
            continue
        pairs += [(count + k, target) for target, _ in run.targets if target > 0]
        for piece in run.sources:
            if piece.port >= 0:
                pairs.append((k, 2 * count + piece.port))
            elif piece.run > 0:
                pairs.append((k, count + piece.run))
    for port, pieces in streams.arrives.items():
        pairs += [(count + piece.run, 2 * count + port) for piece in pieces if piece.run > 0]
    size = 2 * count + ports
    ends = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    links = coo_array((np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(size, size))
    labels: Ints = connected_components(links, directed=False)[1].astype(np.int64)
    return labels[: 2 * count].reshape(2, count), labels[2 * count :]


def _node_pressure(
    hydraulics: Hydraulics, streams: Streams, label: Ints, port_label: Ints
) -> dict[int, float]:
    """Pressure of each node: where runs end there, that of their end; else that of its port."""
    pressure: dict[int, float] = {}
    for k, run in enumerate(streams.runs):
        if k > 0 and math.isfinite(run.to_pa):
            pressure[int(label[1, k])] = run.to_pa
    for node, known in zip(port_label.tolist(), hydraulics.operating.pressure_pa, strict=True):
        if known is not None:
            pressure[node] = known
    return pressure


@dataclass(frozen=True, slots=True)
class _Course:
    """What a run passes: width and depth of its main part, the share lost there, a place halfway."""

    width_m: float
    depth_m: float
    share: float
    level: int
    x_mm: float
    y_mm: float


def _courses(hydraulics: Hydraulics, streams: Streams, kept: Sequence[int]) -> dict[int, _Course]:
    """The course of each run, from the faces that it comes to; on several levels where most is lost."""
    found: dict[int, tuple[float, _Course]] = {}
    wanted = np.zeros(len(streams.runs), dtype=bool)
    wanted[list(kept)] = True
    levels = zip(hydraulics.problems, hydraulics.levels, streams.faces, strict=True)
    for problem, level, faces in levels:
        own = np.flatnonzero((faces.run > 0) & wanted[np.maximum(faces.run, 0)])
        lost = faces.flow * (level.pressure_pa[faces.from_cell] - level.pressure_pa[faces.to_cell])
        width = (problem.width_mm[faces.from_cell] + problem.width_mm[faces.to_cell]) / 2.0 * _M_PER_MM
        depth = (problem.depth_mm[faces.from_cell] + problem.depth_mm[faces.to_cell]) / 2.0 * _M_PER_MM
        centre = problem.field.grid.centre_mm
        order = own[np.argsort(faces.run[own], kind="stable")]
        for group in np.split(order, np.flatnonzero(np.diff(faces.run[order])) + 1):
            if not group.size or not lost[group].sum() > 0.0:
                continue
            main = weighted_quantile(width[group], lost[group], 0.5)
            alike = group[np.abs(np.log(width[group] / main)) <= math.log(_ALIKE)]
            middle = alike[np.argmin(np.abs(faces.evened[alike] - 0.5))]
            x, y = (centre[faces.from_cell[middle]] + centre[faces.to_cell[middle]]) / 2.0
            run, whole = int(faces.run[group[0]]), float(lost[group].sum())
            if run not in found or whole > found[run][0]:
                found[run] = (
                    whole,
                    _Course(
                        width_m=main,
                        depth_m=float(np.average(depth[alike], weights=lost[alike])),
                        share=float(lost[alike].sum()) / whole,
                        level=problem.level,
                        x_mm=float(x),
                        y_mm=float(y),
                    ),
                )
    return {run: course for run, (_, course) in found.items()}
