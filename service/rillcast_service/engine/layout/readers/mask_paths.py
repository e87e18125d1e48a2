"""Paths of mask files: a centre line of some width, with its ends and corners, as areas."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import gdstk
import numpy as np
import shapely
from shapely import Geometry, Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout.curves import Points, without_repeats
from rillcast_service.engine.layout.strokes import Pen, stroke

Ends = Literal["flush", "round", "extended"]

#: Ratio of mitre to width at a right angle. Sharper corners reach half a width beyond the corner point, as
#: those of a right angle do.
_MITRE_AT_RIGHT_ANGLE = math.sqrt(2.0) * (1.0 + 1e-9)

_CAPS: dict[Ends, Literal["butt", "round", "square"]] = {
    "flush": "butt",
    "round": "round",
    "extended": "square",
}


@dataclass(frozen=True, slots=True, eq=False)
class MaskPath:
    """A path as a mask file holds it.

    Args:
        layer: number and data type, such as `1/0`.
        points: of its centre line, mm, shape (n, 2).
        width_mm: above 0.
        is_absolute: whether the width stays as it is where the cell is magnified.
        ends: flush with the end points, half discs, or half a width beyond them.
        begin_mm, end_mm: how far it reaches beyond its ends, for ends of a length of their own.
        element: what it is called in messages.
    """

    layer: str
    points: Points
    width_mm: float
    is_absolute: bool
    ends: Ends
    begin_mm: float
    end_mm: float
    element: str

    def area(self, *, magnification: float, tolerance_mm: float) -> Geometry:
        """The area that the path covers, in its cell before that is magnified.

        Corners up to a right angle are mitred; sharper ones are cut off half a width beyond the corner
        point. The stream format leaves corners open.

        Args:
            magnification: by which the cell will be placed.
            tolerance_mm: largest distance between a round end and its polygon, once magnified.

        Returns:
            A valid polygon or multipolygon; empty for a single point with flush ends.

        Raises:
            LayoutInvalid: ends are set back by more than there is of the line.
        """
        tolerance = tolerance_mm / magnification
        width = self.width_mm / magnification if self.is_absolute else self.width_mm
        points = without_repeats(self.points, closer_than=0.0)
        if len(points) == 1:
            return stroke(points, closed=False, pen=Pen(width, cap=_CAPS[self.ends]), tolerance=tolerance)
        points = self._lengthened(points)
        # The library drops points that lie closer together than its tolerance.
        if np.hypot(*np.diff(points, axis=0).T).min() > tolerance:
            path = gdstk.FlexPath(
                points.tolist(), width, ends=self.ends, tolerance=tolerance, simple_path=True
            )
            outline = Polygon(path.to_polygons()[0].points)
            if outline.is_valid:
                return outline
        # Where a path crosses or doubles back on itself, its one outline no longer tells its area.
        pen = Pen(width, cap=_CAPS[self.ends], join="miter", miter_limit=_MITRE_AT_RIGHT_ANGLE)
        band = stroke(points, closed=False, pen=pen, tolerance=tolerance)
        return shapely.union_all([band, *_sharp_corners(points, width / 2.0)])

    def _lengthened(self, points: Points) -> Points:
        """The line with its ends moved outwards, or inwards where the lengths are negative."""
        first, last = np.hypot(*(points[1] - points[0])), np.hypot(*(points[-1] - points[-2]))
        kept = self.begin_mm + first, self.end_mm + last
        whole = self.begin_mm + first + self.end_mm if len(points) == 2 else min(kept)
        if min(*kept, whole) <= 0.0:
            raise LayoutInvalid(
                Fault(
                    "The ends of a path are set back by more than its first or last piece is long.",
                    "Draw the path as a polygon, or shorten its line instead.",
                    where=f"{self.element}, from ({points[0][0]:.4g}, {points[0][1]:.4g}) mm",
                )
            )
        moved = points.copy()
        moved[0] -= _direction(points[0], points[1]) * self.begin_mm
        moved[-1] += _direction(points[-2], points[-1]) * self.end_mm
        return moved


def _direction(start: Points, end: Points) -> Points:
    step = end - start
    unit: Points = step / np.hypot(*step)
    return unit


def _sharp_corners(points: Points, half: float) -> list[Polygon]:
    """What corners sharper than a right angle add on their outer side."""
    corners = []
    for before, corner, after in zip(points[:-2], points[1:-1], points[2:], strict=True):
        here, there = _direction(before, corner), _direction(corner, after)
        if here @ there >= 0.0:
            continue
        side = -1.0 if here[0] * there[1] - here[1] * there[0] > 0.0 else 1.0
        first = side * half * np.array([-here[1], here[0]])
        last = side * half * np.array([-there[1], there[0]])
        reach = np.array([0.0 * here, first, first + half * here, last - half * there, last])
        corners.append(Polygon(corner + reach).buffer(0.0))
    return corners
