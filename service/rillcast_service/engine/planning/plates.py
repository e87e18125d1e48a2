"""How many equal footprints fit on a plate, a tray or a shelf."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Grid:
    """Equal footprints in rows and columns, all turned the same way.

    Args:
        columns, rows: along x and y.
        turned: whether each footprint lies a quarter turn round.
    """

    columns: int
    rows: int
    turned: bool

    @property
    def count(self) -> int:
        """How many footprints there are."""
        return self.columns * self.rows


def pack(
    *,
    plate_x_mm: float,
    plate_y_mm: float,
    margin_mm: float,
    gap_mm: float,
    width_mm: float,
    depth_mm: float,
) -> Grid:
    """The fuller of the two grids of equal rectangles on a rectangle.

    Args:
        plate_x_mm, plate_y_mm: size of the plate.
        margin_mm: kept free along every edge of the plate.
        gap_mm: kept free between footprints.
        width_mm, depth_mm: size of a footprint.

    Returns:
        The grid with more places; as drawn when both hold the same.

    Formula: n footprints of width w with n − 1 gaps g fit on a length L when
        n = ⌊(L − 2m + g)/(w + g)⌋.
    """

    def along(length: float, size: float) -> int:
        room = length - 2.0 * margin_mm
        # a thousandth of a micrometre of room is rounding, not a footprint too many
        return max(0, math.floor((room + gap_mm + 1e-9) / (size + gap_mm)))

    straight = Grid(along(plate_x_mm, width_mm), along(plate_y_mm, depth_mm), turned=False)
    turned = Grid(along(plate_x_mm, depth_mm), along(plate_y_mm, width_mm), turned=True)
    return turned if turned.count > straight.count else straight


def places(
    grid: Grid, *, gap_mm: float, margin_mm: float, width_mm: float, depth_mm: float
) -> list[tuple[float, float, float, float]]:
    """Where the footprints of a grid lie.

    Args:
        grid: from `pack`; gap_mm, margin_mm, width_mm, depth_mm: as given there.

    Returns:
        (x0, y0, x1, y1) of each footprint in mm from a corner of the plate, row by row.
    """
    across, along = (depth_mm, width_mm) if grid.turned else (width_mm, depth_mm)
    return [
        (
            margin_mm + column * (across + gap_mm),
            margin_mm + row * (along + gap_mm),
            margin_mm + column * (across + gap_mm) + across,
            margin_mm + row * (along + gap_mm) + along,
        )
        for row in range(grid.rows)
        for column in range(grid.columns)
    ]


def fits_area(*, area_cm2: float, width_mm: float, depth_mm: float, gap_mm: float) -> int:
    """How many footprints a floor takes of which only the area is known.

    Args:
        area_cm2: usable area.
        width_mm, depth_mm: of a footprint; gap_mm: kept free around each.

    Returns:
        The count, by the grid on a square of that area.
    """
    side = math.sqrt(area_cm2) * 10.0
    return pack(
        plate_x_mm=side, plate_y_mm=side, margin_mm=0.0, gap_mm=gap_mm, width_mm=width_mm, depth_mm=depth_mm
    ).count
