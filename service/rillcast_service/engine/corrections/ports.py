"""Ports without room: channels that they do not feed give way; the ports themselves only when they may.

Where a port goes decides where the connector, the tube or the holder goes, and only the user knows that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import shapely
from shapely import Geometry, LineString, MultiPolygon, Point, affinity

from rillcast_service.engine.checks.words import mm
from rillcast_service.engine.corrections.ground import Ground, Patch, wider
from rillcast_service.engine.corrections.model import Change, Decision
from rillcast_service.engine.corrections.neighbours import Neighbours, Objection
from rillcast_service.engine.corrections.sweeping import segments
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.shapes import polygons

_RULE = "port_clearance"
#: Distances are told, and held to limits, in whole micrometres.
_ROUNDING_MM = 5e-4
#: A window reaches this many widths beyond a patch.
_MARGIN_WIDTHS = 2.0
#: A drawn pad is no true circle: what is cut of it is so many times the smoothing larger.
_PAD_SLACK = 4.0


@dataclass(frozen=True, slots=True)
class PortsPassed:
    """What one walk over the ports gives.

    Args:
        ports: all of them, moved or as they were.
        changes, decisions: in the order of the ports.
    """

    ports: tuple[Port, ...]
    changes: tuple[Change, ...]
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class _Lack:
    """A distance of a port that is too short: to what, how long, and how long it should be, mm."""

    thing: str
    distance_mm: float
    needed_mm: float
    where: Geometry


def clear_channels(grounds: Sequence[Ground], around: Neighbours) -> tuple[list[Change], list[Decision]]:
    """Take channels back from ports that they pass by without opening into them there.

    Args:
        grounds: the levels, the one next to the lid first; they get the patches.
        around: what the patches are held against.

    Returns:
        Changes, and a decision for each place that stays as it is.
    """
    needed = around.needs.port_to_channel_mm
    changes: list[Change] = []
    decisions: list[Decision] = []
    if needed is None:
        return changes, decisions
    areas = {ground.level: float(ground.channels.area) for ground in grounds}
    for port in around.ports:
        deepest = _deepest_level(around, port)
        for ground in grounds:
            if ground.level > deepest:
                continue
            margin = needed + _MARGIN_WIDTHS * _widest_mm(around)
            window = wider(port.opening.bounds, margin)
            reach = port.opening.buffer(
                needed + around.needs.smoothing_mm, quad_segs=segments(needed, around.needs.smoothing_mm)
            )
            beside = [
                part
                for part in polygons(ground.around(window).intersection(reach)).geoms
                if not part.intersects(port.opening)
                and shapely.distance(part, port.opening) < needed - _ROUNDING_MM
            ]
            if not beside:
                continue
            channels = MultiPolygon(beside)
            patch = Patch(takes=channels)
            lack = _Lack(
                f"a channel that port {port.name!r} does not feed there",
                shapely.distance(channels, port.opening),
                needed,
                shapely.shortest_line(channels, port.opening),
            )
            objections = around.objections(ground, patch, window)
            if objections:
                decisions.append(_decision(port, [lack], objections, None))
                continue
            ground.take(patch)
            at = lack.where.interpolate(0.5, normalized=True)
            changes.append(
                Change(
                    rule=_RULE,
                    what=(
                        f"Channel cut back from port {port.name!r}, from {mm(lack.distance_mm)} "
                        f"to {mm(needed)}"
                    ),
                    level=ground.level,
                    x_mm=round(at.x, 6),
                    y_mm=round(at.y, 6),
                    measured_before=round(lack.distance_mm, 6),
                    measured_after=round(needed, 6),
                    unit="mm",
                    area_before_mm2=round(areas[ground.level], 6),
                    area_after_mm2=round(areas[ground.level] - patch.takes.area, 6),
                    where=patch.takes,
                )
            )
            areas[ground.level] -= patch.takes.area
    return changes, decisions


def move_ports(
    grounds: Sequence[Ground], around: Neighbours, *, allowed: bool, giving_way: bool
) -> PortsPassed:
    """Give ports their distance from the edge and from one another.

    Args:
        grounds: the levels, the one next to the lid first; they get the patches that go along with a port.
        around: what ports and patches are held against.
        allowed: whether ports may be moved; each is a decision where they may not.
        giving_way: whether a port may come nearer to a later one that has to move anyway.

    Returns:
        The ports, the changes, and a decision for each port that stays without room.
    """
    ports = list(around.ports)
    area = float(grounds[0].channels.area) if grounds else 0.0
    changes: list[Change] = []
    decisions: list[Decision] = []
    for index, port in enumerate(ports):
        # of two ports that are too near one another the later one moves
        lacks = list(_lacks(port, ports[:index], around))
        if not lacks:
            continue
        firm = ports[:index] + [
            other for other in ports[index + 1 :] if not giving_way or _apart(port, other, around)
        ]
        place = _free_place(port, firm, around)
        if not allowed or place is None:
            decisions.append(_decision(port, lacks, [], place))
            continue
        move = _move(port, place, grounds, replace(around, ports=ports))
        if move.objections:
            decisions.append(_decision(port, lacks, move.objections, place))
            continue
        for ground, patch in move.patches:
            ground.take(patch)
        ports[index] = replace(
            port,
            opening=affinity.translate(port.opening, place.x - port.centre.x, place.y - port.centre.y),
        )
        changes.append(_change(port, place, lacks, move, level=grounds[0].level, area_mm2=area))
        area += move.area_mm2
    return PortsPassed(tuple(ports), tuple(changes), tuple(decisions))


def _lacks(port: Port, others: Sequence[Port], around: Neighbours) -> Iterator[_Lack]:
    needs, edge = around.needs, around.outline.exterior
    if needs.centre_to_edge_mm is not None:
        distance = shapely.distance(port.centre, edge)
        if distance < needs.centre_to_edge_mm - _ROUNDING_MM:
            line = shapely.shortest_line(port.centre, edge)
            yield _Lack("the chip's edge", distance, needs.centre_to_edge_mm, line)
    if needs.between_ports_mm is not None:
        for other in others:
            distance = shapely.distance(port.opening, other.opening)
            if distance < needs.between_ports_mm - _ROUNDING_MM:
                line = shapely.shortest_line(port.opening, other.opening)
                yield _Lack(f"port {other.name!r}", distance, needs.between_ports_mm, line)


def _free_place(port: Port, others: Sequence[Port], around: Neighbours) -> Point | None:
    """The place nearest to a port where its centre keeps every distance; None: there is none on this chip."""
    needs, tolerance = around.needs, around.needs.smoothing_mm
    reach = max(math.dist(port.centre.coords[0], corner) for corner in port.opening.exterior.coords)
    free = around.outline.buffer(-(needs.centre_to_edge_mm or reach) - tolerance)
    taken: list[Geometry] = []
    if needs.between_ports_mm is not None:
        far = needs.between_ports_mm + reach + tolerance
        taken += [other.opening.buffer(far, quad_segs=segments(far, tolerance)) for other in others]
    if needs.port_to_channel_mm is not None:
        far = needs.port_to_channel_mm + reach + tolerance
        own = {port.name}
        for cavity in around.cavities.cavities:
            if not own & set(cavity.ports):
                taken += [
                    channels.buffer(far, quad_segs=segments(far, tolerance))
                    for level, channels in cavity.levels.items()
                    if level <= _deepest_level(around, port)
                ]
    free = free.difference(shapely.union_all(taken)) if taken else free
    if free.is_empty:
        return None
    return Point(shapely.shortest_line(free, port.centre).coords[0])


@dataclass(frozen=True, slots=True)
class _Move:
    """What takes a port's channels along, or what speaks against it.

    Args:
        patches: by level.
        where: what changes, mm.
        area_mm2: how much more channel there is on the level next to the lid.
    """

    patches: tuple[tuple[Ground, Patch], ...] = ()
    where: tuple[Geometry, ...] = ()
    area_mm2: float = 0.0
    objections: tuple[Objection, ...] = ()


def _move(port: Port, place: Point, grounds: Sequence[Ground], around: Neighbours) -> _Move:
    """Take the pad of a port along, and leave none behind where nothing else leads into it."""
    others = replace(around, ports=[other for other in around.ports if other.name != port.name])
    patches: list[tuple[Ground, Patch]] = []
    where: list[Geometry] = []
    area = 0.0
    for ground in grounds:
        if not ground.channels.intersects(port.opening):
            continue
        objections: list[Objection] = []
        for patch in _pads_moved(port, place, ground, around):
            window = wider(patch.bounds, _MARGIN_WIDTHS * _widest_mm(around))
            objections = others.objections(ground, patch, window)
            if not objections:
                before = ground.around(window)
                after = patch.applied(before)
                patches.append((ground, patch))
                where.append(after.symmetric_difference(before))
                area += (after.area - before.area) if ground is grounds[0] else 0.0
                break
        if objections:
            return _Move(objections=tuple(objections))
    return _Move(tuple(patches), tuple(where), area)


def _pads_moved(port: Port, place: Point, ground: Ground, around: Neighbours) -> Iterator[Patch]:
    """The pad at its new place; where that tears a channel off, the pad drawn out to its new place."""
    radius, slack = _pad_radius(ground, port, around), _PAD_SLACK * around.needs.smoothing_mm
    old, new = (
        polygons(at.buffer(size, quad_segs=segments(size, around.needs.smoothing_mm)))
        for at, size in ((port.centre, radius + slack), (place, radius))
    )
    yield Patch(adds=new, takes=polygons(old.difference(new)))
    way = LineString([port.centre, place]).buffer(
        radius, quad_segs=segments(radius, around.needs.smoothing_mm)
    )
    yield Patch(adds=polygons(way))


def _apart(port: Port, other: Port, around: Neighbours) -> bool:
    needed = around.needs.between_ports_mm or 0.0
    return bool(shapely.distance(port.opening, other.opening) >= needed - _ROUNDING_MM)


def _pad_radius(ground: Ground, port: Port, around: Neighbours) -> float:
    """Radius of the disc about a port that its channels fill; at least half a channel's least width."""
    least = (around.needs.width_um or 0.0) / 2e3 + around.needs.smoothing_mm
    window = wider(port.opening.bounds, 2.0 * port.bore_mm)
    local = ground.around(window)
    inside = shapely.distance(port.centre, local.boundary) if local.contains(port.centre) else 0.0
    return max(least, inside)


def _change(
    port: Port, place: Point, lacks: Sequence[_Lack], move: _Move, *, level: int, area_mm2: float
) -> Change:
    worst = min(lacks, key=lambda lack: lack.distance_mm - lack.needed_mm)
    by = math.dist(port.centre.coords[0], place.coords[0])
    return Change(
        rule=_RULE,
        what=(
            f"Port {port.name!r} moved by {mm(by)}, from ({port.centre.x:.3f}, {port.centre.y:.3f}) to "
            f"({place.x:.3f}, {place.y:.3f}) mm, and its channel with it"
        ),
        level=level,
        x_mm=round(port.centre.x, 6),
        y_mm=round(port.centre.y, 6),
        measured_before=round(worst.distance_mm, 6),
        measured_after=round(worst.needed_mm, 6),
        unit="mm",
        area_before_mm2=round(area_mm2, 6),
        area_after_mm2=round(area_mm2 + move.area_mm2, 6),
        where=shapely.union_all([*move.where, LineString([port.centre, place])]),
    )


def _decision(
    port: Port, lacks: Sequence[_Lack], objections: Sequence[Objection], place: Point | None
) -> Decision:
    worst = min(lacks, key=lambda lack: lack.distance_mm - lack.needed_mm)
    told = " and ".join(
        f"{mm(lack.distance_mm)} to {lack.thing} ({mm(lack.needed_mm)} needed)" for lack in lacks
    )
    against = " and ".join(dict.fromkeys(objection.what for objection in objections))
    question = f"Port {port.name!r} has {told}."
    options = []
    if place is not None:
        by = math.dist(port.centre.coords[0], place.coords[0])
        moved = (
            f"Move port {port.name!r} by {mm(by)} to ({place.x:.3f}, {place.y:.3f}) mm; connectors, tubes or "
            "holder move along"
        )
        if objections:
            question += f" Moving it {against}."
            options.append(f"{moved}, and draw the channels around it anew.")
        else:
            options.append(f"{moved}: ask again with move_ports.")
    elif objections:
        question += f" Cutting the channel back {against}."
        options.append(f"Move the port or the channel by {mm(worst.needed_mm - worst.distance_mm)}.")
    else:
        question += " There is no place on this chip where it has room."
    if worst.thing == "the chip's edge":
        options.append(f"Draw the outline {mm(worst.needed_mm - worst.distance_mm)} further out there.")
    options.append("Take a smaller hole, or leave it and choose a route that needs less room.")
    at = worst.where.interpolate(0.5, normalized=True) if worst.where.length else port.centre
    return Decision(
        rule=_RULE,
        question=f"{question} What gives way?",
        options=tuple(options),
        x_mm=round(at.x, 6),
        y_mm=round(at.y, 6),
        measured=round(worst.distance_mm, 6),
        needed=round(worst.needed_mm, 6),
        unit="mm",
        where=worst.where if worst.where.length else port.centre,
    )


def _deepest_level(around: Neighbours, port: Port) -> int:
    """The deepest level that a port opens into; of one that opens into none, the lowest of all."""
    met = [
        level
        for cavity in around.cavities.cavities
        for level, channels in cavity.levels.items()
        if port.name in cavity.ports and channels.intersects(port.opening)
    ]
    every = (level for cavity in around.cavities.cavities for level in cavity.levels)
    return max(met or every, default=0)


def _widest_mm(around: Neighbours) -> float:
    return max(around.needs.width_um or 0.0, around.needs.gap_um or 0.0) / 1e3
