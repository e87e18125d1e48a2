"""The largest balls that fit between walls, computed on the vectors.

A ball is tangent to the boundary at one point (its foot) and grows along the inward normal until it
meets the boundary a second time (its touch). All balls together are the medial axis of the region;
their diameters are its local widths. Touches are found on the edges themselves (see `touching`), so a
radius does not depend on how finely the opposite wall is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from rillcast_service.engine.layout.touching import Edges, Feet, first_touches

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A corner that turns into the region by more than this gets balls of its own, fanned this far apart
#: (a single one on the bisector at the corners of a flattened arc).
_LEAST_TURN_DEG, _FAN_STEP_DEG = 0.1, 15.0
#: Edges shorter than a nanometre are rounding of earlier set operations, not shape.
_DUST_MM = 1e-6
#: A ball at a corner smaller than this means that another wall touches the corner.
TOUCHING_MM = 1e-7
#: Balls are first tried at so many times the piece of edge that their foot stands for.
_FIRST_RADIUS = 16.0
#: No edge is cut finer than this: a straight wall is fully described by the walls that face it.
_MAX_PIECES = 2049


@dataclass(frozen=True, slots=True)
class Boundary:
    """Every edge of a region's boundary, with the region on the left of each.

    Args:
        start, end: (n, 2) mm; direction, normal: (n, 2) unit vectors, the normal into the region.
        length: (n,) mm.
        ring: (n,) which ring an edge belongs to; edges of a ring follow one another.
        previous: (n,) index of the edge before.
        arc: (n,) distance along the ring to the edge's start, mm; ring_length: (rings,) mm.
        part, hole: (rings,) polygon that a ring belongs to, and its number among that polygon's holes
            (-1 for the outer ring).
        turn_deg: (n,) turn at the edge's start vertex, positive into the region (a corner that juts in).
    """

    start: Floats
    end: Floats
    direction: Floats
    normal: Floats
    length: Floats
    ring: Ints
    previous: Ints
    first_edge: Ints
    arc: Floats
    ring_length: Floats
    part: Ints
    hole: Ints
    turn_deg: Floats

    def point_at(self, ring: Ints, arc: Floats) -> Floats:
        """Points of given rings at given distances along them.

        Args:
            ring: (k,); arc: (k,) mm, wraps around.

        Returns:
            (k, 2) mm.
        """
        offset = np.concatenate(([0.0], np.cumsum(self.ring_length)))
        wrapped = np.mod(arc, self.ring_length[ring])
        starts = offset[self.ring] + self.arc
        edge = np.clip(np.searchsorted(starts, offset[ring] + wrapped, side="right") - 1, 0, len(starts) - 1)
        along = np.minimum(wrapped - self.arc[edge], self.length[edge])
        return self.start[edge] + along[:, None] * self.direction[edge]


def boundary_of(geometry: MultiPolygon | Polygon, *, complement: bool = False) -> Boundary | None:
    """The boundary of polygons, seen from inside them or from outside.

    Args:
        geometry: valid polygons, mm.
        complement: take the region outside the polygons (the walls between channels).

    Returns:
        The boundary, or None when there is none.
    """
    starts: list[Floats] = []
    names: list[tuple[int, int]] = []
    for part, polygon in enumerate(polygons_of(geometry)):
        turned = orient(polygon)
        for hole, ring in enumerate((turned.exterior, *turned.interiors), start=-1):
            points = shapely.get_coordinates(ring)[:-1]
            if complement:
                points = points[::-1]
            keep = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1) > _DUST_MM
            if keep.sum() >= 3:
                starts.append(points[keep])
                names.append((part, hole))
    if not starts:
        return None
    sizes = np.array([len(points) for points in starts])
    first = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64)
    start = np.concatenate(starts)
    end = np.concatenate([np.roll(points, -1, axis=0) for points in starts])
    ring = np.repeat(np.arange(len(sizes)), sizes)
    previous = np.arange(len(start)) - 1
    previous[first] = first + sizes - 1
    vector = end - start
    length = np.hypot(vector[:, 0], vector[:, 1])
    direction = vector / length[:, None]
    before = direction[previous]
    cross = before[:, 0] * direction[:, 1] - before[:, 1] * direction[:, 0]
    dot = np.einsum("ij,ij->i", before, direction)
    ring_length = np.add.reduceat(length, first)
    run = np.cumsum(length) - length
    return Boundary(
        start=start,
        end=end,
        direction=direction,
        normal=np.column_stack((-direction[:, 1], direction[:, 0])),
        length=length,
        ring=ring,
        previous=previous,
        first_edge=first,
        arc=run - run[first][ring],
        ring_length=ring_length,
        part=np.array([part for part, _ in names]),
        hole=np.array([hole for _, hole in names]),
        turn_deg=-np.degrees(np.arctan2(cross, dot)),
    )


@dataclass(frozen=True, slots=True)
class Balls:
    """Balls in the order of their feet along the boundary.

    Args:
        spacing_mm: largest distance between feet along an edge.
        foot, normal: (n, 2) tangent point in mm, and unit normal into the region there.
        edge: (n,) edge that the foot lies on (for a corner: the edge that starts there).
        piece_start, piece_end: (n, 2) mm, the stretch of that edge which the foot stands for.
        corner: (n,) whether the foot is a corner that juts into the region.
        preceding, following: (n,) index of the neighbouring balls along the ring.
        first_on_edge: (edges,) index of the first ball on an edge that is not its corner's.
        radius: (n,) mm; `cap / 2` where the ball met nothing.
        touch: (n, 2) second tangent point; touch_edge: (n,) its edge, -1 where the ball met nothing.
        touch_along: (n,) position of the touch on its edge, 0 to 1.
        separation_deg: (n,) angle foot-centre-touch; 180 where the two walls face each other.
    """

    spacing_mm: float
    foot: Floats
    normal: Floats
    edge: Ints
    piece_start: Floats
    piece_end: Floats
    corner: NDArray[np.bool_]
    preceding: Ints
    following: Ints
    first_on_edge: Ints
    radius: Floats
    touch: Floats
    touch_edge: Ints
    touch_along: Floats
    separation_deg: Floats

    @property
    def centre(self) -> Floats:
        """Centres, (n, 2) mm."""
        return self.foot + self.radius[:, None] * self.normal


def inscribed_balls(boundary: Boundary, *, spacing_mm: float, cap_mm: float) -> Balls:
    """Largest empty balls tangent to a boundary.

    Args:
        boundary: from `boundary_of`.
        spacing_mm: largest distance between feet along an edge; every edge has at least one foot,
            in its middle, and every corner that juts in has a fan of its own.
        cap_mm: largest diameter of interest; balls are not grown beyond it.

    Returns:
        The balls. Radii are exact to rounding; they do not depend on `spacing_mm`.
    """
    pieces = np.clip(np.ceil(boundary.length / spacing_mm), 1, _MAX_PIECES).astype(np.int64)
    pieces += 1 - pieces % 2
    fans = np.ceil(boundary.turn_deg / _FAN_STEP_DEG).astype(np.int64)
    # An odd number, so that one ball stands on the bisector.
    fans = np.where(boundary.turn_deg > _LEAST_TURN_DEG, fans + 1 - fans % 2, 0)
    per_edge = pieces + fans
    first = np.concatenate(([0], np.cumsum(per_edge)[:-1])).astype(np.int64)
    edge = np.repeat(np.arange(len(per_edge)), per_edge)
    rank = np.arange(len(edge)) - first[edge]
    corner = rank < fans[edge]

    step = boundary.length[edge] / pieces[edge]
    low = (rank - fans[edge]) * step
    along = np.where(corner, 0.0, low + step / 2)
    origin, direction = boundary.start[edge], boundary.direction[edge]
    foot = origin + along[:, None] * direction
    # A foot stands for its own piece and the ones beside it, so that what faces it is not missed.
    piece_start = origin + np.where(corner, 0.0, np.maximum(low - step, 0.0))[:, None] * direction
    piece_end = (
        origin
        + np.where(corner, 0.0, np.minimum(low + 2.0 * step, boundary.length[edge]))[:, None] * direction
    )
    share = (rank + 0.5) / np.maximum(fans[edge], 1)
    normal = boundary.normal[edge].copy()
    normal[corner] = _rotated(
        boundary.normal[boundary.previous[edge[corner]]],
        -np.radians(boundary.turn_deg[edge[corner]] * share[corner]),
    )

    following = np.arange(len(edge)) + 1
    ring_first = first[boundary.first_edge]
    following[np.concatenate((ring_first[1:], [len(edge)])) - 1] = ring_first
    preceding = np.empty_like(following)
    preceding[following] = np.arange(len(edge))

    ring_run = np.cumsum(boundary.ring_length) - boundary.ring_length
    met = first_touches(
        Edges(boundary.start, boundary.direction, boundary.length),
        Feet(
            place=foot,
            normal=normal,
            run=ring_run[boundary.ring[edge]] + boundary.arc[edge] + along,
            own=edge,
            own_too=np.where(corner, boundary.previous[edge], edge),
        ),
        first_mm=_FIRST_RADIUS * step,
        largest_mm=cap_mm / 2,
    )
    radius, touch, touch_edge = met.radius, met.point, met.edge
    touch_along = np.where(touch_edge < 0, 0.0, met.along / boundary.length[touch_edge])
    centre = foot + radius[:, None] * normal
    to_touch = touch - centre
    reach = np.maximum(np.hypot(to_touch[:, 0], to_touch[:, 1]), 1e-300)
    cosine = -np.einsum("ij,ij->i", normal, to_touch) / reach
    separation = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    separation[touch_edge < 0] = 0.0
    return Balls(
        spacing_mm=spacing_mm,
        foot=foot,
        normal=normal,
        edge=edge,
        piece_start=piece_start,
        piece_end=piece_end,
        corner=corner,
        preceding=preceding,
        following=following,
        first_on_edge=first + fans,
        radius=radius,
        touch=touch,
        touch_edge=touch_edge,
        touch_along=touch_along,
        separation_deg=separation,
    )


def _rotated(vectors: Floats, angles: Floats) -> Floats:
    cosine, sine = np.cos(angles), np.sin(angles)
    x, y = vectors[:, 0], vectors[:, 1]
    return np.column_stack((cosine * x - sine * y, sine * x + cosine * y))


def polygons_of(geometry: MultiPolygon | Polygon) -> tuple[Polygon, ...]:
    """The polygons of a geometry.

    Args:
        geometry: polygons.

    Returns:
        Its parts, empty ones left out.
    """
    return tuple(part for part in shapely.get_parts(geometry) if not part.is_empty)
