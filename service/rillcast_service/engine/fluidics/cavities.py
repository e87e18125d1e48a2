"""Cavities: which channels hang together, and which ports reach them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.depths import Plan, plans_of
from rillcast_service.engine.layout.medial import polygons_of
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.shapes import polygons


@dataclass(frozen=True, slots=True)
class Cavity:
    """Channels that hang together.

    Args:
        levels: level → its channels, mm, the level next to the lid first; of several parts or levels
            when a port joins them.
        ports: names of the ports that open into it, in the order of the layout.
        volume_ul, area_mm2: of the channels, ports not counted.
        has_inlet, has_outlet: whether a port of that role is among them.
    """

    levels: Mapping[int, MultiPolygon]
    ports: tuple[str, ...]
    volume_ul: float
    area_mm2: float
    has_inlet: bool
    has_outlet: bool

    @property
    def geometry(self) -> MultiPolygon:
        """The cavity as it is seen from above, mm."""
        if len(self.levels) == 1:
            return next(iter(self.levels.values()))
        return polygons(shapely.union_all(list(self.levels.values())))

    @property
    def flows_through(self) -> bool:
        """Whether liquid can enter and leave."""
        return self.has_inlet and self.has_outlet


@dataclass(frozen=True, slots=True)
class Cavities:
    """All cavities, largest volume first, and the ports that open into none."""

    cavities: tuple[Cavity, ...]
    detached_ports: tuple[str, ...]

    @property
    def volume_ul(self) -> float:
        """Volume of all cavities."""
        return sum(cavity.volume_ul for cavity in self.cavities)

    @property
    def reached_fraction(self) -> float:
        """Share of the volume that lies in cavities with both an inlet and an outlet; 0 without any."""
        total = self.volume_ul
        return (
            sum(cavity.volume_ul for cavity in self.cavities if cavity.flows_through) / total
            if total
            else 0.0
        )


def find_cavities(channels: Sequence[MadeChannel], ports: Sequence[Port]) -> Cavities:
    """Connected channel systems and the ports that reach them.

    Args:
        channels: layers as made; those of one level that touch or overlap join, and so do channels of
            any level that open into the same port. Layers without depth are left out.
        ports: all ports; one opens into a channel when its opening intersects it: it is a hole from the
            lid's side through every level that it meets.

    Returns:
        The cavities. A port whose opening meets no channel is detached.
    """
    plans = plans_of(channels)
    by_level = {level: polygons_of(plan.geometry) for level, plan in plans.items()}
    parts = [part for own in by_level.values() for part in own]
    level_of = np.repeat(list(by_level), [len(own) for own in by_level.values()])
    meets = np.zeros((len(ports), len(parts)), dtype=bool)
    if parts and ports:
        tree = shapely.STRtree(parts)
        meets[tuple(tree.query([port.opening for port in ports], predicate="intersects"))] = True
    joined = coo_array(meets.T.astype(np.int32) @ meets.astype(np.int32))
    labels = connected_components(joined, directed=False)[1] if parts else np.zeros(0, dtype=np.int32)

    cavities = []
    for label in np.unique(labels):
        own = np.flatnonzero(labels == label)
        levels = {
            int(level): MultiPolygon([parts[k] for k in own[level_of[own] == level]])
            for level in np.unique(level_of[own])
        }
        reached = [port for port, row in zip(ports, meets, strict=True) if row[own].any()]
        cavities.append(
            Cavity(
                levels=levels,
                ports=tuple(port.name for port in reached),
                volume_ul=sum(_volume_ul(plans[level], geometry) for level, geometry in levels.items()),
                area_mm2=float(sum(geometry.area for geometry in levels.values())),
                has_inlet=any(port.role is PortRole.INLET for port in reached),
                has_outlet=any(port.role is PortRole.OUTLET for port in reached),
            )
        )
    return Cavities(
        cavities=tuple(sorted(cavities, key=lambda cavity: -cavity.volume_ul)),
        detached_ports=tuple(port.name for port, row in zip(ports, meets, strict=True) if not row.any()),
    )


def _volume_ul(plan: Plan, part: MultiPolygon) -> float:
    whole = len(part.geoms) == len(plan.geometry.geoms)
    return plan.volume_ul if whole else plan.volume_within_ul(part)
