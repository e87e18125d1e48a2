"""What a made length may be: best where the drawing lies on the raster, and its range wherever it lies."""

from __future__ import annotations

from rillcast_service.engine.layout.measure import Span
from rillcast_service.engine.ranges import Range


def made_range(made: Span | None, drawn: Span | None, change: Range) -> Range | None:
    """A made width, gap or stroke with its tolerance.

    Args:
        made: the least one as made, which holds already what the raster does to the drawing where it lies.
        drawn: the least one as drawn; None where there is none.
        change: made minus drawn, µm, wherever the drawing lies on the raster.

    Returns:
        In µm; None where nothing is made. The doubt of the raster counts once: from the drawn length on, and
        no end lies on the wrong side of what is made.
    """
    if made is None:
        return None
    best = made.length_um
    if drawn is None:
        return Range(max(best + change.low - change.best, 0.0), best, best + change.high - change.best)
    nominal = change + drawn.length_um
    return Range(max(min(best, nominal.low), 0.0), best, max(best, nominal.high))
