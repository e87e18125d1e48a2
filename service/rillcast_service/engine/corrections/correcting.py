"""The story of a correction: layout and route in; the mended layout, what changed and what to decide out.

layout ── prepare ──► job ──► review by all of the route's rules, for every build variant
                               │
      rounds:  ports ─► widths ─► walls ─► islands ─► corners ─► marks, each held against all others
                               │
                      what hangs together is counted again
                               ▼
    layout, changes, decisions ──► the same review once more ──► side effects;
                                   without the changes that bring a blocker
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import shapely

from rillcast_service.catalogue.types import Catalogue, Quantity
from rillcast_service.engine.asmade.codes import find_codes
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.checks.corners import smoothness_mm
from rillcast_service.engine.checks.places import walls_and_islands
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.corrections.corners import round_corners
from rillcast_service.engine.corrections.ground import Ground
from rillcast_service.engine.corrections.judging import (
    brought,
    cases_of,
    findings_of,
    outcome,
    side_effect,
    spot,
)
from rillcast_service.engine.corrections.marks import (
    Rewritten,
    Sheet,
    enlarge_writing,
    legible_codes,
    mend_strokes,
)
from rillcast_service.engine.corrections.model import (
    Change,
    Corrected,
    CorrectionRequest,
    Decision,
)
from rillcast_service.engine.corrections.needs import needs_of
from rillcast_service.engine.corrections.neighbours import Barred, Neighbours
from rillcast_service.engine.corrections.ports import clear_channels, move_ports
from rillcast_service.engine.corrections.spans import mend_spans, tasks
from rillcast_service.engine.errors import Fault, UnknownName
from rillcast_service.engine.fluidics.cavities import Cavities, find_cavities
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.model import Assumption, Layer, Layout, Port, Role
from rillcast_service.engine.preparing import prepare
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes.base import Route
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.shapes import polygons

#: Mending one rule may make room for another; more rounds than this bring nothing on any drawing known.
_ROUNDS = 4
#: Changes that bring a blocker are left out, and the rest is tried again, so often at most.
_TRIES = 4
#: Changes this near to a blocker have to do with it.
_AT_ONCE_MM = 0.5


@dataclass(frozen=True, slots=True)
class _State:
    """Where the work stands: what is drawn by now."""

    layers: tuple[Layer, ...]
    ports: tuple[Port, ...]


@dataclass(frozen=True, slots=True)
class _Step:
    """What one rule makes of the drawing in one round."""

    state: _State
    changes: tuple[Change, ...]
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class _Work:
    """What every mender needs to know."""

    job: Job
    cases: tuple[Case, ...]
    may_move_ports: bool
    barred: tuple[Barred, ...] = ()


Mender = Callable[[_Work, _State], _Step]


def correct(layout: Layout, request: CorrectionRequest, catalogue: Catalogue) -> Corrected:
    """Mend what a route's review objects to, and nothing else.

    Args:
        layout: as read from the file; coordinates in mm.
        request: the route, the rules, and what a quote would be told.
        catalogue: shipped defaults with the user's bench over them.

    Returns:
        The layout with its changes, and a decision for every place that cannot be mended without one. With
        no change it is the layout that was given.

    Raises:
        EngineError: the request cannot be answered; it says what, where and how to mend it.
    """
    route = _route(request, catalogue)
    rules = _rules(request, route)
    job, assumed = prepare(layout, request.quote, catalogue)
    cases = cases_of(job, route)
    every = tuple(dict.fromkeys((*route.rules, *rules)))
    before = findings_of(cases, every)
    work = _Work(job, cases, request.move_ports)
    mendable = [rule for rule in rules if rule in _MENDERS]
    for _ in range(_TRIES):
        state, changes, decisions = _mended(work, mendable)
        mended, after = layout, before
        if not changes:
            break
        mended = _redrawn(layout, state)
        after = findings_of(cases_of(prepare(mended, request.quote, catalogue)[0], route), every)
        new = [finding for rule in every for finding in brought(before[rule], after[rule])]
        blockers = [finding for finding in new if finding.severity is Severity.BLOCKER]
        if not blockers:
            break
        work = replace(work, barred=(*work.barred, *(bar for one in blockers for bar in _bars(one, changes))))
    else:
        decisions += [_stopped(change, blockers) for change in changes]
        mended, after, changes = layout, before, []
    for rule in rules:
        told = [one for one in decisions if one.rule == rule]
        decisions += _by_hand([finding for finding in after[rule] if not _is_told(finding, told)])
    return Corrected(
        layout=mended,
        changes=tuple(changes),
        decisions=tuple(decisions),
        outcomes=tuple(outcome(rule, before[rule], after[rule]) for rule in rules),
        side_effects=tuple(
            side_effect(finding) for rule in every for finding in brought(before[rule], after[rule])
        ),
        assumptions=tuple(one for one in assumed if _matters(one)) + _smoothing(catalogue),
    )


def _is_told(finding: Finding, decisions: Sequence[Decision]) -> bool:
    """Whether a decision tells of a finding already: of its place, or of one as narrow elsewhere."""
    return any(
        finding.where is None
        or finding.measured == one.measured
        or (one.where is not None and shapely.dwithin(finding.where, one.where, _AT_ONCE_MM))
        for one in decisions
    )


def _bars(blocker: Finding, changes: Sequence[Change]) -> Iterator[Barred]:
    """What is not to be done again because of a blocker: the changes at its place, or else the nearest."""
    where = blocker.where
    if where is None:
        yield from (Barred(change.where, blocker) for change in changes)
        return
    far = [float(shapely.distance(change.where, where)) for change in changes]
    reach = max(_AT_ONCE_MM, min(far))
    yield from (
        Barred(change.where, blocker)
        for change, distance in zip(changes, far, strict=True)
        if distance <= reach
    )


def _stopped(change: Change, blockers: Sequence[Finding]) -> Decision:
    return _left(
        change,
        f"Mending this place ({change.what}) brings, with others, what stops this route: "
        f"{blockers[0].message} Which counts?",
        tuple(dict.fromkeys(one.remedy for one in blockers)),
    )


def _route(request: CorrectionRequest, catalogue: Catalogue) -> Route:
    routes = load_routes(catalogue)
    if request.route not in routes:
        raise UnknownName(
            Fault(
                f"There is no route {request.route!r}.",
                f"Use one of {', '.join(routes)}.",
                pointer="#/route",
            )
        )
    return routes[request.route]


def _rules(request: CorrectionRequest, route: Route) -> tuple[str, ...]:
    faults = [
        Fault(
            f"Route {route.id!r} is held to no rule {rule!r}.",
            f"Use some of {', '.join(route.rules)}, or leave the rules out to mend all that can be mended.",
            pointer=f"#/rules/{index}",
        )
        for index, rule in enumerate(request.rules)
        if rule not in route.rules
    ]
    if faults:
        raise UnknownName(*faults)
    asked = request.rules or tuple(rule for rule in _MENDERS if rule in route.rules)
    # mended in one order, whatever the order in which they were asked for
    first = [rule for rule in _MENDERS if rule in asked]
    return tuple(first + [rule for rule in dict.fromkeys(asked) if rule not in _MENDERS])


def _mended(work: _Work, rules: Sequence[str]) -> tuple[_State, list[Change], list[Decision]]:
    """Rounds over the rules until nothing changes; what is to be decided is told as it stands at the end."""
    state = _State(work.job.layout.layers, work.job.layout.ports)
    changes: list[Change] = []
    decisions: dict[str, tuple[Decision, ...]] = {}
    for _ in range(_ROUNDS):
        before = len(changes)
        for rule in rules:
            step = _MENDERS[rule](work, state)
            decisions[rule] = step.decisions
            if step.changes and _hangs_together(step.state) != _hangs_together(state):
                decisions[rule] += tuple(map(_undone, step.changes))
                continue
            state = step.state
            changes += step.changes
        if len(changes) == before:
            break
    return state, changes, [one for rule in rules for one in decisions.get(rule, ())]


def _hangs_together(state: _State) -> tuple[object, ...]:
    """Which ports each cavity has, and how many channels and islands each level."""
    levels = _levels(state)
    shape = {
        level: (len(area.geoms), sum(len(part.interiors) for part in area.geoms))
        for level, area in levels.items()
    }
    cavities = sorted(cavity.ports for cavity in _cavities(state).cavities)
    return shape, cavities


def _undone(change: Change) -> Decision:
    return _left(
        change,
        f"Mending this place would change which channels hang together ({change.what}). May it?",
        ("Draw the place anew, joined or apart as it is meant.",),
    )


def _left(change: Change, question: str, options: tuple[str, ...]) -> Decision:
    """A change that was not kept."""
    return Decision(
        rule=change.rule,
        question=question,
        options=options,
        x_mm=change.x_mm,
        y_mm=change.y_mm,
        measured=change.measured_before,
        needed=change.measured_after,
        unit=change.unit,
        where=change.where,
    )


def _levels(state: _State) -> dict[int, shapely.MultiPolygon]:
    channels = [layer for layer in state.layers if layer.role is Role.CHANNELS]
    return {
        level: polygons(shapely.union_all([layer.geometry for layer in channels if layer.level == level]))
        for level in sorted({layer.level for layer in channels})
    }


def _cavities(state: _State) -> Cavities:
    """The cavities as drawn; how deep they are does not matter here, so each is taken as deep as drawn."""
    return find_cavities(
        [
            MadeChannel(layer.name, layer.geometry, Range.exact(layer.depth_um or 0.0), level=layer.level)
            for layer in state.layers
            if layer.role is Role.CHANNELS
        ],
        state.ports,
    )


def _neighbours(work: _Work, state: _State) -> tuple[list[Ground], Neighbours]:
    grounds = [Ground(level, channels) for level, channels in _levels(state).items()]
    around = Neighbours(
        needs=needs_of(work.cases),
        ports=state.ports,
        cavities=_cavities(state),
        outline=work.job.chip.outline,
        top_level=min((ground.level for ground in grounds), default=1),
        barred=work.barred,
    )
    return grounds, around


def _mend_channel_width(work: _Work, state: _State) -> _Step:
    return _mend_each_level(work, state, "channel_width")


def _mend_channel_gap(work: _Work, state: _State) -> _Step:
    return _mend_each_level(work, state, "channel_gap")


def _mend_island_size(work: _Work, state: _State) -> _Step:
    return _mend_each_level(work, state, "island_size")


def _mend_each_level(work: _Work, state: _State, rule: str) -> _Step:
    grounds, around = _neighbours(work, state)
    thinnest = max(around.needs.gap_um or 0.0, around.needs.island_um or 0.0)
    passed = []
    for ground in grounds:
        islands: list[shapely.Polygon] = []
        if rule != "channel_width" and "island_size" in work.cases[0].route.rules:
            _, found = walls_and_islands(work.cases[0], ground.channels, below_um=thinnest)
            islands = [outline for _, outline in found]
        passed.append(mend_spans(ground, around, tasks(around.needs)[rule], islands=islands))
    return _Step(
        _patched(state, grounds),
        tuple(change for one in passed for change in one.changes),
        tuple(decision for one in passed for decision in one.decisions),
    )


def _mend_port_clearance(work: _Work, state: _State) -> _Step:
    grounds, around = _neighbours(work, state)
    changes, decisions = clear_channels(grounds, around)
    if changes:
        # ports are moved in the next round, on channels as they are then
        return _Step(_patched(state, grounds), tuple(changes), tuple(decisions))
    moved = move_ports(grounds, around, allowed=work.may_move_ports, giving_way=True)
    if moved.changes and moved.decisions:
        # one that should have given way could not: none may come nearer to another than it was
        grounds, around = _neighbours(work, state)
        moved = move_ports(grounds, around, allowed=work.may_move_ports, giving_way=False)
    return _Step(
        replace(_patched(state, grounds), ports=moved.ports),
        moved.changes,
        (*decisions, *moved.decisions),
    )


def _mend_sharp_corner(work: _Work, state: _State) -> _Step:
    grounds, around = _neighbours(work, state)
    smooth_mm = smoothness_mm(work.job.layout.flattening_um)
    passed = [round_corners(ground, around, smooth_mm=smooth_mm) for ground in grounds]
    return _Step(
        _patched(state, grounds),
        tuple(change for changes, _ in passed for change in changes),
        tuple(decision for _, decisions in passed for decision in decisions),
    )


def _mend_mark_height(work: _Work, state: _State) -> _Step:
    return _mend_marks(work, state, enlarge_writing)


def _mend_mark_stroke(work: _Work, state: _State) -> _Step:
    return _mend_marks(work, state, mend_strokes)


def _mend_code_legible(work: _Work, state: _State) -> _Step:
    return _mend_marks(work, state, lambda sheet: _codes_enlarged(work, state, sheet))


def _mend_marks(work: _Work, state: _State, mend: Callable[[Sheet], Rewritten]) -> _Step:
    """One layer of marks after the other, each among all others as they are by then."""
    _, around = _neighbours(work, state)
    needs = around.needs
    changes: list[Change] = []
    decisions: list[Decision] = []
    for index, layer in enumerate(state.layers):
        if layer.role is not Role.MARKS or layer.geometry.is_empty:
            continue
        others = [
            other.geometry
            for other in state.layers
            if other is not layer and other.role in (Role.CHANNELS, Role.MARKS)
        ]
        sheet = Sheet(
            layer=layer.name,
            marks=layer.geometry,
            others=shapely.union_all([*others, *(port.opening for port in state.ports)]),
            around=around,
            apart_mm=max(needs.stroke_um or 0.0, needs.gap_um or 0.0) / 1e3,
        )
        done = mend(sheet)
        changes += done.changes
        decisions += done.decisions
        if done.changes:
            layers = list(state.layers)
            layers[index] = replace(layer, geometry=done.marks)
            state = replace(state, layers=tuple(layers))
    return _Step(state, tuple(changes), tuple(decisions))


def _codes_enlarged(work: _Work, state: _State, sheet: Sheet) -> Rewritten:
    """Codes enlarged until a decoder reads them from what every build variant makes of them."""
    if not find_codes(sheet.marks):
        return Rewritten(sheet.marks)
    job = replace(work.job, layout=_redrawn(work.job.layout, state))
    cases = [
        replace(case, job=job, as_made=work.cases[0].route.as_made(job, case.variant)) for case in work.cases
    ]
    return legible_codes(sheet, cases)


_MENDERS: Mapping[str, Mender] = {
    "port_clearance": _mend_port_clearance,
    "channel_width": _mend_channel_width,
    "channel_gap": _mend_channel_gap,
    "island_size": _mend_island_size,
    "sharp_corner": _mend_sharp_corner,
    "mark_height": _mend_mark_height,
    "mark_stroke": _mend_mark_stroke,
    "code_legible": _mend_code_legible,
}


def _patched(state: _State, grounds: Sequence[Ground]) -> _State:
    """The layers with all patches of their levels on them, each at once."""
    layers = list(state.layers)
    for ground in grounds:
        if not ground.patches:
            continue
        own = [
            index
            for index, layer in enumerate(layers)
            if layer.role is Role.CHANNELS and layer.level == ground.level
        ]
        for index in own:
            shapely.prepare(layers[index].geometry)
        taken = [patch.takes for patch in ground.patches if not patch.takes.is_empty]
        added: dict[int, list[shapely.Geometry]] = {}
        for patch in ground.patches:
            if not patch.adds.is_empty:
                # of several layers the one that is there already is widened
                at = next((i for i in own if layers[i].geometry.intersects(patch.adds)), own[0])
                added.setdefault(at, []).append(patch.adds)
        for index in own:
            geometry = layers[index].geometry
            cuts = [area for area in taken if geometry.intersects(area)]
            if cuts:
                geometry = polygons(geometry.difference(shapely.union_all(cuts)))
            if index in added:
                geometry = polygons(shapely.union_all([geometry, *added[index]]))
            if geometry is not layers[index].geometry:
                layers[index] = replace(layers[index], geometry=geometry)
    return replace(state, layers=tuple(layers))


def _redrawn(layout: Layout, state: _State) -> Layout:
    """The layout as it was given, with nothing but the geometry of its layers and ports exchanged."""
    layers = tuple(
        replace(layer, geometry=mended.geometry)
        for layer, mended in zip(layout.layers, state.layers, strict=True)
    )
    places = {port.name: port.opening for port in state.ports}
    ports = tuple(replace(port, opening=places[port.name]) for port in layout.ports)
    return replace(layout, layers=layers, ports=ports)


def _by_hand(findings: Sequence[Finding]) -> list[Decision]:
    """What no change of outlines mends, such as a depth or a machine, with the review's own remedy."""
    decisions = []
    for finding in findings:
        x_mm, y_mm = spot(finding.where)
        decisions.append(
            Decision(
                rule=finding.rule,
                question=f"{finding.message} No change of outlines mends that. What is to be done?",
                options=(finding.remedy,),
                x_mm=x_mm,
                y_mm=y_mm,
                measured=finding.measured,
                needed=finding.limit,
                unit=finding.unit,
                where=finding.where,
            )
        )
    return decisions


def _matters(assumption: Assumption) -> bool:
    return assumption.what.startswith(("bench.printer", "bench.mould", "bench.silicone", "chip.", "levels"))


def _smoothing(catalogue: Catalogue) -> tuple[Assumption, ...]:
    default = catalogue.defaults["correction_smoothing_um"]
    assert isinstance(default, Quantity)
    return (Assumption("correction_smoothing_um", f"{default.value:g} µm", default.note, default.source),)
