"""Geometry as it comes out: what the as-made models return and all that follows works on."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import MultiPolygon

from rillcast_service.engine.ranges import Range


@dataclass(frozen=True, slots=True)
class MadeChannel:
    """One channel layer as it comes out.

    Args:
        layer: name of the drawn layer.
        geometry: best estimate of the made outline, mm, in the drawing's coordinates.
        depth_um: made depth; low may be zero or less, which means closed.
        level: plane of the drawn layer, 1 next to the lid.
    """

    layer: str
    geometry: MultiPolygon
    depth_um: Range
    level: int = 1


@dataclass(frozen=True, slots=True)
class MadeMarks:
    """One marks layer (labels, codes, ticks) as it comes out: hollows in a face of the chip.

    Args:
        layer: name of the drawn layer.
        geometry: best estimate of the made outline, mm, in the drawing's coordinates.
        depth_um: how deep they are.
    """

    layer: str
    geometry: MultiPolygon
    depth_um: Range

    @classmethod
    def of(cls, made: MadeChannel) -> MadeMarks:
        """Marks are hollows like channels, and come out of the same models."""
        return cls(made.layer, made.geometry, made.depth_um)


@dataclass(frozen=True, slots=True)
class AsMade:
    """What a build variant gives.

    Args:
        channels: one per drawn channel layer.
        width_change_um: made width minus drawn width (negative: narrower).
        calibrated: whether the printer's own measured profile stands behind the ranges; None
            where no printer is involved.
        notes: what the reader must know of the model.
        marks: one per drawn marks layer that holds something.
    """

    channels: tuple[MadeChannel, ...]
    width_change_um: Range
    calibrated: bool | None
    notes: tuple[str, ...] = ()
    marks: tuple[MadeMarks, ...] = ()

    @property
    def edge_step_um(self) -> float:
        """How far an edge moves at best estimate, whichever way."""
        return abs(self.width_change_um.best) / 2.0

    @property
    def width_reach_um(self) -> float:
        """The most that a width can change, whichever way."""
        return max(abs(self.width_change_um.low), abs(self.width_change_um.high))
