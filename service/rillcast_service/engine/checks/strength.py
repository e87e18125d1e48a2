"""Rules about what holds: cover, seals and bonds; roofs have a module of their own."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import shapely

from rillcast_service.engine.checks.limits import Limit, limit_table, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import figures_most, mm, mm_least, um, um_least
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.shapes import drawn_levels, made_levels


@rule("cover")
def cover(case: Case) -> Iterator[Finding]:
    """What the chip's thickness leaves over the deepest channel as made.

    Of a route that can stack several levels `level_stack` looks at the whole stack.
    """
    limit = quantity_limit(case, "cover", "least_mm")
    stacked = "level_stack" in case.route.rules and len(made_levels(case.as_made)) > 1
    if limit is None or not case.as_made.channels or stacked:
        return
    deepest_mm = max(channel.depth_um.high for channel in case.as_made.channels) / 1000.0
    left = case.job.chip.thickness_mm - deepest_mm
    severity = limit.severity_of_too_small(round(left, 3))
    if severity is not None:
        yield Finding(
            rule="cover",
            severity=severity,
            message=(
                f"A chip {mm(case.job.chip.thickness_mm)} thick leaves {mm(max(left, 0.0))} over its deepest "
                f"channel; the route needs {mm(limit.value.best)}."
            ),
            remedy=(
                f"Make the chip {mm_least(deepest_mm + limit.value.high)} thick or the channels shallower."
            ),
            measured=round(left, 3),
            **limit.shown,
            unit="mm",
        )


@rule("seal_depth")
def seal_depth(case: Case) -> Iterator[Finding]:
    """Depth against what the joining layer of the chosen bond squeezes in; the table is by step."""
    for step in case.process.steps:
        if step.id not in limit_table(case, "seal_depth"):
            continue
        limit = quantity_limit(case, "seal_depth", step.id)
        for channel in case.as_made.channels:
            depth = round(channel.depth_um.best)
            severity = limit.severity_of_too_small(depth) if limit is not None else None
            if limit is None or severity is None:
                continue
            yield Finding(
                rule="seal_depth",
                severity=severity,
                message=(
                    f"Layer {channel.layer!r} comes out {um(depth)} deep; by this bond "
                    f"{um(limit.value.high)} stay clear for sure and {um(limit.value.best)} at best."
                ),
                remedy=f"Make it {um_least(limit.value.high)} deep, or cut a groove around the channels that "
                "takes up what is squeezed out.",
                measured=float(depth),
                **limit.shown,
                unit="µm",
                where=channel.geometry,
            )


@rule("bonded_area")
def bonded_area(case: Case) -> Iterator[Finding]:
    """The share of the chip's face that is left to bond, beside the channels of that face and the ports."""
    limit = quantity_limit(case, "bonded_area", "bonded_percent")
    planes = drawn_levels(case.job.layout)
    if limit is None or not planes:
        return
    outline = case.job.chip.outline
    openings = [port.opening for port in case.job.layout.ports]
    open_mm2 = shapely.union_all([next(iter(planes.values())), *openings]).intersection(outline).area
    bonded = round(100.0 * (1.0 - open_mm2 / outline.area), 1)
    severity = limit.severity_of_too_small(bonded)
    if severity is None:
        return
    wider_mm2 = math.ceil(open_mm2 / (1.0 - limit.value.high / 100.0) - outline.area)
    yield Finding(
        rule="bonded_area",
        severity=severity,
        message=(
            f"Channels and ports leave {bonded:.0f} % of the face to bond; {limit.value.best:.0f} % is the "
            f"least and {limit.value.high:.0f} % safe."
        ),
        remedy=f"Make the chip {wider_mm2} mm² larger, or set pillars in the widest chambers.",
        measured=bonded,
        **limit.shown,
        unit="%",
        where=outline,
    )


@rule("bond_pressure")
def bond_pressure(case: Case) -> Iterator[Finding]:
    """The pressure of the asked flow against the strength of the chosen bond; the table is by step."""
    recipes = limit_table(case, "bond_pressure")
    for step in case.process.steps:
        if step.id in recipes:
            table = recipes[step.id]
            recipe = case.job.catalogue.get("recipes", str(table["recipe"]))
            limit = Limit.of(recipe.quantity(str(table["key"])))
            yield from _too_much(case, "bond_pressure", limit, recipe.title)


@rule("hand_pressure")
def hand_pressure(case: Case) -> Iterator[Finding]:
    """The pressure of the asked flow, needles and tubes included, against what a hand gives: a note."""
    syringe = case.job.bench["syringe"]
    limit = Limit.of(syringe.quantity("hand_pressure_kpa"))
    for finding in _too_much(case, "hand_pressure", limit, f"a hand on the {syringe.title}", at_source=True):
        remedy = "Use a smaller syringe or a pump, or " + finding.remedy[0].lower() + finding.remedy[1:]
        yield replace(finding, severity=Severity.NOTE, remedy=remedy)


@rule("connector_pressure")
def connector_pressure(case: Case) -> Iterator[Finding]:
    """The pressure at the source against what conical fittings are meant for: never more than a risk."""
    luer = case.job.catalogue.get("standards", "luer_6_percent")
    limit = Limit.of(luer.quantity("rated_pressure_kpa"))
    for finding in _too_much(case, "connector_pressure", limit, luer.title, at_source=True):
        remedy = "Use screwed fittings, or " + finding.remedy[0].lower() + finding.remedy[1:]
        yield replace(finding, severity=Severity.RISK, remedy=remedy)


def _too_much(
    case: Case, rule_id: str, limit: Limit, holder: str, *, at_source: bool = False
) -> Iterator[Finding]:
    flow = case.fluidics
    needed = None if flow is None else flow.source_pressure_kpa if at_source else flow.pressure_kpa
    severity = limit.severity_of_too_large(needed) if needed is not None else None
    if needed is None or severity is None:
        return
    less = case.job.use.flow_ul_per_min * limit.value.low / needed
    yield Finding(
        rule=rule_id,
        severity=severity,
        message=(
            f"The asked flow needs {needed:.3g} kPa; {holder} stands {limit.value.best:.0f} kPa "
            f"({limit.value.low:.0f} to {limit.value.high:.0f})."
        ),
        remedy=f"Lower the flow to {figures_most(less)} µL/min, or make the channels deeper.",
        measured=round(needed, 1),
        **limit.shown,
        unit="kPa",
    )
