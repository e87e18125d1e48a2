"""Discs among drawn shapes, and how channels leave a round place: once at an end, twice on the way."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Geometries = NDArray[np.object_]

#: A drawn disc has at least so many corners, and its farthest corner from the centre is no more than so
#: many times as far as its nearest. Its area makes up at least this share of the circle through its length:
#: an octagon has 0.948, a hexagon 0.907.
_LEAST_CORNERS, _OUT_OF_ROUND, _ROUNDNESS = 8, 1.05, 0.94
#: A circle that is drawn as a line is a ring no wider than this share of its radius.
_THIN_RING = 0.25
#: Channels are looked for on circles this many times as wide as a round place: close around a pad, and
#: beyond the corners of a square end.
_AROUND = (1.1, 1.5)
_DIRECTIONS = 720


@dataclass(frozen=True, slots=True)
class Discs:
    """Shapes looked at as discs.

    Args:
        is_disc: (n,) whether the shape is a disc, or a circle drawn as a thin ring.
        centre: (n, 2) mm; diameter: (n,) mm, that of the circle's middle line for a ring. Of no meaning
            where the shape is no disc.
    """

    is_disc: Bools
    centre: Floats
    diameter: Floats


def discs_among(shapes: Geometries) -> Discs:
    """Which shapes are discs.

    Args:
        shapes: (n,) multipolygons or polygons, mm.

    Returns:
        One answer a shape.
    """
    is_disc = np.zeros(len(shapes), dtype=bool)
    centre, diameter = np.zeros((len(shapes), 2)), np.zeros(len(shapes))
    single = shapely.get_num_geometries(shapes) == 1
    index = np.flatnonzero(single & (shapely.get_num_coordinates(shapes) > _LEAST_CORNERS))
    polygons = shapely.get_geometry(shapes[index], 0)
    edges = shapely.polygons(shapely.get_exterior_ring(polygons))
    area, length = shapely.area(edges), shapely.length(edges)
    is_round = 4.0 * math.pi * area >= _ROUNDNESS * length**2
    index, polygons, edges, area = index[is_round], polygons[is_round], edges[is_round], area[is_round]
    if not index.size:
        return Discs(is_disc, centre, diameter)
    middle = shapely.get_coordinates(shapely.centroid(edges))
    corners, owner = shapely.get_coordinates(edges, return_index=True)
    away = np.hypot(*(corners - middle[owner]).T)
    first = np.searchsorted(owner, np.arange(len(index)))
    is_disc[index] = np.maximum.reduceat(away, first) <= _OUT_OF_ROUND * np.minimum.reduceat(away, first)
    centre[index], diameter[index] = middle, 2.0 * np.sqrt(area / math.pi)
    for i, polygon in zip(index, polygons, strict=True):
        if is_disc[i] and polygon.interiors:
            inner = Polygon(polygon.interiors[0])
            hole = 2.0 * math.sqrt(inner.area / math.pi)
            aside = math.hypot(*(np.array(inner.centroid.coords[0]) - centre[i]))
            thin = hole >= (1.0 - _THIN_RING) * diameter[i] and aside <= _THIN_RING * diameter[i]
            is_disc[i] = thin and len(polygon.interiors) == 1
            diameter[i] = (hole + diameter[i]) / 2.0
    return Discs(is_disc, centre, diameter)


def concentric(discs: Discs, *, at: Ints) -> Ints:
    """The smallest disc about each of some places: the hole, where a pad is drawn around it.

    Args:
        discs: from `discs_among`.
        at: (k,) indices of discs.

    Returns:
        Indices out of `at`, one for each group of discs about one centre, in their order.
    """
    kept: list[int] = []
    tree = shapely.STRtree(shapely.points(discs.centre[at]))
    for place, i in enumerate(at):
        near = tree.query(shapely.Point(discs.centre[i]).buffer(_OUT_OF_ROUND * discs.diameter[i] / 2.0))
        aside = np.hypot(*(discs.centre[at[near]] - discs.centre[i]).T)
        same = near[aside <= (_OUT_OF_ROUND - 1.0) * discs.diameter[i]]
        order = np.lexsort((same, discs.diameter[at[same]]))
        if same[order[0]] == place:
            kept.append(int(i))
    return np.array(kept, dtype=np.int64)


def at_ends(shapes: Geometries, centre: Floats, radius: Floats) -> tuple[Bools, Bools, Floats]:
    """Which round places lie at the end of a channel.

    Args:
        shapes: (n,) areas that make up the channels, mm; they may overlap.
        centre: (k, 2) mm; radius: (k,) mm, of the places.

    Returns:
        (k,) whether the place touches the channels; whether they leave it to one side only; and the radius
        of the largest disc about its centre in any one shape or in the place itself, mm.
    """
    shapely.prepare(shapes)
    tree = shapely.STRtree(shapes)
    reach = radius.copy()
    place, shape = tree.query(shapely.points(centre))
    holds = shapely.contains_xy(shapes[shape], centre[place])
    place, shape = place[holds], shape[holds]
    if place.size:
        room = shapely.distance(shapely.points(centre[place]), shapely.boundary(shapes[shape]))
        np.maximum.at(reach, place, room)
    touches, ends = np.zeros(len(centre), dtype=bool), np.zeros(len(centre), dtype=bool)
    touches[place] = True
    for factor in _AROUND:
        inside = _inside(shapes, tree, centre, factor * reach)
        entries = np.count_nonzero(inside & ~np.roll(inside, 1, axis=1), axis=1)
        touches |= inside.any(axis=1)
        ends |= (entries == 1) & (inside.mean(axis=1) < 0.5)
    return touches, ends, reach


def _inside(shapes: Geometries, tree: shapely.STRtree, centre: Floats, radius: Floats) -> Bools:
    """Whether points all around the places lie in any of the shapes, (k, directions)."""
    angle = np.linspace(0.0, 2.0 * math.pi, _DIRECTIONS, endpoint=False)
    points = centre[:, None, :] + radius[:, None, None] * np.column_stack((np.cos(angle), np.sin(angle)))
    points = points.reshape(-1, 2)
    inside = np.zeros(len(points), dtype=bool)
    point, shape = tree.query(shapely.points(points))
    inside[point[shapely.contains_xy(shapes[shape], points[point])]] = True
    return inside.reshape(len(centre), _DIRECTIONS)
