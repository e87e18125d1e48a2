"""Channel layers as made, merged into one plan a level: where the channels are, and how deep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.shapes import polygons

#: Layers that come this close touch: it is the rounding of set operations, far below any feature.
SNAP_MM = 1e-6
_MM_PER_UM = 1e-3


@dataclass(frozen=True, slots=True)
class DepthRegion:
    """A part of the plan that has one depth.

    Args:
        layer: name of the layer that gives the depth.
        geometry: mm; regions do not overlap.
        depth_mm: above zero.
    """

    layer: str
    geometry: MultiPolygon
    depth_mm: float

    @property
    def volume_ul(self) -> float:
        """Area times depth; 1 mm³ is 1 µL."""
        return float(self.geometry.area) * self.depth_mm


@dataclass(frozen=True, slots=True)
class Plan:
    """All channels of one level of a chip.

    Args:
        geometry: union of all open layers, mm.
        regions: the same area cut by depth, deepest first.
        closed_layers: names of layers that have no depth left as made.
    """

    geometry: MultiPolygon
    regions: tuple[DepthRegion, ...]
    closed_layers: tuple[str, ...]

    @property
    def volume_ul(self) -> float:
        """Volume of all channels."""
        return sum(region.volume_ul for region in self.regions)

    def volume_within_ul(self, part: MultiPolygon | Polygon) -> float:
        """Volume of the channels within a part of the plan.

        Args:
            part: polygons, mm.

        Returns:
            µL.
        """
        return sum(
            float(region.geometry.intersection(part).area) * region.depth_mm for region in self.regions
        )


def plan_of(channels: Sequence[MadeChannel]) -> Plan:
    """Merge channel layers of one level; where layers overlap the deeper one counts.

    Args:
        channels: layers as made, with best estimates of outline and depth.

    Returns:
        The plan. Layers whose best depth is zero or less are closed and left out.
    """
    is_open = [
        channel for channel in channels if channel.depth_um.best > 0.0 and not channel.geometry.is_empty
    ]
    closed = tuple(channel.layer for channel in channels if channel.depth_um.best <= 0.0)
    deepest_first = sorted(is_open, key=lambda channel: -channel.depth_um.best)
    regions: list[DepthRegion] = []
    covered: MultiPolygon = MultiPolygon()
    for channel in deepest_first:
        whole = shapely.set_precision(channel.geometry, SNAP_MM)
        fresh = polygons(whole.difference(covered, grid_size=SNAP_MM) if regions else whole)
        if not fresh.is_empty:
            regions.append(DepthRegion(channel.layer, fresh, channel.depth_um.best * _MM_PER_UM))
            covered = polygons(shapely.union_all([covered, whole], grid_size=SNAP_MM))
    return Plan(geometry=covered, regions=tuple(regions), closed_layers=closed)


def plans_of(channels: Sequence[MadeChannel]) -> dict[int, Plan]:
    """One plan for each level that has channels.

    Args:
        channels: layers as made, of any level.

    Returns:
        Level → its plan, the level next to the lid first. Layers of different levels are never merged:
        in the plan they may overlap, in the chip there is a wall between them.
    """
    return {
        level: plan_of([channel for channel in channels if channel.level == level])
        for level in sorted({channel.level for channel in channels})
    }
