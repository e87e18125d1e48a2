"""Places where the chip is read: how much liquid the light passes, and how it moves there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.job import Readout
from rillcast_service.engine.layout.medial import Floats
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import ReadoutState

_M_PER_MM = 1e-3
_MM_PER_UM = 1e-3


def readout_states(
    readouts: Sequence[Readout], channels: Sequence[MadeChannel], hydraulics: Hydraulics | None
) -> tuple[ReadoutState, ...]:
    """What each read-out sees of the channels as made.

    Args:
        readouts: as asked.
        channels: layers as made, with the range of their depths.
        hydraulics: the flow through them; None when it is not known.

    Returns:
        In the order asked. Light passes every level; of layers of one level that overlap the deeper counts.
    """
    return tuple(_state(readout, channels, hydraulics) for readout in readouts)


def _state(readout: Readout, channels: Sequence[MadeChannel], hydraulics: Hydraulics | None) -> ReadoutState:
    disc = readout.disc
    path, volume, lit = Range.exact(0.0), Range.exact(0.0), shapely.Polygon()
    for level in sorted({channel.level for channel in channels}):
        own = [channel for channel in channels if channel.level == level and channel.depth_um.best > 0.0]
        seen = shapely.Polygon()
        depths = []
        for channel in sorted(own, key=lambda item: -item.depth_um.best):
            part = channel.geometry.intersection(disc).difference(seen)
            if part.is_empty:
                continue
            depth = channel.depth_um.map(lambda value: max(value, 0.0))
            depths.append((part.area, depth))
            volume = volume + depth * (part.area * _MM_PER_UM)
            seen = seen.union(part)
        if depths:
            path = path + max(depths, key=lambda item: item[0])[1]
        lit = lit.union(seen)
    speed, shear = _flow_at(readout, hydraulics)
    return ReadoutState(
        name=readout.name,
        x_mm=readout.x_mm,
        y_mm=readout.y_mm,
        diameter_mm=readout.diameter_mm,
        optical_path_um=path,
        volume_ul=volume,
        covered_percent=100.0 * min(lit.area / disc.area, 1.0),
        speed_mm_per_s=speed,
        wall_shear_pa=shear,
    )


def _flow_at(readout: Readout, hydraulics: Hydraulics | None) -> tuple[float | None, float | None]:
    """Mean speed within the read-out, mm/s, and the largest shear on its walls, Pa; None when not known."""
    if hydraulics is None or not hydraulics.operating.possible:
        return None, None
    disc = readout.disc
    shapely.prepare(disc)
    speeds: list[Floats] = []
    shears: list[float] = []
    for flow in hydraulics.levels:
        own = np.flatnonzero(shapely.contains_xy(disc, flow.fitted.grid.centre_mm))
        own = own[np.isfinite(flow.pressure_pa[own])]
        if not own.size:
            continue
        speeds.append(flow.speed_m_per_s[own])
        shears.append(
            float(
                duct.wall_shear_pa(
                    speed_m_per_s=flow.speed_m_per_s[own],
                    width_m=flow.width_mm[own] * _M_PER_MM,
                    height_m=flow.depth_mm[own] * _M_PER_MM,
                    viscosity_pa_s=hydraulics.viscosity_pa_s,
                ).max()
            )
        )
    if not speeds:
        return None, None
    return float(np.concatenate(speeds).mean()) / _M_PER_MM, max(shears)
