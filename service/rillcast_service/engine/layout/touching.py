"""Where balls that grow from a wall first meet another wall.

A ball that rests on its foot p with the unit normal n, and is so large that it touches an edge, is known in
closed form: with h the distance of p from the edge's line, and m the line's unit normal on the side of p,

    r = h / (1 - n·m)                    where it touches the edge between its ends,
    r = |q - p|² / (2 n·(q - p))         where it touches an end q, which lies before n.

The largest empty ball is the least of these over all edges. Only edges near the foot are asked: those whose
boxes meet the box around a few feet's balls of the radius at hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Touches whose radii differ by less than this share are one and the same ball's.
_SAME_BALL = 1e-9
#: Feet are asked together that follow one another within so many radii along the boundary, so many at most.
_TOGETHER = 4.0
_MOST_TOGETHER = 4
#: Boxes of long edges are no longer than so many radii (or what as many feet share), for a slanted one would
#: cover the chip.
_PIECE = 8.0
#: The first radius is the largest one halved so many times at most.
_MOST_DOUBLINGS = 8
#: About so many pairs of foot and edge are worked out at once, few enough for the processor's cache.
_PAIRS_AT_ONCE, _FIRST_QUESTIONS = 1 << 16, 256
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Edges:
    """Straight edges.

    Args:
        start: (n, 2) mm; direction: (n, 2) unit vectors; length: (n,) mm.
    """

    start: Floats
    direction: Floats
    length: Floats


@dataclass(frozen=True, slots=True)
class Feet:
    """Where balls rest.

    Args:
        place: (n, 2) mm; normal: (n, 2) unit vectors into the region.
        run: (n,) distance along all rings, mm; rising, so that feet near one another follow one another.
        own, own_too: (n,) the edges that a foot lies on, two for a corner; else the same twice.
    """

    place: Floats
    normal: Floats
    run: Floats
    own: Ints
    own_too: Ints


@dataclass(frozen=True, slots=True)
class Touches:
    """What the balls meet first.

    Args:
        radius: (n,) mm; point: (n, 2) mm; edge: (n,) -1 where the ball meets nothing; along: (n,) mm from the
            edge's start.
    """

    radius: Floats
    point: Floats
    edge: Ints
    along: Floats


def first_touches(edges: Edges, feet: Feet, *, first_mm: Floats, largest_mm: float) -> Touches:
    """The largest empty balls on some feet, and what they meet.

    Args:
        edges, feet: all walls, and where balls rest on them.
        first_mm: (feet,) radius that is tried first. Where edges are short a small one asks few of them.
        largest_mm: radius beyond which balls are not grown.

    Returns:
        The touches; radii are exact to rounding. Of several points that one ball meets at once the one
        farthest from its foot is told.
    """
    count = len(feet.place)
    found = Touches(
        radius=np.full(count, largest_mm),
        point=feet.place.copy(),
        edge=np.full(count, -1, dtype=np.int64),
        along=np.zeros(count),
    )
    doublings = np.ceil(np.log2(largest_mm / np.minimum(first_mm, largest_mm)))
    doublings = np.minimum(doublings, _MOST_DOUBLINGS).astype(np.int64)
    for left in range(int(doublings.max(initial=0)), -1, -1):
        pending = np.flatnonzero((found.edge < 0) & (doublings >= left))
        radius = largest_mm / 2.0**left
        for foot, edge in _near(edges, feet, pending, radius):
            _touch(edges, feet, foot, edge, radius, found)
    return found


def _near(edges: Edges, feet: Feet, asking: Ints, radius: float) -> Iterator[tuple[Ints, Ints]]:
    """Pairs of a foot and an edge that its ball of some radius may meet; those of a foot come together."""
    if not asking.size:
        return
    longest = _PIECE * max(radius, float(edges.length.sum()) / len(asking))
    pieces = np.ceil(edges.length / longest).astype(np.int64)
    piece_edge = np.repeat(np.arange(len(pieces)), pieces)
    rank = np.arange(len(piece_edge)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    step = (edges.length / pieces)[piece_edge, None] * edges.direction[piece_edge]
    one = edges.start[piece_edge] + rank[:, None] * step
    tree = shapely.STRtree(_boxes(np.minimum(one, one + step), np.maximum(one, one + step)))

    stretch = np.floor(feet.run[asking] / (_TOGETHER * radius))
    begins = np.arange(len(asking)) % _MOST_TOGETHER == 0
    begins[1:] |= stretch[1:] != stretch[:-1]
    first = np.flatnonzero(begins)
    size = np.diff(np.append(first, len(asking)))
    centre = feet.place[asking] + radius * feet.normal[asking]
    low = np.minimum.reduceat(centre, first) - radius
    high = np.maximum.reduceat(centre, first) + radius
    begin, at_once = 0, _FIRST_QUESTIONS
    while begin < len(first):
        here = slice(begin, begin + at_once)
        question, met = tree.query(_boxes(low[here], high[here]))
        question += begin
        sizes = size[question]
        ends = np.cumsum(sizes)
        pairs = int(ends[-1]) if len(ends) else 0
        within = np.arange(pairs) - np.repeat(ends - sizes, sizes)
        yield asking[np.repeat(first[question], sizes) + within], np.repeat(piece_edge[met], sizes)
        begin += at_once
        at_once = max(min(at_once * _PAIRS_AT_ONCE // max(pairs, 1), 4 * at_once), 1)


def _boxes(low: Floats, high: Floats) -> NDArray[np.object_]:
    boxes: NDArray[np.object_] = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    return boxes


def _touch(edges: Edges, feet: Feet, foot: Ints, edge: Ints, radius: float, found: Touches) -> None:
    """Take the least ball of each foot over its pairs, where it is smaller than `radius`."""
    (px, py), (nx, ny) = feet.place[foot].T, feet.normal[foot].T
    (ax, ay), (dx, dy) = edges.start[edge].T, edges.direction[edge].T
    length = edges.length[edge]
    px, py = px - ax, py - ay
    distance, ahead = py * dx - px * dy, ny * dx - nx * dy
    beside, aside = px * dx + py * dy, nx * dx + ny * dy
    middle = beside + radius * aside
    near = np.flatnonzero(
        (np.abs(distance + radius * ahead) < radius)
        & (middle > -radius)
        & (middle < length + radius)
        & (edge != feet.own[foot])
        & (edge != feet.own_too[foot])
    )
    foot, edge, length = foot[near], edge[near], length[near]
    distance, ahead, beside, aside = distance[near], ahead[near], beside[near], aside[near]

    least = np.abs(distance) / np.maximum(1.0 - np.sign(distance) * ahead, _LEAST)
    along = beside + least * aside
    at_end = (along < 0.0) | (along > length)
    along = np.clip(along, 0.0, length)
    # from the foot to the touch, along the edge and across it
    across_x, across_y = along - beside, -distance
    squared = across_x**2 + across_y**2
    before = across_x * aside + across_y * ahead
    end_radius = np.where(before > 0.0, squared / (2.0 * np.maximum(before, _LEAST)), np.inf)
    least = np.where(at_end, end_radius, least)

    smaller = np.flatnonzero(least < radius * (1.0 - _SAME_BALL))
    foot, edge, along, least, squared = (part[smaller] for part in (foot, edge, along, least, squared))
    if not len(foot):
        return
    lowest = foot.min()
    best = np.full(foot.max() - lowest + 1, np.inf)
    np.minimum.at(best, foot - lowest, least)
    same = np.flatnonzero(least <= best[foot - lowest] * (1.0 + _SAME_BALL))
    same = same[np.argsort(squared[same], kind="stable")]
    # of several the last one stays
    foot, edge, along = foot[same], edge[same], along[same]
    found.radius[foot], found.edge[foot], found.along[foot] = least[same], edge, along
    found.point[foot] = edges.start[edge] + along[:, None] * edges.direction[edge]
