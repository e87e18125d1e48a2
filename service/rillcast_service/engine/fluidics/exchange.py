"""How long the liquid takes to be exchanged, everywhere in the chip: mean age, exchange times, slow places.

The mean age A of the liquid obeys u·∇A − ∇·(D∇A) = 1 with A = 0 where it comes in: one linear system.
Whatever the shape, the mean over all that leaves is volume over flow, and in a dead arm of length L the age
rises by L²/(2D) from mouth to end. The share of liquid at a place that is older than t is what is left there
t after a switch to fresh liquid, which `transient` follows.

A is a function of flow and diffusivity that halves when both double. So (Euler) the shares −∂ln A/∂ln Q and
−∂ln A/∂ln D add up to one: what is carried and what diffuses. The first, one solve more, also tells what
more flow would change.

The flow is that averaged over the depth. What the profiles over depth and width add to the spread of ages is
put in by `dispersion`. Across the depth the age still varies, by h²/(32 D) from the middle to the wall in a
flowing slot of depth h.

Source, from memory: Sandberg 1981, Build. Environ. 16, 123-135; Spalding 1958, Chem. Eng. Sci. 9, 74-77;
Danckwerts 1953, Chem. Eng. Sci. 2, 1-13.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, Point

from rillcast_service.engine.fluidics import dispersion
from rillcast_service.engine.fluidics.hydraulics import Hydraulics, LevelProblem
from rillcast_service.engine.fluidics.nodes import join, weighted_quantile
from rillcast_service.engine.fluidics.spots import Spot, cell_volume_m3, spots
from rillcast_service.engine.fluidics.transient import block, exchanged_after_s
from rillcast_service.engine.fluidics.transport import Stream, factorise, stream
from rillcast_service.engine.layout.medial import Floats

Bools = NDArray[np.bool_]

_M_PER_MM = 1e-3
_HALF = 0.5
#: A pocket whose area is less than this many squares of its reach is a corner, else it runs along a side.
_CORNER_SQUARES = 2.0
#: Entrances less than so many widths apart are one.
_ONE_MOUTH = 1.5


@dataclass(frozen=True, slots=True)
class Fineness:
    """What counts as slow, and how much is told.

    Args:
        slow_ratio: a place is slow when its 95 % time is this many times that of the slowest outlet.
        still_peclet: diffusion rules where speed · width / D is below this.
        most_share: the share of the volume that counts as most of it.
        ring_bores: what stands so many bores around a port that liquid flows through comes and goes with
            the liquid in its hole, and is not told.
        places: how many slow places are told at most.
    """

    slow_ratio: float
    still_peclet: float
    most_share: float
    ring_bores: float
    places: int


class Kind(StrEnum):
    """What holds the liquid back."""

    DEAD_ARM = "dead_arm"
    CORNER = "corner"
    SIDE = "side"
    SLOW_STREAM = "slow_stream"
    STREAM = "stream"


@dataclass(frozen=True, slots=True)
class SlowPlace:
    """A place that is exchanged late.

    Args:
        kind: what holds the liquid back: an arm longer than wide, a corner or a pocket at the side, a
            branch that little flows through, or just the way that the stream takes.
        level: plane of the channels.
        at: its slowest point, mm; geometry: all of it.
        width_mm: of the channel at that point; reach_mm: how far in from where the flow rules.
        lag_mm: how far in from where it is not slow.
        volume_ul: what stands there.
        age_s, t95_s, t99_s: mean age and exchange times of the slowest point.
        carried_share: of the age, see the module; the rest diffuses.
    """

    kind: Kind
    level: int
    at: Point
    geometry: Geometry
    width_mm: float
    reach_mm: float
    lag_mm: float
    volume_ul: float
    age_s: float
    t95_s: float
    t99_s: float
    carried_share: float

    @property
    def doubled_t95_s(self) -> float:
        """The 95 % time at twice the flow."""
        halving: float = 2.0**-self.carried_share
        return self.t95_s * halving


@dataclass(frozen=True, slots=True)
class Outlet:
    """What leaves at a port.

    Args:
        name: of the port.
        flow_m3_per_s: that leaves.
        age_s, t95_s, t99_s: mean age and exchange times of it.
        front_s: standard deviation of the time of arrival that the channels' profiles add.
    """

    name: str
    flow_m3_per_s: float
    age_s: float
    t95_s: float
    t99_s: float
    front_s: float


@dataclass(frozen=True, slots=True)
class LevelTimes:
    """Exchange on the cells of one level, NaN where fresh liquid does not come; `carried_share` likewise."""

    level: int
    age_s: Floats
    t95_s: Floats
    t99_s: Floats
    carried_share: Floats


@dataclass(frozen=True, slots=True)
class Exchange:
    """How the liquid of a chip is exchanged at its operating point.

    Args:
        diffusivity_m2_per_s: of what is dissolved.
        flow_m3_per_s: through all inlets.
        exchanged_m3: volume between the ports that fresh liquid reaches; unreached_m3: that it does not.
        t95_s, t99_s: until every place is exchanged to so much.
        most_t95_s, most_t99_s: until most of the volume is.
        outlets: in the order of the ports.
        slowest: slow places, slowest first; the slowest place of all at least.
        depth_averaged_s, width_averaged_s: when diffusion has evened out a profile over the depth and over
            the width of the channels, by their medians over the volume.
        levels: in the order of the hydraulics'.
    """

    diffusivity_m2_per_s: float
    flow_m3_per_s: float
    exchanged_m3: float
    unreached_m3: float
    t95_s: float
    t99_s: float
    most_t95_s: float
    most_t99_s: float
    outlets: tuple[Outlet, ...]
    slowest: tuple[SlowPlace, ...]
    depth_averaged_s: float
    width_averaged_s: float
    levels: tuple[LevelTimes, ...]

    @property
    def outlets_t95_s(self) -> float:
        """Until what leaves at every outlet is 95 % fresh."""
        return max(outlet.t95_s for outlet in self.outlets)


def mean_age_s(hydraulics: Hydraulics, *, diffusivity_m2_per_s: float) -> tuple[Floats, ...] | None:
    """Mean age of the liquid in every cell, and no more.

    Args:
        hydraulics: the solved flow.
        diffusivity_m2_per_s: of what is dissolved.

    Returns:
        (cells,) s of each level, NaN where fresh liquid does not come; None when nothing flows.
    """
    flowing = stream(hydraulics, join(hydraulics), diffusivity_m2_per_s=diffusivity_m2_per_s)
    if not flowing.exchanged.any():
        return None
    age = factorise(hydraulics, flowing).solve(flowing.volume_m3)
    return tuple(_on_cells(flowing, place, age) for place in flowing.nodes.place)


def exchange(
    hydraulics: Hydraulics, *, diffusivity_m2_per_s: float, fineness: Fineness, profiles: bool = True
) -> Exchange | None:
    """Exchange of the liquid everywhere.

    Args:
        hydraulics: the solved flow at the operating point.
        diffusivity_m2_per_s: of what is dissolved.
        fineness: what counts as slow.
        profiles: whether the profiles over depth and width spread the ages.

    Returns:
        The exchange; None when nothing flows.
    """
    flowing = stream(hydraulics, join(hydraulics), diffusivity_m2_per_s=diffusivity_m2_per_s)
    if not flowing.exchanged.any():
        return None
    balance, volume, ports = factorise(hydraulics, flowing), flowing.volume_m3, flowing.nodes.ports
    age = balance.solve(volume)
    carried = flowing.carried(age)
    share = np.clip(balance.solve(carried) / np.maximum(age, 1e-300), 0.0, 1.0)
    # How much of the ageing the flow takes off on the spot: one in a stream, none in a dead end.
    streaming = np.clip(carried / np.maximum(volume, 1e-300), 0.0, 1.0)
    rate_s = np.zeros_like(age)
    if profiles:
        rate_s = _profile_rate_s(hydraulics, flowing, age, diffusivity_m2_per_s) * streaming**2
    front = np.maximum(balance.solve(rate_s * volume), 0.0)
    blocks = block(hydraulics, flowing, variance_rate_s=rate_s)
    t95, t99 = exchanged_after_s(blocks, np.where(flowing.exchanged, age, 0.0), (0.95, 0.99))

    levels = tuple(
        LevelTimes(problem.level, *(_on_cells(flowing, place, each) for each in (age, t95, t99, share)))
        for problem, place in zip(hydraulics.problems, flowing.nodes.place, strict=True)
    )
    ruled = [
        flow.speed_m_per_s * flow.width_mm * _M_PER_MM >= fineness.still_peclet * diffusivity_m2_per_s
        for flow in hydraulics.levels
    ]
    told = [
        np.isfinite(times.t95_s) & (place >= ports) & ~_in_ring(hydraulics, flowing, problem, fineness)
        for problem, place, times in zip(hydraulics.problems, flowing.nodes.place, levels, strict=True)
    ]
    outlets = tuple(
        Outlet(
            name=hydraulics.ports[k].name,
            flow_m3_per_s=float(flowing.leaves[k]),
            age_s=float(age[k]),
            t95_s=float(t95[k]),
            t99_s=float(t99[k]),
            front_s=float(np.sqrt(front[k])),
        )
        for k in np.flatnonzero(flowing.leaves > 0.0).tolist()
    )
    slow_s = fineness.slow_ratio * max(outlet.t95_s for outlet in outlets)
    weight, width, depth = (
        np.concatenate([values[own] for values, own in zip(by_level, told, strict=True)])
        for by_level in (
            [cell_volume_m3(problem) for problem in hydraulics.problems],
            [problem.width_mm for problem in hydraulics.problems],
            [problem.depth_mm for problem in hydraulics.problems],
        )
    )
    of_95, of_99 = (
        np.concatenate([values[own] for values, own in zip(by_level, told, strict=True)])
        for by_level in ([times.t95_s for times in levels], [times.t99_s for times in levels])
    )
    averaged = [
        float(
            dispersion.averaging_time_s(
                breadth_m=weighted_quantile(breadth, weight, _HALF) * _M_PER_MM,
                diffusivity_m2_per_s=diffusivity_m2_per_s,
            )
        )
        for breadth in (depth, width)
    ]
    return Exchange(
        diffusivity_m2_per_s=diffusivity_m2_per_s,
        flow_m3_per_s=flowing.through_m3_per_s,
        exchanged_m3=flowing.exchanged_m3,
        unreached_m3=_unreached_m3(hydraulics, flowing),
        t95_s=max(float(of_95.max(initial=0.0)), *(outlet.t95_s for outlet in outlets)),
        t99_s=max(float(of_99.max(initial=0.0)), *(outlet.t99_s for outlet in outlets)),
        most_t95_s=weighted_quantile(of_95, weight, fineness.most_share),
        most_t99_s=weighted_quantile(of_99, weight, fineness.most_share),
        outlets=outlets,
        slowest=_slowest(hydraulics.problems, levels, ruled, told, slow_s, fineness.places),
        depth_averaged_s=averaged[0],
        width_averaged_s=averaged[1],
        levels=levels,
    )


def _on_cells(flowing: Stream, place: NDArray[np.int64], value: Floats) -> Floats:
    known = (place >= 0) & flowing.exchanged[place]
    return np.where(known, value[place], np.nan)


def _profile_rate_s(
    hydraulics: Hydraulics, flowing: Stream, age_s: Floats, diffusivity_m2_per_s: float
) -> Floats:
    """Growth of the variance of arrival by the profiles in each cell's channel, (nodes,) s²/s."""
    rate = np.zeros(len(age_s))
    for problem, place in zip(hydraulics.problems, flowing.nodes.place, strict=True):
        free = problem.field.free
        rate[place[free]] = dispersion.spread_rate_s(
            width_m=problem.width_mm[free] * _M_PER_MM,
            depth_m=problem.depth_mm[free] * _M_PER_MM,
            age_s=np.maximum(age_s[place[free]], 0.0),
            diffusivity_m2_per_s=diffusivity_m2_per_s,
        )
    return rate


def _in_ring(hydraulics: Hydraulics, flowing: Stream, problem: LevelProblem, fineness: Fineness) -> Bools:
    """Cells close around a port that liquid flows through."""
    centre = problem.field.grid.centre_mm
    near: Bools = np.zeros(len(centre), dtype=bool)
    for k in problem.reaching.tolist():
        if flowing.enters[k] > 0.0 or flowing.leaves[k] > 0.0:
            opening, reach = hydraulics.ports[k].opening, fineness.ring_bores * hydraulics.ports[k].bore_mm
            left, bottom, right, top = opening.bounds
            within = (centre >= (left - reach, bottom - reach)) & (centre <= (right + reach, top + reach))
            some = np.flatnonzero(within.all(axis=1))
            shapely.prepare(opening)
            near[some] |= shapely.dwithin(opening, shapely.points(centre[some]), reach)
    return near


def _unreached_m3(hydraulics: Hydraulics, flowing: Stream) -> float:
    """Volume of channels that no port opens into, or that nothing flows through."""
    return sum(
        float(cell_volume_m3(problem)[(place < 0) | ~flowing.exchanged[place]].sum())
        for problem, place in zip(hydraulics.problems, flowing.nodes.place, strict=True)
    )


def _slowest(
    problems: Sequence[LevelProblem],
    levels: Sequence[LevelTimes],
    ruled: Sequence[Bools],
    told: Sequence[Bools],
    slow_s: float,
    most: int,
) -> tuple[SlowPlace, ...]:
    """Slow places where diffusion rules, and slow streams; without any, the slowest place of all."""
    places = []
    for problem, times, flows, own in zip(problems, levels, ruled, told, strict=True):
        slow = own & (np.nan_to_num(times.t95_s) > slow_s)
        if not slow.any():
            continue
        # A place is slow as a whole, from where the flow ceases to rule; its mouth belongs to it.
        still = (problem.held.owner < 0) & np.isfinite(times.t95_s) & ~flows
        named, lag_mm = np.zeros(len(slow), dtype=bool), np.zeros(len(slow))
        for spot in spots(problem, slow, beside=~slow, least_mm2=np.zeros(len(slow))):
            lag_mm[spot.cells] = spot.reach_mm
        for spot in spots(problem, still, beside=~still, least_mm2=problem.depth_mm**2):
            if slow[spot.cells].any():
                named[spot.cells] = True
                places.append(_place(problem, times, spot, own, lag_mm, still=True))
        by_named = np.zeros(len(slow), dtype=bool)
        for here, there in (problem.field.grid.face.T, problem.field.grid.face.T[::-1]):
            by_named[here[named[there]]] = True
        for spot in spots(problem, slow & flows, beside=~slow, least_mm2=problem.depth_mm**2):
            if not by_named[spot.cells].any():
                places.append(_place(problem, times, spot, own, lag_mm, still=False))
    if not places:
        longest = [np.where(own, times.t95_s, -np.inf) for times, own in zip(levels, told, strict=True)]
        level = int(np.argmax([each.max(initial=-np.inf) for each in longest]))
        if told[level].any():
            places.append(_end_of_stream(problems[level], levels[level], int(np.argmax(longest[level]))))
    return tuple(sorted(places, key=lambda place: -place.t95_s)[:most])


def _place(
    problem: LevelProblem, times: LevelTimes, spot: Spot, told: Bools, lag_mm: Floats, *, still: bool
) -> SlowPlace:
    cells = spot.cells[told[spot.cells]]
    slowest = int(cells[np.argmax(times.t95_s[cells])])
    width = float(problem.width_mm[spot.cells].max())
    if not still and not _is_blind(problem, spot, width):
        kind = Kind.SLOW_STREAM
    elif max(spot.reach_mm, lag_mm[slowest]) > width:
        kind = Kind.DEAD_ARM
    else:
        corner = spot.geometry.area < _CORNER_SQUARES * spot.reach_mm**2
        kind = Kind.CORNER if corner else Kind.SIDE
    return SlowPlace(
        kind=kind,
        level=problem.level,
        at=Point(*problem.field.grid.centre_mm[slowest]),
        geometry=spot.geometry,
        width_mm=width,
        reach_mm=spot.reach_mm,
        lag_mm=float(lag_mm[slowest]),
        volume_ul=spot.volume_ul,
        age_s=float(times.age_s[slowest]),
        t95_s=float(times.t95_s[slowest]),
        t99_s=float(times.t99_s[slowest]),
        carried_share=float(times.carried_share[slowest]),
    )


def _is_blind(problem: LevelProblem, spot: Spot, width_mm: float) -> bool:
    """Whether there is one way in: a stream has another one out."""
    mouth = problem.field.grid.centre_mm[spot.entrance]
    return (
        bool(np.hypot(*(mouth.max(axis=0) - mouth.min(axis=0))) < _ONE_MOUTH * width_mm)
        if len(mouth)
        else True
    )


def _end_of_stream(problem: LevelProblem, times: LevelTimes, cell: int) -> SlowPlace:
    at = Point(*problem.field.grid.centre_mm[cell])
    return SlowPlace(
        kind=Kind.STREAM,
        level=problem.level,
        at=at,
        geometry=at,
        width_mm=float(problem.width_mm[cell]),
        reach_mm=0.0,
        lag_mm=0.0,
        volume_ul=0.0,
        age_s=float(times.age_s[cell]),
        t95_s=float(times.t95_s[cell]),
        t99_s=float(times.t99_s[cell]),
        carried_share=float(times.carried_share[cell]),
    )
