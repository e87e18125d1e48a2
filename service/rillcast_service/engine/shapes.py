"""Plane geometry shared by the as-made models and the rules."""

from __future__ import annotations

import shapely
from shapely import Geometry, MultiPolygon, Polygon

from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.layout.model import Layout

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
    """All channel layers as drawn, in one.

    Args:
        layout: what was drawn.

    Returns:
        Their union, mm.
    """
    return polygons(shapely.union_all([layer.geometry for layer in layout.channel_layers]))


def made_channels(as_made: AsMade) -> MultiPolygon:
    """All channel layers as made, in one.

    Args:
        as_made: what a build variant gives.

    Returns:
        Their union, mm.
    """
    return polygons(shapely.union_all([channel.geometry for channel in as_made.channels]))
