"""Channels and walls that are too narrow: what is narrow is swept to its width, on the sides that have room.

A disc of the needed width is led along the middle of the narrow stretch (see `layout.measure.Stretch`), and
what it covers is added to the channels, or, for a wall, taken from the channels beside it. Where the width
reaches the limit the disc rests on both walls, so what was smooth stays smooth. Where one side has no room
the disc is led along the wall of that side instead, which then keeps its place. A channel that ends blind is
not drawn out beyond its end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.checks.words import um
from rillcast_service.engine.corrections.ground import Ground, Patch, wider
from rillcast_service.engine.corrections.model import Change, Decision
from rillcast_service.engine.corrections.needs import ROUNDING_UM, Needs
from rillcast_service.engine.corrections.neighbours import (
    TOUCHES_MM,
    Neighbours,
    Objection,
    Obstacle,
    touching,
)
from rillcast_service.engine.corrections.sweeping import beside, middles, swept
from rillcast_service.engine.layout.measure import Stretch, narrow_stretches
from rillcast_service.engine.layout.medial import Floats, boundary_of
from rillcast_service.engine.shapes import polygons

#: What a sweep leaves narrow at its ends is swept again, so often at most.
_SWEEPS = 4
#: Both corners of a flat end turn away from the channel by this much or more.
_END_TURN_DEG = 60.0
#: What is thinner than twice so many tolerances is a sliver.
_SLIVER = 1.0
#: A window reaches this many widths beyond a patch, so that no wall or channel that counts is cut by it.
_MARGIN_WIDTHS = 2.0
#: A mended place is measured up to so many times the limit.
_MEASURED_UP_TO = 2.0
#: Of a place with many walls (a junction) no more are tried one by one.
_SIDES_TRIED = 6


@dataclass(frozen=True, slots=True)
class Task:
    """What is too narrow, and how wide it should be.

    Args:
        rule: id of the rule that objects.
        thing: that is narrow, in words; beside: what stands beside it, in the plural.
        limit_um: width that it is given; None: not asked.
        gaps: whether it is the room between what is drawn.
        above_um: narrower than this is meant, such as strokes that touch.
    """

    rule: str
    thing: str
    beside: str
    limit_um: float | None
    gaps: bool
    above_um: float = -1.0


@dataclass(frozen=True, slots=True)
class Mended:
    """A place with its patch, or with what speaks against every patch that was tried.

    Args:
        patch: None: it is left.
        after_um: the width there with the patch.
        objections: the fewest that any try met.
    """

    patch: Patch | None
    after_um: float = 0.0
    objections: tuple[Objection, ...] = ()


@dataclass(frozen=True, slots=True)
class Passed:
    """What one walk over a level gives: its ground with patches, changes in order, places that are left."""

    changes: tuple[Change, ...]
    decisions: tuple[Decision, ...]


def tasks(needs: Needs) -> dict[str, Task]:
    """What is mended of channels.

    Args:
        needs: sizes that the route asks for.

    Returns:
        By the rule's id.
    """
    every = (
        Task("channel_width", "channel", "channels", needs.width_um, gaps=False),
        Task("channel_gap", "wall", "channels", needs.gap_um, gaps=True),
        Task("island_size", "island", "channels", needs.island_um, gaps=True),
    )
    return {task.rule: task for task in every}


def mend_spans(ground: Ground, around: Neighbours, task: Task, *, islands: Sequence[Polygon] = ()) -> Passed:
    """Mend every narrow channel, thin wall or small island of a level, or the strokes of marks.

    Args:
        ground: the channels of the level; gets the patches.
        around: what the patches are held against.
        task: what is too narrow.
        islands: outlines of the islands, mm, which are no walls.

    Returns:
        Changes, and a decision for each place that stays as it is.
    """
    limit = task.limit_um
    if limit is None:
        return Passed((), ())
    tree = shapely.STRtree(islands)
    changes: list[Change] = []
    decisions: list[Decision] = []
    area = float(ground.channels.area)
    for stretch in narrow_stretches(ground.channels, below_um=limit - ROUNDING_UM, complement=task.gaps):
        on_island = task.gaps and tree.query(stretch.span.centre, predicate="intersects").size > 0
        if on_island != (task.rule == "island_size") or stretch.span.length_um <= task.above_um:
            continue
        mended = _mended(ground, around, stretch, limit_um=limit, walls=task.gaps)
        at = stretch.span.centre
        if mended.patch is None:
            decisions.append(_decision(stretch, mended.objections, task, limit))
            continue
        before = ground.around(mended.patch.bounds)
        after = mended.patch.applied(before)
        ground.take(mended.patch)
        now = area + after.area - before.area
        changes.append(
            Change(
                rule=task.rule,
                what=(
                    f"{task.thing.capitalize()} widened from {um(stretch.span.length_um)} to "
                    f"{um(mended.after_um)}"
                    f"{f', the {task.beside} beside it narrowed' if task.gaps else ''}"
                ),
                level=ground.level or None,
                x_mm=round(at.x, 6),
                y_mm=round(at.y, 6),
                measured_before=round(stretch.span.length_um, 3),
                measured_after=round(mended.after_um, 3),
                unit="µm",
                area_before_mm2=round(area, 6),
                area_after_mm2=round(now, 6),
                where=after.symmetric_difference(before),
            )
        )
        area = now
    return Passed(tuple(changes), tuple(decisions))


def _mended(ground: Ground, around: Neighbours, stretch: Stretch, *, limit_um: float, walls: bool) -> Mended:
    fewest: Mended | None = None
    for area, kept in _sweeps(stretch, limit_um / 1e3, around.needs.smoothing_mm):
        within = area if walls else _within_ends(area, ground, limit_um / 1e3)
        for one in (area,) if within is area else (within, area):
            tried = _tried(ground, around, one, kept, limit_um=limit_um, walls=walls)
            if tried.patch is not None:
                return tried
            if fewest is None or len(tried.objections) < len(fewest.objections):
                fewest = tried
    assert fewest is not None
    return fewest


def _sweeps(
    stretch: Stretch, width_mm: float, tolerance_mm: float
) -> Iterator[tuple[MultiPolygon, Floats | None]]:
    """Areas that make a stretch wide enough: both walls moved alike first, then one wall at a time kept.

    With each the feet on the wall that is kept, (n, 2) mm.
    """
    yield swept(stretch, middles(stretch), width_mm=width_mm, tolerance_mm=tolerance_mm), None
    sides, balls = np.unique(stretch.side, return_counts=True)
    if len(sides) < 2:
        return
    for side in sides[np.argsort(-balls, kind="stable")][:_SIDES_TRIED]:
        kept = stretch.foot[stretch.side == side]
        yield _swept_beside(stretch, int(side), width_mm, tolerance_mm), kept


def _swept_beside(stretch: Stretch, side: int, width_mm: float, tolerance_mm: float) -> MultiPolygon:
    return swept(
        stretch,
        beside(stretch, width_mm=width_mm + 2.0 * tolerance_mm),
        width_mm=width_mm,
        tolerance_mm=tolerance_mm,
        side=side,
    )


def _swept_again(rest: Stretch, kept: Floats | None, width_mm: float, tolerance_mm: float) -> MultiPolygon:
    """What the first sweep left narrow, with the same wall kept."""
    if kept is None:
        return swept(rest, middles(rest), width_mm=width_mm, tolerance_mm=tolerance_mm)
    far = cKDTree(kept).query(rest.foot)[0]
    return _swept_beside(rest, int(rest.side[np.argmin(far)]), width_mm, tolerance_mm)


def _off_the_kept(
    area: MultiPolygon, kept: Floats, channels: MultiPolygon, tolerance_mm: float, *, walls: bool
) -> MultiPolygon:
    """A sweep without the slivers that it takes of the kept wall, where chords cut across its corners."""
    changed = polygons(area.intersection(channels) if walls else area.difference(channels))
    feet = shapely.multipoints(kept)
    slivers = [
        part
        for part in changed.geoms
        if shapely.dwithin(part, feet, TOUCHES_MM) and part.buffer(-_SLIVER * tolerance_mm).is_empty
    ]
    return polygons(area.difference(shapely.union_all(slivers))) if slivers else area


def _within_ends(area: MultiPolygon, ground: Ground, width_mm: float) -> MultiPolygon:
    """A sweep without what lies beyond the flat ends of channels that end blind."""
    boundary = boundary_of(ground.around(wider(area.bounds, width_mm)))
    if boundary is None:
        return area
    following = np.empty_like(boundary.previous)
    following[boundary.previous] = np.arange(len(following))
    out = boundary.turn_deg <= -_END_TURN_DEG
    ends = np.flatnonzero((boundary.length < width_mm) & out & out[following])
    middle = (boundary.start[ends] + boundary.end[ends]) / 2.0
    along, outward = boundary.direction[ends] * width_mm, -boundary.normal[ends] * width_mm
    corners = np.stack(
        (middle - along, middle + along, middle + along + outward, middle - along + outward), 1
    )
    beyond = shapely.union_all(shapely.polygons(corners)) if len(ends) else MultiPolygon()
    return polygons(area.difference(beyond)) if area.intersects(beyond) else area


def _tried(
    ground: Ground,
    around: Neighbours,
    area: MultiPolygon,
    kept: Floats | None,
    *,
    limit_um: float,
    walls: bool,
) -> Mended:
    needs = around.needs
    margin = _MARGIN_WIDTHS * max(limit_um, needs.width_um or 0.0, needs.gap_um or 0.0) / 1e3
    for _ in range(_SWEEPS):
        window = wider(area.bounds, margin)
        if kept is not None:
            area = _off_the_kept(area, kept, ground.around(window), needs.smoothing_mm, walls=walls)
        patch = Patch(takes=area) if walls else Patch(adds=area)
        objections = around.objections(ground, patch, window)
        if objections:
            return Mended(None, objections=tuple(objections))
        there = patch.applied(ground.around(window))
        frame = shapely.box(*window).exterior
        narrow = [
            rest
            for rest in narrow_stretches(there, below_um=limit_um - ROUNDING_UM, complement=walls)
            if rest.span.chord.intersects(area) and not rest.span.chord.intersects(frame)
        ]
        if not narrow:
            spans = touching(there, area, window, below_um=_MEASURED_UP_TO * limit_um, complement=walls)
            # what is narrower beside it is a place of its own
            after = [span.length_um for span in spans if span.length_um >= limit_um - ROUNDING_UM]
            return Mended(patch, after_um=min(after, default=limit_um))
        more = [_swept_again(rest, kept, limit_um / 1e3, needs.smoothing_mm) for rest in narrow]
        area = polygons(shapely.union_all([area, *more]))
    return Mended(
        None, objections=(Objection(Obstacle.STAYS, "leaves places beside it that are too narrow"),)
    )


def _decision(stretch: Stretch, objections: tuple[Objection, ...], task: Task, limit_um: float) -> Decision:
    reasons = " and ".join(dict.fromkeys(objection.what for objection in objections))
    at = stretch.span.centre
    return Decision(
        rule=task.rule,
        question=(
            f"This {task.thing} is {um(stretch.span.length_um)} wide and should be {um(limit_um)}, but "
            f"widening it {reasons}. What gives way?"
        ),
        options=tuple(_options(objections, limit_um, stretch.span.length_um, task)),
        x_mm=round(at.x, 6),
        y_mm=round(at.y, 6),
        measured=round(stretch.span.length_um, 3),
        needed=limit_um,
        unit="µm",
        where=stretch.span.chord,
    )


def _options(
    objections: tuple[Objection, ...], limit_um: float, measured_um: float, task: Task
) -> Iterator[str]:
    kinds = {objection.obstacle for objection in objections}
    lacking = max([limit_um - measured_um, *(objection.lacking_um or 0.0 for objection in objections)])
    apart = f"by {um(lacking)}"
    if Obstacle.JOINS in kinds:
        yield f"Draw the {task.beside} as one there, if they may join."
    if kinds & {Obstacle.JOINS, Obstacle.PARTS, Obstacle.WALL, Obstacle.WIDTH}:
        yield f"Move the {task.beside} apart {apart}."
    if Obstacle.EDGE in kinds:
        yield f"Move the {task.beside} inward {apart}, or draw a larger outline."
    if Obstacle.PORT in kinds:
        yield f"Move the port or the channel {apart}."
    if Obstacle.STAYS in kinds:
        yield f"Draw this place anew, {um(limit_um)} wide everywhere."
    yield from (objection.remedy for objection in objections if objection.remedy)
    yield f"Leave it, and choose a machine or a route that makes {task.thing}s as narrow."
