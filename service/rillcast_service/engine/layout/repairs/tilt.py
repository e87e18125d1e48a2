"""A drawing that lies slightly askew: how far its outline is turned out of the axes."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely import Polygon

from rillcast_service.engine.layout.repairs.neighbours import Shapes
from rillcast_service.engine.layout.repairs.outlines import Outlines

#: A chip with rounded or cut corners still covers this part of the rectangle around it.
_RECTANGLE = 0.95

#: Edges within this angle of a direction run along it.
_ALONG = math.radians(0.02)

_QUARTER = math.pi / 2.0


def tilt_of(outline: Polygon, channels: Shapes, *, most_deg: float, least_mm: float) -> float:
    """By how much a drawing lies askew.

    Args:
        outline: the chip's edge, mm.
        channels: shapes of all channel layers, object array of shape (n,), mm.
        most_deg: an outline turned further was meant to be turned.
        least_mm: by how much the outline's longest side has to lean, at least, to count.

    Returns:
        The angle that straightens the drawing, radians, anticlockwise positive; 0 when the outline is no
        rectangle, when it is straight, or when the channels run along the axes as they are.
    """
    frame = shapely.minimum_rotated_rectangle(outline)
    if not isinstance(frame, Polygon) or outline.area < _RECTANGLE * frame.area:
        return 0.0
    # The outline's own longest edge tells the direction to the last digit.
    sides = _sides(np.array([outline], dtype=object))
    length, direction = sides[np.argmax(sides[:, 0])]
    leaning = _folded(direction)
    if not least_mm < length * abs(math.sin(leaning)) or abs(leaning) > math.radians(most_deg):
        return 0.0
    if _along(sides, leaning) < 0.5 * float(sides[:, 0].sum()):
        return 0.0
    drawn = _sides(channels)
    return -leaning if _along(drawn, leaning) >= _along(drawn, 0.0) else 0.0


def _sides(polygons: Shapes) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Length and direction of every edge, shape (n, 2)."""
    outlines = Outlines.of(shapely.get_parts(polygons))
    steps = outlines.points[outlines.after] - outlines.points
    return np.column_stack([outlines.reach, np.arctan2(steps[:, 1], steps[:, 0])])


def _along(sides: np.ndarray[tuple[int, int], np.dtype[np.float64]], direction: float) -> float:
    """The length of all edges that run along a direction or square to it."""
    off = np.abs((sides[:, 1] - direction + _QUARTER / 2.0) % _QUARTER - _QUARTER / 2.0)
    return float(sides[off <= _ALONG, 0].sum())


def _folded(angle: float) -> float:
    """An angle less the nearest quarter turn."""
    return (angle + _QUARTER / 2.0) % _QUARTER - _QUARTER / 2.0
