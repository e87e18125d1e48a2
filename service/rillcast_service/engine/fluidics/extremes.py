"""The largest figures on the middle line of the channels: Reynolds number, wall shear, entrance length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.layout.grid import Grid
from rillcast_service.engine.layout.measure import FACING_DEG
from rillcast_service.engine.layout.medial import Balls, Floats
from rillcast_service.engine.layout.model import Port

_M_PER_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Extremes:
    """The largest of each in any channel, not all at one place.

    Args:
        reynolds: on the hydraulic diameter.
        wall_shear_pa: at the middle of the wider wall.
        entrance_length_m: until the profile of the speed is that of a long duct.
    """

    reynolds: float = 0.0
    wall_shear_pa: float = 0.0
    entrance_length_m: float = 0.0

    def joined(self, other: Extremes) -> Extremes:
        """The larger of each."""
        return Extremes(
            max(self.reynolds, other.reynolds),
            max(self.wall_shear_pa, other.wall_shear_pa),
            max(self.entrance_length_m, other.entrance_length_m),
        )


def extremes(
    grid: Grid,
    balls: Balls,
    ports: Sequence[Port],
    *,
    speed_m_per_s: Floats,
    depth_mm: Floats,
    viscosity_pa_s: float,
    density_kg_per_m3: float,
) -> Extremes:
    """The largest figures on the middle line of the channels of one level.

    Args:
        grid, balls: of the level; ports: that open into it.
        speed_m_per_s, depth_mm: (cells,) mean speed over the depth, and depth.
        viscosity_pa_s, density_kg_per_m3: of the liquid.

    Returns:
        The largest. The middle line is where walls face each other, half a width away from any port; there
        the local speed is the mean over the section. At the inner corner of a bend and at the edge of a
        port it peaks without meaning anything.
    """
    in_channel = (balls.touch_edge >= 0) & (balls.separation_deg >= FACING_DEG)
    if ports:
        openings = shapely.union_all([port.opening for port in ports])
        shapely.prepare(openings)
        in_channel &= ~shapely.dwithin(openings, shapely.points(balls.centre), balls.radius)
    middle = np.flatnonzero(in_channel) if in_channel.any() else np.arange(len(balls.radius))
    cell = grid.find(balls.centre[middle])
    middle, cell = middle[cell >= 0], cell[cell >= 0]
    if not middle.size:
        return Extremes()
    width_m = 2.0 * balls.radius[middle] * _M_PER_MM
    height_m, speed = depth_mm[cell] * _M_PER_MM, speed_m_per_s[cell]
    diameter = duct.hydraulic_diameter_m(width_m=width_m, height_m=height_m)
    reynolds = duct.reynolds_number(
        speed_m_per_s=speed,
        hydraulic_diameter_m=diameter,
        density_kg_per_m3=density_kg_per_m3,
        viscosity_pa_s=viscosity_pa_s,
    )
    shear = duct.wall_shear_pa(
        speed_m_per_s=speed, width_m=width_m, height_m=height_m, viscosity_pa_s=viscosity_pa_s
    )
    entrance = duct.entrance_length_m(reynolds=reynolds, hydraulic_diameter_m=diameter)
    return Extremes(float(reynolds.max()), float(shear.max()), float(entrance.max()))
