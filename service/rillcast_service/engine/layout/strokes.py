"""A line of some width as polygons: rectangles along it, joins at its corners, caps at its ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from shapely import Geometry

from rillcast_service.engine.layout.curves import Points, arc_chords, ellipse

Cap = Literal["butt", "round", "square"]
Join = Literal["miter", "round", "bevel"]


@dataclass(frozen=True, slots=True)
class Pen:
    """What a line is drawn with.

    Args:
        width: of the line, in the unit of the points.
        cap: how open ends finish.
        join: how corners are filled on their outer side.
        miter_limit: longest mitre, as a multiple of the width; sharper corners are bevelled.
    """

    width: float
    cap: Cap = "butt"
    join: Join = "round"
    miter_limit: float = 4.0


def stroke(points: Points, *, closed: bool, pen: Pen, tolerance: float) -> Geometry:
    """The area that a pen covers along a line.

    Built as its definition says, the union of every segment's rectangle with the joins and caps.
    (Offsetting the whole line at once would simplify it first, by up to a hundredth of the width.)
    Where a bend is so slight that every kind of join lies within the tolerance of the mitre, the
    two rectangles share their mitred corners, so that flattened curves come out smooth.

    Args:
        points: shape (n, 2), no point equal to the next.
        closed: whether the last point joins the first.
        pen: width, caps and joins.
        tolerance: largest distance between a round join or cap and its polygon.

    Returns:
        A polygon or multipolygon; empty when nothing is covered.
    """
    if len(points) < 2:
        return _dot(points[0], pen, tolerance)
    widths = np.full((len(points) if closed else len(points) - 1, 2), pen.width)
    return tapered(points, closed=closed, widths=widths, pen=pen, tolerance=tolerance)


def tapered(points: Points, *, closed: bool, widths: Points, pen: Pen, tolerance: float) -> Geometry:
    """The area along a line whose width changes evenly along every segment.

    Args:
        points: shape (n, 2), n ≥ 2, no point equal to the next.
        closed: whether the last point joins the first.
        widths: at the start and end of every segment, shape (n, 2) of a closed line, else (n − 1, 2).
        pen: caps and joins; its width counts at the caps only. Corners where the width jumps are bevelled.
        tolerance: largest distance between a round join or cap and its polygon.

    Returns:
        A polygon or multipolygon; empty when nothing is covered.
    """
    half = pen.width / 2.0
    ends = np.roll(points, -1, axis=0) if closed else points[1:]
    starts = points if closed else points[:-1]
    lengths = np.hypot(*(ends - starts).T)
    along = (ends - starts) / lengths[:, None]
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    first, last = (normal * widths[:, None, side] / 2.0 for side in (0, 1))

    left = np.stack([starts + first, ends + last], axis=1)
    right = np.stack([starts - first, ends - last], axis=1)
    joins: list[Points] = []
    corners = range(len(starts)) if closed else range(1, len(starts))
    turns = _turns(along)
    for here in corners:
        before = here - 1
        turn, width = turns[here], widths[here, 0]
        is_even = widths[before, 1] == width
        mitre = 1.0 / math.cos(turn / 2.0) if is_even and abs(turn) < 3.0 else math.inf
        reach = width / 2.0 * math.tan(abs(turn) / 2.0) if abs(turn) < 3.0 else math.inf
        slight = width / 2.0 * (mitre - 1.0) <= tolerance if is_even else False
        if slight and reach < 0.5 * min(lengths[before], lengths[here]):
            middle = normal[before] + normal[here]
            middle *= width / 2.0 * mitre / np.hypot(*middle)
            left[before, 1] = left[here, 0] = starts[here] + middle
            right[before, 1] = right[here, 0] = starts[here] - middle
        elif max(width, widths[before, 1]) > 0.0:
            corner_pen = replace(pen, width=width, join=pen.join if is_even else "bevel")
            joins.append(_join(starts[here], last[before], first[here], turn, mitre, corner_pen, tolerance))
    if not closed:
        if pen.cap == "square":
            left[0, 0] -= along[0] * half
            right[0, 0] -= along[0] * half
            left[-1, 1] += along[-1] * half
            right[-1, 1] += along[-1] * half
        elif pen.cap == "round":
            joins.append(_fan(starts[0], first[0], math.pi, half, tolerance))
            joins.append(_fan(ends[-1], -last[-1], math.pi, half, tolerance))
    rectangles = np.concatenate([left, right[:, ::-1]], axis=1)[widths.max(axis=1) > 0.0]
    return shapely.union_all([*shapely.polygons(rectangles), *(shapely.Polygon(join) for join in joins)])


def _turns(along: Points) -> Points:
    """Signed angle from each segment's predecessor to it, radians, anticlockwise positive."""
    before = np.roll(along, 1, axis=0)
    cross = before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0]
    turns: Points = np.arctan2(cross, np.sum(before * along, axis=1))
    return turns


def _join(
    corner: Points, before: Points, here: Points, turn: float, mitre: float, pen: Pen, tolerance: float
) -> Points:
    # The outer side of a left turn is on the right, and the other way round.
    side = -1.0 if turn > 0.0 else 1.0
    first, last = side * before, side * here
    if pen.join == "round":
        return _fan(corner, first, turn, pen.width / 2.0, tolerance)
    if pen.join == "miter" and mitre <= pen.miter_limit:
        middle = first + last
        tip = corner + middle * (pen.width / 2.0 * mitre / np.hypot(*middle))
        return np.array([corner, corner + first, tip, corner + last])
    return np.array([corner, corner + first, corner + last])


def _fan(corner: Points, first: Points, angle: float, radius: float, tolerance: float) -> Points:
    """A sector of a disc about `corner`, beginning at `corner + first`."""
    chords = arc_chords(abs(angle), radius=radius, tolerance=tolerance)
    t = np.linspace(0.0, angle, chords + 1)
    cos, sin = np.cos(t)[:, None], np.sin(t)[:, None]
    rim = cos * first + sin * np.array([-first[1], first[0]])
    return np.vstack([corner, corner + rim])


def _dot(centre: Points, pen: Pen, tolerance: float) -> Geometry:
    """What a line of no length leaves: its caps."""
    half = pen.width / 2.0
    if pen.cap == "round":
        return shapely.Polygon(ellipse(centre, radius_x=half, radius_y=half).flatten(tolerance=tolerance))
    if pen.cap == "square":
        return shapely.box(centre[0] - half, centre[1] - half, centre[0] + half, centre[1] + half)
    return shapely.Polygon()
