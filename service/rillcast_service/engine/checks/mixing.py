"""How far streams have mixed where they are read or leave, as a quote tells it, and the rule about it."""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely import Geometry

from rillcast_service.engine.checks.limits import Limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, mm
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.mixing import Mixing, Place, Remedy, mixing
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding, MixingPlace, Severity

_UL_PER_MIN_PER_M3_PER_S = 60.0e9
_MM_PER_M = 1e3
_UM_PER_M = 1e6
_PERCENT = 100.0


def mixed(job: Job, hydraulics: Hydraulics) -> Mixing | None:
    """The inlets' liquids at the asked flow.

    Args:
        job: its use says how fast what tells them apart diffuses.
        hydraulics: the solved flow through the channels as made.

    Returns:
        See `fluidics.mixing`; None where fewer than two inlets bring liquid.
    """
    if not hydraulics.operating.possible:
        return None
    return mixing(hydraulics, diffusivity_m2_per_s=job.use.diffusivity_m2_per_s)


def summary(job: Job, found: Mixing | None) -> tuple[MixingPlace, ...]:
    """How far they have mixed at every read-out and outlet, and what would mix them as wanted.

    Args:
        job: its use says what is wanted, else the rules' table.
        found: from `mixed`.

    Returns:
        The places; none where nothing mixes.
    """
    if found is None:
        return ()
    wanted = _wanted(job).value.best / _PERCENT
    read = [found.area(readout.name, readout.disc) for readout in job.readouts]
    places = [*(place for place in read if place is not None), *found.outlets()]
    return tuple(_told(found, place, wanted) for place in places)


@rule("mixing")
def mixing_wanted(case: Case) -> Iterator[Finding]:
    """Where several inlets' liquids meet, they have mixed as wanted."""
    if case.fluidics is None:
        return
    limit = _wanted(case.job)
    short = [
        (place, severity)
        for place in case.fluidics.mixing
        if place.mixed_fraction is not None
        and (severity := _severity(limit, _PERCENT * place.mixed_fraction)) is not None
    ]
    for severity in (Severity.RISK, Severity.NOTE):
        own = sorted(
            (place for place, found in short if found is severity),
            key=lambda place: place.mixed_fraction or 0.0,
        )
        if not own:
            continue
        worst = own[0]
        percent = _PERCENT * (worst.mixed_fraction or 0.0)
        more = f" ({count(len(own) - 1, 'more place')} short of it)" if len(own) > 1 else ""
        yield Finding(
            rule="mixing",
            severity=severity,
            message=(
                f"{' and '.join(repr(name) for name in worst.shares)} have mixed to {percent:.0f} % at "
                f"{worst.place!r}{more}; {limit.value.best:g} % are wanted. Side by side counts 0 %, of one "
                "colour all over 100 %."
            ),
            remedy=_remedy(worst),
            measured=round(percent, 1),
            **limit.shown,
            unit="%",
            where=shapely.union_all([_where(case.job, place) for place in own]),
        )


def _wanted(job: Job) -> Limit:
    """What is asked for, else the table's, %."""
    if job.use.mixed_fraction is not None:
        return Limit(Range.exact(_PERCENT * job.use.mixed_fraction), "asked in the request")
    table = job.catalogue.rules["mixing"]["wanted_percent"]
    return Limit(
        Range(float(table["low"]), float(table["value"]), float(table["high"])), str(table["source"])
    )


def _severity(limit: Limit, percent: float) -> Severity | None:
    """A chip that mixes too little can still be run slower, so it is never a blocker."""
    severity = limit.severity_of_too_small(percent)
    return {Severity.BLOCKER: Severity.RISK, Severity.RISK: Severity.NOTE}.get(severity) if severity else None


def _remedy(place: MixingPlace) -> str:
    ways = []
    if place.length_needed_mm is not None and place.width_um is not None:
        ways.append(
            f"put {mm(place.length_needed_mm)} more of the {place.width_um:.0f} µm wide channel before it"
        )
    if place.flow_needed_ul_per_min is not None:
        ways.append(f"lower the whole flow to {place.flow_needed_ul_per_min:.3g} µL/min")
    if place.width_um is None:
        ways.insert(
            0, "let the streams meet in one channel, and run side by side in it, before they come here"
        )
    if place.width_needed_um is not None:
        ways.append(
            f"make the channels from where the streams meet {place.width_needed_um:.0f} µm wide at the same "
            "length, which takes more pressure"
        )
    said = ", or ".join(ways)
    return f"{said[0].upper()}{said[1:]}."


def _told(found: Mixing, place: Place, wanted: float) -> MixingPlace:
    mixture = found.mixture(place)
    run = found.fed_by(place)
    width_m = None if run is None else run.width_m
    short = mixture.mixed is not None and mixture.mixed < wanted
    remedy = found.remedy(place, wanted) if short else Remedy(None, None, None)
    through = sum(flow for flow in found.hydraulics.operating.flow_m3_per_s if flow and flow > 0.0)
    return MixingPlace(
        place=place.name,
        kind="outlet" if place.is_outlet else "readout",
        flow_ul_per_min=mixture.flow_m3_per_s * _UL_PER_MIN_PER_M3_PER_S,
        shares=dict(mixture.shares),
        mixed_fraction=mixture.mixed,
        wanted_fraction=wanted,
        length_needed_mm=_scaled(remedy.longer_m, _MM_PER_M),
        flow_needed_ul_per_min=_scaled(remedy.times and through / remedy.times, _UL_PER_MIN_PER_M3_PER_S),
        width_needed_um=_scaled(remedy.times and width_m and width_m / remedy.times, _UM_PER_M),
        width_um=_scaled(width_m, _UM_PER_M),
        depth_evened=found.depth_evened(place),
    )


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def _where(job: Job, place: MixingPlace) -> Geometry:
    if place.kind == "readout":
        return next(readout.disc for readout in job.readouts if readout.name == place.place)
    return next(port.opening for port in job.layout.ports if port.name == place.place)
