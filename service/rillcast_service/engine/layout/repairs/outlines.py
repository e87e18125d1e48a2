"""The rings of very many polygons as flat arrays: what is asked of every corner is asked of all at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes


@dataclass(frozen=True, slots=True)
class Outlines:
    """Corners of rings, one ring after the other, none repeated.

    Args:
        points: corners, shape (n, 2), mm.
        ring: number of the ring of each corner, shape (n,).
        first: index of the first corner of each ring and, at the end, n; shape (r + 1,).
        polygon: number of the polygon of each ring, shape (r,).
        before, after: the corner before and after each one in its ring, shape (n,).
        turn: by how much the outline turns at each corner towards the area's inside (a convex corner
            turns to the inside), radians, shape (n,).
        reach: length from each corner to the next, shape (n,).
    """

    points: Points
    ring: Indices
    first: Indices
    polygon: Indices
    before: Indices
    after: Indices
    turn: NDArray[np.float64]
    reach: NDArray[np.float64]

    @classmethod
    def of(cls, polygons: Shapes) -> Outlines:
        """The rings of polygons, those of a polygon after one another, its outer ring first.

        Args:
            polygons: valid, object array of shape (p,).

        Returns:
            All their corners.
        """
        rings, polygon = shapely.get_rings(polygons, return_index=True)
        outer = np.concatenate([[True], polygon[1:] != polygon[:-1]])
        every, ring_of_every = shapely.get_coordinates(rings, return_index=True)
        # The last corner of a ring repeats its first.
        kept = np.concatenate([ring_of_every[1:] == ring_of_every[:-1], [False]])
        points, ring = every[kept], ring_of_every[kept]
        first = np.searchsorted(ring, np.arange(len(rings) + 1))
        index = np.arange(len(points))
        after = index + 1
        after[first[1:] - 1] = first[:-1]
        before = index - 1
        before[first[:-1]] = first[1:] - 1
        steps = points[after] - points
        arriving = steps[before]
        cross = arriving[:, 0] * steps[:, 1] - arriving[:, 1] * steps[:, 0]
        turn = np.arctan2(cross, np.sum(arriving * steps, axis=1))
        # The sum of all turns is one full turn, to the left where the ring goes round anticlockwise.
        is_left = np.add.reduceat(turn, first[:-1]) > 0.0
        inwards = np.where(is_left == outer, 1.0, -1.0)
        return cls(
            points=points,
            ring=ring,
            first=first,
            polygon=polygon,
            before=before,
            after=after,
            turn=turn * inwards[ring],
            reach=np.hypot(*steps.T),
        )
