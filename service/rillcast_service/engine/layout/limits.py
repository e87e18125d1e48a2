"""How large a layout may be, and the counter that stops reading one that is larger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rillcast_service.engine.errors import Fault, LayoutTooComplex
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.polygons import crossings

#: A shape may lie off the chip, but no further from the drawing's origin than this many times the largest
#: extent: beyond that, it is not a place on a drawing.
REACH_FACTOR = 10.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Published limits of a layout file.

    Args:
        bytes_count: of the file. A card full of outlined text is about 1 MB.
        elements_count: XML elements, DXF entities, or GeoJSON features and geometries, references expanded;
            each is looked at by itself, which takes a fraction of a millisecond.
        polygons_count: of a mask file, references expanded; they are read all at once.
        vertices_count: after curves are flattened, of all shapes together.
        crossings_count: of lines with themselves and one another; a scribble has the square of its length.
        nesting_count: groups within groups, or objects within objects.
        extent_mm: of all shapes together, along x or y. No desktop printer's build plate and no common
            wafer (300 mm) is larger; a layout beyond it has nearly always the wrong unit.
    """

    bytes_count: int = 100_000_000
    elements_count: int = 100_000
    polygons_count: int = 2_000_000
    vertices_count: int = 10_000_000
    crossings_count: int = 200_000
    nesting_count: int = 64
    extent_mm: float = 300.0


@dataclass(slots=True)
class Tally:
    """What has been read so far, held against the limits as reading goes on."""

    limits: Limits
    elements: int = 0
    polygons: int = 0
    vertices: int = 0

    def size(self, size: int) -> None:
        """Check the file's size in bytes. Raises LayoutTooComplex."""
        _within("bytes", size, self.limits.bytes_count, "Leave out what the chip does not need.")

    def element(self, more: int = 1) -> None:
        """Count more elements. Raises LayoutTooComplex."""
        self.elements += more
        _within(
            "elements, references expanded",
            self.elements,
            self.limits.elements_count,
            "Merge shapes, or leave out what the chip does not need.",
        )

    def polygon(self, more: int) -> None:
        """Count more polygons of a mask file. Raises LayoutTooComplex."""
        self.polygons += more
        _within(
            "polygons, references expanded",
            self.polygons,
            self.limits.polygons_count,
            "Merge shapes, or leave out what the chip does not need.",
        )

    def vertex(self, more: int) -> None:
        """Count more vertices. Raises LayoutTooComplex."""
        self.vertices += more
        _within(
            "vertices",
            self.vertices,
            self.limits.vertices_count,
            "Simplify the drawing, or allow coarser curves (flattening_um).",
        )

    def crossing(self, lines: Sequence[Points], *, where: str) -> None:
        """Check how often lines of shape (n, 2) cross. Raises LayoutTooComplex."""
        self.crossed(crossings(lines, stop_at=self.limits.crossings_count), where=where)

    def crossed(self, count: int, *, where: str) -> None:
        """Check a number of crossings. Raises LayoutTooComplex."""
        _within(
            "crossings of lines",
            count,
            self.limits.crossings_count,
            "Merge shapes that overlap, or leave out what the chip does not need.",
            where,
        )

    def nesting(self, depth: int) -> None:
        """Check how deep elements are nested. Raises LayoutTooComplex."""
        _within("levels of nesting", depth, self.limits.nesting_count, "Ungroup the drawing.")

    def extent(self, extent_mm: float, *, where: str) -> None:
        """Check the size of a shape or of all shapes, mm. Raises LayoutTooComplex."""
        if not extent_mm <= self.limits.extent_mm:
            raise LayoutTooComplex(
                Fault(
                    f"The layout reaches over {extent_mm:.6g} mm; the limit is {self.limits.extent_mm:g} mm.",
                    "Check the drawing's unit, or move stray shapes back on to the chip.",
                    where=where,
                )
            )

    def reach(self, points_mm: Points, *, where: str) -> None:
        """Check how far points of shape (n, 2) lie from the origin. Raises LayoutTooComplex."""
        farthest = float(np.abs(points_mm).max())
        if not farthest <= REACH_FACTOR * self.limits.extent_mm:
            self.extent(farthest, where=where)


def _within(what: str, count: int, limit: int, remedy: str, where: str | None = None) -> None:
    if count > limit:
        raise LayoutTooComplex(
            Fault(f"The layout holds {count} {what} or more; the limit is {limit}.", remedy, where=where)
        )
