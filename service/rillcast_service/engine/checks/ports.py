"""Rules about room around ports."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import shapely
from shapely import Geometry, GeometryCollection, LineString, MultiLineString, MultiPolygon, Point

from rillcast_service.engine.checks.limits import Limit, quantity_limit, rule_range
from rillcast_service.engine.checks.places import by_severity
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, enough_more_mm, mm, mm_least, of_level
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.shapes import drawn_channels, drawn_levels, polygons


@rule("port_clearance")
def port_clearance(case: Case) -> Iterator[Finding]:
    """Port to edge, port to port, and port to channels that pass beside it.

    The route sets `centre_to_edge_mm`, `wall_between_mm` and `wall_to_channel_mm` as it needs them. A port
    is a hole from the lid's side to the deepest level that it opens into: the channels of deeper levels
    lie below its end.
    """
    ports = case.job.layout.ports
    limit = quantity_limit(case, "port_clearance", "centre_to_edge_mm")
    if limit is not None:
        edge = case.job.chip.outline.exterior
        yield from _too_near(
            limit, [(port.centre, edge, f"the centre of port {port.name!r}", "the edge") for port in ports]
        )
    limit = quantity_limit(case, "port_clearance", "wall_between_mm")
    if limit is not None:
        yield from _too_near(
            limit,
            [
                (one.opening, other.opening, f"port {one.name!r}", f"port {other.name!r}")
                for one, other in combinations(ports, 2)
            ],
        )
    limit = quantity_limit(case, "port_clearance", "wall_to_channel_mm")
    if limit is not None:
        levels = drawn_levels(case.job.layout)
        yield from _too_near(
            limit,
            [
                (
                    port.opening,
                    _beside(port, channels, limit.value.high),
                    f"port {port.name!r}",
                    f"a channel{of_level(case, level)} it does not feed there",
                )
                for port in ports
                for level, channels in levels.items()
                if level <= _deepest_level(port, levels)
            ],
        )


def _deepest_level(port: Port, levels: Mapping[int, MultiPolygon]) -> int:
    """The deepest level that a port opens into; of one that opens into none, the lowest of all."""
    met = [level for level, channels in levels.items() if channels.intersects(port.opening)]
    return max(met or levels, default=0)


def _beside(port: Port, channels: MultiPolygon, within_mm: float) -> MultiPolygon:
    """Channels that pass near a port without opening into it there, of its own cavity or another."""
    near = polygons(channels.intersection(port.opening.buffer(within_mm)))
    return MultiPolygon([part for part in near.geoms if not part.intersects(port.opening)])


@dataclass(frozen=True, slots=True)
class _Near:
    """Two things that are too near to each other, and the line between them."""

    distance_mm: float
    one: str
    other: str
    line: LineString


def _too_near(limit: Limit, pairs: Iterable[tuple[Geometry, Geometry, str, str]]) -> Iterator[Finding]:
    """One finding for all pairs of one severity; a pair is two shapes and what they are."""
    graded = []
    for one, other, one_is, other_is in pairs:
        if other.is_empty:
            continue
        # whole micrometres, as everywhere: a distance drawn as the limit itself is no fault
        distance = round(shapely.distance(one, other), 3)
        severity = limit.severity_of_too_small(distance)
        if severity is not None:
            graded.append((severity, _Near(distance, one_is, other_is, shapely.shortest_line(one, other))))
    for severity, found in by_severity(graded):
        nearest = min(found, key=lambda near: near.distance_mm)
        yield Finding(
            rule="port_clearance",
            severity=severity,
            message=(
                f"From {nearest.one} to {nearest.other} it is {mm(nearest.distance_mm)}{_like_it(found)}; "
                f"the route needs {mm(limit.value.best)}."
            ),
            remedy=f"Leave {enough_more_mm(limit, nearest.distance_mm, severity)} between them.",
            measured=nearest.distance_mm,
            **limit.shown,
            unit="mm",
            where=_lines([near.line for near in found]),
        )


def _like_it(found: Sequence[object]) -> str:
    return f" ({count(len(found), 'place')} like it)" if len(found) > 1 else ""


def _lines(lines: Sequence[LineString]) -> Geometry:
    """Lines as one geometry; where shapes touch or lie in one another the line is a point."""
    if all(line.length for line in lines):
        return MultiLineString(lines)
    return GeometryCollection([line if line.length else Point(line.coords[0]) for line in lines])


@rule("port_pad")
def port_pad(case: Case) -> Iterator[Finding]:
    """Punched ports: the punch cuts into its channel wherever it lands, and its hole stays within the pad.

    A punch that could miss the channel is graded by the doubt about its placement. A pad that is narrower
    than the hole and its placement is a note: the chip works, with a step at the hole that keeps air.
    """
    placement = quantity_limit(case, "port_pad", "placement_mm")
    if placement is None:
        return
    channels = drawn_channels(case.job.layout)
    narrow: list[tuple[float, Port]] = []
    for port in case.job.layout.ports:
        # how far the punch may land beside its mark and still cut into the channel
        spare = round(port.bore_mm / 2.0 - shapely.distance(port.centre, channels), 3)
        severity = placement.severity_of_too_small(spare)
        if severity is not None:
            yield Finding(
                rule="port_pad",
                severity=severity,
                message=(
                    f"The punch of port {port.name!r} misses its channel when it lands {mm(max(spare, 0.0))} "
                    f"beside the mark; by hand it lands within {mm(placement.value.best)}, at worst "
                    f"{mm(placement.value.high)}."
                ),
                remedy=(
                    f"Draw a pad of {mm_least(port.bore_mm + 2 * placement.value.high)} across at the end of "
                    "the channel, with the port in its middle."
                ),
                measured=spare,
                **placement.shown,
                unit="mm",
                where=port.opening,
            )
            continue
        pad = _pad_mm(port, channels)
        # a hundredth: pads are curves, flattened
        if round(pad, 2) < round(port.bore_mm + 2.0 * placement.value.best, 2):
            narrow.append((pad, port))
    if narrow:
        yield _narrow_pads(narrow, placement)


def _pad_mm(port: Port, channels: MultiPolygon) -> float:
    """Diameter of the largest disc about a port's centre that lies in a channel, mm."""
    if not channels.intersects(port.centre):
        return 0.0
    return round(2.0 * float(shapely.distance(port.centre, channels.boundary)), 3)


def _narrow_pads(narrow: list[tuple[float, Port]], placement: Limit) -> Finding:
    pad, worst = min(narrow, key=lambda item: item[0] - item[1].bore_mm)
    # whole micrometres: bores are those of flattened circles
    limit = Limit((placement.value * 2.0 + worst.bore_mm).map(lambda size: round(size, 3)), placement.source)
    others = f" ({count(len(narrow), 'port')} like it)" if len(narrow) > 1 else ""
    return Finding(
        rule="port_pad",
        severity=Severity.NOTE,
        message=(
            f"Port {worst.name!r} is punched {mm(worst.bore_mm)} wide into a place {mm(pad)} across{others}: "
            f"the hole {'reaches' if pad < worst.bore_mm else 'may reach'} beyond the channel, and air stays "
            "under its rim."
        ),
        remedy=f"Draw a pad of {mm_least(limit.value.best)} across around it, or take a smaller punch.",
        measured=pad,
        **limit.shown,
        unit="mm",
        where=shapely.union_all([port.opening for _, port in narrow]),
    )


@rule("connector_room")
def connector_room(case: Case) -> Iterator[Finding]:
    """Distance of neighbouring ports against what fittings take; Luer cones take more than others."""
    luer = case.job.catalogue.get("standards", "luer_6_percent")
    allowance = rule_range(case, "connector_room", "luer_allowance_mm").best
    smallest, largest = luer.quantity("male_tip_mm").low, luer.quantity("female_bore_mm").high + allowance
    cones = {port.name for port in case.job.layout.ports if smallest <= port.bore_mm <= largest}
    common = quantity_limit(case, "connector_room", "pitch_mm")
    between_cones = quantity_limit(case, "connector_room", "luer_pitch_mm")
    pairs = list(combinations(case.job.layout.ports, 2))
    for body, limit in (("two Luer hubs", between_cones), ("two fittings", common)):
        if limit is not None:
            of_body = [
                pair for pair in pairs if ({port.name for port in pair} <= cones) == (limit is between_cones)
            ]
            yield from _too_close(body, limit, of_body)
    cone_mm = luer.quantity("cone_length_mm")
    if cones and case.job.chip.thickness_mm < cone_mm.value:
        yield Finding(
            rule="connector_room",
            severity=Severity.NOTE,
            message=(
                f"{count(len(cones), 'port')} of the size of a Luer cone: the chip is "
                f"{mm(case.job.chip.thickness_mm)} thick, and a cone is {mm(cone_mm.value)} long."
            ),
            remedy=(
                f"Glue connectors of a hard plastic on, or add a collar {mm(cone_mm.value)} high around the "
                "hole; soft silicone never holds a Luer cone."
            ),
            measured=case.job.chip.thickness_mm,
            **Limit.of(cone_mm).shown,
            unit="mm",
            where=shapely.union_all([port.opening for port in case.job.layout.ports if port.name in cones]),
        )


def _too_close(body: str, limit: Limit, pairs: Sequence[tuple[Port, Port]]) -> Iterator[Finding]:
    pitches = [(round(one.centre.distance(other.centre), 3), one, other) for one, other in pairs]
    for severity, found in by_severity([(limit.severity_of_too_small(near[0]), near) for near in pitches]):
        pitch, one, other = min(found, key=lambda near: near[0])
        yield Finding(
            rule="connector_room",
            severity=severity,
            message=(
                f"Ports {one.name!r} and {other.name!r} are {mm(pitch)} apart{_like_it(found)}; {body} need "
                f"{mm(limit.value.best)}, and {mm(limit.value.high)} with room for fingers."
            ),
            remedy=f"Move them {enough_more_mm(limit, pitch, severity, 'farther apart')}.",
            measured=pitch,
            **limit.shown,
            unit="mm",
            where=MultiLineString([LineString([one.centre, other.centre]) for _, one, other in found]),
        )
