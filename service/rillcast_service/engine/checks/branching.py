"""Where the flow goes and what gives way to it: branches and soft roofs, and the rules about both."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely

from rillcast_service.engine.asmade.elasticity import plane_modulus_pa
from rillcast_service.engine.checks.limits import Limit, rule_range
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import of_level
from rillcast_service.engine.fluidics import give
from rillcast_service.engine.fluidics.branches import Branches, branches_of
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.streams import follow
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import BranchState, Finding, FluidicsSummary, GiveSummary, Severity
from rillcast_service.engine.routes import casts
from rillcast_service.engine.routes.base import Process, Route

_UM_PER_M, _MM_PER_M, _M_PER_MM = 1e6, 1e3, 1e-3
_UL_PER_M3, _UL_PER_MIN_PER_M3_PER_S = 1e9, 60.0e9
_KPA_PER_PA, _PA_PER_KPA = 1e-3, 1e3
#: Of circuits with more junctions no balanced widths are worked out: each takes some dozen solutions.
_MOST_NODES = 400


def with_branches(
    job: Job, route: Route, process: Process, hydraulics: Hydraulics, told: FluidicsSummary
) -> FluidicsSummary:
    """What is told of the fluidics, with the branches where the flow parts, and the give of soft roofs.

    Args:
        job, route, process: what is made, and how.
        hydraulics: the solved flow.
        told: of it so far.

    Returns:
        The same where neither the flow can part nor a roof gives by more than the rule's table calls
        nothing.
    """
    faces_m, plane_pa = _soft_faces_m(job, route, process), _plane_pa(job, process)
    parts = hydraulics.operating.possible and _may_part(hydraulics)
    gives = plane_pa is not None and _may_give(job, hydraulics, faces_m, plane_pa.best)
    if not parts and not gives:
        return told
    streams = follow(hydraulics)
    if streams is None:
        return told
    branches = branches_of(hydraulics, streams)
    if not branches.branches:
        return told
    return replace(
        told,
        branches=_states(job, hydraulics, branches) if parts else (),
        give=_give(hydraulics, branches, faces_m, plane_pa) if gives and plane_pa is not None else None,
    )


def _may_part(hydraulics: Hydraulics) -> bool:
    """Whether an island or a second way out can part the flow."""
    islands = any(part.interiors for cavity in hydraulics.cavities.cavities for part in cavity.geometry.geoms)
    leaving = sum((flow or 0.0) < 0.0 for flow in hydraulics.operating.flow_m3_per_s)
    return islands or leaving > 1 or len(hydraulics.levels) > 1


def _soft_faces_m(job: Job, route: Route, process: Process) -> tuple[float, ...]:
    """Thickness of each silicone face of the channels."""
    if process.facts.get("silicone") is None:
        return ()
    deepest_mm = max((layer.depth_um or 0.0) for layer in job.layout.channel_layers) * 1e-3
    body_m = max(job.chip.thickness_mm - deepest_mm, 1e-3) * _M_PER_MM
    if casts.lid(job) != casts.SILICONE:
        return (body_m,)
    return body_m, float(route.table["body"]["lid_mm"]["value"]) * _M_PER_MM


def _plane_pa(job: Job, process: Process) -> Range | None:
    """E* of the silicone; None where there is none."""
    name = process.facts.get("silicone")
    if name is None:
        return None
    ratio = float(job.catalogue.rules["roof_sag"]["poisson_ratio"]["value"])
    modulus = Limit.of(job.catalogue.get("silicones", str(name)).quantity("modulus_mpa")).value
    return modulus.map(lambda mpa: plane_modulus_pa(modulus_pa=mpa * 1e6, poisson_ratio=ratio))


def _may_give(job: Job, hydraulics: Hydraulics, faces_m: tuple[float, ...], plane_pa: float) -> bool:
    """Whether channels bulge by more than counts at the pressure of rigid walls, on the mean of what is lost.

    Pads at ports, where next to nothing is lost, do not count.
    """
    least = float(job.catalogue.rules["roof_give"]["nothing_percent"]["value"]) / 100.0
    if not hydraulics.operating.possible:
        return False
    bulging = lost = 0.0
    for level in hydraulics.levels:
        depth_m = level.depth_mm * _M_PER_MM
        rate = give.bulge_m_per_pa(span_m=level.width_mm * _M_PER_MM, thickness_m=faces_m, plane_pa=plane_pa)
        # what is lost in a cell goes with speed² over depth, per area
        loss = level.speed_m_per_s**2 * level.fitted.grid.area_mm2 / depth_m
        bulging += float((loss * rate * np.nan_to_num(level.pressure_pa) / depth_m).sum())
        lost += float(loss.sum())
    return bulging > least * lost


def _states(job: Job, hydraulics: Hydraulics, branches: Branches) -> tuple[BranchState, ...]:
    names = {node: hydraulics.ports[port].name for port, node in branches.port_node.items()}
    told = float(job.catalogue.rules["flow_split"]["most_percent"]["low"])
    shares: dict[int, float] = {}
    balanced: dict[int, float] = {}
    for split in branches.splits():
        shares |= {k: 100.0 * share for k, share in zip(split.out, split.shares, strict=True)}
        if 100.0 * split.shares[0] >= told and branches.nodes <= _MOST_NODES:
            width = branches.balanced_width_m(split)
            if width is not None:
                balanced[split.out[0]] = width * _UM_PER_M
    return tuple(
        BranchState(
            begins=names.get(branch.begins, f"junction {branch.begins + 1}"),
            ends=names.get(branch.ends, f"junction {branch.ends + 1}"),
            level=branch.level,
            x_mm=branch.x_mm,
            y_mm=branch.y_mm,
            length_mm=branch.length_m * _MM_PER_M,
            width_um=branch.width_m * _UM_PER_M,
            depth_um=branch.depth_m * _UM_PER_M,
            flow_ul_per_min=branch.flow_m3_per_s * _UL_PER_MIN_PER_M3_PER_S,
            drop_kpa=(branch.from_pa - branch.to_pa) * _KPA_PER_PA,
            share_percent=shares.get(k),
            balanced_width_um=balanced.get(k),
        )
        for k, branch in enumerate(branches.branches)
    )


def _give(
    hydraulics: Hydraulics, branches: Branches, faces_m: tuple[float, ...], plane_pa: Range
) -> GiveSummary | None:
    """With roofs of the silicone's best stiffness, and of both ends of its range."""
    held = {
        node: hydraulics.operating.pressure_pa[port] or 0.0
        for port, node in branches.port_node.items()
        if hydraulics.ports[port].pressure_kpa is not None
        or (hydraulics.operating.flow_m3_per_s[port] or 0.0) < 0.0
    }
    found = [
        give.soften(branches, held_pa=held, thickness_m=faces_m, plane_pa=stiffness)
        for stiffness in (plane_pa.low, plane_pa.best, plane_pa.high)
    ]
    soft, best, stiff = found
    if soft is None or best is None or stiff is None:
        return None
    rigid = max(branch.from_pa for branch in branches.branches)
    inflow = sum(flow for flow in hydraulics.operating.flow_m3_per_s if flow is not None and flow > 0.0)

    def spread(of: list[float]) -> Range:
        return Range(min(of), of[1], max(of))

    states = [soft, best, stiff]
    notes = [
        "Roofs bulge by the local pressure over their width; walls beside the channel, tubes and bubbles "
        "give too, and are left out: a bubble slows the start far more.",
    ]
    if best.deeper_share > 0.5:
        notes.append("Beyond half of the depth the model only says that the roof gives way.")
    return GiveSummary(
        deeper_percent=spread([100.0 * each.deeper_share for each in states]),
        pressure_kpa=spread([each.pressure_pa * _KPA_PER_PA for each in states]),
        resistance_percent=spread(
            [100.0 * (each.pressure_pa / each.flow_m3_per_s) / (rigid / inflow) for each in states]
        ),
        extra_ul=spread([each.extra_m3 * _UL_PER_M3 for each in states]),
        settling_s=spread([each.settling_s for each in states]),
        notes=tuple(notes),
    )


@rule("flow_split")
def flow_split(case: Case) -> Iterator[Finding]:
    """No branch takes nearly all the flow where others begin beside it; short ones around an island aside."""
    if case.fluidics is None:
        return
    model = case.job.catalogue.rules["flow_split"]
    limit = Limit(rule_range(case, "flow_split", "most_percent"), str(model["most_percent"]["source"]))
    least_length = float(model["least_length_ratio"]["value"])
    for branch in case.fluidics.branches:
        share = branch.share_percent
        if share is None or limit.severity_of_too_large(share) is None:
            continue
        beside = [
            other for other in case.fluidics.branches if other.begins == branch.begins and other != branch
        ]
        starved = max(beside, key=lambda other: other.length_mm)
        if starved.length_mm < least_length * starved.width_um * 1e-3:
            continue
        width = branch.balanced_width_um
        yield Finding(
            rule="flow_split",
            severity=Severity.RISK if share >= limit.value.best else Severity.NOTE,
            message=(
                f"The branch{of_level(case, branch.level)} from {branch.begins} to {branch.ends} at "
                f"({branch.x_mm:.2f}, {branch.y_mm:.2f}) mm takes {share:.1f} % of the flow that parts "
                f"there; what lies beside it, at ({starved.x_mm:.2f}, {starved.y_mm:.2f}) mm, gets "
                f"{starved.flow_ul_per_min:.3g} µL/min."
            ),
            remedy=(
                f"Make it {width:.0f} µm wide instead of {branch.width_um:.0f} µm wherever it is about so "
                "wide, and the parts are even; or make it longer by as much, or the other wider."
                if width is not None
                else "Make the other branch wider or shorter, or part the flow before this one."
            ),
            measured=round(share, 1),
            **limit.shown,
            unit="%",
            where=shapely.Point(branch.x_mm, branch.y_mm).buffer(branch.width_um * 0.5e-3),
        )


@rule("roof_give")
def roof_give(case: Case) -> Iterator[Finding]:
    """Soft roofs do not bulge so far that the chip is another one under pressure."""
    told = case.fluidics.give if case.fluidics is not None else None
    if told is None:
        return
    model = case.job.catalogue.rules["roof_give"]["most_percent"]
    limit = Limit(rule_range(case, "roof_give", "most_percent"), str(model["source"]))
    deeper = told.deeper_percent
    if limit.severity_of_too_large(deeper.best) is None:
        return
    # the flow goes with the fourth power of the bulging depth, see `fluidics.give`
    kept, now = ((1.0 + percent / 100.0) ** 4 - 1.0 for percent in (limit.value.low, deeper.best))
    flow = case.job.use.flow_ul_per_min * kept / now
    yield Finding(
        rule="roof_give",
        severity=Severity.RISK,
        message=(
            f"Under the asked flow the silicone roof bulges by {deeper.best:.0f} % of the depth "
            f"({deeper.low:.0f} to {deeper.high:.0f}): the chip resists by "
            f"{told.resistance_percent.best:.0f} % of what it does with stiff walls, and takes "
            f"{told.settling_s.best:.2g} s to run steadily."
        ),
        remedy=(
            f"Lower the flow to {flow:.3g} µL/min, make the widest channel narrower or part it by pillars, "
            "use a stiffer silicone, or print the chip in resin."
        ),
        measured=round(deeper.best, 1),
        **limit.shown,
        unit="%",
    )
