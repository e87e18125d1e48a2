"""Rules about uncured resin in enclosed channels: how long it takes to push out, and what stays behind."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import shapely
from shapely import Geometry

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.printing import UPRIGHT_FROM_DEG
from rillcast_service.engine.checks.limits import Limit, hand_kpa, quantity_limit, rule_range
from rillcast_service.engine.checks.pillars import in_square
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, mm, mm_least, mm_most, of_level
from rillcast_service.engine.fluidics.draining import Drained, Push, drain
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.spots import Spot
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import DrainingSummary, Finding, PushSummary, Severity
from rillcast_service.engine.routes import prints
from rillcast_service.engine.routes.base import Process, Route

_PA_S_PER_MPA_S = 1e-3
_PA_PER_KPA = 1e3
_S_PER_MIN = 60.0
_S_PER_H = 3600.0
_M_PER_MM = 1e-3
#: Dimensionless time D t / L² after which 1 % is left in a dead end of length L: Crank, The Mathematics of
#: Diffusion, ch. 4, the series (8/π²) Σ (2n+1)⁻² exp(−(2n+1)² π² T / 4).
_DIFFUSED_TIME = 1.78129
#: The widest place is found to 5 µm, far within the doubt about the limit.
_WIDEST_TOLERANCE_MM = 0.005
#: A spot is found as closely as a reader needs it.
_PLACE_MM = 0.1


def holds_resin(route: Route, process: Process) -> bool:
    """Whether making it leaves uncured resin in closed channels.

    Args:
        route, process: as planned. The route's limits for `clearing_time` may name the step that brings
            the resin in; without one the whole route does.

    Returns:
        False also where the route does not name the rule.
    """
    step = route.table.get("limits", {}).get("clearing_time", {}).get("step")
    return "clearing_time" in route.rules and (step is None or step in {item.id for item in process.steps})


def drained(job: Job, hydraulics: Hydraulics) -> Drained:
    """What pushing port by port does, with the shares that the rules' table sets.

    Args:
        job: its catalogue holds that table.
        hydraulics: the solved flow through the channels as made.

    Returns:
        See `fluidics.draining`.
    """
    model = job.catalogue.rules["clearing_time"]
    return drain(
        hydraulics,
        still_share=float(model["still_percent"]["value"]) / 100.0,
        bypass_ratio=float(model["bypass_ratio"]["value"]),
        cleared_share=float(model["cleared_percent"]["value"]) / 100.0,
    )


def summary(case: Case) -> DrainingSummary | None:
    """How uncured resin comes out, as a quote tells it.

    Args:
        case: one build variant.

    Returns:
        None where none is left in the channels, or it cannot be told.
    """
    if case.drained is None:
        return None
    resin, syringe = prints.resin(case.job), case.job.bench["syringe"]
    pressure, viscosity = hand_kpa(case.job), _viscosity_mpa_s(resin)
    seconds = [_seconds(push, pressure, viscosity) for push in case.drained.pushes]
    return DrainingSummary(
        pressure_kpa=pressure,
        syringe=syringe.title,
        resin=resin.title,
        viscosity_mpa_s=viscosity,
        pushes=tuple(
            PushSummary(port_in=push.port_in, port_out=push.port_out, seconds=time, moved_ul=push.moved_ul)
            for push, time in zip(case.drained.pushes, seconds, strict=True)
        ),
        minutes=sum(seconds, Range.exact(0.0)) * (1.0 / _S_PER_MIN),
        still_ul=_volume_ul(case.drained.still),
        bypassed_ul=_volume_ul(case.drained.bypassed),
        notes=(
            "All ports but two are plugged at a time, and the pressure is held until the way between them "
            "is clear. The film that stays on the walls is not counted: flush with solvent afterwards.",
        ),
    )


@rule("clearing_time")
def clearing_time(case: Case) -> Iterator[Finding]:
    """The uncured resin can be pushed out by hand before it gels in daylight."""
    limit = quantity_limit(case, "clearing_time", "most_min")
    if limit is None or not holds_resin(case.route, case.process) or case.fluidics is None:
        return
    told = summary(case)
    if told is None:
        yield Finding(
            rule="clearing_time",
            severity=Severity.RISK,
            message="How long the resin takes to come out could not be worked out: the channels are too fine "
            "for the grid.",
            remedy="Print one piece and time it, or draw a part of the chip alone and have that looked at.",
            source=limit.source,
        )
        return
    minutes = told.minutes
    severity = limit.severity_of_too_large(minutes.best)
    if severity is None and minutes.high > limit.value.best:
        severity = Severity.RISK
    if severity is None:
        return
    # thin enough that neither the best estimate nor its high end is told any more
    thinner = min(limit.value.low / minutes.best, limit.value.best / minutes.high)
    slowest = max(told.pushes, key=lambda push: push.seconds.best)
    yield Finding(
        rule="clearing_time",
        severity=severity,
        message=(
            f"Pushing the resin out takes {_minutes(minutes)} over {count(len(told.pushes), 'way')} at "
            f"{told.pressure_kpa.best:.0f} kPa ({told.pressure_kpa.low:.0f} to "
            f"{told.pressure_kpa.high:.0f}) on the {told.syringe}; the longest is from {slowest.port_in!r} "
            f"to {slowest.port_out!r}. {limit.value.low:g} min are no trouble, {limit.value.best:g} the most."
        ),
        remedy=(
            "Warm the chip to 35 to 40 °C, which thins the resin, choose a resin below "
            f"{math.floor(told.viscosity_mpa_s.best * thinner)} mPa·s, or make the narrowest "
            "stretch deeper: the time falls with the square of the depth. Gloves and goggles: what comes out "
            "is uncured resin, and the safety data sheet comes first."
        ),
        measured=round(minutes.best, 2),
        **limit.shown,
        unit="min",
    )


@rule("trapped_resin")
def trapped_resin(case: Case) -> Iterator[Finding]:
    """Every cavity has two openings: one to push at, one for the resin to leave by."""
    limit = quantity_limit(case, "trapped_resin", "openings_count")
    if limit is None or not holds_resin(case.route, case.process):
        return
    for cavity in case.cavities.cavities:
        severity = limit.severity_of_too_small(float(len(cavity.ports)))
        if severity is None:
            continue
        level, channels = next(iter(cavity.levels.items()))
        at = channels.representative_point()
        has = f"only {cavity.ports[0]!r}" if cavity.ports else "no port at all"
        yield Finding(
            rule="trapped_resin",
            severity=severity,
            message=(
                f"{cavity.volume_ul:.3g} µL of uncured resin stay in the cavity{of_level(case, level)} at "
                f"({at.x:.2f}, {at.y:.2f}) mm: it has {has}, and nothing can follow the resin out."
            ),
            remedy=f"Draw {count(2 - len(cavity.ports), 'more port')} into it, at the ends farthest from "
            "each other; a plug closes what the use does not need.",
            measured=float(len(cavity.ports)),
            **limit.shown,
            unit="openings",
            where=cavity.geometry,
        )


@rule("dead_end")
def dead_end(case: Case) -> Iterator[Finding]:
    """Spots that no flow reaches: dead arms, side pockets, corners of chambers."""
    limit = quantity_limit(case, "dead_end", "most_mm")
    if limit is None or case.drained is None:
        return
    diffusivity = rule_range(case, "dead_end", "resin_diffusivity_m2_per_s").best
    for severity in (Severity.BLOCKER, Severity.RISK):
        spots = [
            spot for spot in case.drained.still if limit.severity_of_too_large(spot.reach_mm) is severity
        ]
        if not spots:
            continue
        longest = spots[0]
        soak_h = _DIFFUSED_TIME * (longest.reach_mm * _M_PER_MM) ** 2 / diffusivity / _S_PER_H
        more = f" ({count(len(spots), 'place')} like it)" if len(spots) > 1 else ""
        yield Finding(
            rule="dead_end",
            severity=severity,
            message=(
                f"No flow reaches the last {mm(longest.reach_mm)} up to {_at(longest)}"
                f"{of_level(case, longest.level)}{more}: {_volume_ul(spots):.3g} µL of uncured resin stay "
                "there and harden in the post-cure."
            ),
            remedy=(
                f"Draw a port at {_at(longest)}, or shorten the dead end by "
                f"{mm_least(longest.reach_mm - limit.value.low + _PLACE_MM)}; soaking in solvent takes about "
                f"{_hours(soak_h)} to thin it to 1 % there, longer than a green part stands."
            ),
            measured=round(longest.reach_mm, 2),
            **limit.shown,
            unit="mm",
            where=shapely.union_all([spot.geometry for spot in spots]),
        )


@rule("bypassed_resin")
def bypassed_resin(case: Case) -> Iterator[Finding]:
    """Branches beside a shorter way, which clears first and takes all flow from then on."""
    limit = quantity_limit(case, "bypassed_resin", "most_percent")
    if limit is None or case.drained is None or not case.drained.bypassed:
        return
    volume_ul = _volume_ul(case.drained.bypassed)
    percent = 100.0 * volume_ul / case.drained.volume_ul
    if percent <= limit.value.low:
        return
    largest = case.drained.bypassed[0]
    at = shapely.Point(shapely.maximum_inscribed_circle(largest.geometry, tolerance=_PLACE_MM).coords[0])
    yield Finding(
        rule="bypassed_resin",
        # a second push, or pressure that is held, still clears it
        severity=Severity.RISK,
        message=(
            f"{volume_ul:.3g} µL ({percent:.0f} %) still hold resin when air or solvent breaks through on a "
            f"shorter way, most of it around ({at.x:.2f}, {at.y:.2f}) mm"
            f"{of_level(case, largest.level)}."
        ),
        remedy=(
            f"Hold the pressure {_ratio(case.drained.pushes):.1f} times as long as the breakthrough took, "
            "with enough solvent to feed the open way, then look; or give parallel branches the same length "
            "and section, or a port of their own."
        ),
        measured=round(percent, 1),
        **limit.shown,
        unit="%",
        where=shapely.union_all([spot.geometry for spot in case.drained.bypassed]),
    )


@rule("roof_span")
def roof_span(case: Case) -> Iterator[Finding]:
    """No support can be taken out of a closed cavity, so its roof must print without any."""
    limit = quantity_limit(case, "roof_span", "most_mm")
    if limit is None:
        return
    openings = shapely.union_all([port.opening for port in case.job.layout.ports])
    for channel in case.as_made.channels:
        if channel.geometry.is_empty:
            continue
        if case.variant.orientation_deg < UPRIGHT_FROM_DEG:
            span, where = _widest(channel.geometry.difference(openings))
            pillars = in_square(case, free_mm=limit.value.low)
            remedy = (
                f"{pillars + ', make' if pillars else 'Make'} it {mm_most(limit.value.low)} wide or less, or "
                "print the chip upright."
            )
        else:  # standing, the roof of a channel is as wide as the channel is deep
            span, where = max(channel.depth_um.best, 0.0) * _M_PER_MM, channel.geometry
            remedy = f"Make it {mm_most(limit.value.low)} deep or less, or print the chip flat."
        severity = limit.severity_of_too_large(span)
        if severity is not None:
            yield Finding(
                rule="roof_span",
                severity=severity,
                message=(
                    f"The roof of layer {channel.layer!r} spans {mm(span)} without support; "
                    f"{mm(limit.value.low)} print for sure and {mm(limit.value.best)} at the most, and no "
                    "support can be taken out of a closed cavity."
                ),
                remedy=remedy,
                measured=round(span, 2),
                **limit.shown,
                unit="mm",
                where=where,
            )


def _widest(geometry: Geometry) -> tuple[float, Geometry | None]:
    """Diameter of the largest disc within, and that disc."""
    if geometry.is_empty:
        return 0.0, None
    radius = shapely.maximum_inscribed_circle(geometry, tolerance=_WIDEST_TOLERANCE_MM)
    return 2.0 * radius.length, shapely.Point(radius.coords[0]).buffer(radius.length)


def _viscosity_mpa_s(resin: Entry) -> Range:
    return Limit.of(resin.quantity("viscosity_mpa_s")).value


def _seconds(push: Push, pressure_kpa: Range, viscosity_mpa_s: Range) -> Range:
    low, best, high = (
        push.seconds(viscosity_pa_s=viscosity * _PA_S_PER_MPA_S, pressure_pa=pressure * _PA_PER_KPA)
        for viscosity, pressure in (
            (viscosity_mpa_s.low, pressure_kpa.high),
            (viscosity_mpa_s.best, pressure_kpa.best),
            (viscosity_mpa_s.high, pressure_kpa.low),
        )
    )
    return Range(low, best, high)


def _ratio(pushes: Sequence[Push]) -> float:
    """How much longer than its first breakthrough the slowest push takes."""
    return max(push.effort / push.first_effort for push in pushes)


def _volume_ul(spots: Sequence[Spot]) -> float:
    return sum(spot.volume_ul for spot in spots)


def _at(spot: Spot) -> str:
    return f"({spot.end.x:.2f}, {spot.end.y:.2f}) mm"


def _hours(hours: float) -> str:
    return f"{hours:.0f} h" if hours >= 1.0 else f"{hours * 60.0:.0f} min"


def _minutes(minutes: Range) -> str:
    return f"{minutes.best:.2g} min ({minutes.low:.2g} to {minutes.high:.2g})"
