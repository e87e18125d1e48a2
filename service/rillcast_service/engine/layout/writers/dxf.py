"""A layout as a DXF drawing in mm: closed polylines, as cutters, mask programs and CAD open them.

A polygon is a closed LWPOLYLINE of no width, each of its holes another one within it; a round port is a
CIRCLE. Roles, depths and levels of layers and names and roles of ports stand in extended data
(`statements.py`) of the layer and of the port's shape. A layer's name is kept, but for characters that DXF
forbids and for names that differ in case only: those have the true name in the extended data.
"""

from __future__ import annotations

import io
import re

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.entities.dxfentity import DXFEntity
from ezdxf.filemanagement import new
from shapely import Polygon

from rillcast_service.engine.layout.model import Layout, Role
from rillcast_service.engine.layout.statements import Statement, told
from rillcast_service.engine.layout.writers.drawing import DECIMALS, DrawnLayer, circle_of, drawn
from rillcast_service.engine.layout.writers.format import WrittenFormat

#: The first version whose texts are UTF-8.
_VERSION = "R2007"

#: $INSUNITS and $MEASUREMENT. Source: DXF Reference, HEADER section.
_MILLIMETRES, _METRIC = 4, 1

_APPLICATION = "RILLCAST"

#: Source: DXF Reference, code 1000: no more than 255 bytes.
_LONGEST_TEXT = 250

#: Source: DXF Reference, symbol table names: no more than 255 characters, none of these.
_LONGEST_NAME = 255
_FORBIDDEN = re.compile(r"[<>/\\\":;?*|=,`\x00-\x1f]")

#: AutoCAD colour indices by role: grey, blue, dark grey, black or white.
_COLOURS = {Role.OUTLINE: 9, Role.CHANNELS: 5, Role.MARKS: 8, Role.PORTS: 7}

#: Written files hold neither dates nor random marks, so that the same layout gives the same bytes.
ezdxf.options.write_fixed_meta_data_for_testing = True  # type: ignore[attr-defined]


def write(layout: Layout) -> bytes:
    """A layout as a DXF drawing.

    Args:
        layout: any layout.

    Returns:
        UTF-8 text of version AC1021, $INSUNITS 4 (mm).
    """
    document = new(_VERSION, units=_MILLIMETRES)
    document.header["$MEASUREMENT"] = _METRIC
    document.appids.add(_APPLICATION)
    for layer in drawn(layout):
        _layer(document, layer, layout.flattening_um / 1e3)
    text = io.StringIO()
    document.write(text)
    return document.encode(text.getvalue())


FORMAT = WrittenFormat("dxf", "DXF", "image/vnd.dxf", ".dxf", write)


def _layer(document: Drawing, layer: DrawnLayer, tolerance_mm: float) -> None:
    name = _free_name(layer.name, document)
    entry = document.layers.add(name, color=_COLOURS[layer.role])
    statement = Statement(
        layer=layer.name if layer.name != name else None,
        role=layer.role,
        depth_um=layer.depth_um,
        level=layer.level,
    )
    _say(entry, statement)
    model = document.modelspace()
    on_layer = {"layer": name}
    for piece in layer.pieces:
        port = piece.port
        circle = circle_of(piece.polygon, tolerance_mm=tolerance_mm) if port is not None else None
        shape: DXFEntity
        if circle is not None:
            (x, y), radius = circle
            centre = round(float(x), DECIMALS), round(float(y), DECIMALS)
            shape = model.add_circle(centre, round(radius, DECIMALS), dxfattribs=on_layer)
        else:
            shape, *_ = [
                model.add_lwpolyline(ring, close=True, dxfattribs=on_layer) for ring in _rings(piece.polygon)
            ]
        if port is not None:
            _say(shape, Statement(port=port.name, port_role=port.role))


def _rings(polygon: Polygon) -> list[list[tuple[float, float]]]:
    """The corners of the rings, the outer one first."""
    rings = (polygon.exterior, *polygon.interiors)
    rounded = (np.round(np.asarray(ring.coords)[:-1, :2], DECIMALS) + 0.0 for ring in rings)
    return [[(x, y) for x, y in ring.tolist()] for ring in rounded]


def _free_name(name: str, document: Drawing) -> str:
    """The name, changed as little as DXF asks and numbered when a layer has it."""
    clean = _FORBIDDEN.sub("_", name).strip()[: _LONGEST_NAME - 8] or "layer"
    number, unique = 1, clean
    while document.layers.has_entry(unique) or unique.lower() == "defpoints":
        number += 1
        unique = f"{clean} {number}"
    return unique


def _say(entity: DXFEntity, statement: Statement) -> None:
    text = told(statement)
    pieces = [text[at : at + _LONGEST_TEXT] for at in range(0, len(text), _LONGEST_TEXT)]
    entity.set_xdata(_APPLICATION, [(1000, piece) for piece in pieces])
