"""Round pads at the dead ends of channels, found on the walls of the joined channels.

Along the wall of a channel that ends in a round pad runs an arc of far more than half a turn, from one
corner of the channel's mouth to the other. So every stretch of wall that only turns inwards, and turns by
enough in all, is looked at: three of its corners give a circle, and its other corners and edges must lie
close to it. A chamber on the way has two mouths and so no such arc; a rounded end turns by half a turn.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A pad is at least so many times as wide as the channel that leads to it.
CLEARLY_WIDER = 1.25
#: Its wall lies this close to a circle, as a share of its radius: an octagon is a circle, a hexagon is not.
_OUT_OF_ROUND = 0.1
#: The arc of wall that settles the circle. A pad that is clearly wider than its channel has 254 degrees, and
#: one that tapers into the channel like a drop has 200.
_ARC_DEG = 200.0
#: A stretch of wall of fewer corners is no arc.
_LEAST_CORNERS = 7
#: A turn outwards by more than this ends a stretch.
_OUTWARDS_DEG = -3.0
#: Walls are looked at without their flattening and roughness, which are below this share of the least radius.
_SMOOTH = 0.01
#: Corners of finely drawn walls this far apart, as a share of the least radius, are enough; sharp ones stay.
_APART, _SHARP_DEG = 0.15, 15.0
#: Directions, and shares of the radius, in which a pad must be open.
_DIRECTIONS, _DEPTHS = 16, (0.1, 0.5, 0.9)
#: Points across the mouth of a pad, and how far beside it a slanting channel may still leave.
_ACROSS, _BESIDE_DEG = 64, 10.0
#: So many of the best circles through a stretch of wall are followed.
_TRIES = 4


@dataclass(frozen=True, slots=True)
class Pad:
    """A round place in which a channel ends.

    Args:
        x_mm, y_mm: centre; diameter_mm: of the largest disc about it; mouth_mm: width of the channel there.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    mouth_mm: float


@dataclass(frozen=True, slots=True)
class _Arc:
    """A circle that a stretch of wall follows, and its mouth: where the wall leaves it on both sides.

    Args:
        centre: (2,) mm; radius: of the largest disc about it within the wall, mm; outer: of the circle
            that the wall stays within, mm.
        mouth_mm: from one side of the mouth to the other; begin, sweep: direction of its one side and turn
            to the other, radians.
    """

    centre: Floats
    radius: float
    outer: float
    mouth_mm: float
    begin: float
    sweep: float


def round_pads(channels: MultiPolygon, *, least_mm: float) -> list[Pad]:
    """The round pads in which channels end.

    Args:
        channels: of one plane, joined, mm.
        least_mm: diameter below which a pad is not looked for.

    Returns:
        Pads in reading order.
    """
    arcs = [arc for stretch in _stretches(channels, least_mm) if (arc := _arc(stretch)) is not None]
    arcs = [arc for arc in arcs if 2.0 * arc.radius >= least_mm]
    if not arcs:
        return []
    pads = [
        Pad(float(arc.centre[0]), float(arc.centre[1]), 2.0 * arc.radius, arc.mouth_mm)
        for arc, is_end in zip(arcs, _are_ends(arcs, channels), strict=True)
        if is_end
    ]
    return in_reading_order(pads)


def _stretches(channels: MultiPolygon, least_mm: float) -> Iterator[Floats]:
    """Stretches of wall between corners that jut into the channels, (n, 2) mm each."""
    rings, part = shapely.get_rings(shapely.get_parts(channels), return_index=True)
    is_outer = np.diff(part, prepend=-1) > 0
    many = shapely.get_num_coordinates(rings) > _LEAST_CORNERS
    points, ring = shapely.get_coordinates(rings[many], return_index=True)
    if not ring.size:
        return
    kept = _thinned(points, ring, apart_mm=_APART * least_mm / 2.0)
    walls = shapely.simplify(
        shapely.linestrings(points[kept], indices=ring[kept]),
        _SMOOTH * least_mm / 2.0,
        preserve_topology=False,
    )
    many_left = shapely.get_num_coordinates(walls) > _LEAST_CORNERS
    points, ring = shapely.get_coordinates(walls[many_left], return_index=True)
    if not ring.size:
        return
    points, ring = (values[np.diff(ring, append=-1) == 0] for values in (points, ring))  # closing ones out
    size = np.bincount(ring)
    first = np.cumsum(size) - size
    following = np.arange(len(points)) + 1
    following[first + size - 1] = first
    preceding = np.empty_like(following)
    preceding[following] = np.arange(len(points))

    step = points[following] - points
    before = step[preceding]
    doubled = points[:, 0] * points[following, 1] - points[following, 0] * points[:, 1]
    with_region_left = (np.add.reduceat(doubled, first) > 0.0) == is_outer[many][many_left]
    turn = np.where(with_region_left, 1.0, -1.0)[ring] * _turn_deg(before, step)

    juts = turn < _OUTWARDS_DEG
    corner = np.flatnonzero(juts)
    if not corner.size:
        return
    # From each jutting corner to the next one of its ring, which may be the same one once around.
    begins = np.flatnonzero(np.diff(ring[corner], prepend=-1) > 0)
    succeeding = np.arange(len(corner)) + 1
    succeeding[np.append(begins[1:], len(corner)) - 1] = begins
    start, around = first[ring[corner]], size[ring[corner]]
    count = corner[succeeding] - corner
    count = np.where(count > 0, count, count + around)
    summed = np.concatenate(([0.0], np.cumsum(np.where(juts, 0.0, turn))))  # of all corners before
    last, stop = corner + count, start + around
    total = np.where(
        last < stop,
        summed[np.minimum(last, stop)] - summed[corner],
        summed[stop] - summed[corner] + summed[np.maximum(last - around, start)] - summed[start],
    )
    for k in np.flatnonzero((total >= _ARC_DEG) & (count >= _LEAST_CORNERS)):
        yield points[start[k] + (corner[k] - start[k] + np.arange(count[k] + 1)) % around[k]]


def _thinned(points: Floats, ring: Ints, *, apart_mm: float) -> NDArray[np.bool_]:
    """Which corners stand for finely drawn walls: some along the way, and every sharp one.

    Smoothing takes far longer than this, and a wall of fine chords is smooth.
    """
    step = np.diff(points, axis=0)
    within = np.diff(ring) == 0
    along = np.cumsum(np.where(within, np.hypot(step[:, 0], step[:, 1]), 0.0)) // apart_mm
    kept = np.ones(len(points), dtype=bool)
    kept[1:-1] = (np.diff(along) > 0.0) | ~within[:-1] | ~within[1:]
    kept[1:-1] |= np.abs(_turn_deg(step[:-1], step[1:])) > _SHARP_DEG
    return kept


def _arc(points: Floats) -> _Arc | None:
    """The circle that a stretch of wall follows for far more than half a turn, if there is one."""
    step = np.diff(points, axis=0)
    turned = np.concatenate(([0.0], np.cumsum(np.abs(_turn_deg(step[:-1], step[1:])))))
    i = np.arange(len(turned))
    middle = np.searchsorted(turned, turned + _ARC_DEG / 2.0)
    j = np.searchsorted(turned, turned + _ARC_DEG) + 1
    fits = j < len(points)
    i, middle, j = i[fits], middle[fits], j[fits]
    centre = _centres(points[i], points[middle], points[j])
    with np.errstate(invalid="ignore", divide="ignore"):
        radius = np.hypot(*(points[i] - centre).T)
        off = np.zeros(len(i))
        for k in ((i + middle) // 2, (middle + j) // 2):
            off = np.maximum(off, np.abs(np.hypot(*(points[k] - centre).T) / radius - 1.0))
    for best in np.argsort(off, kind="stable")[:_TRIES]:
        if off[best] <= _OUT_OF_ROUND:
            arc = _followed(points, int(i[best]), int(j[best]), centre[best], float(radius[best]))
            if arc is not None:
                return arc
    return None


def _followed(points: Floats, i: int, j: int, centre: Floats, radius: float) -> _Arc | None:
    """How far a stretch of wall keeps to a circle on both sides of its corners i to j."""
    on = np.abs(np.hypot(*(points - centre).T) / radius - 1.0) <= _OUT_OF_ROUND
    if not on[i : j + 1].all():
        return None
    off = np.flatnonzero(~on)
    low, high = off[off < i], off[off > j]
    i = int(low[-1]) + 1 if low.size else 0
    j = int(high[0]) - 1 if high.size else len(points) - 1
    inner = float(LineString(points[i : j + 1]).distance(Point(centre)))
    if inner < (1.0 - _OUT_OF_ROUND) * radius:
        return None
    outer = (1.0 + _OUT_OF_ROUND) * radius
    wall = [points[i : j + 1]]
    if i > 0:
        wall.insert(0, _where_left(points[i], points[i - 1], centre, outer))
    if j < len(points) - 1:
        wall.append(_where_left(points[j], points[j + 1], centre, outer))
    arms = np.concatenate(wall) - centre
    along = float(np.radians(_turn_deg(arms[:-1], arms[1:])).sum())
    sweep = math.copysign(2.0 * math.pi, along) - along
    mouth_mm = float(np.hypot(*(arms[-1] - arms[0])))
    if not math.pi < abs(along) < 2.0 * math.pi or CLEARLY_WIDER * mouth_mm > 2.0 * inner:
        return None
    return _Arc(centre, inner, outer, mouth_mm, float(np.arctan2(*arms[-1][::-1])), sweep)


def _where_left(inside: Floats, outside: Floats, centre: Floats, radius: float) -> Floats:
    """Where the way from a point inside a circle to one outside leaves it, (1, 2) mm."""
    way, arm = outside - inside, inside - centre
    a, b, c = (float(value) for value in (way @ way, 2.0 * way @ arm, arm @ arm - radius**2))
    share = (-b + math.sqrt(max(b * b - 4.0 * a * c, 0.0))) / (2.0 * a)
    left: Floats = (inside + min(share, 1.0) * way)[None]
    return left


def _are_ends(arcs: Sequence[_Arc], channels: MultiPolygon) -> list[bool]:
    """Whether each arc bounds a place that is open, and that one channel leaves."""
    around = np.linspace(0.0, 2.0 * math.pi, _DIRECTIONS, endpoint=False)
    disc = np.concatenate([depth * _directions(around) for depth in _DEPTHS])
    beside = math.radians(_BESIDE_DEG)
    points = []
    for arc in arcs:
        sides = math.copysign(beside, arc.sweep) * np.linspace(0.0, 1.0, _ACROSS // 2)[1:]
        across = np.linspace(0.0, arc.sweep, _ACROSS)
        angle = arc.begin + np.concatenate((-sides[::-1], across, arc.sweep + sides))
        points += [arc.centre + arc.radius * disc, arc.centre + arc.outer * _directions(angle)]
    shapely.prepare(channels)
    inside = shapely.contains_xy(channels, np.concatenate(points)).reshape(len(arcs), -1)
    is_open = inside[:, : len(disc)].all(axis=1)
    mouth = inside[:, len(disc) :]
    ways = mouth[:, 0] + np.count_nonzero(mouth[:, 1:] & ~mouth[:, :-1], axis=1)
    return list(is_open & (ways <= 1))


def in_reading_order(pads: Sequence[Pad]) -> list[Pad]:
    """Pads as they are read.

    Args:
        pads: in any order.

    Returns:
        From left to right, and from top to bottom where they lie one above the other.
    """
    columns: list[list[Pad]] = []
    for pad in sorted(pads, key=lambda pad: (pad.x_mm, -pad.y_mm)):
        if columns and pad.x_mm - columns[-1][0].x_mm <= columns[-1][0].diameter_mm / 2.0:
            columns[-1].append(pad)
        else:
            columns.append([pad])
    return [pad for column in columns for pad in sorted(column, key=lambda pad: (-pad.y_mm, pad.x_mm))]


def _turn_deg(before: Floats, after: Floats) -> Floats:
    """Angles from vectors to vectors, (n,) degrees, positive anticlockwise."""
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn: Floats = np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", before, after)))
    return turn


def _centres(a: Floats, b: Floats, c: Floats) -> Floats:
    """Centres of the circles through three points each, (n, 2)."""
    b, c = b - a, c - a
    doubled = 2.0 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
    bb, cc = np.einsum("ij,ij->i", b, b), np.einsum("ij,ij->i", c, c)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (c[:, 1] * bb - b[:, 1] * cc) / doubled
        y = (b[:, 0] * cc - c[:, 0] * bb) / doubled
    centres: Floats = a + np.column_stack((x, y))
    return centres


def _directions(angle: Floats) -> Floats:
    return np.column_stack((np.cos(angle), np.sin(angle)))
