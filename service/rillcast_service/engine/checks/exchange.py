"""How long a chip's liquid takes to be exchanged, as a quote tells it, and the rule about what lags."""

from __future__ import annotations

import math
from collections.abc import Iterator

import shapely

from rillcast_service.engine.checks.limits import quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, duration, mm, of_level
from rillcast_service.engine.fluidics import transport
from rillcast_service.engine.fluidics.exchange import Exchange, Fineness, Kind, SlowPlace, exchange
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.job import Job
from rillcast_service.engine.result import ExchangeSummary, Finding, OutletExchange, Severity
from rillcast_service.engine.result import SlowPlace as ToldPlace

_UL_PER_M3 = 1e9
_M_PER_MM = 1e-3
_UM_PER_MM = 1e3
#: In a flowing slot of depth h the age at the wall is that in the middle plus h²/(32 D), by substitution of
#: the parabolic profile into the equation of the mean age.
_WALL_LAG = 32.0
_WORDS = {
    Kind.DEAD_ARM: "dead arm",
    Kind.CORNER: "corner",
    Kind.SIDE: "side pocket",
    Kind.SLOW_STREAM: "branch that little flows through",
    Kind.STREAM: "end of the stream's way",
}


def exchanged(job: Job, hydraulics: Hydraulics) -> Exchange | None:
    """The exchange at the asked flow, with what the rules' table counts as slow.

    Args:
        job: its catalogue holds that table, its use the diffusivity.
        hydraulics: the solved flow through the channels as made.

    Returns:
        See `fluidics.exchange`; None when nothing flows.
    """
    if not hydraulics.operating.possible:
        return None
    return exchange(hydraulics, diffusivity_m2_per_s=job.use.diffusivity_m2_per_s, fineness=_fineness(job))


def summary(job: Job, found: Exchange, hydraulics: Hydraulics) -> ExchangeSummary:
    """The exchange as a quote tells it.

    Args:
        job: its catalogue says what counts as most.
        found: from `exchanged`.
        hydraulics: that it was worked out on.

    Returns:
        The summary.
    """
    flow_ul_per_s = found.flow_m3_per_s * _UL_PER_M3
    fineness = _fineness(job)
    return ExchangeSummary(
        diffusivity_m2_per_s=found.diffusivity_m2_per_s,
        exchanged_ul=found.exchanged_m3 * _UL_PER_M3,
        unreached_ul=found.unreached_m3 * _UL_PER_M3,
        t95_s=found.t95_s,
        t99_s=found.t99_s,
        volume_ul=flow_ul_per_s * found.t99_s,
        most_percent=100.0 * fineness.most_share,
        most_t95_s=found.most_t95_s,
        most_t99_s=found.most_t99_s,
        most_volume_ul=flow_ul_per_s * found.most_t99_s,
        outlets=tuple(
            OutletExchange(outlet.name, outlet.age_s, outlet.t95_s, outlet.t99_s, outlet.front_s)
            for outlet in found.outlets
        ),
        slowest=tuple(_told(place, found.diffusivity_m2_per_s) for place in found.slowest),
        notes=tuple(_notes(job, found, hydraulics)),
    )


@rule("dead_arm")
def dead_arm(case: Case) -> Iterator[Finding]:
    """No place takes many times as long to be exchanged as what leaves the chip."""
    limit = quantity_limit(case, "dead_arm", "most_times")
    found = case.exchange
    if limit is None or found is None:
        return
    outlet_s = found.outlets_t95_s
    places = [place for place in found.slowest if place.t95_s > limit.value.low * outlet_s]
    # One can wait or rinse longer, so it never keeps a chip from being made.
    for severity, own in (
        (Severity.RISK, [place for place in places if place.t95_s > limit.value.best * outlet_s]),
        (Severity.NOTE, [place for place in places if place.t95_s <= limit.value.best * outlet_s]),
    ):
        if not own:
            continue
        worst = own[0]
        more = f" ({count(len(own), 'place')} like it)" if len(own) > 1 else ""
        yield Finding(
            rule="dead_arm",
            severity=severity,
            message=(
                f"The {_WORDS[worst.kind]} at {_at(worst)}{of_level(case, worst.level)}{more} is 95 % fresh "
                f"only after {duration(worst.t95_s)}, {worst.t95_s / outlet_s:.0f} times as late as what "
                f"leaves the chip ({duration(outlet_s)}); 99 % take {duration(worst.t99_s)} and "
                f"{_volume(found.flow_m3_per_s * worst.t99_s)}."
            ),
            remedy=_remedy(worst, limit.value.low * outlet_s),
            measured=round(worst.t95_s / outlet_s, 1),
            **limit.shown,
            unit="times",
            where=shapely.union_all([place.geometry for place in own]),
        )


def _remedy(place: SlowPlace, allowed_s: float) -> str:
    more = f"Or rinse for {duration(place.t99_s)}: {_more_flow(place)}"
    if place.kind is Kind.SLOW_STREAM:
        return (
            "Give the branch as little resistance for its volume as the ways beside it have: make it "
            f"{math.sqrt(place.t95_s / allowed_s):.1f} times as deep, or set an outlet at {_at(place)}. "
            f"{more}"
        )
    if place.kind is Kind.DEAD_ARM:
        return (
            f"Shorten the arm by {mm(place.lag_mm)}: what is left is fresh within {duration(allowed_s)}. "
            f"Or set a vent or an outlet at its end, {_at(place)}. {more}"
        )
    return f"Round it or fill it up by {mm(place.lag_mm)} from {_at(place)} on. {more}"


def _told(place: SlowPlace, diffusivity_m2_per_s: float) -> ToldPlace:
    still = place.kind not in (Kind.STREAM, Kind.SLOW_STREAM)
    return ToldPlace(
        kind=str(place.kind),
        what=f"{_WORDS[place.kind].capitalize()}: {_more_flow(place)}",
        x_mm=place.at.x,
        y_mm=place.at.y,
        level=place.level,
        volume_ul=place.volume_ul,
        reach_mm=place.reach_mm,
        mean_age_s=place.age_s,
        t95_s=place.t95_s,
        t99_s=place.t99_s,
        carried_percent=100.0 * place.carried_share,
        diffusing_s=(place.reach_mm * _M_PER_MM) ** 2 / (2.0 * diffusivity_m2_per_s) if still else None,
        doubled_t95_s=place.doubled_t95_s,
    )


def _more_flow(place: SlowPlace) -> str:
    helps = "little" if place.carried_share < 0.5 else "much"
    return (
        f"twice the flow would change {helps}, {duration(place.doubled_t95_s)} instead of "
        f"{duration(place.t95_s)} to 95 %, because {100.0 * (1.0 - place.carried_share):.0f} % of its age is "
        "diffusion."
    )


def _notes(job: Job, found: Exchange, hydraulics: Hydraulics) -> Iterator[str]:
    model = job.catalogue.rules["dead_arm"]["model"]
    if found.unreached_m3 > 0.0:
        yield (
            f"{found.unreached_m3 * _UL_PER_M3:.3g} µL are not counted: nothing flows through the channels "
            "that hold them."
        )
    longest = max(found.outlets, key=lambda outlet: outlet.age_s)
    if longest.age_s < float(model["averaged_times"]["value"]) * found.width_averaged_s:
        late = model["unaveraged_times"]
        yield (
            "Slow liquid at the walls and fast in the middle even out over the width in "
            f"{duration(found.width_averaged_s)} and over the depth in {duration(found.depth_averaged_s)}; "
            f"the liquid stays {duration(longest.age_s)}. That is too short for the spread to be that of "
            "Taylor and Aris: the last per cent at an outlet may come as late as "
            f"{late['value']:g} times the mean age."
        )
    deepest_m = max(float(level.depth_mm.max()) for level in hydraulics.levels) * _M_PER_MM
    yield (
        "Times are means over the depth; at the floor and roof of a flowing channel the liquid is "
        f"{duration(deepest_m**2 / (_WALL_LAG * found.diffusivity_m2_per_s))} older than in the middle."
    )
    false, pitch_mm = transport.false_diffusion(hydraulics)
    yield (
        f"The grid of {pitch_mm * _UM_PER_MM:.0f} µm smears what the flow carries by up to "
        f"{false / found.diffusivity_m2_per_s:.0f} times the diffusivity. That does not touch mean ages at "
        "outlets and dead arms; how far parallel streams mix cannot be read from these figures."
    )


def _fineness(job: Job) -> Fineness:
    model = job.catalogue.rules["dead_arm"]["model"]
    return Fineness(
        slow_ratio=float(model["slow_times"]["value"]),
        still_peclet=float(model["still_peclet"]["value"]),
        most_share=float(model["most_percent"]["value"]) / 100.0,
        ring_bores=float(model["ring_bores"]["value"]),
        places=int(model["places"]["value"]),
    )


def _volume(volume_m3: float) -> str:
    ul = volume_m3 * _UL_PER_M3
    return f"{ul:.3g} µL" if ul < 1e3 else f"{ul / 1e3:.3g} mL"


def _at(place: SlowPlace) -> str:
    return f"({place.at.x:.2f}, {place.at.y:.2f}) mm"
