"""How many chips a round wafer holds."""

from __future__ import annotations

import math


def pack_in_circle(
    *, diameter_mm: float, margin_mm: float, gap_mm: float, width_mm: float, depth_mm: float
) -> int:
    """How many equal rectangles fit on a disc, in rows across it.

    Args:
        diameter_mm: of the disc; margin_mm: kept free along its edge.
        gap_mm: between rectangles; width_mm, depth_mm: of a rectangle.

    Returns:
        The count. Rows lie symmetric about the middle, each as long as the chord allows at its
        outer edge, for either direction of the rectangles and the fuller of them taken.
    """
    radius = diameter_mm / 2.0 - margin_mm
    if radius <= 0.0:
        return 0
    return max(
        _rows_in_circle(radius, gap_mm, width_mm, depth_mm),
        _rows_in_circle(radius, gap_mm, depth_mm, width_mm),
    )


def _rows_in_circle(radius: float, gap: float, width: float, height: float) -> int:
    best = 0
    most_rows = math.floor((2.0 * radius + gap) / (height + gap))
    for rows in range(1, most_rows + 1):
        total = rows * height + (rows - 1) * gap
        count = 0
        for row in range(rows):
            bottom = -total / 2.0 + row * (height + gap)
            outer = max(abs(bottom), abs(bottom + height))
            chord = 2.0 * math.sqrt(max(radius**2 - outer**2, 0.0))
            count += max(0, math.floor((chord + gap + 1e-9) / (width + gap)))
        best = max(best, count)
    return best
