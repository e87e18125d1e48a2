"""Where labels go, so that they cover neither each other nor more of the drawing than they must."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import Geometry, box

#: Distances from the anchor at which a label is tried, px, near ones first.
DISTANCES_PX = (16.0, 26.0, 38.0, 54.0, 74.0, 98.0, 126.0, 160.0)
DIRECTIONS = 16

#: What covering the drawing costs, in steps of distance: a label moves this far to leave it free.
COVERING_STEPS = 5.0
GAP_PX = 2.0

#: How finely the whole area is searched when nothing near is free, px.
SEARCH_PX = 6.0


@dataclass(slots=True)
class Placer:
    """Gives each label a free place near its anchor, in the order asked.

    Args:
        width, height: of the area in which labels may lie, px, from (0, 0).
        drawing: what labels should rather not cover, px.
    """

    width: float
    height: float
    drawing: Geometry
    _taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        shapely.prepare(self.drawing)

    def take(self, x: float, y: float, width: float, height: float) -> None:
        """Mark a box around (x, y) as taken."""
        self._taken.append(_box(x, y, width, height))

    def place(self, x: float, y: float, width: float, height: float) -> tuple[float, float]:
        """A free place for a label.

        Args:
            x, y: what it labels, px.
            width, height: of the label, px.

        Returns:
            Centre of the label, px: near the anchor, or where the next room is; the anchor itself when
            the whole area is full.
        """
        best, least = (x, y), math.inf
        for step, distance in enumerate(DISTANCES_PX):
            if step >= least:
                break  # every further place costs more than the one at hand
            for index in range(DIRECTIONS):
                angle = -math.pi / 2 + index * 2 * math.pi / DIRECTIONS
                # From the rim of the label, not from its centre: wide labels need more room sideways.
                centre_x = x + math.cos(angle) * (distance + width / 2 - height / 2)
                centre_y = y + math.sin(angle) * distance
                candidate = _box(centre_x, centre_y, width, height)
                if not self._free(candidate):
                    continue
                cost = step + (COVERING_STEPS if self.drawing.intersects(box(*candidate)) else 0.0)
                if cost < least:
                    best, least = (centre_x, centre_y), cost
        if least == math.inf:
            best = self._next_room(x, y, width, height) or best
        self.take(*best, width, height)
        return best

    def _next_room(self, x: float, y: float, width: float, height: float) -> tuple[float, float] | None:
        """The free place nearest to a point, looked for all over the area; None when there is none."""
        half_width, half_height = width / 2 + GAP_PX, height / 2 + GAP_PX
        xs = np.arange(half_width, self.width - half_width, SEARCH_PX)
        ys = np.arange(half_height, self.height - half_height, SEARCH_PX)
        free = np.ones((len(ys), len(xs)), dtype=bool)
        for left, top, right, bottom in self._taken:
            across = (xs + half_width > left) & (xs - half_width < right)
            down = (ys + half_height > top) & (ys - half_height < bottom)
            free &= ~(down[:, None] & across[None, :])
        if not free.any():
            return None
        away = np.where(free, np.hypot(ys[:, None] - y, xs[None, :] - x), np.inf)
        row, column = np.unravel_index(np.argmin(away), away.shape)
        return float(xs[column]), float(ys[row])

    def _free(self, candidate: tuple[float, float, float, float]) -> bool:
        left, top, right, bottom = candidate
        if left < 0 or top < 0 or right > self.width or bottom > self.height:
            return False
        return all(
            right <= other[0] or left >= other[2] or bottom <= other[1] or top >= other[3]
            for other in self._taken
        )


def _box(x: float, y: float, width: float, height: float) -> tuple[float, float, float, float]:
    half_width, half_height = width / 2 + GAP_PX, height / 2 + GAP_PX
    return (x - half_width, y - half_height, x + half_width, y + half_height)
