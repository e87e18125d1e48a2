"""Which liquid runs beside which: the flow of a chip as runs of streams that lie side by side.

The flow has a pressure p and a stream function ψ, and its lines of equal pressure cross its streamlines at
right angles. So instead of cells it can be followed as its lines of equal pressure move from the inlets down
to the outlets: each connected piece of such a line, from wall to wall, is a *run*. Along a run nothing
changes but the pressure: its flow stays, and so does the order of the streams in it. Runs join where a wall
between them ends and part where one begins. What each brings to the next, in order, is all there is to know.

Sweeping the cells by falling pressure gives the runs exactly: the line is the row of faces between cells
passed and cells to come, a cell's inflowing faces are followed in the row by its outflowing ones, and the
flow of the faces counts ψ. No concentration is carried from cell to cell, so nothing is smeared. As no cell
between ports has more, or less, pressure than all its neighbours, there are only about as many runs as ports
and islands.

In the coordinates p and ψ diffusion across the flow obeys ∂c/∂(−p) = ∂/∂ψ (D h² k ∂c/∂ψ), where k is speed
over pressure gradient: the speed drops out (Boussinesq 1905, J. Math. Pures Appl. 1, 285-332, for potential
flow; here with depths that vary along it). A run of flow Q evens out like a straight channel with
D L / (u w²) = D Σ q² h s/a / Q³, summed over its faces of flow q, depth h, open length a and distance s.
Diffusion along the flow is left out: it is smaller by the square of the width over the length that mixing
takes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from rillcast_service.engine.fluidics import duct, front
from rillcast_service.engine.fluidics.hydraulics import Hydraulics, LevelProblem
from rillcast_service.engine.fluidics.nodes import Nodes, join, sums
from rillcast_service.engine.fluidics.transport import face_flow_m3_per_s, in_series
from rillcast_service.engine.layout.medial import Floats, Ints

_M_PER_MM = 1e-3
#: A place that this share of the whole flow or less passes through stands still.
_STILL = 1e-11
#: What a port's tube brings or takes below this share of the whole is rounding: liquid only passes there.
_PASSES = 1e-9
#: A run of this share of the whole flow or less is not followed: where liquid hardly moves, as in the mouth
#: of a dead arm, rounding parts such strands from a stream and joins them again.
_STRAND = 1e-10
#: The run that holds what is rounding.
_LOST = 0


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a run across the flow, or of what a port gives.

    Args:
        run: its number, -1 for a port's; port: the port's number, -1 for a run's.
        low, high: from where to where, m³/s counted across the run; on a ring maybe past its end.
    """

    run: int
    port: int
    low: float
    high: float

    @property
    def flow(self) -> float:
        """m³/s."""
        return self.high - self.low


@dataclass(slots=True)
class Run:
    """Streams side by side, from where they meet to where they join others, part or leave.

    Args:
        flow: m³/s.
        ring: whether it closes around a port, and has no walls at its sides.
        sources: what it begins with, in order across the flow.
        to_pa: pressure at its end.
        evening_s_per_m2: times the diffusivity, this is D L / (u w²) of a straight channel.
        width_m, depth_m: of its channels, weighted by what they even out.
        base, bounds, targets: where it goes on: from each bound across it, counted from the base on a ring,
            the next run and what to add to a place.
    """

    flow: float
    ring: bool
    sources: tuple[Piece, ...]
    to_pa: float = -np.inf
    evening_s_per_m2: float = 0.0
    width_m: float = 1.0
    depth_m: float = 1.0
    base: float = 0.0
    bounds: list[float] = field(default_factory=list)
    targets: list[tuple[int, float]] = field(default_factory=list)

    def onwards(self, place: float) -> tuple[int, float]:
        """Where liquid of an ended run goes on.

        Args:
            place: across it, m³/s.

        Returns:
            The next run, and what to add to a place.
        """
        by = -((place - self.base) // self.flow) * self.flow if self.ring else 0.0
        run, shift = self.targets[max(bisect_right(self.bounds, place + by) - 1, 0)]
        return run, shift + by


@dataclass(frozen=True, slots=True)
class Streams:
    """The runs of a chip.

    Args:
        runs: each after those that it comes from; the first holds what is rounding.
        arrives: port → what flows into it from the channels.
        enters: (ports,) m³/s that the tube of each brings; leaves: that it takes.
        faces: of each level.
    """

    runs: tuple[Run, ...]
    arrives: dict[int, tuple[Piece, ...]]
    enters: Floats
    leaves: Floats
    faces: tuple[Faces, ...]


@dataclass(frozen=True, slots=True)
class Faces:
    """Where the faces of a level lie in the runs.

    Args:
        run: (faces,) number, where the line of equal pressure comes to the face; -1 where nothing flows.
        low: (faces,) where it begins across the run, m³/s; flow: m³/s, not negative.
        evened: (faces,) share of the run's evening that is done by then.
        from_cell, to_cell: (faces,) the cells upstream and downstream.
    """

    run: Ints
    low: Floats
    flow: Floats
    evened: Floats
    from_cell: Ints
    to_cell: Ints


def follow(hydraulics: Hydraulics) -> Streams | None:
    """The runs of a chip at its operating point.

    Args:
        hydraulics: the solved flow.

    Returns:
        The runs; None when nothing flows. A port that liquid passes through on its way mixes it.
    """
    nodes = join(hydraulics)
    by_level = [
        face_flow_m3_per_s(*pair) for pair in zip(hydraulics.problems, hydraulics.levels, strict=True)
    ]
    flow, count = nodes.of_faces(by_level), len(nodes.volume_m3)
    leaves, enters = sums(nodes.a, flow, count), sums(nodes.b, flow, count)
    tube = (leaves - enters)[: nodes.ports]
    total = float(np.maximum(tube, 0.0).sum())
    if not total > 0.0:
        return None
    through = sums(nodes.a, np.abs(flow), count) + sums(nodes.b, np.abs(flow), count)
    pressure = _node_pressure(hydraulics, nodes)
    mesh = front.mesh_of(hydraulics, nodes, pressure, through > _STILL * total)
    carried = np.abs(np.concatenate(by_level))
    sweep = _Sweep(mesh, carried, pressure, ports=nodes.ports, strand=_STRAND * total)
    sweep.go()
    return Streams(
        runs=tuple(sweep.runs),
        arrives={port: tuple(pieces) for port, pieces in sweep.arrives.items()},
        enters=np.where(tube > _PASSES * total, tube, 0.0),
        leaves=np.where(-tube > _PASSES * total, -tube, 0.0),
        faces=_placed(hydraulics, nodes, sweep, carried, pressure),
    )


@dataclass(slots=True, eq=False)
class _Part:
    """A part of the new line: what is left of a run, or a row of outflowing faces.

    `after` is the part that follows it in the line; `run` and `low` say where it came to lie.
    """

    sources: list[Piece]
    faces: Sequence[int] = ()
    after: _Part | None = None
    followed: bool = False
    run: int = -1
    low: float = 0.0

    @property
    def flow(self) -> float:
        """m³/s."""
        return sum(piece.flow for piece in self.sources)

    def follow_with(self, part: _Part) -> None:
        """Let another part follow it."""
        self.after, part.followed = part, True


@dataclass(slots=True, eq=False)
class _Row:
    """A row of inflowing faces: what of which run it takes, and what is left of it before and after."""

    run: int
    low: float
    high: float
    before: _Part | None = None
    after: _Part | None = None

    @property
    def piece(self) -> Piece:
        """What it takes."""
        return Piece(self.run, -1, self.low, self.high)


class _Sweep:
    """The line of equal pressure on its way down, and the runs that it makes."""

    def __init__(
        self, mesh: front.Mesh, flow: Floats, pressure: Floats, *, ports: int, strand: float
    ) -> None:
        self.mesh, self.pressure, self.ports, self.strand = mesh, pressure, ports, strand
        self.flow: list[float] = flow.tolist()
        self.face_run = [-1] * len(flow)
        self.face_low = [0.0] * len(flow)
        self.runs = [Run(flow=0.0, ring=False, sources=())]
        self.arrives: dict[int, list[Piece]] = {}
        self.regular = front.regular(mesh, flow)

    def go(self) -> None:
        """Pass all cells by falling pressure."""
        mesh, known, ports = self.mesh, self.regular, self.ports
        widest, before, out, shift, first = known.widest, known.before, known.out, known.shift, known.first
        face_run, face_low, runs = self.face_run, self.face_low, self.runs
        cells = np.flatnonzero(mesh.node >= 0)
        cells = cells[np.argsort(mesh.rank[cells], kind="stable")]
        last = -1
        for cell, node in zip(cells.tolist(), mesh.node[cells].tolist(), strict=True):
            if node < ports:
                if node != last:
                    self._pass(node, front.around_port(mesh, node))
                last = node
                continue
            face = widest[cell]
            if face < 0:
                self._pass(node, [front.around_cell(mesh, cell)])
                continue
            run, low = face_run[face], face_low[face]
            if runs[run].targets:
                run, low = self._now(face)
            low -= before[cell]
            for k in range(first[cell], first[cell + 1]):
                face = out[k]
                face_run[face] = run
                face_low[face] = low + shift[k]

    def _now(self, face: int) -> tuple[int, float]:
        """The run that a face of the line belongs to by now, and where it begins across it."""
        run, low = self.face_run[face], self.face_low[face]
        while self.runs[run].targets:
            run, by = self.runs[run].onwards(low + self.flow[face] / 2.0)
            low += by
        return run, low

    def _pass(self, node: int, borders: Sequence[front.Around]) -> None:
        """Pass a port, or a cell where runs join or part."""
        rows = [[self._row(faces) for faces in border.rows] for border in borders]
        taken = [row for own in rows for row in own if row.run != _LOST]
        left = {
            run: self._left_of(run, [row for row in taken if row.run == run])
            for run in {row.run for row in taken}
        }
        parts = [part for remains in left.values() for part in remains]
        for border, own in zip(borders, rows, strict=True):
            held = self._given(node, border) if node < self.ports else self._carried(border, own)
            for j, (gap, contents) in enumerate(zip(border.gaps, held, strict=True)):
                made = [
                    _Part(sources=pieces, faces=faces) for pieces, faces in zip(contents, gap, strict=True)
                ]
                parts += made
                before, after = (own[j].before, own[(j + 1) % len(own)].after) if own else (None, None)
                if border.closed:
                    made[0].follow_with(made[0])
                _chain([part for part in (before, *made[:1]) if part])
                _chain([part for part in (made[-1] if made else before, after) if part])
        if node < self.ports and taken:
            self.arrives[node] = [row.piece for row in taken]
        self._begin(parts)
        for run, remains in left.items():
            if any(part.run == run for part in parts):
                continue
            self.runs[run].to_pa = float(self.pressure[node])
            for part in remains:
                low = part.sources[0].low
                self.runs[run].bounds.append(low)
                self.runs[run].targets.append((part.run, part.low - low))

    def _row(self, faces: Sequence[int]) -> _Row:
        """What inflowing faces take; they come in the line's order."""
        widest = max(range(len(faces)), key=lambda k: self.flow[faces[k]])
        run, low = self._now(faces[widest])
        if run == _LOST:
            return _Row(run, 0.0, 0.0)
        low -= sum(self.flow[face] for face in faces[:widest])
        return _Row(run, low, low + sum(self.flow[face] for face in faces))

    def _left_of(self, number: int, rows: list[_Row]) -> list[_Part]:
        """What rows leave of a run, in order; the rows are told, and set within its ends."""
        run = self.runs[number]
        if run.ring:
            run.base = rows[0].low
            for row in rows:
                by = (row.low - run.base) // run.flow * run.flow
                row.low, row.high = row.low - by, row.high - by
        rows.sort(key=lambda row: row.low)
        at, end = run.base, run.base + run.flow
        for row in rows:
            row.low = min(max(row.low, at), end)
            row.high = at = min(max(row.high, row.low), end)
        begins = [row.high for row in rows] if run.ring else [run.base, *(row.high for row in rows)]
        ends = [*(row.low for row in rows[len(rows) + 1 - len(begins) :]), end]
        parts = [_Part([Piece(number, -1, low, high)]) for low, high in zip(begins, ends, strict=True)]
        shift = 1 if run.ring else 0
        for j, row in enumerate(rows):
            row.before, row.after = parts[j - shift], parts[j + 1 - shift]
        return parts

    def _given(self, port: int, border: front.Around) -> list[list[list[Piece]]]:
        """What each row of faces that leaves a port holds: its mixture."""
        return [
            [[Piece(-1, port, 0.0, sum(self.flow[face] for face in faces))] for faces in gap]
            for gap in border.gaps
        ]

    def _carried(self, border: front.Around, rows: Sequence[_Row]) -> list[list[list[Piece]]]:
        """What each row of faces that leaves a cell holds: what enters, in order.

        Between two gaps that liquid leaves by, what enters parts in proportion, as at the stagnation point of
        a velocity that varies linearly across a cell.
        """
        leaving = [[sum(self.flow[face] for face in faces) for faces in gap] for gap in border.gaps]
        amount = [sum(gap) for gap in leaving]
        open_ = [j for j, flow in enumerate(amount) if flow > 0.0]
        held: list[list[Piece]] = [[] for _ in amount]
        for at, j in enumerate(open_ if rows else ()):
            other = open_[at - 1]
            # the rows clockwise from one gap up to the other, in the order that the first sees them
            between = (j - other) % len(rows) or len(rows)
            entering = [rows[(j - step) % len(rows)].piece for step in range(between)]
            whole = sum(piece.flow for piece in entering)
            own = whole if other == j else whole * amount[j] / (amount[j] + amount[other])
            held[j] = _cut(entering, 0.0, own) + held[j]
            if other != j:
                held[other] = held[other] + _cut(entering, own, whole)
        result = []
        for gap, flow, pieces in zip(leaving, amount, held, strict=True):
            whole = sum(piece.flow for piece in pieces)
            ends = (np.cumsum([0.0, *gap]) * (whole / flow if flow > 0.0 else 0.0)).tolist()
            result.append([_cut(pieces, low, high) for low, high in pairwise(ends)])
        return result

    def _begin(self, parts: Sequence[_Part]) -> None:
        """Begin the runs that the parts of the new line make."""
        for head in (*(part for part in parts if not part.followed), *parts):
            if head.run >= 0:
                continue
            chain = [head]
            while (after := chain[-1].after) is not None and after is not head:
                chain.append(after)
            flow = sum(part.flow for part in chain)
            number, low = self._continued(chain, flow)
            if number == _LOST and flow > self.strand:
                number = len(self.runs)
                self.runs.append(
                    Run(
                        flow=flow,
                        ring=chain[-1].after is head,
                        sources=tuple(piece for part in chain for piece in part.sources if piece.flow > 0.0),
                    )
                )
            self._lay(chain, number, low)

    def _continued(self, chain: Sequence[_Part], flow: float) -> tuple[int, float]:
        """The run that a line only goes on with, no more than a strand gone or added, and where it begins."""
        pieces = [piece for part in chain for piece in part.sources]
        runs = {piece.run for piece in pieces if piece.flow > self.strand}
        number = runs.pop() if len(runs) == 1 else _LOST
        closes = chain[-1].after is not None
        if number <= _LOST or closes or self.runs[number].ring:
            return _LOST, 0.0
        if abs(flow - self.runs[number].flow) > self.strand:
            return _LOST, 0.0
        first = next(k for k, piece in enumerate(pieces) if piece.run == number)
        return number, pieces[first].low - sum(piece.flow for piece in pieces[:first])

    def _lay(self, chain: Sequence[_Part], number: int, low: float) -> None:
        """Lay parts and their faces side by side into a run."""
        for part in chain:
            part.run, part.low = number, low
            at = low
            for face in part.faces:
                self.face_run[face], self.face_low[face] = number, at
                at += self.flow[face]
            low += part.flow


def _chain(parts: Sequence[_Part]) -> None:
    """Let the second of two parts follow the first."""
    if len(parts) == 2:
        parts[0].follow_with(parts[1])


def _cut(pieces: Sequence[Piece], low: float, high: float) -> list[Piece]:
    """What lies between two places of pieces that follow one another."""
    result, at = [], 0.0
    for piece in pieces:
        begin, end = max(low - at, 0.0), min(high - at, piece.flow)
        if end > begin:
            result.append(Piece(piece.run, piece.port, piece.low + begin, piece.low + end))
        at += piece.flow
    return result


def _node_pressure(hydraulics: Hydraulics, nodes: Nodes) -> Floats:
    pressure = np.full(len(nodes.volume_m3), -np.inf)
    for level, place in zip(hydraulics.levels, nodes.place, strict=True):
        known = (place >= 0) & np.isfinite(level.pressure_pa)
        pressure[place[known]] = level.pressure_pa[known]
    return pressure


@dataclass(frozen=True, slots=True)
class _Crossed:
    """What the line crosses as it passes the faces of a level, (faces,) each.

    Args:
        from_cell, to_cell: upstream and downstream.
        high, low: pressure of either, Pa.
        amount: q² h s/a, m⁶/s²; width, depth: of the channel there, m.
    """

    from_cell: Ints
    to_cell: Ints
    high: Floats
    low: Floats
    amount: Floats
    width: Floats
    depth: Floats


def _crossed(problem: LevelProblem, viscosity_pa_s: float, flow: Floats, pressure: Floats) -> _Crossed:
    depth, width = problem.depth_mm * _M_PER_MM, problem.width_mm * _M_PER_MM
    a, b = problem.field.grid.face.T
    per_width = depth**3 * duct.shape_factor(depth / width) / (12.0 * viscosity_pa_s)
    middle = (depth[a] + depth[b]) / 2.0
    # open length over distance is what makes a face's conductance of that per width
    distance = in_series(per_width, a, b) / problem.field.conductance
    falls = pressure[a] >= pressure[b]
    from_cell, to_cell = np.where(falls, a, b), np.where(falls, b, a)
    return _Crossed(
        from_cell=from_cell,
        to_cell=to_cell,
        high=pressure[from_cell],
        low=pressure[to_cell],
        amount=flow**2 * middle * distance,
        width=(width[a] + width[b]) / 2.0,
        depth=middle,
    )


def _placed(
    hydraulics: Hydraulics, nodes: Nodes, sweep: _Sweep, flow: Floats, pressure: Floats
) -> tuple[Faces, ...]:
    """Where the faces lie in the runs; what they even out is added to the runs."""
    runs = sweep.runs
    split = np.cumsum([len(used) for used in nodes.used])[:-1]
    by_level = [np.split(np.asarray(each), split) for each in (sweep.face_run, sweep.face_low, flow)]
    totals = np.zeros((3, len(runs)))
    levels = []
    for problem, place, run, low, own in zip(hydraulics.problems, nodes.place, *by_level, strict=True):
        crossed = _crossed(problem, hydraulics.viscosity_pa_s, own, pressure[place])
        totals += _by_run(runs, run, low + own / 2.0, crossed)
        levels.append((run, low, own, crossed))
    for number, run in enumerate(runs):
        if number != _LOST and totals[0, number] > 0.0:
            run.evening_s_per_m2 = float(totals[0, number] / run.flow**3)
            run.width_m, run.depth_m = (totals[1:, number] / totals[0, number]).tolist()
    return tuple(
        Faces(
            run=run,
            low=low,
            flow=own,
            evened=_evened(run, crossed, totals[0]),
            from_cell=crossed.from_cell,
            to_cell=crossed.to_cell,
        )
        for run, low, own, crossed in levels
    )


def _by_run(runs: Sequence[Run], face_run: Ints, place: Floats, crossed: _Crossed) -> Floats:
    """What each run evens out, by itself and times width and depth, (3, runs).

    A face counts for a run as long as its line crosses it, by pressure.
    """
    totals = np.zeros((3, len(runs)))
    to_pa = np.array([run.to_pa for run in runs])
    now, place, top = face_run.copy(), place.copy(), crossed.high.copy()
    drop = np.where(crossed.high > crossed.low, crossed.high - crossed.low, 1.0)
    waiting = np.flatnonzero(now > _LOST)
    while waiting.size:
        own = now[waiting]
        ends = np.maximum(to_pa[own], crossed.low[waiting])
        part = crossed.amount[waiting] * np.clip((top[waiting] - ends) / drop[waiting], 0.0, 1.0)
        for total, weight in zip(totals, (1.0, crossed.width[waiting], crossed.depth[waiting]), strict=True):
            total += sums(own, part * weight, len(runs))
        top[waiting] = ends
        waiting = waiting[to_pa[own] > crossed.low[waiting]]
        for k in waiting.tolist():
            now[k], by = runs[now[k]].onwards(float(place[k]))
            place[k] += by
        waiting = waiting[now[waiting] > _LOST]
    return totals


def _evened(run: Ints, crossed: _Crossed, whole: Floats) -> Floats:
    """Share of its run's evening that is done when the line comes to each face."""
    order = np.lexsort((-crossed.high, run))
    own, amount = run[order], crossed.amount[order]
    before = np.cumsum(amount) - amount
    begins = np.flatnonzero(np.diff(own, prepend=own[:1] - 1))
    before -= np.repeat(before[begins], np.diff(np.append(begins, len(own))))
    share = np.empty(len(run))
    share[order] = np.clip(before / np.maximum(whole[np.maximum(own, 0)], 1e-300), 0.0, 1.0)
    return share
