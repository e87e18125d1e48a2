"""Exact least width of channels and least gap between them, on the vectors.

A *neck* is a chord from wall to wall that is shorter than all chords beside it. Such a chord leaves
both walls at a right angle; at a corner that juts in, a right angle is any direction between the
normals of its two edges. So necks are found among the medial balls (see `medial`) whose two tangent
points lie opposite, by that condition alone: convex corners, rounded ends, arcs and the knife edge
of wall where two branches part meet it nowhere, and raise no false alarm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, MultiPolygon, Point, Polygon

from rillcast_service.engine.layout.medial import (
    TOUCHING_MM,
    Balls,
    Boundary,
    Floats,
    Ints,
    boundary_of,
    inscribed_balls,
    polygons_of,
)

#: Walls face each other when the angle foot-centre-touch is at least this; a right angle has 90.
FACING_DEG = 150.0
#: Straight walls that open by no more than this run side by side.
_PARALLEL_DEG = 2.0
#: Walls side by side run into a point when the width falls towards it at least like the square root
#: of the distance, and the point lies straight ahead: half the boundary's length away.
_POINT_EXPONENT, _STRAIGHT_REACH = 0.5, 0.45
#: The first guess of the scale is this many mean widths; each further guess is so many times larger.
_FIRST_SCALE, _NEXT_SCALE = 2.0, 4.0
_DISC_TOLERANCE_MM = 1e-4
#: Feet of balls per limit or scale of interest.
_FEET = 4.0
#: Narrow stretches belong to one place when no disc between them is wider than so many limits: in a
#: right-angled bend the disc is 4 - 2 sqrt(2) = 1.17 times as wide as the channel.
_ONE_PLACE = 1.25
#: Balls of a stretch touch walls at least this far apart: in a right-angled bend it is 135, at the flat end
#: of a channel 90.
_SWEPT_DEG = 120.0
#: A direction this close to a corner's normals is one of them, and an angle this close to a limit is at it.
_ANGLE_TOLERANCE_DEG = 0.01
#: A touch this near the end of its edge (as a share of it) is on the corner.
_AT_END = 1e-9
_NO_LENGTH = 1e-300

_MM_TO_UM = 1e3


# The review, the flow and the plan of every variant ask for the same few geometries, which never change.
_REMEMBERED = 16


@dataclass(frozen=True, slots=True)
class Span:
    """The distance between two walls at one place.

    Args:
        length_um: shortest distance there, exact on the vectors.
        chord: the shortest line from wall to wall, mm.
    """

    length_um: float
    chord: LineString

    @property
    def centre(self) -> Point:
        """The middle of the chord, mm."""
        return self.chord.interpolate(0.5, normalized=True)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A place that is narrower than a limit, and the medial balls that fill it.

    Args:
        span: its narrowest chord.
        foot, normal: (n, 2) where each ball rests on a wall, mm, and the unit normal away from it.
        radius_mm: (n,) of the balls; those at the ends of the stretch are as wide as the limit or wider.
        links: (m, 2) pairs of balls that follow one another along a wall.
        side: (n,) a number for each wall along which the balls rest.
    """

    span: Span
    foot: Floats
    normal: Floats
    radius_mm: Floats
    links: Ints
    side: Ints


@dataclass(frozen=True, slots=True)
class Measurements:
    """The least width of any channel and the least gap between channels; None: there is none."""

    width: Span | None
    gap: Span | None


@lru_cache(maxsize=_REMEMBERED)
def measure(geometry: MultiPolygon | Polygon) -> Measurements:
    """Least channel width and least wall between channels.

    Args:
        geometry: union of the channels, mm; valid.

    Returns:
        The narrowest neck, and the thinnest wall. A part without facing walls (a disc, a triangle)
        is as wide as the largest disc in it; so is an island. Both are None for an empty geometry,
        and the gap is None where no wall lies between channels. Lengths are exact on the polygons
        given, so they are off by no more than twice the flattening of curves.
    """
    return Measurements(
        width=_least(geometry, complement=False),
        gap=_least(geometry, complement=True),
    )


def least(measured: Iterable[Measurements]) -> Measurements:
    """The least of several measurements, such as those of the levels of a chip.

    Args:
        measured: any number of them.

    Returns:
        The narrowest width and the thinnest wall among them.
    """
    every = list(measured)
    return Measurements(
        width=min((item.width for item in every if item.width), key=_length, default=None),
        gap=min((item.gap for item in every if item.gap), key=_length, default=None),
    )


@lru_cache(maxsize=_REMEMBERED)
def narrow_spans(geometry: MultiPolygon | Polygon, *, below_um: float) -> tuple[Span, ...]:
    """Every separate place where a channel is narrower than a limit.

    Args:
        geometry: union of the channels, mm; valid.
        below_um: the limit.

    Returns:
        One span per place, its narrowest chord, narrowest place first.
    """
    return _narrow(geometry, below_um=below_um, complement=False)


@lru_cache(maxsize=_REMEMBERED)
def narrow_gaps(geometry: MultiPolygon | Polygon, *, below_um: float) -> tuple[Span, ...]:
    """Every separate place where the wall between channels is thinner than a limit.

    Args:
        geometry: union of the channels, mm; valid.
        below_um: the limit.

    Returns:
        One span per place, its narrowest chord, narrowest place first.
    """
    return _narrow(geometry, below_um=below_um, complement=True)


def narrow_stretches(
    geometry: MultiPolygon | Polygon, *, below_um: float, complement: bool = False
) -> tuple[Stretch, ...]:
    """Every separate place below a limit, with all of the stretch that is, for whoever wants to widen it.

    Args:
        geometry: union of the channels, mm; valid.
        below_um: the limit.
        complement: take the walls between channels instead of the channels.

    Returns:
        One stretch for each span of `narrow_spans` (or `narrow_gaps`), narrowest place first.
    """
    found = _narrow_places(geometry, below_um=below_um, complement=complement)
    if found is None:
        return ()
    balls, places = found.balls, found.places
    limit = below_um / _MM_TO_UM
    narrow = (balls.touch_edge >= 0) & (2.0 * balls.radius < limit)
    within = narrow & (balls.separation_deg >= _SWEPT_DEG)
    within[found.necks] = narrow[found.necks]
    # A stretch goes on to the first ball that is wide enough on either side of it.
    wide = 2.0 * balls.radius >= limit
    this = np.arange(len(places))
    other = balls.following
    linked = (within[this] & (within[other] | wide[other])) | (within[other] & wide[this])
    place = np.where(within[this], places[this], places[other])
    order = np.argsort(place, kind="stable")
    order = order[linked[order]]
    in_order = np.argsort(np.where(within, places, -1), kind="stable")
    sorted_places = np.where(within, places, -1)[in_order]
    stretches = []
    for leader, span in zip(found.leaders, _spans(found.boundary, balls, found.leaders), strict=True):
        number = places[leader]
        low, high = np.searchsorted(place[order], (number, number + 1))
        links = np.stack((order[low:high], other[order[low:high]]), axis=1)
        first, last = np.searchsorted(sorted_places, (number, number + 1))
        own = np.union1d(in_order[first:last], links)
        links = np.searchsorted(own, links)
        stretches.append(
            Stretch(
                span=span,
                foot=balls.foot[own],
                normal=balls.normal[own],
                radius_mm=balls.radius[own],
                links=links,
                side=_runs(len(own), links),
            )
        )
    for span in found.compact:
        (x0, y0), (x1, y1) = span.chord.coords
        half = np.array([[x1 - x0, y1 - y0]]) / 2.0
        radius = float(np.hypot(*half[0]))
        stretches.append(
            Stretch(
                span=span,
                foot=np.array([[x0, y0]]),
                normal=half / max(radius, TOUCHING_MM),
                radius_mm=np.array([radius]),
                links=np.zeros((0, 2), dtype=np.int64),
                side=np.zeros(1, dtype=np.int64),
            )
        )
    return tuple(
        sorted(
            (one for one in stretches if one.span.length_um < below_um), key=lambda one: one.span.length_um
        )
    )


def _runs(count: int, links: Ints) -> Ints:
    """A number for each of some things that is the same for all that are linked."""
    graph = coo_array((np.ones(len(links), dtype=np.int8), (links[:, 0], links[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _least(geometry: MultiPolygon | Polygon, *, complement: bool) -> Span | None:
    boundary = boundary_of(geometry, complement=complement)
    if boundary is None:
        return None
    extent = float(np.hypot(*np.ptp(boundary.start, axis=0)))
    scale = _FIRST_SCALE * 2.0 * geometry.area / float(boundary.length.sum())
    while True:
        balls = inscribed_balls(boundary, spacing_mm=scale / _FEET, cap_mm=scale)
        necks = np.flatnonzero(_is_neck(boundary, balls))
        if necks.size or scale > extent:
            break
        scale *= _NEXT_SCALE
    # Every neck below the scale was found, so the least of them is the least of all.
    nearest = np.argsort(_lengths_mm(boundary, balls, necks), kind="stable")[:1]
    spans = _spans(boundary, balls, necks[nearest])
    below_mm = spans[0].length_um / _MM_TO_UM if spans else math.inf
    spans += _compact_parts(geometry, boundary, balls.edge[necks], complement=complement, below_mm=below_mm)
    return min(spans, key=_length, default=None)


def _narrow(geometry: MultiPolygon | Polygon, *, below_um: float, complement: bool) -> tuple[Span, ...]:
    found = _narrow_places(geometry, below_um=below_um, complement=complement)
    if found is None:
        return ()
    spans = _spans(found.boundary, found.balls, found.leaders) + found.compact
    return tuple(sorted((span for span in spans if span.length_um < below_um), key=_length))


@dataclass(frozen=True, slots=True)
class _NarrowPlaces:
    """Every place below a limit: the ball of its narrowest chord, and a number for each ball's place."""

    boundary: Boundary
    balls: Balls
    necks: Ints
    places: Ints
    leaders: Ints
    compact: list[Span]


def _narrow_places(
    geometry: MultiPolygon | Polygon, *, below_um: float, complement: bool
) -> _NarrowPlaces | None:
    boundary = boundary_of(geometry, complement=complement)
    if boundary is None:
        return None
    limit = below_um / _MM_TO_UM
    cap = limit * _ONE_PLACE
    balls = inscribed_balls(boundary, spacing_mm=limit / _FEET, cap_mm=cap)
    necks = np.flatnonzero(_is_neck(boundary, balls))
    places = _places(boundary, balls, cap)
    order = necks[np.lexsort((_lengths_mm(boundary, balls, necks), places[necks]))]
    leaders = order[np.unique(places[order], return_index=True)[1]]
    compact = _compact_parts(geometry, boundary, balls.edge[necks], complement=complement, below_mm=limit)
    return _NarrowPlaces(boundary, balls, necks, places, leaders, compact)


def _is_neck(boundary: Boundary, balls: Balls) -> NDArray[np.bool_]:
    """Which balls join two walls at a neck, see the head of this module."""
    neck = (balls.touch_edge >= 0) & (balls.separation_deg >= FACING_DEG)
    index = np.flatnonzero(neck)
    corner, vertex = balls.corner[index], _touched_corner(boundary, balls, index)

    across = balls.touch[index] - balls.foot[index]
    from_touch = balls.centre[index] - balls.touch[index]
    direction = np.where((vertex >= 0)[:, None], across, -from_touch)
    direction = np.where(corner[:, None], direction, balls.normal[index])
    at_foot = ~corner | _within_normals(boundary, balls.edge[index], direction)
    at_touch = (vertex < 0) | _within_normals(boundary, vertex, -direction)
    parallel = balls.separation_deg[index] >= 180.0 - _PARALLEL_DEG - _ANGLE_TOLERANCE_DEG
    neck[index] = np.where(
        corner | (vertex >= 0), at_foot & at_touch, parallel & ~_runs_into_a_point(boundary, balls, index)
    )
    # A wall that touches a corner leaves no room for a ball: a neck of no width.
    return neck | (balls.corner & (balls.radius < TOUCHING_MM))


def _touched_corner(boundary: Boundary, balls: Balls, index: Ints) -> Ints:
    """The edge that starts in the jutting corner which a ball touches; -1 where it touches a wall."""
    edge, along = balls.touch_edge[index], balls.touch_along[index]
    following = np.arange(len(boundary.ring)) + 1
    following[boundary.previous[boundary.first_edge]] = boundary.first_edge
    starts_in = np.where(along >= 1.0 - _AT_END, following[edge], edge)
    at_end = (along <= _AT_END) | (along >= 1.0 - _AT_END)
    return np.where(at_end & (boundary.turn_deg[starts_in] > 0.0), starts_in, -1)


def _within_normals(boundary: Boundary, edge: Ints, direction: Floats) -> NDArray[np.bool_]:
    """Whether directions lie between the normals of the corner in which an edge starts."""
    middle = boundary.normal[edge] + boundary.normal[boundary.previous[edge]]
    size = np.linalg.norm(middle, axis=1) * np.linalg.norm(direction, axis=1)
    cosine = np.einsum("ij,ij->i", middle, direction) / np.maximum(size, 1e-300)
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    within: NDArray[np.bool_] = angle <= boundary.turn_deg[edge] / 2 + _ANGLE_TOLERANCE_DEG
    return within


def _runs_into_a_point(boundary: Boundary, balls: Balls, index: Ints) -> NDArray[np.bool_]:
    """Whether two walls side by side only belong to a needle.

    With the walls opening by the angle θ, the boundary between foot and touch of length S and the
    chord w, the width grows with the distance from the end as the power S sin(θ/2) / w: 1 for a
    wedge, because S = w / sin(θ/2), and 0 for a channel.
    """
    foot_edge, touch_edge = balls.edge[index], balls.touch_edge[index]
    ring = boundary.ring[foot_edge]
    foot, touch = balls.foot[index], balls.touch[index]
    foot_arc = boundary.arc[foot_edge] + np.linalg.norm(foot - boundary.start[foot_edge], axis=1)
    touch_arc = boundary.arc[touch_edge] + balls.touch_along[index] * boundary.length[touch_edge]
    ahead = np.mod(touch_arc - foot_arc, boundary.ring_length[ring])
    behind = boundary.ring_length[ring] - ahead

    centre = balls.centre[index]
    opening = (centre - foot) + (centre - touch)
    width = np.maximum(np.linalg.norm(touch - foot, axis=1), 1e-12)
    growth = np.sin(np.radians(180.0 - balls.separation_deg[index]) / 2) / width
    needle = np.zeros(len(index), dtype=bool)
    for path, middle_arc in ((ahead, foot_arc + ahead / 2), (behind, foot_arc - behind / 2)):
        reach = boundary.point_at(ring, middle_arc) - (foot + touch) / 2
        closes = np.einsum("ij,ij->i", reach, opening) < 0.0
        straight = np.linalg.norm(reach, axis=1) >= _STRAIGHT_REACH * path
        needle |= closes & straight & (path * growth >= _POINT_EXPONENT)
    needle &= ring == boundary.ring[touch_edge]
    return needle


def _places(boundary: Boundary, balls: Balls, limit_mm: float) -> Ints:
    """A number per ball that is the same for all balls of one narrow place.

    Narrow balls that follow one another along the boundary belong together, and so do the two
    sides of a chord. On a straight wall two feet may lie far apart; they belong together when
    both touch the same straight wall opposite, because then all between them is narrow too.
    """
    count = len(balls.edge)
    narrow = (balls.touch_edge >= 0) & (2.0 * balls.radius < limit_mm)
    this = np.flatnonzero(narrow & narrow[balls.following])
    other = balls.following[this]
    close = np.linalg.norm(balls.foot[this] - balls.foot[other], axis=1) <= limit_mm
    straight = (balls.edge[this] == balls.edge[other]) & (balls.touch_edge[this] == balls.touch_edge[other])
    this, other = this[close | straight], other[close | straight]

    facing = np.flatnonzero(narrow & (balls.separation_deg >= FACING_DEG))
    opposite = _ball_at(boundary, balls, balls.touch_edge[facing], balls.touch_along[facing])
    both = narrow[opposite]
    rows = np.concatenate((this, facing[both]))
    columns = np.concatenate((other, opposite[both]))
    links = coo_array((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(count, count))
    labels: Ints = connected_components(links, directed=False)[1].astype(np.int64)
    return labels


def _ball_at(boundary: Boundary, balls: Balls, edge: Ints, along: Floats) -> Ints:
    """The ball that stands for a given position (0 to 1) on an edge: a corner's, or a piece's."""
    first = balls.first_on_edge[edge]
    counts = np.bincount(balls.edge[~balls.corner], minlength=len(boundary.ring))[edge]
    on_edge = first + np.minimum((along * counts).astype(np.int64), counts - 1)
    ball = np.where(along <= _AT_END, balls.preceding[first], on_edge)
    ball = np.where(along >= 1.0 - _AT_END, balls.following[first + counts - 1], ball)
    return np.where(balls.corner[ball], ball, on_edge)


def _lengths_mm(boundary: Boundary, balls: Balls, index: Ints) -> Floats:
    """Exact lengths of some chords, moved to where the walls at their ends come closest.

    Walls meet at their ends at most, so the shortest way between two pieces begins at an end of one of them.
    """
    other = _ball_at(boundary, balls, balls.touch_edge[index], balls.touch_along[index])
    squared = [
        _squared_to_piece(ends[one], balls.piece_start[piece], balls.piece_end[piece])
        for one, piece in ((index, other), (other, index))
        for ends in (balls.piece_start, balls.piece_end)
    ]
    return np.asarray(np.sqrt(np.minimum.reduce(squared)))


def _squared_to_piece(points: Floats, start: Floats, end: Floats) -> Floats:
    """Squared distances of points from pieces of wall, or from corners, whose pieces have no length."""
    (x, y), (along_x, along_y) = (points - start).T, (end - start).T
    squared = along_x**2 + along_y**2
    share = np.clip((x * along_x + y * along_y) / np.maximum(squared, _NO_LENGTH), 0.0, 1.0)
    return np.asarray((x - share * along_x) ** 2 + (y - share * along_y) ** 2)


def _spans(boundary: Boundary, balls: Balls, index: Ints) -> list[Span]:
    """Some chords, moved to where the walls at their ends come closest."""
    other = _ball_at(boundary, balls, balls.touch_edge[index], balls.touch_along[index])
    here, there = (
        shapely.linestrings(np.stack((balls.piece_start[ball], balls.piece_end[ball]), axis=1))
        for ball in (index, other)
    )
    chords = shapely.shortest_line(here, there)
    return [Span(length_um=float(chord.length) * _MM_TO_UM, chord=chord) for chord in chords]


def _compact_parts(
    geometry: MultiPolygon | Polygon,
    boundary: Boundary,
    neck_edges: Ints,
    *,
    complement: bool,
    below_mm: float,
) -> list[Span]:
    """Spans of parts that have no facing walls: a disc, a triangle, a round island.

    Such a part is as wide as the largest disc in it. Parts that own one of the chords already found
    are left out, and so are those whose largest disc must be wider than `below_mm`.
    """
    polygons = polygons_of(geometry)
    owns = np.zeros(len(boundary.part), dtype=bool)
    owns[boundary.ring[neck_edges]] = True
    if complement:
        lacking = np.flatnonzero(~owns & (boundary.hole >= 0))
        holes = ((int(boundary.part[ring]), int(boundary.hole[ring])) for ring in lacking)
        parts = [Polygon(polygons[part].interiors[hole]) for part, hole in holes]
    else:
        lacking = np.setdiff1d(boundary.part, boundary.part[owns])
        parts = [polygons[int(part)] for part in lacking]
    # The largest disc of a shape is at least 2 A/P wide.
    parts = [part for part in parts if 2.0 * part.area < below_mm * part.length]
    spans = []
    for part in _without_necks(parts):
        (x0, y0), (x1, y1) = shapely.maximum_inscribed_circle(part, tolerance=_DISC_TOLERANCE_MM).coords
        chord = LineString([(2 * x0 - x1, 2 * y0 - y1), (x1, y1)])
        spans.append(Span(length_um=chord.length * _MM_TO_UM, chord=chord))
    return spans


def _without_necks(parts: list[Polygon]) -> list[Polygon]:
    """Those of some polygons that have no walls facing each other across them."""
    if not parts:
        return []
    # Walls of one must not stand within another: those that hold others are looked at alone.
    outer = np.unique(shapely.STRtree(parts).query(parts, predicate="contains_properly")[0])
    alone = np.setdiff1d(np.arange(len(parts)), outer)
    necked = np.zeros(len(parts), dtype=bool)
    for together in (alone, *(outer[k : k + 1] for k in range(len(outer)))):
        group = [parts[index] for index in together]
        boundary = boundary_of(MultiPolygon(group))
        if boundary is None:
            continue
        low_x, low_y, high_x, high_y = shapely.bounds(group).T
        extent = float(np.hypot(high_x - low_x, high_y - low_y).max())
        balls = inscribed_balls(boundary, spacing_mm=extent, cap_mm=2 * extent)
        edge = balls.edge[_is_neck(boundary, balls)]
        necked[together[boundary.part[boundary.ring[edge]]]] = True
    return [part for part, has in zip(parts, necked, strict=True) if not has]


def _length(span: Span) -> float:
    return span.length_um
