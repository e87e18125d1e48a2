"""Plane geometry shared by the as-made models and the rules."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import shapely
from shapely import Geometry, MultiPolygon, Polygon

from rillcast_service.engine.asmade.model import AsMade, MadeChannel
from rillcast_service.engine.layout.model import Layer, Layout

# Segments per quarter circle at an offset corner: 8 keep the arc within 0.5 % of its radius, and the
# radius is the light spread, a few tens of micrometres.
_QUARTER_SEGMENTS = 8


def polygons(geometry: Geometry) -> MultiPolygon:
    """The areal part of any geometry.

    Args:
        geometry: anything a set operation may return.

    Returns:
        Its polygons; empty when there are none.
    """
    if isinstance(geometry, MultiPolygon):
        return geometry
    if isinstance(geometry, Polygon):
        return MultiPolygon([] if geometry.is_empty else [geometry])
    parts = getattr(geometry, "geoms", ())
    return MultiPolygon(
        [polygon for part in parts for polygon in polygons(part).geoms if not polygon.is_empty]
    )


def offset(geometry: MultiPolygon, distance_mm: float) -> MultiPolygon:
    """The outline moved outward (or inward, when negative) everywhere by one distance.

    Args:
        geometry: mm.
        distance_mm: how far.

    Returns:
        The moved outline; parts that an inward move closes are gone.
    """
    if distance_mm == 0.0:
        return geometry
    return polygons(geometry.buffer(distance_mm, quad_segs=_QUARTER_SEGMENTS))


def drawn_channels(layout: Layout) -> MultiPolygon:
    """All channel layers as drawn, in one: the channels as they are seen from above.

    Args:
        layout: what was drawn.

    Returns:
        Their union, mm. Where channels of different levels cross it shows no crossing: widths, walls and
        what hangs together are asked of `drawn_levels`.
    """
    return polygons(shapely.union_all([layer.geometry for layer in layout.channel_layers]))


def drawn_levels(layout: Layout) -> dict[int, MultiPolygon]:
    """The channels of each level as drawn.

    Args:
        layout: what was drawn.

    Returns:
        Level → union of its channel layers, mm; the level next to the lid first.
    """
    return _by_level(layout.channel_layers)


def made_levels(as_made: AsMade) -> dict[int, MultiPolygon]:
    """The channels of each level as made.

    Args:
        as_made: what a build variant gives.

    Returns:
        Level → union of its channel layers, mm; the level next to the lid first.
    """
    return _by_level(as_made.channels)


def crossings(levels: Mapping[int, MultiPolygon], openings: Sequence[Polygon]) -> MultiPolygon:
    """Where channels of different levels pass over one another.

    Args:
        levels: from `drawn_levels` or `made_levels`.
        openings: of the ports, mm.

    Returns:
        The parts of the plan that several levels share, mm; those that a port opens into are left out,
        for there the levels are joined.
    """
    shared = [one.intersection(other) for one, other in combinations(levels.values(), 2)]
    holes = shapely.union_all(list(openings))
    parts = polygons(shapely.union_all([polygons(geometry) for geometry in shared]))
    return MultiPolygon([part for part in parts.geoms if not part.intersects(holes)])


def _by_level(channels: Sequence[Layer] | Sequence[MadeChannel]) -> dict[int, MultiPolygon]:
    found: dict[int, list[MultiPolygon]] = {}
    for item in channels:
        found.setdefault(item.level, []).append(item.geometry)
    # One layer is its own union, and what was measured of it is remembered.
    return {
        level: parts[0] if len(parts) == 1 else polygons(shapely.union_all(parts))
        for level, parts in sorted(found.items())
    }
