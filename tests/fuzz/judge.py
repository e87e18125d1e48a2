"""What reading may end in, whatever the bytes: a layout that holds together, or a refusal in words."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import shapely
from seeds import GIVEN

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import EngineError
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.serial import layout_from_json, layout_to_json
from rillcast_service.engine.layout.writers import MEDIA_TYPES, written


def reading(data: bytes, media_type: str, **given: Any) -> Layout:
    """The layout of a file, read with what its format has to be told."""
    options = ReadOptions.from_defaults(load().defaults, **{**GIVEN.get(media_type, {}), **given})
    return read(data, media_type=media_type, name="hostile", options=options)


def check(data: bytes, media_type: str, **given: Any) -> Layout | None:
    """Read a file and judge what comes of it.

    Returns:
        The layout, or None when the file was refused as it should be.

    Raises:
        AssertionError: a layout or a refusal that must not be.
        Exception: whatever else the reader raised; it is at fault.
    """
    limits = given.get("limits", Limits())
    try:
        layout = reading(data, media_type, **given)
    except EngineError as error:
        for fault in error.faults:
            for sentence in (fault.message, fault.remedy):
                assert sentence.endswith("."), sentence
            json.dumps([fault.message, fault.remedy, fault.where], ensure_ascii=False).encode()
        return None
    assert any(layer.geometry.area > 0.0 for layer in layout.channel_layers)
    vertices = 0
    for layer in layout.layers:
        assert layer.geometry.is_valid, shapely.is_valid_reason(layer.geometry)
        assert all(polygon.area > 0.0 for polygon in layer.geometry.geoms)
        vertices += shapely.get_num_coordinates(layer.geometry)
    for port in layout.ports:
        assert port.opening.is_valid
        assert port.bore_mm > 0.0
    shapes = [layer.geometry for layer in layout.layers if not layer.geometry.is_empty]
    bounds = shapely.total_bounds(shapes)
    assert np.isfinite(bounds).all()
    assert max(bounds[2] - bounds[0], bounds[3] - bounds[1]) <= limits.extent_mm
    # Joining shapes adds a vertex where two lines cross.
    assert vertices <= limits.vertices_count + 2 * limits.crossings_count
    document = json.dumps(layout_to_json(layout), allow_nan=False, ensure_ascii=False).encode()
    again = layout_from_json(json.loads(document))
    assert layout_to_json(again) == json.loads(document)
    for kind in MEDIA_TYPES:
        written(layout, media_type=kind)
    return layout
