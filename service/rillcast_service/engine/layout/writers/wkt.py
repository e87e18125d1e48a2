"""A layout as well-known text: one multipolygon a layer, a line each, in mm. WKT has no names."""

from __future__ import annotations

import shapely
from shapely import MultiPolygon

from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.writers.drawing import DECIMALS, drawn
from rillcast_service.engine.layout.writers.format import WrittenFormat


def write(layout: Layout) -> bytes:
    """A layout as well-known text.

    Args:
        layout: any layout.

    Returns:
        ASCII text.
    """
    shapes = [MultiPolygon([piece.polygon for piece in layer.pieces]) for layer in drawn(layout)]
    lines = shapely.to_wkt(shapes, rounding_precision=DECIMALS, trim=True)
    return "".join(f"{line}\n" for line in lines).encode("ascii")


FORMAT = WrittenFormat("wkt", "WKT", "application/wkt", ".wkt", write)
