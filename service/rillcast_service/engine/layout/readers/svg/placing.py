"""From outlines in user units to points in mm, counted and kept near the sheet first."""

from __future__ import annotations

import math

import numpy as np

from rillcast_service.engine.layout.affine import IDENTITY, Matrix, apply, largest_scale
from rillcast_service.engine.layout.curves import Points, Subpath
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.sketch import Sketch


class Placing:
    """Flattens outlines to the asked tolerance.

    Args:
        sketch: whose limits and tolerance are kept.
    """

    def __init__(self, sketch: Sketch) -> None:
        self._tally = sketch.tally
        self._extent_mm = sketch.options.limits.extent_mm
        self.flattening_mm = sketch.options.flattening_um / 1e3
        self._scaled = IDENTITY, self.flattening_mm

    def tolerance(self, to_mm: Matrix) -> float:
        """The flattening distance in user units; worked out once for all shapes of a group.

        Args:
            to_mm: user units to mm, shape (3, 3).
        """
        if self._scaled[0] is not to_mm:
            scale = largest_scale(to_mm)
            self._scaled = to_mm, (self.flattening_mm / scale if scale > 0.0 else math.inf)
        return self._scaled[1]

    def placed(self, outline: tuple[Subpath, ...], to_mm: Matrix, called: str) -> list[Points]:
        """The subpaths as points in mm.

        Args:
            outline: in user units.
            to_mm: user units to mm, shape (3, 3).
            called: the element, for a fault.

        Returns:
            Each of shape (n, 2); of a closed one the first point is not repeated.

        Raises:
            Unusable: not finite.
            LayoutTooComplex: too many vertices, or nowhere near a sheet.
        """
        if not all(subpath.is_straight for subpath in outline):
            return [apply(to_mm, points) for points in self.flattened(outline, to_mm, called)]
        # Straight lines hold no more points than the file, so they can be placed before they are looked at.
        tolerance = self.tolerance(to_mm)
        with np.errstate(over="ignore", invalid="ignore"):
            rings = [apply(to_mm, subpath.flatten(tolerance=tolerance)) for subpath in outline]
        self._tally.vertex(sum(map(len, rings)))
        self._near_sheet(rings[0] if len(rings) == 1 else np.vstack(rings), called)
        return rings

    def flattened(self, outline: tuple[Subpath, ...], to_mm: Matrix, called: str) -> list[Points]:
        """The subpaths as points in user units; arguments and faults as for `placed`.

        Returns:
            Each of shape (n, 2).
        """
        hulls = [subpath.hull for subpath in outline]
        self.reach(hulls[0] if len(hulls) == 1 else np.vstack(hulls), to_mm, called)
        tolerance = self.tolerance(to_mm)
        for subpath in outline:
            self._tally.vertex(subpath.vertex_count(tolerance=tolerance))
        return [subpath.flatten(tolerance=tolerance) for subpath in outline]

    def reach(self, points: Points, to_mm: Matrix, called: str) -> None:
        """Refuse points that lie nowhere near a sheet.

        Args:
            points: in user units, shape (n, 2).
            to_mm, called: as for `placed`.

        Raises:
            Unusable: not finite.
            LayoutTooComplex: nowhere near a sheet.
        """
        with np.errstate(over="ignore", invalid="ignore"):
            placed = apply(to_mm, points)
        self._near_sheet(placed, called)

    def _near_sheet(self, placed: Points, called: str) -> None:
        farthest = float(np.abs(placed).max())
        if not math.isfinite(farthest):
            raise Unusable("Its coordinates are not finite.", "Give finite numbers.")
        if farthest > self._extent_mm:
            x, y = placed[np.abs(placed).max(axis=1).argmax()]
            self._tally.reach(placed, where=f"{called} at ({x:.6g}, {y:.6g}) mm")
