"""What stands around a place that is to be mended, and what a patch would do to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import shapely
from shapely import Geometry, MultiPolygon, Polygon

from rillcast_service.engine.checks.words import mm, um
from rillcast_service.engine.corrections.ground import Ground, Patch, Window
from rillcast_service.engine.corrections.needs import ROUNDING_UM, Needs
from rillcast_service.engine.fluidics.cavities import Cavities
from rillcast_service.engine.layout.measure import Span, narrow_stretches
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import Finding
from rillcast_service.engine.shapes import polygons

#: What is nearer than this touches.
TOUCHES_MM = 2e-5
#: Areas below this are rounding of set operations.
_DUST_MM2 = 1e-7
_UM_PER_MM = 1e3


class Obstacle(StrEnum):
    """Why a place cannot be mended without a decision."""

    JOINS = "joins"
    PARTS = "parts"
    WALL = "wall"
    WIDTH = "width"
    EDGE = "edge"
    PORT = "port"
    STAYS = "stays"
    CLEAR = "clear"
    REVIEW = "review"


@dataclass(frozen=True, slots=True)
class Objection:
    """What a patch would do that it must not.

    Args:
        obstacle: of what kind.
        what: in words, with numbers.
        lacking_um: how much room is missing, where that is a length.
        remedy: what the review says to do, where it is the review that objects.
    """

    obstacle: Obstacle
    what: str
    lacking_um: float | None = None
    remedy: str | None = None


@dataclass(frozen=True, slots=True)
class Barred:
    """A change that was tried, and that the review answers with a blocker of another rule.

    Args:
        where: what was added or taken away, mm.
        finding: the blocker.
    """

    where: Geometry
    finding: Finding


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Everything that a patch is held against.

    Args:
        needs: sizes that the route asks for.
        ports: where they are now.
        cavities: as drawn: which channels belong to which ports.
        outline: the chip's edge, mm.
        top_level: the level next to the lid.
        clear_of: what nothing may be added on, mm.
        barred: what must not be done again.
    """

    needs: Needs
    ports: Sequence[Port]
    cavities: Cavities
    outline: Polygon
    top_level: int
    clear_of: Geometry | None = None
    barred: Sequence[Barred] = ()

    def objections(self, ground: Ground, patch: Patch, window: Window) -> list[Objection]:
        """What speaks against a patch.

        Args:
            ground: the channels of its level.
            patch: the area.
            window: around it, mm, with room for the widest wall and channel that is looked at.

        Returns:
            Every objection; none: the patch may be taken.
        """
        before = ground.around(window)
        after = patch.applied(before)
        added, taken = after.difference(before), before.difference(after)
        found = list(_torn_or_joined(before, after, window))
        if not patch.adds.is_empty:
            if not found:
                found += self._too_thin(after, added, window, adds=True)
            found += self._near_the_edge(added, ground.level)
            found += self._beside_ports(after, added)
        if not patch.takes.is_empty:
            if not found:
                found += self._too_thin(after, taken, window, adds=False)
            found += self._under_a_port(taken)
        found += self.against(shapely.union(added, taken))
        return _worst_of_each_kind(found)

    def against(self, changed: Geometry) -> Iterator[Objection]:
        """What speaks against any change of an area, whatever the rule.

        Args:
            changed: mm.

        Returns:
            Objections that have no length.
        """
        for one in self.barred:
            if shapely.intersection(one.where, changed).area > _DUST_MM2:
                yield Objection(
                    Obstacle.REVIEW,
                    f"brings what stops this route ({one.finding.rule}: {one.finding.message})",
                    remedy=f"Do it, and for {one.finding.rule}: {one.finding.remedy}",
                )

    def _too_thin(
        self, after: MultiPolygon, changed: Geometry, window: Window, *, adds: bool
    ) -> Iterator[Objection]:
        limit = self.needs.gap_um if adds else self.needs.width_um
        if limit is None:
            return
        spans = touching(after, changed, window, below_um=limit - ROUNDING_UM, complement=adds)
        if spans:
            least = min(span.length_um for span in spans)
            thing = "wall to the next channel" if adds else "channel beside it"
            yield Objection(
                Obstacle.WALL if adds else Obstacle.WIDTH,
                f"leaves {um(least)} of {thing}, and the route needs {um(limit)}",
                limit - least,
            )

    def _near_the_edge(self, changed: Geometry, level: int) -> Iterator[Objection]:
        needs = self.needs
        if self.clear_of is not None and shapely.intersects(self.clear_of, changed):
            yield Objection(Obstacle.CLEAR, "runs into channels, ports or other marks")
        if not self.outline.contains(changed):
            yield Objection(Obstacle.EDGE, "reaches over the chip's edge")
        elif needs.land_mm is not None and (needs.land_on_every_level or level == self.top_level):
            land = shapely.distance(changed, self.outline.exterior)
            if round(land, 3) < needs.land_mm:
                yield Objection(
                    Obstacle.EDGE,
                    f"leaves {mm(land)} of land to the chip's edge, and the route needs {mm(needs.land_mm)}",
                    (needs.land_mm - land) * _UM_PER_MM,
                )

    def _beside_ports(self, after: MultiPolygon, changed: Geometry) -> Iterator[Objection]:
        """Channels that come near a port without opening into it there."""
        limit = self.needs.port_to_channel_mm
        if limit is None:
            return
        for port in self.ports:
            left = shapely.distance(port.opening, changed)
            if left >= limit:
                continue
            near = polygons(after.intersection(port.opening.buffer(limit)))
            beside = [part for part in near.geoms if not part.intersects(port.opening)]
            if any(part.intersects(changed) for part in beside):
                yield Objection(
                    Obstacle.PORT,
                    f"leaves {mm(left)} to port {port.name!r}, and the route needs {mm(limit)}",
                    (limit - left) * _UM_PER_MM,
                )

    def _under_a_port(self, changed: Geometry) -> Iterator[Objection]:
        for port in self.ports:
            if port.opening.intersects(changed):
                yield Objection(Obstacle.PORT, f"takes channel from under port {port.name!r}")


def _worst_of_each_kind(found: Sequence[Objection]) -> list[Objection]:
    worst: dict[Obstacle, Objection] = {}
    for one in found:
        other = worst.get(one.obstacle)
        if other is None or (one.lacking_um or 0.0) > (other.lacking_um or 0.0):
            worst[one.obstacle] = one
    return list(worst.values())


def touching(
    channels: MultiPolygon, changed: Geometry, window: Window, *, below_um: float, complement: bool
) -> list[Span]:
    """Places below a limit that a changed area has to do with.

    Args:
        channels: within the window, mm.
        changed: the area, mm.
        window: what lies at its edges is cut off and counts for nothing.
        below_um: the limit.
        complement: look at the walls instead of the channels.

    Returns:
        Spans that end on the changed area or cross it.
    """
    frame = shapely.box(*window).exterior
    shapely.prepare(changed)
    return [
        stretch.span
        for stretch in narrow_stretches(channels, below_um=below_um, complement=complement)
        if shapely.dwithin(changed, stretch.span.chord, TOUCHES_MM)
        and not shapely.dwithin(frame, stretch.span.chord, TOUCHES_MM)
    ]


def _torn_or_joined(before: MultiPolygon, after: MultiPolygon, window: Window) -> Iterator[Objection]:
    """What hangs together, and what it stands around, stays the same; both are counted in the window."""
    frame = shapely.box(*window)
    channels = _count(after) - _count(before)
    walls = _count(frame.difference(after)) - _count(frame.difference(before))
    if channels < 0 or walls > 0:
        yield Objection(Obstacle.JOINS, "runs into another channel")
    elif channels > 0:
        yield Objection(Obstacle.PARTS, "cuts the channel off")
    elif walls < 0:
        yield Objection(Obstacle.JOINS, "swallows an island or joins it to the wall")


def _count(area: Geometry) -> int:
    return sum(part.area > _DUST_MM2 for part in polygons(area).geoms)
