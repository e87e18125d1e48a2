"""Rules about widths, walls, depths and what becomes of the drawn shapes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

import shapely
from shapely import Geometry, MultiLineString

from rillcast_service.engine.asmade.exposure import gentler_exposure
from rillcast_service.engine.asmade.printing import UPRIGHT_FROM_DEG, in_layers
from rillcast_service.engine.asmade.topology import TopologyChange, compare
from rillcast_service.engine.asmade.wafer import Step, spun_steps
from rillcast_service.engine.checks.limits import Limit, least_size_um, quantity_limit
from rillcast_service.engine.checks.places import by_severity, walls_and_islands
from rillcast_service.engine.checks.registry import Case, registered, rule
from rillcast_service.engine.checks.words import (
    at_places,
    count,
    enough_um,
    in_doubt,
    of_level,
    or_finer,
    um,
    um_least,
    um_most,
)
from rillcast_service.engine.layout.measure import Span, narrow_spans
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes import prints
from rillcast_service.engine.shapes import drawn_levels, made_levels

#: A chord ends on the walls to within rounding.
_SAME_PLACE_MM = 1e-3


@rule("channel_width")
def channel_width(case: Case) -> Iterator[Finding]:
    """Channels at least as wide as the machine resolves, as drawn, each level by itself."""
    limit = least_size_um(case, "channel_width")
    if limit is not None and case.drawn.width is not None:
        for level, channels in drawn_levels(case.job.layout).items():
            spans = narrow_spans(channels, below_um=limit.value.high)
            yield from _too_small(case, "channel_width", "channel" + of_level(case, level), limit, spans)


@rule("channel_gap")
def channel_gap(case: Case) -> Iterator[Finding]:
    """Walls between channels of one level at least as wide as the machine resolves, as drawn.

    Between channels of different levels there is no wall in the plan; `level_stack` sees to the floor.
    Islands have a rule of their own, `island_size`.
    """
    limit = least_size_um(case, "channel_gap")
    if limit is not None and case.drawn.gap is not None:
        for level, channels in drawn_levels(case.job.layout).items():
            spans, _ = walls_and_islands(case, channels, below_um=limit.value.high)
            yield from _too_small(case, "channel_gap", "wall" + of_level(case, level), limit, spans)


def _too_small(
    case: Case, rule_id: str, thing: str, limit: Limit, spans: tuple[Span, ...]
) -> Iterator[Finding]:
    """One finding for all places of one severity: the same cause is told once."""
    # whole micrometres: curves are flattened to about one, and no bench measures finer
    graded = [(limit.severity_of_too_small(round(span.length_um)), span) for span in spans]
    wrong = sum(severity is not None for severity, _ in graded)
    for severity, found in by_severity(graded):
        least = round(min(span.length_um for span in found))
        first = "The narrowest" if len(found) == wrong or severity is Severity.BLOCKER else "Another"
        yield Finding(
            rule=rule_id,
            severity=severity,
            message=(
                f"{first} {thing} is {um(least)} wide{at_places(found)}; this route makes "
                f"{um(limit.value.best)} and up.{in_doubt(case, limit)}"
            ),
            remedy=f"Widen to {enough_um(limit, severity)}{or_finer(case, rule_id, drawn_um=least)}.",
            measured=float(least),
            **limit.shown,
            unit="µm",
            where=MultiLineString([span.chord for span in found]),
        )


@rule("channel_depth")
def channel_depth(case: Case) -> Iterator[Finding]:
    """Channels at least as deep as the machine builds, as drawn."""
    limit = least_size_um(case, "channel_depth")
    for layer in case.job.layout.channel_layers:
        depth = layer.depth_um or 0.0
        severity = limit.severity_of_too_small(depth) if limit is not None else None
        if limit is None or severity is None:
            continue
        yield Finding(
            rule="channel_depth",
            severity=severity,
            message=(
                f"Layer {layer.name!r} is drawn {depth:g} µm deep; this route makes "
                f"{um(limit.value.best)} and up.{in_doubt(case, limit)}"
            ),
            remedy=(
                f"Make it {enough_um(limit, severity, 'deep')}"
                f"{or_finer(case, 'channel_depth', drawn_um=depth)}."
            ),
            measured=depth,
            **limit.shown,
            unit="µm",
            where=layer.geometry,
        )


@rule("lost_shape")
def lost_shape(case: Case) -> Iterator[Finding]:
    """Channels that vanish, run together or fall apart in making, each level by itself."""
    made = made_levels(case.as_made)
    for level, drawn in drawn_levels(case.job.layout).items():
        as_made = case.as_made
        change = compare(drawn, made[level], reach_um=as_made.width_reach_um, step_um=as_made.edge_step_um)
        if any(getattr(change, kind) for kind in _TOLD_BY):
            change = _untold(case, change)
        yield from _changed(case, change, of_level(case, level))


#: What becomes of the drawn shapes, and the rules of size that may tell the same place already.
_TOLD_BY = {
    "lost": ("channel_width",),
    "arms": ("channel_width",),
    "split": ("channel_width",),
    "merged": ("channel_gap",),
    "islands": ("channel_gap", "island_size"),
}


def _untold(case: Case, change: TopologyChange) -> TopologyChange:
    """Without what is below a limit of size: one cause is told once, with the larger number to mend it."""
    rules = {rule_id: registered()[rule_id] for rule_id in ("channel_width", "channel_gap", "island_size")}
    told = {
        rule_id: [
            finding.where
            for finding in run(case)
            if finding.severity is Severity.BLOCKER and finding.where is not None
        ]
        for rule_id, run in rules.items()
        if rule_id in case.route.rules
    }
    # what is gone ends up to a change of width away from where it was measured
    same_mm = _SAME_PLACE_MM + case.as_made.width_reach_um / 1e3
    kept = {}
    for kind, rule_ids in _TOLD_BY.items():
        places = [place for rule_id in rule_ids for place in told.get(rule_id, ())]
        kept[kind] = tuple(
            shape
            for shape in getattr(change, kind)
            if not any(shapely.dwithin(place, shape, same_mm) for place in places)
        )
    return TopologyChange(**kept)


def _changed(case: Case, change: TopologyChange, of_this_level: str) -> Iterator[Finding]:
    shift = case.as_made.width_change_um
    raster = "" if case.as_made.calibrated is None else ", and to the next pixel"
    cases: tuple[tuple[tuple[Geometry, ...], str, str, str], ...] = (
        (change.lost, "channel shape", " vanishing", "Widen what vanishes"),
        (change.arms, "channel arm", " vanishing", "Widen what vanishes"),
        (change.islands, "island", " in the channels vanishing", "Widen the islands"),
        (change.merged, "wall", " between channels open, so that they run together", "Widen these walls"),
        (change.split, "channel", " cut apart", "Widen the narrow places"),
    )
    for shapes, thing, what, remedy in cases:
        if shapes:
            yield Finding(
                rule="lost_shape",
                severity=Severity.BLOCKER,
                message=(
                    f"Making it leaves {count(len(shapes), thing)}{of_this_level}{what}: edges move by "
                    f"{um(abs(shift.best) / 2.0)} {'outward' if shift.best > 0 else 'inward'}{raster}."
                ),
                remedy=f"{remedy} by at least {um(max(abs(shift.low), abs(shift.high)))}.",
                source="as-made model of this route",
                measured=float(len(shapes)),
                limit=0.0,
                unit="places",
                where=shapely.union_all(list(shapes)),
            )


@rule("roof_closes")
def roof_closes(case: Case) -> Iterator[Finding]:
    """Enclosed channels of which at least one layer of depth is left open."""
    layer_um = prints.printer(case.job).number("layer_um")
    upright = case.variant.orientation_deg >= UPRIGHT_FROM_DEG
    # upright the walls' bleed takes the depth, flat the roof's light
    source = (
        prints.printer(case.job).source_of("edge_bleed_um")
        if upright
        else prints.resin(case.job).source_of("penetration_depth_um")
    )
    drawn = {layer.name: layer for layer in case.job.layout.channel_layers}
    for channel in case.as_made.channels:
        made, layer = channel.depth_um, drawn[channel.layer]
        if made.low >= layer_um or layer.depth_um is None:
            continue
        # whatever is lost on the way from built to made has to be built on top
        built_um = layer.depth_um if upright else in_layers(layer.depth_um, prints.printer(case.job))
        least = Limit((made * -1.0) + (built_um + layer_um), source)
        whole = least if upright else Limit(least.value.map(partial(_whole_layers, layer_um)), source)
        closed = made.best < layer_um
        target = least.value.best if closed else least.value.high
        severity = Severity.BLOCKER if closed else Severity.RISK
        stays = made.best if closed else made.low
        yield Finding(
            rule="roof_closes",
            severity=severity,
            message=(
                f"Of the {um(layer.depth_um)} that layer {channel.layer!r} is drawn deep, "
                f"{um(max(stays, 0.0))} stay open {'at best estimate' if closed else 'at worst'}; "
                f"it takes {um(target)}.{in_doubt(case, least)}"
            ),
            remedy=(
                f"Make it {enough_um(whole, severity, 'deep')}{'' if upright else _less_light(case, layer)}."
            ),
            source=source,
            measured=layer.depth_um,
            limit=round(least.value.best, 1),
            limit_low=round(least.value.low, 1),
            limit_high=round(least.value.high, 1),
            unit="µm",
            where=layer.geometry,
        )


def _whole_layers(layer_um: float, depth_um: float) -> float:
    return math.ceil(round(depth_um / layer_um, 6)) * layer_um


def _less_light(case: Case, layer: Layer) -> str:
    """What keeps the drawn depth open instead: exposure or absorber, where either can."""
    printer, resin = prints.printer(case.job), prints.resin(case.job)
    layer_um = printer.number("layer_um")
    ways = gentler_exposure(printer, resin, loss_um=in_layers(layer.depth_um or 0.0, printer) - layer_um)
    words = []
    if ways.exposure_s is not None:
        words.append(
            f"expose the layers of the roof {ways.exposure_s:.1f} s ({resin.number('exposure_s'):g} s now)"
        )
    if ways.penetration_depth_um is not None:
        words.append(
            f"use more absorber, for a penetration depth of {um(ways.penetration_depth_um)} "
            f"({um(resin.number('penetration_depth_um'))} now)"
        )
    if not words:
        words = ["no exposure and no absorber that still cures a layer keeps this depth open"]
    best = " at best estimate" if case.as_made.calibrated is False else ""
    return f"; or, at the drawn depth{best}, {' or '.join(words)}; or print open and bond a lid"


@rule("ridge_height")
def ridge_height(case: Case) -> Iterator[Finding]:
    """Depths that spun films give, and ridges not too slender to stand."""
    highest = quantity_limit(case, "ridge_height", "height_um")
    most = quantity_limit(case, "ridge_height", "films_count")
    slenderest = quantity_limit(case, "ridge_height", "aspect_ratio")
    for layer in case.job.layout.channel_layers:
        if highest is not None and most is not None:
            yield from _too_high(case, layer, highest, most)
        if slenderest is not None:
            yield from _slender_ridges(case, layer, slenderest)


def _too_high(case: Case, layer: Layer, of_one: Limit, most: Limit) -> Iterator[Finding]:
    """A depth that takes more films than are spun over one another, or more than one is sure to give."""
    one, films = of_one.value, most.value
    source = f"{of_one.source}; {most.source}"
    highest = Limit(Range(one.low * films.low, one.best * films.best, one.high * films.high), source)
    depth = layer.depth_um or 0.0
    severity = highest.severity_of_too_large(depth)
    if severity is None:
        return
    (step,) = spun_steps([depth], case.job.bench["mould"])
    target = highest.value.best if severity is Severity.BLOCKER else highest.value.low
    yield Finding(
        rule="ridge_height",
        severity=severity,
        message=(
            f"Layer {layer.name!r} is {um(depth)} deep, which takes {count(step.films, 'film')} of "
            f"{um(step.film_um)}: one film of this process gives {um(one.low)} to {um(one.best)}, and "
            f"{films.best:g} are spun over one another at most."
        ),
        remedy=f"Make it {um_most(target)} deep or less.",
        measured=round(depth, 2),
        **highest.shown,
        unit="µm",
        where=layer.geometry,
    )


def _slender_ridges(case: Case, layer: Layer, limit: Limit) -> Iterator[Finding]:
    depth = layer.depth_um or 0.0
    safe_um = depth / limit.value.low
    # what several layers make together is no narrower than that
    if case.drawn.width is None or case.drawn.width.length_um >= safe_um:
        return
    graded = [
        # whole micrometres, as of every width
        (limit.severity_of_too_large(depth / max(round(span.length_um), 1)), span)
        for span in narrow_spans(layer.geometry, below_um=safe_um)
    ]
    for severity, found in by_severity(graded):
        ratio = depth / max(round(min(span.length_um for span in found)), 1)
        others = f" ({count(len(found), 'place')} like it)" if len(found) > 1 else ""
        yield Finding(
            rule="ridge_height",
            severity=severity,
            message=f"The narrowest ridge of layer {layer.name!r} is {ratio:.1f} times as high as "
            f"wide{others}; {limit.value.low:g} is safe and {limit.value.best:g} the most.",
            remedy=(
                f"Widen it to {um_least(safe_um)}, or make it "
                f"{um_most(limit.value.low * depth / ratio)} deep or less."
            ),
            measured=round(ratio, 2),
            **limit.shown,
            unit="1",
            where=MultiLineString([span.chord for span in found]),
        )


@rule("film_count")
def film_count(case: Case) -> Iterator[Finding]:
    """Channels of several depths, or deeper than one film, ask for several films on one wafer."""
    limit = quantity_limit(case, "film_count", "alignment_um")
    least = quantity_limit(case, "film_count", "height_um")
    if limit is None or least is None:
        return
    depths = [layer.depth_um or 0.0 for layer in case.job.layout.channel_layers]
    steps = spun_steps(depths, case.job.bench["mould"])
    films = sum(step.films for step in steps)
    if films < 2:
        return
    heights = ", ".join(um(step.film_um) for step in steps for _ in range(step.films))
    if len(steps) > 1:
        several = f"There are {len(steps)} channel depths ({', '.join(um(step.depth_um) for step in steps)})"
        masks = f", and {len(steps)} masks aligned to about {um(limit.value.best)}"
        remedy = "Draw all channels equally deep, or let the layers overlap by more than the alignment."
    else:
        several, masks = f"Channels are {um(steps[0].depth_um)} deep", ""
        remedy = (
            f"Draw them {um(steps[0].depth_um / films)} deep or less: a film less is days and a spin less."
        )
    yield Finding(
        rule="film_count",
        severity=Severity.RISK,
        message=f"{several}: {films} films spun over one another ({heights}){masks}.",
        remedy=remedy,
        source=limit.source,
        measured=float(films),
        limit=1.0,
        unit="films",
    )
    yield from _thin_films(case, steps[1:], least)


def _thin_films(case: Case, upper: tuple[Step, ...], least: Limit) -> Iterator[Finding]:
    """Depths that lie closer together than a film is thick."""
    layers = case.job.layout.channel_layers
    for step in upper:
        severity = least.severity_of_too_small(step.film_um)
        if severity is None:
            continue
        target = least.value.best if severity is Severity.BLOCKER else least.value.high
        yield Finding(
            rule="film_count",
            severity=severity,
            message=(
                f"Depths of {um(step.bottom_um)} and {um(step.depth_um)} differ by a film of "
                f"{um(step.film_um)}; this process spins {um(least.value.best)} and up."
            ),
            remedy=f"Draw both equally deep, or {um_least(target)} or more apart.",
            measured=step.film_um,
            **least.shown,
            unit="µm",
            where=shapely.union_all([one.geometry for one in layers if one.depth_um == step.depth_um]),
        )
