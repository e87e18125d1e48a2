"""A layout as GeoJSON: one feature a shape, coordinates in mm, in the form that the reader documents."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from shapely import Polygon
from shapely.geometry.polygon import orient

from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.writers.drawing import DECIMALS, DrawnLayer, Piece, drawn
from rillcast_service.engine.layout.writers.format import WrittenFormat


def write(layout: Layout) -> bytes:
    """A layout as a FeatureCollection with the member `units`.

    Args:
        layout: any layout.

    Returns:
        UTF-8 JSON. Rings follow RFC 7946, §3.1.6: outer ones anticlockwise, holes clockwise.
    """
    document = {
        "type": "FeatureCollection",
        "name": layout.name,
        "units": "mm",
        "features": [feature for layer in drawn(layout) for feature in _features(layer)],
    }
    return (json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n").encode()


FORMAT = WrittenFormat("geojson", "GeoJSON", "application/geo+json", ".geojson", write)


def _features(layer: DrawnLayer) -> Iterator[dict[str, Any]]:
    about: dict[str, Any] = {"layer": layer.name, "role": layer.role.value}
    if layer.depth_um is not None:
        about["depth_um"] = layer.depth_um
    if layer.level is not None:
        about["level"] = layer.level
    for piece in layer.pieces:
        geometry = {"type": "Polygon", "coordinates": _rings(piece.polygon)}
        yield {"type": "Feature", "properties": about | _of_port(piece), "geometry": geometry}


def _of_port(piece: Piece) -> dict[str, Any]:
    if piece.port is None:
        return {}
    return {"name": piece.port.name, "port_role": piece.port.role.value, "bore_mm": piece.port.bore_mm}


def _rings(polygon: Polygon) -> list[list[list[float]]]:
    facing = orient(polygon)
    return [
        [[round(x, DECIMALS), round(y, DECIMALS)] for x, y in ring.coords]
        for ring in (facing.exterior, *facing.interiors)
    ]
