"""Exact least width of channels and least gap between them, on the vectors.

A *chord* joins two walls that face each other: the two tangent points of a medial ball (see
`medial`) that lie nearly opposite. Convex corners, rounded ends and arcs have no such ball, so they
raise no false alarm. Nor does a taper that runs into a closed tip, such as the knife edge of wall
where two branches part: its width falls to nothing by nature and says nothing of a neck.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon

from rillcast_service.engine.layout.medial import (
    FAN_STEP_DEG,
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
#: Walls that open by more than this are a taper, and may be the flank of a tip.
_TAPER_DEG = 3.0
#: Growth of the width with distance from the tip (exponent): 0 parallel walls, 1 a wedge, 2 the cusp
#: between two arcs. More than this means that the walls open into something else, so it is a neck.
_TIP_EXPONENT = 2.5
#: The first guess of the scale is this many mean widths; each further guess is so many times larger.
_FIRST_SCALE, _NEXT_SCALE = 2.0, 4.0
#: So many of the shortest chords are worked out exactly, to find the shortest of all.
_CONTENDERS = 16
_DISC_TOLERANCE_MM = 1e-4
#: Narrow stretches belong to one place when no disc between them is wider than so many limits: in a
#: right-angled bend the disc is 4 - 2 sqrt(2) = 1.17 times as wide as the channel.
_ONE_PLACE = 1.25
#: Pieces of wall on either side of a foot among which the shortest line is sought.
_NEIGHBOURS = 2
#: Half the step of the fan of balls at a corner, and a little.
_NORMAL_TOLERANCE_DEG = 8.0
#: A wall runs on smoothly through turns below this; the balls fanned at a corner stand 15° apart.
_SMOOTH_DEG = 20.0
#: A wall ends at a corner at least this sharp; at a lesser one it is the side of something round.
_WALL_ENDS_DEG = 60.0
#: A touch this near the end of its edge (as a share of it) is on the corner.
_AT_END = 1e-9
_SAME_MM = 1e-9

_MM_TO_UM = 1e3


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
class Measurements:
    """The least width of any channel and the least gap between channels; None: there is none."""

    width: Span | None
    gap: Span | None


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


def narrow_spans(geometry: MultiPolygon | Polygon, *, below_um: float) -> tuple[Span, ...]:
    """Every separate place where a channel is narrower than a limit.

    Args:
        geometry: union of the channels, mm; valid.
        below_um: the limit.

    Returns:
        One span per place, its narrowest chord, narrowest place first.
    """
    return _narrow(geometry, below_um=below_um, complement=False)


def narrow_gaps(geometry: MultiPolygon | Polygon, *, below_um: float) -> tuple[Span, ...]:
    """Every separate place where the wall between channels is thinner than a limit.

    Args:
        geometry: union of the channels, mm; valid.
        below_um: the limit.

    Returns:
        One span per place, its narrowest chord, narrowest place first.
    """
    return _narrow(geometry, below_um=below_um, complement=True)


def _least(geometry: MultiPolygon | Polygon, *, complement: bool) -> Span | None:
    boundary = boundary_of(geometry, complement=complement)
    if boundary is None:
        return None
    extent = float(np.hypot(*np.ptp(boundary.start, axis=0)))
    scale = _FIRST_SCALE * 2.0 * geometry.area / float(boundary.length.sum())
    while True:
        balls = inscribed_balls(boundary, spacing_mm=scale / 2, cap_mm=scale)
        facing = np.flatnonzero(_is_chord(boundary, balls))
        if facing.size or scale > extent:
            break
        scale *= _NEXT_SCALE
    # Every chord below the scale was found, so the least of them is the least of all.
    best = facing[np.argsort(balls.radius[facing], kind="stable")[:_CONTENDERS]]
    spans = [_exact_span(boundary, balls, int(index)) for index in best]
    least_mm = min((span.length_um / _MM_TO_UM for span in spans), default=np.inf)
    spans += _compact_parts(geometry, boundary, balls.edge[facing], complement=complement, below_mm=least_mm)
    return min(spans, key=_length, default=None)


def _narrow(geometry: MultiPolygon | Polygon, *, below_um: float, complement: bool) -> tuple[Span, ...]:
    boundary = boundary_of(geometry, complement=complement)
    if boundary is None:
        return ()
    limit = below_um / _MM_TO_UM
    cap = limit * _ONE_PLACE
    balls = inscribed_balls(boundary, spacing_mm=limit / 2, cap_mm=cap)
    facing = np.flatnonzero(_is_chord(boundary, balls))
    places = _places(boundary, balls, cap)[facing]
    order = np.lexsort((balls.radius[facing], places))
    leaders = order[np.unique(places[order], return_index=True)[1]]
    spans = [_exact_span(boundary, balls, int(index)) for index in facing[leaders]]
    spans += _compact_parts(geometry, boundary, balls.edge[facing], complement=complement, below_mm=limit)
    return tuple(sorted((span for span in spans if span.length_um < below_um), key=_length))


def _is_chord(boundary: Boundary, balls: Balls) -> NDArray[np.bool_]:
    """Which balls join two walls that face each other, tips left out."""
    chord = (balls.touch_edge >= 0) & (balls.separation_deg >= FACING_DEG)
    candidates = np.flatnonzero(chord & (balls.separation_deg < 180.0 - _TAPER_DEG))
    chord[candidates[_is_tip(boundary, balls, candidates)]] = False
    return chord


def _is_tip(boundary: Boundary, balls: Balls, index: Ints) -> NDArray[np.bool_]:
    """Whether what lies behind a chord, on the side to which its walls close, is only their tip.

    With the walls opening by the angle θ, the boundary between foot and touch of length S and the
    chord w, the width grows with the distance from the tip as the power S sin(θ/2) / w: 1 for a
    wedge, because S = w / sin(θ/2), less for a blunt one.
    """
    foot_edge, touch_edge = balls.edge[index], balls.touch_edge[index]
    ring = boundary.ring[foot_edge]
    same_ring = ring == boundary.ring[touch_edge]
    foot, touch = balls.foot[index], balls.touch[index]
    foot_arc = boundary.arc[foot_edge] + np.linalg.norm(foot - boundary.start[foot_edge], axis=1)
    touch_arc = boundary.arc[touch_edge] + balls.touch_along[index] * boundary.length[touch_edge]
    ahead = np.mod(touch_arc - foot_arc, boundary.ring_length[ring])
    behind = boundary.ring_length[ring] - ahead

    centre = balls.centre[index]
    opening = (centre - foot) + (centre - touch)
    width = np.maximum(np.linalg.norm(touch - foot, axis=1), 1e-12)
    growth = np.sin(np.radians(180.0 - balls.separation_deg[index]) / 2) / width
    closed = np.zeros(len(index), dtype=bool)
    for path, middle_arc in ((ahead, foot_arc + ahead / 2), (behind, foot_arc - behind / 2)):
        middle = boundary.point_at(ring, middle_arc)
        closes = np.einsum("ij,ij->i", middle - (foot + touch) / 2, opening) < 0.0
        closed |= closes & (path * growth <= _TIP_EXPONENT)
    tip: NDArray[np.bool_] = same_ring & closed & ~_at_jutting_corner(boundary, balls, index)
    return tip


def _at_jutting_corner(boundary: Boundary, balls: Balls, index: Ints) -> NDArray[np.bool_]:
    """Whether a chord ends at a corner that juts in, and the walls part to both of its sides.

    That is so when the chord leaves both walls along one of their normals; a corner has all normals
    between those of its two edges.
    """
    here, touched = balls.edge[index], balls.touch_edge[index]
    along = balls.touch_along[index]
    following = np.arange(len(boundary.ring)) + 1
    following[boundary.previous[boundary.first_edge]] = boundary.first_edge
    vertex = np.where(along >= 1.0 - _AT_END, following[touched], touched)
    at_vertex = (along <= _AT_END) | (along >= 1.0 - _AT_END)
    touches_corner = at_vertex & (boundary.turn_deg[vertex] > FAN_STEP_DEG)

    chord = balls.touch[index] - balls.foot[index]
    chord /= np.maximum(np.linalg.norm(chord, axis=1), 1e-12)[:, None]
    leaves_foot = _along_normal(boundary, here, balls.corner[index], chord)
    leaves_touch = _along_normal(boundary, np.where(touches_corner, vertex, touched), touches_corner, -chord)
    jutting: NDArray[np.bool_] = (balls.corner[index] | touches_corner) & leaves_foot & leaves_touch
    return jutting


def _along_normal(
    boundary: Boundary, edge: Ints, at_corner: NDArray[np.bool_], direction: Floats
) -> NDArray[np.bool_]:
    """Whether directions lie along an edge's normal, or between the normals of the corner it starts in."""
    before = boundary.normal[boundary.previous[edge]]
    middle = boundary.normal[edge] + np.where(at_corner[:, None], before, 0.0)
    middle /= np.maximum(np.linalg.norm(middle, axis=1), 1e-12)[:, None]
    spread = np.where(at_corner, boundary.turn_deg[edge] / 2, 0.0) + _NORMAL_TOLERANCE_DEG
    angle = np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", middle, direction), -1.0, 1.0)))
    within: NDArray[np.bool_] = angle <= spread
    return within


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


def _exact_span(boundary: Boundary, balls: Balls, index: int) -> Span:
    """The shortest line between the two walls near one chord.

    Where the walls have no shortest line there (both bulge outwards, as in a disc), the width is
    the ball's diameter.
    """
    touched = balls.touch_edge[index : index + 1], balls.touch_along[index : index + 1]
    here, here_ends = _wall_near(balls, index)
    there, there_ends = _wall_near(balls, int(_ball_at(boundary, balls, *touched)[0]))
    chord = shapely.shortest_line(here, there)
    if chord.length > 0.0:
        at_here, at_there = shapely.points(chord.coords)
        # A shortest line that ends where the wall was cut off would get shorter still further on.
        if at_here.distance(here_ends) < _SAME_MM or at_there.distance(there_ends) < _SAME_MM:
            foot, normal = balls.foot[index], balls.normal[index]
            chord = LineString([foot, foot + 2.0 * balls.radius[index] * normal])
    return Span(length_um=float(chord.length) * _MM_TO_UM, chord=chord)


def _wall_near(balls: Balls, index: int) -> tuple[MultiLineString, MultiPoint]:
    """The piece of wall at a foot with its neighbours, as far as the wall runs on smoothly.

    Also the points at which it was cut off although the wall runs on; it ends at a sharp corner only.
    """
    pieces, cuts = [index], []
    for step, end in ((balls.preceding, balls.piece_start), (balls.following, balls.piece_end)):
        last, taken = index, 0
        while taken < _NEIGHBOURS and _turn_deg(balls, last, int(step[last])) < _SMOOTH_DEG:
            last = int(step[last])
            # The fan of a corner has no length of its own.
            taken += not balls.corner[last]
            pieces.append(last)
        if _turn_deg(balls, last, int(step[last])) < _WALL_ENDS_DEG:
            cuts.append(end[last])
    lines = np.stack((balls.piece_start[pieces], balls.piece_end[pieces]), axis=1)
    return MultiLineString(list(lines)), MultiPoint(cuts)


def _turn_deg(balls: Balls, one: int, other: int) -> float:
    cosine = float(balls.normal[one] @ balls.normal[other])
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def _compact_parts(
    geometry: MultiPolygon | Polygon,
    boundary: Boundary,
    chord_edges: Ints,
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
    owns[boundary.ring[chord_edges]] = True
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
    for part in parts:
        if _has_chord(part):
            continue
        (x0, y0), (x1, y1) = shapely.maximum_inscribed_circle(part, tolerance=_DISC_TOLERANCE_MM).coords
        chord = LineString([(2 * x0 - x1, 2 * y0 - y1), (x1, y1)])
        spans.append(Span(length_um=chord.length * _MM_TO_UM, chord=chord))
    return spans


def _has_chord(part: Polygon) -> bool:
    """Whether a polygon has walls that face each other across it."""
    boundary = boundary_of(part)
    if boundary is None:
        return False
    extent = float(np.hypot(*np.ptp(boundary.start, axis=0)))
    return bool(_is_chord(boundary, inscribed_balls(boundary, spacing_mm=extent, cap_mm=2 * extent)).any())


def _length(span: Span) -> float:
    return span.length_um
