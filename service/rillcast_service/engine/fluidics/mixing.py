"""How far streams that run side by side have mixed: diffusion across the flow, run by run.

What each inlet brings is a colour of its own. Across each run (see `streams`) its share is kept in so many
tubes of equal flow; it diffuses between them by ∂c/∂ξ = ∂/∂η (g ∂c/∂η), where η counts the flow from wall to
wall, ξ = D L / (u w²) the way, and g = u/U is the speed across the channel, slower at the side walls
(`duct.speed_across`). The tubes' equations are solved exactly, by their modes. So nothing is smeared by a
grid, nothing overshoots, and what comes in goes out.

How far it has mixed is 1 − σ/σ₀: the standard deviation of a colour's share over the flow, over that of the
same liquids side by side, σ₀² = m (1 − m), for more than two colours the variances added up; 1 − √I with the
intensity of segregation I of Danckwerts 1952, Appl. Sci. Res. A 3, 279-296 (from memory).

It holds for channels whose depth has evened out. Before that the boundary between streams is wider at floor
and roof, where the liquid is slow, than half-way up (Ismagilov et al. 2000, Appl. Phys. Lett. 76, 2376-2378),
and the mean over the depth is a little more mixed than told here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from scipy.linalg import eigh_tridiagonal
from scipy.optimize import brentq
from shapely import Geometry

from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.streams import Piece, Run, Streams, follow
from rillcast_service.engine.layout.medial import Floats

#: Tubes of equal flow across a run.
TUBES = 256
#: The speed across a channel is worked out for ratios of height to width this far apart.
_RATIO_STEP = 0.05
#: Places across a channel at which its speed is summed up.
_ACROSS = 2001
#: A colour below this share of what flows at a place is rounding.
_TRACE = 1e-6
#: A place is fed by one run when so much of its liquid comes from there.
_ALONE = 0.999
#: A run that evens out so little of what the one before it does only brings the liquid round a port.
_ROUND = 0.01
#: A run of fewer squares is no channel: length over width, by which it evens out.
_CHANNEL_SQUARES = 1.0
#: More than so many times more mixing is out of reach.
_MOST = 1e6
#: A run is shown in so many steps of its way.
_STEPS = 64
#: D L / (u w²) of a length that is nothing.
_SHORTEST = 1e-9
#: The slowest even mode over the depth, exp(−4π² D t/h²), is down to 2 % at D t/h² of this.
_DEPTH_EVENED = 0.1


@dataclass(frozen=True, slots=True)
class Source:
    """What flows into a place out of one run, or out of a port.

    Args:
        pieces: of the run, none of which counts twice.
        evened: share of the run's way that is done where they come in.
    """

    pieces: tuple[Piece, ...]
    evened: float

    @property
    def flow(self) -> float:
        """m³/s."""
        return sum(piece.flow for piece in self.pieces)


@dataclass(frozen=True, slots=True)
class Place:
    """Where it is told how far liquid has mixed.

    Args:
        name: of the port or the area.
        is_outlet: whether it is a port by which liquid leaves.
        sources: what flows into it.
    """

    name: str
    is_outlet: bool
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Mixture:
    """What flows into a place.

    Args:
        flow_m3_per_s: of it.
        shares: inlet → its share.
        mixed: 0 (side by side) to 1; None where only one inlet's liquid comes.
    """

    flow_m3_per_s: float
    shares: Mapping[str, float]
    mixed: float | None


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would mix a place as wanted; None: nothing of the kind would.

    Args:
        times: so many times the diffusion: at the flow divided by it, or with channels narrower by it.
        longer_m: so much more of the channel that feeds the place.
        width_m: of that channel.
    """

    times: float | None
    longer_m: float | None
    width_m: float | None


class Mixing:
    """The colours of a chip on its runs.

    Args:
        hydraulics, streams: of the chip.
        diffusivity_m2_per_s: of what tells the liquids apart.
        side_walls: whether liquid is slower at the side walls; else the speed is the same across a channel.
        tubes: across each run.
    """

    def __init__(
        self,
        hydraulics: Hydraulics,
        streams: Streams,
        *,
        diffusivity_m2_per_s: float,
        side_walls: bool = True,
        tubes: int = TUBES,
    ) -> None:
        self.hydraulics, self.streams = hydraulics, streams
        self.diffusivity_m2_per_s, self.side_walls, self.tubes = diffusivity_m2_per_s, side_walls, tubes
        self.inlets = [int(k) for k in np.flatnonzero(streams.enters > 0.0)]
        self._begun: dict[int, Floats] = {}
        self._given: dict[int, Floats] = {}

    def across(self, run: int, evened: float = 1.0, further: float = 0.0) -> Floats:
        """The colours across a run.

        Args:
            run: its number.
            evened: share of its way.
            further: D L / (u w²) of more channel after that.

        Returns:
            (tubes, inlets) shares, which add up to one in each tube.
        """
        own = self.streams.runs[run]
        values, vectors = self._modes(own)
        if run not in self._begun:
            self._begun[run] = vectors.T @ self._begins(own)
        way = own.evening_s_per_m2 * self.diffusivity_m2_per_s * evened + further
        colours: Floats = vectors @ (np.exp(-values * way)[:, None] * self._begun[run])
        return colours

    def outlets(self) -> list[Place]:
        """Every outlet that liquid leaves by.

        Returns:
            In the order of the ports.
        """
        return [
            Place(self.hydraulics.ports[port].name, True, _by_run(arrives))
            for port, arrives in sorted(self.streams.arrives.items())
            if self.streams.leaves[port] > 0.0
        ]

    def area(self, name: str, geometry: Geometry) -> Place | None:
        """An area of the chip, on all levels.

        Args:
            name: for people.
            geometry: mm.

        Returns:
            What flows into it; None where nothing does.
        """
        sources = []
        shapely.prepare(geometry)
        left, bottom, right, top = geometry.bounds
        for problem, faces in zip(self.hydraulics.problems, self.streams.faces, strict=True):
            centre = problem.field.grid.centre_mm
            near = np.flatnonzero(
                (centre >= (left, bottom)).all(axis=1) & (centre <= (right, top)).all(axis=1)
            )
            within = np.zeros(len(centre), dtype=bool)
            within[near] = shapely.contains_xy(geometry, centre[near])
            into = np.flatnonzero(
                ~within[faces.from_cell] & within[faces.to_cell] & (faces.run > 0) & (faces.flow > 0.0)
            )
            for run in np.unique(faces.run[into]).tolist():
                own = into[faces.run[into] == run]
                evened = float(np.average(faces.evened[own], weights=faces.flow[own]))
                sources.append(Source(_once(run, faces.low[own], faces.flow[own]), evened))
        return Place(name, False, tuple(sources)) if sources else None

    def on_cells(self, inlet: int) -> tuple[Floats, ...]:
        """Share of one inlet's liquid everywhere.

        Args:
            inlet: index of its port.

        Returns:
            (cells,) of each level, 0 to 1; NaN where nothing flows.
        """
        colour = self.inlets.index(inlet)
        levels = []
        for problem, faces in zip(self.hydraulics.problems, self.streams.faces, strict=True):
            count = len(problem.depth_mm)
            share = np.zeros(len(faces.run))
            known = np.flatnonzero((faces.run > 0) & (faces.flow > 0.0))
            step = np.round(faces.evened[known] * _STEPS).astype(np.int64)
            for run, at in np.unique(np.stack((faces.run[known], step)), axis=1).T.tolist():
                own = known[(faces.run[known] == run) & (step == at)]
                flow = self.streams.runs[run].flow
                place = (faces.low[own] + faces.flow[own] / 2.0) / flow
                place = place % 1.0 if self.streams.runs[run].ring else np.clip(place, 0.0, 1.0)
                tube = np.minimum((place * self.tubes).astype(np.int64), self.tubes - 1)
                share[own] = self.across(run, at / _STEPS)[tube, colour]
            ends = np.concatenate((faces.from_cell[known], faces.to_cell[known]))
            flow, value = np.tile(faces.flow[known], 2), np.tile(share[known], 2)
            whole = np.bincount(ends, weights=flow, minlength=count)
            summed = np.bincount(ends, weights=flow * value, minlength=count)
            levels.append(np.where(whole > 0.0, summed / np.maximum(whole, 1e-300), np.nan))
        return tuple(levels)

    def mixture(self, place: Place, *, further: float = 0.0) -> Mixture:
        """What flows into a place.

        Args:
            place: an outlet or an area.
            further: D L / (u w²) of more channel before it.

        Returns:
            The mixture.
        """
        first, second = np.zeros(len(self.inlets)), np.zeros(len(self.inlets))
        for source in place.sources:
            for piece in source.pieces:
                upto = np.array([piece.flow])
                first += self._summed(piece, upto, 1, source.evened, further)[0]
                second += self._summed(piece, upto, 2, source.evened, further)[0]
        flow = sum(source.flow for source in place.sources)
        means = first / flow
        apart = float((means * (1.0 - means)).sum())
        mixed = None
        if apart > _TRACE:
            variance = max(float((second / flow - means**2).sum()), 0.0)
            mixed = 1.0 - math.sqrt(min(variance / apart, 1.0))
        return Mixture(
            flow_m3_per_s=flow,
            shares={
                self.hydraulics.ports[k].name: float(mean)
                for k, mean in zip(self.inlets, means, strict=True)
                if mean > _TRACE
            },
            mixed=mixed,
        )

    def fed_by(self, place: Place) -> Run | None:
        """The run that feeds a place.

        Args:
            place: an outlet or an area.

        Returns:
            None where several do, or a port.
        """
        feeder = self._feeder(place)
        return None if feeder is None else self.streams.runs[feeder.pieces[0].run]

    def _feeder(self, place: Place) -> Source | None:
        """The source that a place is fed by, or the run before it where that only brings it round a port.

        None where several feed it, or streams meet only in the pad.
        """
        main = max(place.sources, key=lambda source: source.flow)
        whole = sum(source.flow for source in place.sources)
        while main.pieces[0].run >= 0 and main.flow >= _ALONE * whole:
            run = self.streams.runs[main.pieces[0].run]
            before = max(run.sources, key=lambda piece: piece.flow).run
            same = sum(piece.flow for piece in run.sources if piece.run == before)
            if (
                before < 0
                or same < _ALONE * run.flow
                or run.evening_s_per_m2 > _ROUND * self.streams.runs[before].evening_s_per_m2
            ):
                squares = run.evening_s_per_m2 * run.flow / run.depth_m
                return main if squares >= _CHANNEL_SQUARES else None
            main = Source((Piece(before, -1, 0.0, self.streams.runs[before].flow),), 1.0)
        return None

    def remedy(self, place: Place, wanted: float) -> Remedy:
        """What would mix what flows into a place.

        Args:
            place: an outlet or an area.
            wanted: mixed so far, 0 to 1.

        Returns:
            The remedy. Streams that meet only in the place itself are not mixed by anything before it.
        """

        def of_faster(times: float) -> float:
            faster = Mixing(
                self.hydraulics,
                self.streams,
                diffusivity_m2_per_s=self.diffusivity_m2_per_s * times,
                side_walls=self.side_walls,
                tubes=self.tubes,
            )
            return faster.mixture(place).mixed or 0.0

        times = _first(of_faster, wanted, least=1.0)
        feeder = self._feeder(place)
        if feeder is None:
            return Remedy(times=times, longer_m=None, width_m=None)
        run = self.streams.runs[feeder.pieces[0].run]
        fed = Place(place.name, place.is_outlet, (feeder,))
        way = _first(lambda further: self.mixture(fed, further=further).mixed or 0.0, wanted, least=_SHORTEST)
        longer = None
        if way is not None:
            longer = way * run.flow * run.width_m / (self.diffusivity_m2_per_s * run.depth_m)
        return Remedy(times=times, longer_m=longer, width_m=run.width_m)

    def depth_evened(self, place: Place) -> bool:
        """Whether diffusion evens out the depth of the channel that feeds a place on its way.

        Args:
            place: an outlet or an area.

        Returns:
            Whether D t / h² is enough; True where several runs feed it.
        """
        run = self.fed_by(place)
        if run is None:
            return True
        way = run.evening_s_per_m2 * self.diffusivity_m2_per_s
        return way * (run.width_m / run.depth_m) ** 2 >= _DEPTH_EVENED

    def _modes(self, run: Run) -> tuple[Floats, Floats]:
        if run.ring:
            return _ring_modes(self.tubes)
        ratio = run.depth_m / run.width_m if self.side_walls else 0.0
        return _channel_modes(self.tubes, round(ratio / _RATIO_STEP))

    def _begins(self, run: Run) -> Floats:
        """The colours that a run begins with, (tubes, inlets)."""
        ends = np.linspace(0.0, run.flow, self.tubes + 1)
        total = np.zeros((self.tubes + 1, len(self.inlets)))
        at = 0.0
        for piece in run.sources:
            total += self._summed(piece, np.clip(ends - at, 0.0, piece.flow))
            at += piece.flow
        begins: Floats = np.diff(total, axis=0) / (run.flow / self.tubes)
        return begins

    def _summed(
        self, piece: Piece, upto: Floats, power: int = 1, evened: float = 1.0, further: float = 0.0
    ) -> Floats:
        """Each colour to a power, summed over the flow of a piece up to some places, (places, inlets)."""
        if piece.run < 0:
            given: Floats = upto[:, None] * self._of_port(piece.port) ** power
            return given
        run = self.streams.runs[piece.run]
        colours = self.across(piece.run, evened, further) ** power
        total = np.concatenate((np.zeros((1, colours.shape[1])), np.cumsum(colours, axis=0)))
        total *= run.flow / self.tubes

        def up_to(place: Floats) -> Floats:
            turns = np.floor(place / run.flow) if run.ring else np.zeros_like(place)
            at = (place - turns * run.flow) * (self.tubes / run.flow)
            low = np.clip(at.astype(np.int64), 0, self.tubes - 1)
            within: Floats = total[low] + (at - low)[:, None] * (total[low + 1] - total[low])
            within += turns[:, None] * total[-1]
            return within

        summed: Floats = up_to(piece.low + upto) - up_to(np.array([piece.low]))
        return summed

    def _of_port(self, port: int) -> Floats:
        """The colours of what leaves a port into the channels, (inlets,)."""
        if port not in self._given:
            colours = np.zeros(len(self.inlets))
            if port in self.inlets:
                colours[self.inlets.index(port)] = self.streams.enters[port]
            for piece in self.streams.arrives.get(port, ()):
                colours += self._summed(piece, np.array([piece.flow]))[0]
            self._given[port] = colours / max(float(colours.sum()), 1e-300)
        return self._given[port]


def mixing(hydraulics: Hydraulics, *, diffusivity_m2_per_s: float) -> Mixing | None:
    """The colours of a chip's inlets.

    Args:
        hydraulics: the solved flow at the operating point.
        diffusivity_m2_per_s: of what tells the liquids apart.

    Returns:
        How they mix; None where fewer than two inlets bring liquid.
    """
    inflow = [flow for flow in hydraulics.operating.flow_m3_per_s if flow is not None and flow > 0.0]
    if len(inflow) < 2:
        return None
    streams = follow(hydraulics)
    if streams is None:
        return None
    return Mixing(hydraulics, streams, diffusivity_m2_per_s=diffusivity_m2_per_s)


def _by_run(pieces: Sequence[Piece]) -> tuple[Source, ...]:
    """Pieces that arrive at the end of their runs, run by run."""
    runs = dict.fromkeys(piece.run for piece in pieces)
    return tuple(Source(tuple(piece for piece in pieces if piece.run == run), 1.0) for run in runs)


def _once(run: int, low: Floats, flow: Floats) -> tuple[Piece, ...]:
    """Parts of a run that overlap where a jagged edge is crossed more than once, each told once."""
    order = np.argsort(low)
    begin, end = low[order], np.maximum.accumulate(low[order] + flow[order])
    starts = np.concatenate(([True], begin[1:] > end[:-1]))
    ends = np.append(np.flatnonzero(starts)[1:], len(begin)) - 1
    return tuple(
        Piece(run, -1, first, last)
        for first, last in zip(begin[starts].tolist(), end[ends].tolist(), strict=True)
    )


def _first(mixed: Callable[[float], float], wanted: float, *, least: float) -> float | None:
    """Where a rising function first is as wanted, from `least` on; None when it never is."""
    if mixed(least) >= wanted:
        return least
    if mixed(_MOST) < wanted:
        return None
    root = brentq(lambda log: mixed(math.exp(log)) - wanted, math.log(least), math.log(_MOST), xtol=1e-4)
    return math.exp(float(root))


@lru_cache(maxsize=64)
def _channel_modes(tubes: int, step: int) -> tuple[Floats, Floats]:
    """Decay rates and orthonormal shapes of −∂/∂η (g ∂/∂η) between walls; `step` counts `_RATIO_STEP`."""
    speed: Floats = np.ones(tubes - 1)
    if step:
        across = np.linspace(0.0, 1.0, _ACROSS)
        profile = duct.speed_across(step * _RATIO_STEP, across)
        passed = np.concatenate(([0.0], np.cumsum((profile[1:] + profile[:-1]) / 2.0)))
        speed = np.interp(
            np.arange(1, tubes) / tubes, passed / passed[-1], profile * (_ACROSS - 1) / passed[-1]
        )
    between = speed * float(tubes) ** 2
    diagonal = np.concatenate((between, [0.0])) + np.concatenate(([0.0], between))
    rates, shapes = eigh_tridiagonal(diagonal, -between)
    values, vectors = np.asarray(rates, dtype=np.float64), np.asarray(shapes, dtype=np.float64)
    values[0] = 0.0
    return values, vectors


@lru_cache(maxsize=8)
def _ring_modes(tubes: int) -> tuple[Floats, Floats]:
    """The same around a port, where the line of equal pressure closes and no wall slows the liquid."""
    place = np.arange(tubes) * 2.0 * np.pi / tubes
    waves = np.arange(1, (tubes + 1) // 2)
    vectors = np.concatenate(
        (
            np.ones((tubes, 1)) / math.sqrt(tubes),
            np.cos(place[:, None] * waves) * math.sqrt(2.0 / tubes),
            np.sin(place[:, None] * waves) * math.sqrt(2.0 / tubes),
        ),
        axis=1,
    )
    rates = (2.0 * tubes * np.sin(np.pi * waves / tubes)) ** 2
    values = np.concatenate(([0.0], rates, rates))
    if tubes % 2 == 0:
        last = np.cos(np.pi * np.arange(tubes))[:, None] / math.sqrt(tubes)
        vectors, values = np.concatenate((vectors, last), axis=1), np.append(values, 4.0 * tubes**2)
    return values, vectors
