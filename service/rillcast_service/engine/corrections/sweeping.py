"""The area that a disc sweeps as it is led through a narrow place."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely import MultiPolygon

from rillcast_service.engine.layout.measure import Stretch
from rillcast_service.engine.layout.medial import Floats
from rillcast_service.engine.shapes import polygons

#: Points nearer than this are one.
_SAME_MM = 1e-7
#: The walls of a narrow place give the same middle line to rounding; snapped to 10 nm they are one.
_GRID_MM = 1e-5


def middles(stretch: Stretch) -> Floats:
    """Centres of the balls of a stretch: both walls give way alike.

    Args:
        stretch: the narrow place.

    Returns:
        (n, 2) mm.
    """
    return stretch.foot + stretch.radius_mm[:, None] * stretch.normal


def beside(stretch: Stretch, *, width_mm: float) -> Floats:
    """Centres of discs of one width that rest on the walls: the wall they rest on stays where it is.

    Args:
        stretch: the narrow place.
        width_mm: of the discs.

    Returns:
        (n, 2) mm.
    """
    return stretch.foot + (width_mm / 2.0) * stretch.normal


def swept(
    stretch: Stretch, centres: Floats, *, width_mm: float, tolerance_mm: float, side: int | None = None
) -> MultiPolygon:
    """What a disc covers on its way through a stretch.

    Args:
        stretch: says which centres follow one another.
        centres: (n, 2) mm.
        width_mm: of the disc.
        tolerance_mm: the area is at least so wide everywhere, and at most twice the tolerance wider: that is
            the room in which its arcs become chords.
        side: lead it along this wall alone; None for all.

    Returns:
        The area, mm.
    """
    own = np.ones(len(centres), dtype=bool) if side is None else stretch.side == side
    links = stretch.links[own[stretch.links[:, 0]]]
    ends = centres[links]
    long = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) > _SAME_MM if len(links) else np.zeros(0, bool)
    chains = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(ends[long])))
    ways = shapely.simplify(shapely.get_parts(chains), tolerance_mm / 2.0)
    alone = own.copy()
    alone[links[long].ravel()] = False
    radius = width_mm / 2.0 + tolerance_mm
    shapes = shapely.buffer(
        np.concatenate((ways, shapely.points(centres[alone]))),
        radius,
        # half the tolerance is for the way, half for the arcs
        quad_segs=segments(radius, tolerance_mm / 2.0),
    )
    return polygons(shapely.union_all(shapes, grid_size=_GRID_MM).simplify(_GRID_MM))


def segments(radius_mm: float, tolerance_mm: float) -> int:
    """Chords for each quarter of a circle.

    Args:
        radius_mm: of the circle.
        tolerance_mm: how far from it they may stray.

    Returns:
        The fewest that keep to that.
    """
    return math.ceil(math.pi / 4.0 / math.acos(max(1.0 - tolerance_mm / radius_mm, 0.0)))
