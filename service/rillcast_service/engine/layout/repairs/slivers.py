"""Shreds and hairs: pieces, and spikes of pieces, thinner than anything that can be made."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.model import RepairKind
from rillcast_service.engine.layout.polygons import on_grid, rings_of
from rillcast_service.engine.layout.repairs.mends import Mend
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes
from rillcast_service.engine.layout.repairs.outlines import Outlines

Place = tuple[float, float]

#: An outline that turns back by this much within the width of a hair is the hair's tip.
_TIP_TURN = math.radians(150.0)

#: A hair widens suddenly where it grows out of a channel, by a corner of at least so much. Without one,
#: what gets thinner is the sharp end of a shape that is meant.
_BASE_TURN = math.radians(30.0)


def without_shreds(pieces: Shapes, *, sliver_mm: float) -> tuple[Shapes, list[Mend]]:
    """Pieces without those that are thinner than a sliver everywhere.

    Args:
        pieces: valid polygons, object array of shape (n,), mm.
        sliver_mm: what is thinner is no feature.

    Returns:
        The pieces that are left, and what was removed.
    """
    # The area of a shape of no more than some width is at most half that width times its perimeter.
    thin = np.flatnonzero(2.0 * shapely.area(pieces) < sliver_mm * shapely.length(pieces))
    shreds = thin[shapely.is_empty(shapely.buffer(pieces[thin], -sliver_mm / 2.0))]
    mends = [
        Mend.at(
            pieces[index],
            RepairKind.SLIVER,
            f"a shape thinner than {sliver_mm * 1e3:g} µm was removed",
            before_mm2=pieces[index].area,
            after_mm2=0.0,
        )
        for index in shreds
    ]
    return np.delete(pieces, shreds), mends


def without_hairs(pieces: Shapes, *, sliver_mm: float) -> tuple[Shapes, list[Mend]]:
    """Pieces without the hairs that stick out of them, and otherwise unchanged.

    A hair is found by its tip, where the outline turns back within the width of a sliver, and followed
    down both its sides to where they part.

    Args:
        pieces: valid polygons, object array of shape (n,), mm.
        sliver_mm: what is thinner is no feature.

    Returns:
        The pieces, and what was removed.
    """
    kept, mends = pieces.copy(), []
    left = np.arange(len(pieces))
    # Without a hair, a piece may turn out to be the hair of what it was before.
    while len(left):
        shorn, areas, places = _without_hairs_once(kept[left], sliver_mm)
        left = left[shorn]
        for number, area, (x, y) in zip(left, areas, places, strict=True):
            what = f"a hair thinner than {sliver_mm * 1e3:g} µm was removed"
            before, after = float(kept[number].area), float(area.area)
            mends.append(Mend(RepairKind.SLIVER, what, x, y, before, after))
            kept[number] = area
    return kept, mends


def _without_hairs_once(pieces: Shapes, sliver_mm: float) -> tuple[Indices, list[Polygon], list[Place]]:
    """Which pieces lose hairs, what is left of each of them, and the tip of its first hair."""
    outlines = Outlines.of(pieces)
    tips = _tips(outlines, sliver_mm)
    numbers: list[int] = []
    areas: list[Polygon] = []
    places: list[Place] = []
    for number, in_piece in _grouped(outlines.polygon[outlines.ring[tips]], tips):
        rings, found = rings_of(pieces[number]), list[Place]()
        first_ring = int(np.searchsorted(outlines.polygon, number))
        for ring, in_ring in _grouped(outlines.ring[in_piece], in_piece):
            first, end = outlines.first[ring], outlines.first[ring + 1]
            corners, turn = outlines.points[first:end], outlines.turn[first:end]
            shorn, here = _shorn(corners, turn, in_ring - first, sliver_mm)
            rings[ring - first_ring] = np.vstack([shorn, shorn[:1]])
            found += here
        bald = on_grid(np.array([Polygon(rings[0], rings[1:])]))[0]
        if found and bald.is_valid and not bald.is_empty:
            numbers.append(number)
            areas.append(bald)
            places.append(found[0])
    return np.array(numbers, dtype=np.intp), areas, places


def _grouped(keys: Indices, values: Indices) -> Iterator[tuple[int, Indices]]:
    """Values of equal keys together; the keys ascend."""
    distinct, starts = np.unique(keys, return_index=True)
    ends = np.append(starts, len(values))[1:]
    return ((int(key), values[a:b]) for key, a, b in zip(distinct, starts, ends, strict=True))


def _tips(outlines: Outlines, sliver_mm: float) -> Indices:
    """Corners at which an outline begins to turn back within the width of a sliver."""
    turned = np.concatenate([[0.0], np.cumsum(outlines.turn)])
    along = np.concatenate([[0.0], np.cumsum(outlines.reach)])
    last = np.searchsorted(along[:-1], along[:-1] + sliver_mm, side="right") - 1
    last = np.minimum(last, outlines.first[outlines.ring + 1] - 1)
    turns_back = turned[last + 1] - turned[:-1] >= _TIP_TURN
    # A tip across the first corner of a ring.
    start = outlines.first[:-1]
    closes = outlines.reach[outlines.before[start]] <= sliver_mm
    around = outlines.turn[start] + outlines.turn[outlines.before[start]] >= _TIP_TURN
    turns_back[outlines.before[start[closes & around]]] = True
    return np.flatnonzero(turns_back)


def _shorn(
    corners: Points, turn: NDArray[np.float64], starts: Indices, sliver_mm: float
) -> tuple[Points, list[Place]]:
    """A ring without its hairs, and the tips of those.

    Args:
        corners: shape (n, 2), mm.
        turn: at each corner towards the inside, radians, shape (n,).
        starts: corners at which a tip begins, in ascending order.
        sliver_mm: what is thinner is no feature.
    """
    count = len(corners)
    left, kept = corners.copy(), np.ones(count, dtype=bool)
    tips: list[Place] = []
    for start in map(int, starts):
        if not kept[start]:
            continue
        end, turned = start, float(turn[start])
        while turned < _TIP_TURN and end < start + count:
            end += 1
            turned += float(turn[end % count])
        low, high = _base(corners, start, end, sliver_mm)
        widens = max(-turn[low % count], -turn[high % count]) >= _BASE_TURN
        removed = np.arange(low + 1, high) % count
        if not widens or len(removed) == 0 or count - len(removed) < 3:
            continue
        # Where one side of the hair runs on into the edge of the piece, that side is cut off level.
        one, other = left[low % count], left[high % count]
        if math.dist(one, other) >= sliver_mm:
            left[low % count] = _beside(other, one, corners[(low - 1) % count])
            left[high % count] = _beside(one, other, corners[(high + 1) % count])
        kept[removed] = False
        tips.append((float(corners[start][0]), float(corners[start][1])))
    return left[kept], tips


def _base(corners: Points, low: int, high: int, sliver_mm: float) -> tuple[int, int]:
    """Down both sides of a hair, as long as each next corner lies next to the other side."""
    count = len(corners)

    def is_beside(index: int, one: int, other: int) -> bool:
        corner = corners[index % count]
        nearest = _beside(corner, corners[one % count], corners[other % count])
        return math.dist(corner, nearest) < sliver_mm

    while high - low < count - 2:
        if is_beside(low - 1, high, high + 1):
            low -= 1
        elif is_beside(high + 1, low, low - 1):
            high += 1
        else:
            break
    return low, high


def _beside(point: Points, start: Points, end: Points) -> Points:
    """The place on a segment that is nearest to a point."""
    step = end - start
    part = float(np.clip((point - start) @ step / (step @ step), 0.0, 1.0))
    nearest: Points = start + part * step
    return nearest
