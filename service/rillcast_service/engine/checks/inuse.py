"""How the chip behaves in use, and the rules about it: purging by hand, and where the flow goes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.checks.branching import with_branches
from rillcast_service.engine.checks.drying import Drying
from rillcast_service.engine.checks.limits import Limit, hand_kpa, limit_table
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.fluidics.hydraulics import CREEPING_REYNOLDS, Hydraulics
from rillcast_service.engine.fluidics.purging import push
from rillcast_service.engine.fluidics.readouts import readout_states
from rillcast_service.engine.job import Job
from rillcast_service.engine.result import Finding, FluidicsSummary, PurgeSummary, Severity
from rillcast_service.engine.routes.base import Process, Route

_PA_PER_KPA = 1e3
_M3_PER_ML = 1e-6
_UL_PER_MIN_PER_M3_PER_S = 60.0e9


def with_use(
    job: Job,
    route: Route,
    process: Process,
    as_made: AsMade,
    hydraulics: Hydraulics | None,
    told: FluidicsSummary,
) -> FluidicsSummary:
    """What is told of the fluidics, with what follows of the asked use.

    Args:
        job, route, process: what is made, how, and what for.
        as_made: what the route gives.
        hydraulics: the solved flow through it; None when it is not known.
        told: of the flow so far.

    Returns:
        The same with the read-outs, the purge and the evaporation that are asked for.
    """
    readouts = readout_states(job.readouts, as_made.channels, hydraulics)
    if hydraulics is None:
        return replace(told, readouts=readouts)
    told = with_branches(job, route, process, hydraulics, told)
    drying = Drying.of(job, route, process)
    return replace(
        told,
        readouts=tuple(replace(item, water_loss_percent=drying.of_place(item)) for item in readouts)
        if drying
        else readouts,
        purge=_purge(job, hydraulics),
        evaporation=drying.summary(hydraulics) if drying else None,
    )


def _purge(job: Job, hydraulics: Hydraulics) -> PurgeSummary | None:
    """The asked volume pushed through by hand; None where none is asked, or nothing can pass."""
    if job.use.purge_ml is None:
        return None
    lines = [job.use.lines.get(port.name, ()) for port in hydraulics.ports]
    pressure, syringe = hand_kpa(job), job.bench["syringe"]
    pushed = push(hydraulics, lines, pressure_pa=pressure.best * _PA_PER_KPA)
    if pushed is None:
        return None
    volume_m3 = job.use.purge_ml * _M3_PER_ML
    reynolds = pushed.reynolds_per_pa * pressure.best * _PA_PER_KPA
    notes = [
        "All inlets are pushed at once, outlets are open. The pressure is held; a hand tires, so count on "
        "the long end."
    ]
    if reynolds > CREEPING_REYNOLDS:
        notes.append(
            f"The Reynolds number is about {reynolds:.0f}: inertia adds losses in bends and junctions that "
            "are left out, and above about 2000 the flow in a long bore is no longer laminar. It takes "
            "longer than that."
        )
    return PurgeSummary(
        volume_ml=job.use.purge_ml,
        syringe=syringe.title,
        fillings=math.ceil(job.use.purge_ml / syringe.number("volume_ml") - 1e-9),
        pressure_kpa=pressure,
        chip_kpa=pressure * pushed.chip_share,
        seconds=pressure.map(lambda kpa: pushed.seconds(volume_m3=volume_m3, pressure_pa=kpa * _PA_PER_KPA)),
        flow_ul_per_min=pressure * (pushed.conductance_m3_per_pa_s * _PA_PER_KPA * _UL_PER_MIN_PER_M3_PER_S),
        reynolds=reynolds,
        notes=tuple(notes),
    )


@rule("purge_pressure")
def purge_pressure(case: Case) -> Iterator[Finding]:
    """A hand that purges the chip does not open its bond; the strengths are those of `bond_pressure`."""
    purge = case.fluidics.purge if case.fluidics is not None else None
    recipes = limit_table(case, "bond_pressure")
    for step in case.process.steps:
        if purge is None or step.id not in recipes:
            continue
        recipe = case.job.catalogue.get("recipes", str(recipes[step.id]["recipe"]))
        limit = Limit.of(recipe.quantity(str(recipes[step.id]["key"])))
        if limit.severity_of_too_large(purge.chip_kpa.best) is None:
            continue
        gentle = purge.seconds.best * purge.chip_kpa.best / limit.value.low
        yield Finding(
            rule="purge_pressure",
            severity=Severity.RISK,
            message=(
                f"A hand on the {purge.syringe} gives {purge.chip_kpa.best:.0f} kPa at the chip "
                f"({purge.chip_kpa.low:.0f} to {purge.chip_kpa.high:.0f}); {recipe.title} stands "
                f"{limit.value.best:.0f} kPa ({limit.value.low:.0f} to {limit.value.high:.0f})."
            ),
            remedy=(
                f"Purge {purge.volume_ml:g} mL in no less than {gentle:.0f} s, or with a larger syringe, on "
                "which the same hand gives less pressure. Goggles: what opens under pressure sprays."
            ),
            measured=round(purge.chip_kpa.best, 1),
            **limit.shown,
            unit="kPa",
        )
