"""Corners that are sharper than a route makes them, rounded where they stand.

A disc of the asked radius is led along the walls inside the channel (or inside the wall, for its tip); where
it does not reach the corner, channel is taken away (or added). So the sides of the corner may be curved.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from shapely import MultiPolygon, Point

from rillcast_service.engine.checks.corners import corners_of
from rillcast_service.engine.checks.words import um
from rillcast_service.engine.corrections.ground import Ground, Patch, wider
from rillcast_service.engine.corrections.model import Change, Decision
from rillcast_service.engine.corrections.neighbours import Neighbours, Objection, Obstacle
from rillcast_service.engine.corrections.sweeping import segments
from rillcast_service.engine.shapes import polygons

_RULE = "sharp_corner"
#: Sides that bend away draw the rounding out over so many times the length that straight ones need.
_DRAWN_OUT = 2.0
#: A window reaches so many radii beyond the rounding.
_MARGIN_RADII = 4.0
#: What is rounding of doubles is left where it is.
_DUST_MM = 1e-6
#: Where the radius has no room, the largest that has is told to this share of it.
_SHARES = 20


def round_corners(
    ground: Ground, around: Neighbours, *, smooth_mm: float
) -> tuple[tuple[Change, ...], tuple[Decision, ...]]:
    """Round every corner of a level that is sharper than the limit.

    Args:
        ground: the channels of the level; gets the patches.
        around: what the patches are held against; its needs tell angle and radius.
        smooth_mm: as the review looks for corners.

    Returns:
        Changes, and a decision for each corner that stays as it is.
    """
    limit_deg, radius = around.needs.corner_deg, around.needs.fillet_mm
    changes: list[Change] = []
    decisions: list[Decision] = []
    if limit_deg is None or radius is None:
        return (), ()
    area = float(ground.channels.area)
    at, angle_deg = corners_of(ground.channels, smooth_mm)
    for index in np.flatnonzero(np.abs(angle_deg) < limit_deg):
        corner, angle = Point(at[index]), float(angle_deg[index])
        tolerance = around.needs.smoothing_mm
        patch = rounding(ground, corner, angle, radius, tolerance, near_mm=smooth_mm)
        objections: Sequence[Objection] = (Objection(Obstacle.STAYS, "finds no room between its sides"),)
        if patch is not None:
            window = wider(patch.bounds, _MARGIN_RADII * max(radius, (around.needs.width_um or 0.0) / 1e3))
            objections = around.objections(ground, patch, window)
        if patch is None or objections:
            smaller = _largest(ground, corner, angle, radius, tolerance, smooth_mm) if patch is None else None
            decisions.append(_decision(corner, angle, radius, objections, smaller))
            continue
        before = ground.around(patch.bounds)
        after = patch.applied(before)
        ground.take(patch)
        now = area + after.area - before.area
        changes.append(
            Change(
                rule=_RULE,
                what=f"{_thing(angle)} of {abs(angle):.0f}° rounded with a radius of {um(radius * 1e3)}",
                level=ground.level,
                x_mm=round(corner.x, 6),
                y_mm=round(corner.y, 6),
                measured_before=0.0,
                measured_after=round(radius * 1e3, 3),
                unit="µm",
                area_before_mm2=round(area, 6),
                area_after_mm2=round(now, 6),
                where=after.symmetric_difference(before),
            )
        )
        area = now
    return tuple(changes), tuple(decisions)


def rounding(
    ground: Ground, corner: Point, angle_deg: float, radius_mm: float, tolerance_mm: float, *, near_mm: float
) -> Patch | None:
    """The patch that rounds one corner.

    Args:
        ground: the channels around it.
        corner: mm; angle_deg: of the channel there, or minus that of the wall.
        radius_mm: of the rounding; tolerance_mm: how far its chords may stray from the arc.
        near_mm: how far from `corner` the very tip may lie.

    Returns:
        What lies between the corner and the arc: taken from a channel, added at the tip of a wall. None where
        an arc of that radius does not touch both sides.
    """
    half = math.radians(max(abs(angle_deg), 1.0) / 2.0)
    # from the corner to where the arc meets straight sides
    reach = radius_mm / math.tan(half)
    frame = shapely.box(*wider(corner.bounds, _DRAWN_OUT * reach + _MARGIN_RADII * radius_mm))
    channels = ground.around(frame.bounds)
    inside = channels if angle_deg > 0.0 else polygons(frame.difference(channels))
    kept = inside.buffer(-radius_mm, join_style="mitre").buffer(
        radius_mm + _DUST_MM, quad_segs=segments(radius_mm, tolerance_mm)
    )
    tips = [
        part for part in polygons(inside.difference(kept)).geoms if shapely.dwithin(part, corner, near_mm)
    ]
    if not tips or shapely.hausdorff_distance(MultiPolygon(tips), corner) > _DRAWN_OUT * reach:
        return None
    # a hair over its sides, so that none of it stays behind
    tip = polygons(MultiPolygon(tips).buffer(_DUST_MM, join_style="mitre"))
    return Patch(takes=tip) if angle_deg > 0.0 else Patch(adds=tip)


def _largest(
    ground: Ground, corner: Point, angle_deg: float, radius_mm: float, tolerance_mm: float, near_mm: float
) -> float | None:
    for share in range(_SHARES - 1, 0, -1):
        smaller = radius_mm * share / _SHARES
        if rounding(ground, corner, angle_deg, smaller, tolerance_mm, near_mm=near_mm) is not None:
            return smaller
    return None


def _thing(angle_deg: float) -> str:
    return "End of a channel" if angle_deg > 0.0 else "Tip of a wall"


def _decision(
    corner: Point,
    angle_deg: float,
    radius_mm: float,
    objections: Sequence[Objection],
    smaller_mm: float | None,
) -> Decision:
    reasons = " and ".join(dict.fromkeys(objection.what for objection in objections))
    return Decision(
        rule=_RULE,
        question=(
            f"{_thing(angle_deg)} of {abs(angle_deg):.0f}°: rounding it with {um(radius_mm * 1e3)} "
            f"{reasons}. What is to be done?"
        ),
        options=tuple(_options(angle_deg, objections, smaller_mm)),
        x_mm=round(corner.x, 6),
        y_mm=round(corner.y, 6),
        measured=0.0,
        needed=round(radius_mm * 1e3, 3),
        unit="µm",
        where=corner,
    )


def _options(angle_deg: float, objections: Sequence[Objection], smaller_mm: float | None) -> Iterator[str]:
    if smaller_mm is not None:
        yield f"Round it with {um(smaller_mm * 1e3)}, the largest radius that fits between its sides."
    for objection in objections:
        if objection.remedy:
            yield objection.remedy
        elif objection.lacking_um is not None:
            yield f"Make {um(objection.lacking_um)} more room beside it."
    yield (
        "Draw the channel with a blunt or round end."
        if angle_deg > 0.0
        else "End the wall earlier, with a round end."
    )
    yield "Leave it: the chip works with it, and its point comes out round by itself."
