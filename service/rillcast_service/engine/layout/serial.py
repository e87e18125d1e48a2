"""A layout as JSON and back, nothing lost: for stores and for jobs that run elsewhere."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, cast

import numpy as np
import shapely
from shapely import MultiPolygon

from rillcast_service.engine.layout.model import (
    Assumption,
    Layer,
    Layout,
    Port,
    PortRole,
    Repair,
    RepairKind,
    Role,
)

#: Raised when the form changes, so that a stored layout is never misread.
FORM = 3


def layout_to_json(layout: Layout) -> dict[str, Any]:
    """Plain JSON values of a layout.

    Args:
        layout: any layout.

    Returns:
        Strings, numbers, lists and dicts. The polygons of an area are three flat lists: `xy`, the
        coordinates of all rings one after the other, mm at full precision; `rings`, where each ring begins
        among the points, and `polygons`, where each polygon begins among the rings, both with the end.
    """
    return {
        "form": FORM,
        "name": layout.name,
        "source_format": layout.source_format,
        "flattening_um": layout.flattening_um,
        "outline": None if layout.outline is None else _flat(MultiPolygon([layout.outline])),
        "layers": [
            {
                "name": layer.name,
                "role": layer.role.value,
                "area": _flat(layer.geometry),
                "depth_um": layer.depth_um,
                "shapes": layer.shapes,
                "level": layer.level,
            }
            for layer in layout.layers
        ],
        "ports": [
            {
                "name": port.name,
                "role": port.role.value,
                "opening": _flat(MultiPolygon([port.opening])),
                "bore_mm": port.bore_mm,
                "flow_ul_per_min": port.flow_ul_per_min,
                "pressure_kpa": port.pressure_kpa,
                "closed": port.closed,
                "guessed": port.guessed,
            }
            for port in layout.ports
        ],
        "repairs": [asdict(repair) for repair in layout.repairs],
        "assumptions": [asdict(assumption) for assumption in layout.assumptions],
    }


def layout_from_json(document: dict[str, Any]) -> Layout:
    """The layout that `layout_to_json` wrote.

    Args:
        document: its JSON values.

    Returns:
        A layout equal to the one that was written.

    Raises:
        ValueError: the document is of another form.
    """
    if document.get("form") != FORM:
        raise ValueError(f"a layout of form {document.get('form')!r}; this version reads form {FORM}")
    outline = document["outline"]
    return Layout(
        name=document["name"],
        source_format=document["source_format"],
        layers=tuple(
            Layer(
                name=layer["name"],
                role=Role(layer["role"]),
                geometry=_area(layer["area"]),
                depth_um=layer["depth_um"],
                shapes=layer["shapes"],
                level=layer["level"],
            )
            for layer in document["layers"]
        ),
        ports=tuple(
            Port(
                name=port["name"],
                role=PortRole(port["role"]),
                opening=_area(port["opening"]).geoms[0],
                bore_mm=port["bore_mm"],
                flow_ul_per_min=port["flow_ul_per_min"],
                pressure_kpa=port["pressure_kpa"],
                closed=port["closed"],
                guessed=port["guessed"],
            )
            for port in document["ports"]
        ),
        outline=None if outline is None else _area(outline).geoms[0],
        flattening_um=document["flattening_um"],
        repairs=tuple(
            Repair(**{**repair, "kind": RepairKind(repair["kind"])}) for repair in document["repairs"]
        ),
        assumptions=tuple(Assumption(**assumption) for assumption in document["assumptions"]),
    )


def _flat(area: MultiPolygon) -> dict[str, list[float] | list[int]]:
    _, points, (rings, polygons, _) = shapely.to_ragged_array([area])
    return {"xy": points.ravel().tolist(), "rings": rings.tolist(), "polygons": polygons.tolist()}


def _area(flat: dict[str, list[float] | list[int]]) -> MultiPolygon:
    points = np.array(flat["xy"], dtype=np.float64).reshape(-1, 2)
    offsets = np.array(flat["rings"]), np.array(flat["polygons"]), np.array([0, len(flat["polygons"]) - 1])
    (area,) = shapely.from_ragged_array(shapely.GeometryType.MULTIPOLYGON, points, offsets)
    return cast(MultiPolygon, area)
