"""Rules about what holds: roofs, cover, seals and bonds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import shapely
from shapely import Geometry

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.checks.limits import Limit, limit_table, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, mm, um
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.shapes import made_levels, offset, polygons

# The widest place is found to 5 µm, far within the doubt about the limit.
_WIDEST_TOLERANCE_MM = 0.005


@rule("roof_sag")
def roof_sag(case: Case) -> Iterator[Finding]:
    """The widest place of a cast layer against its depth."""
    limit = quantity_limit(case, "roof_sag", "width_to_depth_ratio")
    openings = shapely.union_all([port.opening for port in case.job.layout.ports])
    for channel in case.as_made.channels:
        depth_mm = channel.depth_um.best / 1000.0
        if limit is None or channel.geometry.is_empty or depth_mm <= 0.0:
            continue
        # a port has no roof: its hole is punched through
        roofed = channel.geometry.difference(openings)
        # what an inward move by the safe half-width leaves are the places that are too wide
        safe_mm = limit.value.low * depth_mm
        places = [
            disc
            for core in offset(polygons(roofed), -safe_mm / 2.0).geoms
            if (disc := _largest_disc(core, safe_mm / 2.0)) is not None
        ]
        for severity in (Severity.BLOCKER, Severity.RISK):
            found = [
                disc for disc in places if limit.severity_of_too_large(_width(disc) / depth_mm) is severity
            ]
            if found:
                yield _sagging(channel, limit, severity, found)


def _sagging(
    channel: MadeChannel, limit: Limit, severity: Severity, discs: list[tuple[Geometry, float]]
) -> Finding:
    widest_mm = max(_width(disc) for disc in discs)
    depth_mm = channel.depth_um.best / 1000.0
    ratio = widest_mm / depth_mm
    others = f" ({count(len(discs), 'place')} like it)" if len(discs) > 1 else ""
    return Finding(
        rule="roof_sag",
        severity=severity,
        message=(
            f"The widest place of layer {channel.layer!r} is {mm(widest_mm)} across and "
            f"{um(channel.depth_um.best)} deep{others}, {ratio:.0f} to 1; {limit.value.low:g} is safe and "
            f"{limit.value.best:g} the most."
        ),
        remedy=(
            f"Set pillars {mm(limit.value.low * depth_mm)} apart in it, make it that narrow, or "
            f"{um(1000.0 * widest_mm / limit.value.low)} deep."
        ),
        measured=round(ratio, 1),
        **limit.shown,
        unit="1",
        where=shapely.MultiPoint([centre for centre, _ in discs]).buffer(widest_mm / 2.0),
    )


def _width(disc: tuple[Geometry, float]) -> float:
    return 2.0 * disc[1]


def _largest_disc(core: Geometry, beyond_mm: float) -> tuple[Geometry, float] | None:
    """Centre and radius of the largest disc whose centre lies in `core`, grown by what it was moved in."""
    if core.area <= _WIDEST_TOLERANCE_MM**2:
        return None
    radius = shapely.maximum_inscribed_circle(core, tolerance=_WIDEST_TOLERANCE_MM)
    return shapely.Point(radius.coords[0]), radius.length + beyond_mm


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
            remedy=f"Make the chip {mm(deepest_mm + limit.value.high)} thick or the channels shallower.",
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
                remedy=f"Make it {um(limit.value.high)} deep, or cut a groove around the channels that takes "
                "up what is squeezed out.",
                measured=float(depth),
                **limit.shown,
                unit="µm",
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
    """The pressure of the asked flow against what a hand gives on the chosen syringe: a note."""
    syringe = case.job.bench["syringe"]
    limit = Limit.of(syringe.quantity("hand_pressure_kpa"))
    for finding in _too_much(case, "hand_pressure", limit, f"a hand on the {syringe.title}"):
        remedy = "Use a smaller syringe or a pump, or " + finding.remedy[0].lower() + finding.remedy[1:]
        yield replace(finding, severity=Severity.NOTE, remedy=remedy)


def _too_much(case: Case, rule_id: str, limit: Limit, holder: str) -> Iterator[Finding]:
    needed = case.fluidics.pressure_kpa if case.fluidics is not None else None
    severity = limit.severity_of_too_large(needed) if needed is not None else None
    if needed is None or severity is None:
        return
    flow = case.job.use.flow_ul_per_min * limit.value.low / needed
    yield Finding(
        rule=rule_id,
        severity=severity,
        message=(
            f"The asked flow needs {needed:.3g} kPa; {holder} stands {limit.value.best:.0f} kPa "
            f"({limit.value.low:.0f} to {limit.value.high:.0f})."
        ),
        remedy=f"Lower the flow to {flow:.3g} µL/min, or make the channels deeper.",
        measured=round(needed, 1),
        **limit.shown,
        unit="kPa",
    )
