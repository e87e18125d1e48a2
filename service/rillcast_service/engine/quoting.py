"""The story: layout, request and catalogue in; for every route a verdict, a plan and a price out.

layout ── prepare ──► job ──► for each route ──► its build variants
                                                 │ process   steps on this bench
                                                 │ as made   what comes out
                                                 │ review    findings
                                                 │ fluidics  on the made geometry
                                                 ▼
                               plans of the variants that can be made, each priced
                                                 ▼
                           the best by the asked aim ──► comparison over all routes
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from rillcast_service import MODEL_VERSION
from rillcast_service.catalogue.types import Catalogue
from rillcast_service.engine.asmade.legibility import code_states, mark_states
from rillcast_service.engine.asmade.model import AsMade, MadeChannel
from rillcast_service.engine.asmade.tolerances import made_range
from rillcast_service.engine.asmade.topology import compare as compare_shapes
from rillcast_service.engine.checks import Case, review, verdict
from rillcast_service.engine.checks.draining import drained, holds_resin
from rillcast_service.engine.checks.draining import summary as draining_summary
from rillcast_service.engine.checks.exchange import exchanged
from rillcast_service.engine.checks.exchange import summary as exchange_summary
from rillcast_service.engine.checks.inuse import with_use
from rillcast_service.engine.checks.mixing import mixed
from rillcast_service.engine.checks.mixing import summary as mixing_summary
from rillcast_service.engine.costing.comparison import compare
from rillcast_service.engine.costing.pricing import net_price, price
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.engine.fluidics.cavities import find_cavities
from rillcast_service.engine.fluidics.draining import Drained
from rillcast_service.engine.fluidics.exchange import Exchange
from rillcast_service.engine.fluidics.hydraulics import LevelFlow, study
from rillcast_service.engine.fluidics.mixing import Mixing
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.measure import Measurements, least, measure
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.planning.planner import Plan, candidates
from rillcast_service.engine.preparing import prepare
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import (
    AsMadeSummary,
    Cost,
    DrainingSummary,
    Finding,
    FluidicsSummary,
    MaterialLine,
    Model,
    PriceBreak,
    QuoteResult,
    RouteResult,
    Severity,
    VariantResult,
    Verdict,
)
from rillcast_service.engine.routes.base import BuildVariant, Process, Route
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.routes.variants import asked_builds, proposed_builds
from rillcast_service.engine.routes.viewing import handedness_notes, handedness_of
from rillcast_service.engine.shapes import drawn_levels, made_levels

Progress = Callable[[float, str], None]


_FITS_NOWHERE = Fault(
    "The pieces of this chip fit neither plate nor tray of the bench's machines.",
    "Make the chip smaller, or name a larger machine.",
)


@dataclass(frozen=True, slots=True)
class Flow:
    """What was worked out on one made geometry.

    Args:
        told: as the quote tells it; None when no channel stays open.
        drained: what pushing does for resin left in the channels; None where none is left.
        exchange: how the liquid is exchanged; None when nothing flows.
        mixing: how the inlets' liquids mix; None where fewer than two bring any.
        levels: the flow field of each level.
    """

    told: FluidicsSummary | None = None
    drained: Drained | None = None
    exchange: Exchange | None = None
    mixing: Mixing | None = None
    levels: tuple[LevelFlow, ...] = ()


Flows = dict[tuple[MadeChannel, ...], Flow]


@dataclass(frozen=True, slots=True)
class Quoted:
    """A quote and the job that it answers, for the documents that draw on both.

    Args:
        job: as asked, on the bench that the request names.
        result: the answer.
        as_made: route id → what the chosen variant gives.
        flows: route id → the flow through it.
    """

    job: Job
    result: QuoteResult
    as_made: Mapping[str, AsMade]
    flows: Mapping[str, Flow]


@dataclass(frozen=True, slots=True)
class Analysis:
    """One build variant, worked out as far as the plan needs; `job` is the job on the variant's machine."""

    job: Job
    variant: BuildVariant
    process: Process
    as_made: AsMade
    summary: AsMadeSummary
    findings: tuple[Finding, ...]
    flow: Flow
    draining: DrainingSummary | None
    verdict: Verdict

    @property
    def fluidics(self) -> FluidicsSummary | None:
        """How liquid moves through it, as the quote tells it."""
        return self.flow.told


@dataclass(frozen=True, slots=True)
class Offer:
    """A plan of one analysed variant, with its net price before contingency."""

    analysis: Analysis
    plan: Plan
    net: Decimal

    def cost(self) -> Cost:
        """The whole price of this plan, with its lines and range."""
        return price(self.analysis.job, self.plan, self.analysis.process, self.analysis.findings)


def quote(
    layout: Layout,
    request: QuoteRequest,
    catalogue: Catalogue,
    *,
    data_version: str,
    progress: Progress = lambda _fraction, _step: None,
) -> Quoted:
    """Answer a request.

    Args:
        layout: the chip as drawn.
        request: what is asked.
        catalogue: shipped defaults with the user's bench over them.
        data_version: of the catalogue, for the record.
        progress: told a fraction 0..1 and the name of the step at hand.

    Returns:
        The quote; the same arguments give the same quote.

    Raises:
        EngineError: the request cannot be answered; it says what, where and how to mend it.
    """
    progress(0.0, "reading the request")
    job, assumptions = prepare(layout, request, catalogue)
    known = load_routes(catalogue)
    wanted = [known[route_id] for route_id in request.routes or sorted(known)]
    results, chosen = [], {}
    for index, route in enumerate(wanted):

        def step(name: str, fraction: float, index: int = index, route: Route = route) -> None:
            progress((index + fraction) / len(wanted), f"{route.title}: {name}")

        routed, chosen[route.id] = quote_route(job, route, request, step)
        results.append(routed)
    progress(1.0, "comparing the routes")
    steps = [step for result in results if result.schedule for step in result.schedule.steps]
    result = QuoteResult(
        model=Model(name="rillcast", version=MODEL_VERSION, data_version=data_version),
        routes=tuple(results),
        comparison=compare(job, tuple(results)),
        assumptions=assumptions,
        cautions=tuple(dict.fromkeys(caution for step in steps for caution in step.cautions)),
    )
    return Quoted(
        job=job,
        result=result,
        as_made={route: analysis.as_made for route, analysis in chosen.items()},
        flows={route: analysis.flow for route, analysis in chosen.items()},
    )


def quote_route(
    job: Job, route: Route, request: QuoteRequest, step: Callable[[str, float], None]
) -> tuple[RouteResult, Analysis]:
    """Everything about one route.

    Args:
        job, route: what is made, and how.
        request: may narrow the build variants.
        step: told the name of the work at hand and the fraction done.

    Returns:
        The route's result, without plan and price when no variant can be made; and the analysis of
        the chosen variant.
    """
    builds = asked_builds(route, job, request.variants) or proposed_builds(route, job)
    several = len({build.variant.machine for build in builds}) > 1
    analyses: list[Analysis] = []
    flows: Flows = {}
    for index, build in enumerate(builds):
        named = f"{build.variant.name}, {build.variant.machine}" if several else build.variant.name
        step(f"as made and review ({named})", 0.6 * index / len(builds))
        analyses.append(analyse(build.job, route, build.variant, flows))
    step("plan and price", 0.6)
    offer, unplanned = _best_offer(route, analyses)
    chosen = offer.analysis if offer else _without_plan(_least_bad(analyses), unplanned)
    analyses = [chosen if analysis.variant is chosen.variant else analysis for analysis in analyses]
    cost = None
    if offer:
        step("price breaks", 0.8)
        cost = replace(offer.cost(), price_breaks=_price_breaks(route, offer))
    result = RouteResult(
        route=route.id,
        title=route.title,
        verdict=chosen.verdict,
        summary=_in_a_sentence(chosen),
        variants=tuple(_variant_result(analysis, analysis is chosen, offer) for analysis in analyses),
        findings=chosen.findings,
        as_made=chosen.summary,
        fluidics=chosen.fluidics,
        draining=chosen.draining,
        materials=_material_lines(chosen.job, offer.plan) if offer else (),
        schedule=offer.plan.schedule if offer else None,
        cost=cost,
    )
    return result, chosen


def analyse(job: Job, route: Route, variant: BuildVariant, flows: Flows) -> Analysis:
    """What a build variant gives, what is wrong with it, and how liquid moves through it.

    Args:
        job, route, variant: what is made, and how.
        flows: what was solved for other variants of this job; variants that differ only in the
            doubt about their depth share a solution.

    Returns:
        The analysis; fluidics is None when the best estimate leaves no channel open.
    """
    process = route.process(job, variant)
    as_made = route.as_made(job, variant)
    drawn = least(map(measure, drawn_levels(job.layout).values()))
    made = least(map(measure, made_levels(as_made).values()))
    cavities = find_cavities(_cavity_channels(job, as_made), job.layout.ports)
    flow = _flow(job, route, process, as_made, flows)
    case = Case(
        job=job,
        route=route,
        variant=variant,
        process=process,
        as_made=as_made,
        drawn=drawn,
        made=made,
        cavities=cavities,
        fluidics=flow.told,
        drained=flow.drained,
        exchange=flow.exchange,
    )
    findings = review(case)
    return Analysis(
        job=job,
        variant=variant,
        process=process,
        as_made=as_made,
        summary=_as_made_summary(job, route, as_made, made),
        findings=findings,
        flow=flow,
        draining=draining_summary(case),
        verdict=verdict(findings),
    )


def _best_offer(route: Route, analyses: list[Analysis]) -> tuple[Offer | None, Fault]:
    """The plan that serves the aim best, among those of variants that can be made.

    Where there is none, the fault says why: one route that cannot be planned must not take the
    answers of the others with it.
    """
    offers, fault = [], _FITS_NOWHERE
    for analysis in analyses:
        if analysis.verdict is Verdict.NOT_MAKEABLE:
            continue
        try:
            plans = candidates(analysis.job, route, analysis.variant, analysis.process)
        except EngineError as error:
            fault = error.faults[0]
            continue
        offers += [
            Offer(analysis, plan, net_price(analysis.job, plan, analysis.process, analysis.findings))
            for plan in plans
        ]
    return min(offers, key=_rank, default=None), fault


def _rank(offer: Offer) -> tuple[float, ...]:
    """What the aim compares first, then the other two as tie-breaks; late plans come last."""
    job, schedule = offer.analysis.job, offer.plan.schedule
    figures = {
        "price": float(offer.net),
        "date": schedule.finished_at.timestamp(),
        "hands_on": schedule.hands_on_h,
    }
    late = job.deadline is not None and schedule.finished_at > job.deadline
    others = [value for key, value in figures.items() if key != job.aim]
    return (float(late), figures[job.aim], *others)


def _least_bad(analyses: list[Analysis]) -> Analysis:
    """Of variants that cannot be made, the one with the fewest blockers."""

    def blockers(analysis: Analysis) -> int:
        return sum(finding.severity is Severity.BLOCKER for finding in analysis.findings)

    return min(analyses, key=blockers)


def _without_plan(analysis: Analysis, fault: Fault) -> Analysis:
    """A variant that no plan can make is not makeable, whatever the review found."""
    if analysis.verdict is Verdict.NOT_MAKEABLE:
        return analysis
    blocker = Finding(
        rule="build_area",
        severity=Severity.BLOCKER,
        message=fault.message,
        remedy=fault.remedy,
        source="plan",
        why="Without a place to make it there is no plan and no price.",
    )
    findings = (blocker, *analysis.findings)
    return replace(analysis, findings=findings, verdict=verdict(findings))


def _price_breaks(route: Route, offer: Offer) -> tuple[PriceBreak, ...]:
    """The chosen variant planned and priced anew at every quantity of the catalogue's ladder."""
    job = offer.analysis.job
    ladder = job.catalogue.get("rates", "price_breaks").fact("quantities")
    breaks = []
    for quantity in sorted({*ladder, job.quantity}):
        other = replace(offer.analysis, job=replace(job, quantity=quantity))
        # the asked quantity is planned already
        best = offer if quantity == job.quantity else _best_offer(route, [other])[0]
        if best is not None:
            cost = best.cost()
            breaks.append(
                PriceBreak(
                    quantity=quantity,
                    unit_price=cost.unit_price,
                    total=cost.net,
                    finished_at=best.plan.schedule.finished_at,
                )
            )
    return tuple(breaks)


def _variant_result(analysis: Analysis, chosen: bool, offer: Offer | None) -> VariantResult:
    if chosen:
        why = "serves the aim best" if offer else "has the fewest blockers"
    elif analysis.verdict is Verdict.NOT_MAKEABLE:
        why = "cannot be made"
    else:
        why = "serves the aim less well"
    return VariantResult(
        name=analysis.variant.name,
        orientation_deg=analysis.variant.orientation_deg,
        cure=analysis.variant.cure,
        machine=analysis.variant.machine,
        chosen=chosen,
        verdict=analysis.verdict,
        why=why,
    )


def _in_a_sentence(analysis: Analysis) -> str:
    worst = [finding for finding in analysis.findings if finding.severity is Severity.BLOCKER]
    risks = sum(finding.severity is Severity.RISK for finding in analysis.findings)
    match analysis.verdict:
        case Verdict.NOT_MAKEABLE:
            more = f" ({len(worst) - 1} more)" if len(worst) > 1 else ""
            return f"Cannot be made: {worst[0].message}{more}"
        case Verdict.MAKEABLE_WITH_RISK:
            return f"Can be made, with {risks} risk{'s' if risks > 1 else ''} to mind."
        case _:
            return "Can be made."


def _as_made_summary(job: Job, route: Route, as_made: AsMade, made: Measurements) -> AsMadeSummary:
    change = as_made.width_change_um
    handed = handedness_of(job, route)
    drawn = {layer.name: layer.geometry for layer in job.layout.layers}
    drawn_of, made_of = drawn_levels(job.layout), made_levels(as_made)
    as_drawn = least(map(measure, drawn_of.values()))
    shapes = [
        compare_shapes(
            geometry, made_of[level], reach_um=as_made.width_reach_um, step_um=as_made.edge_step_um
        )
        for level, geometry in drawn_of.items()
    ]
    return AsMadeSummary(
        min_width_um=made_range(made.width, as_drawn.width, change),
        # where channels widen the walls between them narrow
        min_gap_um=made_range(made.gap, as_drawn.gap, change * -1.0),
        width_um={
            channel.layer: made_range(
                measure(channel.geometry).width, measure(drawn[channel.layer]).width, change
            )
            for channel in as_made.channels
        },
        depth_um={
            channel.layer: channel.depth_um.map(lambda depth: max(depth, 0.0)) for channel in as_made.channels
        },
        width_change_um=change,
        lost_features=sum(len(change.lost) + len(change.arms) + len(change.islands) for change in shapes),
        split_features=sum(len(change.split) for change in shapes),
        merged_features=sum(len(change.merged) for change in shapes),
        notes=(*as_made.notes, *(handedness_notes(handed) if handed else ())),
        handedness=handed,
        marks=mark_states(job, as_made),
        codes=code_states(job, as_made),
    )


def _cavity_channels(job: Job, as_made: AsMade) -> tuple[MadeChannel, ...]:
    """Made channels; where one is closed in making, as drawn, so that the review can still look."""
    if all(channel.depth_um.best > 0.0 for channel in as_made.channels):
        return as_made.channels
    return tuple(
        MadeChannel(
            layer=layer.name,
            geometry=layer.geometry,
            depth_um=Range.exact(layer.depth_um or 0.0),
            level=layer.level,
        )
        for layer in job.layout.channel_layers
    )


def _flow(job: Job, route: Route, process: Process, as_made: AsMade, flows: Flows) -> Flow:
    """The flow, how it exchanges the liquid, and how resin comes out; all of one factorised problem."""
    if any(channel.depth_um.best <= 0.0 or channel.geometry.is_empty for channel in as_made.channels):
        return Flow()
    best = tuple(
        replace(channel, depth_um=Range.exact(channel.depth_um.best)) for channel in as_made.channels
    )
    if best not in flows:
        measured = {level: measure(made) for level, made in made_levels(as_made).items()}
        told, hydraulics = study(best, job.layout.ports, job.use, measured=measured)
        if hydraulics is None:
            flows[best] = Flow(told=with_use(job, route, process, as_made, None, told))
            return flows[best]
        found, colours = exchanged(job, hydraulics), mixed(job, hydraulics)
        told = with_use(job, route, process, as_made, hydraulics, told)
        flows[best] = Flow(
            told=replace(
                told,
                exchange=exchange_summary(job, found, hydraulics) if found else None,
                mixing=mixing_summary(job, colours),
            ),
            drained=drained(job, hydraulics) if holds_resin(route, process) else None,
            exchange=found,
            mixing=colours,
            levels=hydraulics.levels,
        )
    return flows[best]


def _material_lines(job: Job, plan: Plan) -> tuple[MaterialLine, ...]:
    return tuple(
        MaterialLine(
            material=need.name,
            title=job.catalogue.get(need.kind, need.name).title,
            purpose=need.purpose,
            quantity=need.quantity.best,
            unit=need.unit,
            why=need.why,
            volume_ml=need.volume_ml,
            mass_g=need.mass_g,
        )
        for need in plan.materials
    )
