"""Where a drawing is not kept: stretches of channel that do not come out, walls and islands that are gone.

Two outlines that differ by the same small step all along are the same shape; what matters is where all
of a width is gone, from one wall to the other. That also tells what happens within one connected shape,
where counting shapes sees nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.shapes import polygons

#: Least share of a part's rim that lies on drawn walls, for all of the width to be gone there: a strip
#: along one wall has half of its rim on it, a rounded square corner 2 / (2 + π/2) = 0.56.
_BOTH_WALLS = 0.75
#: What has one open end and is no longer, in steps, is the tip of a corner: every tip is rounded off, one
#: of 30° by 1 / tan(15°) = 3.7 steps.
_TIP_STEPS = 5.0
_ROUNDING = 1e-6
#: Rims that lie no farther apart are the same, mm.
_SAME_MM = 1e-4
#: What is thinner lies between a wall that hardly moved and its drawing, mm.
_THINNEST_MM = 1e-3
#: What has one end that is wider than the strip of its area by this factor runs into a point: of a wedge it
#: is 2, of a strip 1. A point is always rounded off.
_WEDGE = 1.5


@dataclass(frozen=True, slots=True)
class Gone:
    """A part of a drawn shape, or of a wall, of which nothing is left over the whole width.

    Args:
        part: mm, from one drawn wall to the other.
        ends: at how many sides something is left of it; none: it is gone whole, two or more: it is cut.
    """

    part: Polygon
    ends: int


def lost_stretches(
    drawn: MultiPolygon, made: MultiPolygon, *, step_mm: float, tip_mm: float = 0.0
) -> tuple[Gone, ...]:
    """Parts of what is drawn of which nothing is left over the whole width.

    Args:
        drawn, made: outlines in the same coordinates, mm.
        step_mm: how far edges move everywhere; what lies that near to a made shape is there.
        tip_mm: what has one end and is no longer is the tip of a corner that is rounded off, at five steps
            the least.

    Returns:
        The parts, each between drawn walls, in the order of their place.
    """
    left = polygons(drawn.difference(made.buffer(step_mm + _SAME_MM)))
    rim = drawn.boundary
    parts = _mostly_walled(left, rim, max(step_mm, _THINNEST_MM))
    parts = [part for part in parts if _is_more_than_a_hair(part, rim, max(step_mm, _THINNEST_MM))]
    if not parts:
        return ()
    # the walls that the parts touch, and no others
    around = shapely.union_all(shapely.buffer(parts, 2.0 * _SAME_MM))
    walls = rim.intersection(around).buffer(_SAME_MM)
    gone = [_between_walls(part, walls, max(_TIP_STEPS * step_mm, tip_mm)) for part in parts]
    return tuple(sorted((one for one in gone if one is not None), key=lambda one: one.part.bounds))


def lost_walls(
    drawn: MultiPolygon, made: MultiPolygon, *, step_mm: float, tip_mm: float = 0.0
) -> tuple[Gone, ...]:
    """Parts of the walls between and within drawn shapes of which nothing is left.

    Args:
        drawn, made, step_mm, tip_mm: as for `lost_stretches`.

    Returns:
        The parts, in the order of their place.
    """
    if drawn.is_empty or made.is_empty:
        return ()
    x0, y0, x1, y1 = drawn.union(made).bounds
    frame = shapely.box(x0, y0, x1, y1).buffer(max(x1 - x0, y1 - y0), join_style="mitre")
    solid = polygons(frame.difference(drawn)), polygons(frame.difference(made))
    return lost_stretches(*solid, step_mm=step_mm, tip_mm=tip_mm)


def strip_mm(part: Polygon) -> tuple[float, float]:
    """Length and width of a part, taken for a straight or bent strip.

    Args:
        part: mm.

    Returns:
        Length and width of the rectangle of the same area and rim, mm; of a part rounder than any
        rectangle the side of the square of its area, twice.
    """
    half, area = part.length / 2.0, part.area
    root = half * half - 4.0 * area
    if root <= 0.0:
        return math.sqrt(area), math.sqrt(area)
    width = (half - math.sqrt(root)) / 2.0
    return half - width, width


def _mostly_walled(left: MultiPolygon, rim: shapely.Geometry, least_mm: float) -> list[Polygon]:
    """Parts larger than some size whose corners tell that most of their rim may lie on drawn walls.

    Of the many strips along a wall that moved by less than a pixel, only one side does.
    """
    parts = np.array(left.geoms, dtype=object)
    bounds = shapely.bounds(parts).reshape(-1, 4)
    parts = parts[(bounds[:, 2:] - bounds[:, :2]).max(axis=1) > least_mm]
    if not len(parts):
        return []
    corners, whose = shapely.get_coordinates(shapely.get_exterior_ring(parts), return_index=True)
    shapely.prepare(rim)
    on_wall = shapely.dwithin(rim, shapely.points(corners), _SAME_MM)
    same = whose[1:] == whose[:-1]
    lengths = np.linalg.norm(np.diff(corners, axis=0), axis=1) * same
    walled = np.bincount(whose[:-1], lengths * (on_wall[1:] & on_wall[:-1]), minlength=len(parts))
    around = np.bincount(whose[:-1], lengths, minlength=len(parts))
    return list(parts[walled >= _BOTH_WALLS * (1.0 - _ROUNDING) * around])


def _is_more_than_a_hair(part: Polygon, rim: shapely.Geometry, least_mm: float) -> bool:
    """Whether a part lies between walls also without what is so thin that both its sides lie on one wall."""
    thick = part.buffer(-2.0 * _SAME_MM, join_style="mitre").buffer(2.0 * _SAME_MM, join_style="mitre")
    return not thick.is_empty and bool(_mostly_walled(polygons(thick), rim, least_mm))


def _between_walls(part: Polygon, walls: shapely.Geometry, tip_mm: float) -> Gone | None:
    open_ends = shapely.line_merge(part.exterior.difference(walls))
    if open_ends.length > (1.0 - _BOTH_WALLS) * part.exterior.length:
        return None
    ends = 0 if open_ends.is_empty else len(shapely.get_parts(open_ends))
    length, width = strip_mm(part)
    if width <= _THINNEST_MM:
        return None
    if ends == 1 and (length <= tip_mm or open_ends.length > _WEDGE * width):
        return None
    return Gone(part, ends)
