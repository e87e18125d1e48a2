"""Where a drawing is not kept: stretches of channel that do not come out, walls and islands that are gone.

Two outlines that differ by the same small step all along are the same shape; what matters is where all
of a width is gone, from one wall to the other. That also tells what happens within one connected shape,
where counting shapes sees nothing.
"""

from __future__ import annotations

import math

import shapely
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.shapes import polygons

#: Least share of a part's rim that lies on drawn walls, for all of the width to be gone there: a strip
#: along one wall has half of its rim on it, a rounded square corner 2 / (2 + π/2) = 0.56.
_BOTH_WALLS = 0.75
#: What has one open end and is no longer, in steps, is the tip of a corner: every tip is rounded off, one
#: of 30° by 1 / tan(15°) = 3.7 steps.
_TIP_STEPS = 5.0
#: Rims that lie no farther apart are the same, mm.
_SAME_MM = 1e-4


def lost_stretches(drawn: MultiPolygon, made: MultiPolygon, *, step_mm: float) -> tuple[Polygon, ...]:
    """Parts of what is drawn of which nothing is left over the whole width.

    Args:
        drawn, made: outlines in the same coordinates, mm.
        step_mm: how far edges move everywhere; what lies that near to a made shape is there.

    Returns:
        The parts, each between drawn walls, in the order of their place.
    """
    left = polygons(drawn.difference(made.buffer(step_mm + _SAME_MM)))
    walls = drawn.boundary.buffer(_SAME_MM)
    gone = [part for part in left.geoms if _between_walls(part, walls, step_mm)]
    return tuple(sorted(gone, key=lambda part: part.bounds))


def lost_walls(drawn: MultiPolygon, made: MultiPolygon, *, step_mm: float) -> tuple[Polygon, ...]:
    """Parts of the walls between and within drawn shapes of which nothing is left.

    Args:
        drawn, made, step_mm: as for `lost_stretches`.

    Returns:
        The parts, in the order of their place.
    """
    if drawn.is_empty or made.is_empty:
        return ()
    x0, y0, x1, y1 = drawn.union(made).bounds
    frame = shapely.box(x0, y0, x1, y1).buffer(max(x1 - x0, y1 - y0), join_style="mitre")
    solid = polygons(frame.difference(drawn)), polygons(frame.difference(made))
    return lost_stretches(*solid, step_mm=step_mm)


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


def _between_walls(part: Polygon, walls: shapely.Geometry, step_mm: float) -> bool:
    if max(part.bounds[2] - part.bounds[0], part.bounds[3] - part.bounds[1]) <= max(step_mm, 10.0 * _SAME_MM):
        return False
    open_ends = shapely.line_merge(part.exterior.difference(walls))
    if open_ends.length > (1.0 - _BOTH_WALLS) * part.exterior.length:
        return False
    ends = 0 if open_ends.is_empty else len(shapely.get_parts(open_ends))
    return ends != 1 or strip_mm(part)[0] > _TIP_STEPS * step_mm
