"""A layout as JSON and back, nothing lost: for stores and for jobs that run elsewhere."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from shapely import MultiPolygon, Polygon

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
FORM = 2


def layout_to_json(layout: Layout) -> dict[str, Any]:
    """Plain JSON values of a layout.

    Args:
        layout: any layout.

    Returns:
        Strings, numbers, lists and dicts. Polygons are GeoJSON coordinate lists in mm at full
        precision.
    """
    return {
        "form": FORM,
        "name": layout.name,
        "source_format": layout.source_format,
        "flattening_um": layout.flattening_um,
        "outline": None if layout.outline is None else _rings(layout.outline),
        "layers": [
            {
                "name": layer.name,
                "role": layer.role.value,
                "polygons": [_rings(polygon) for polygon in layer.geometry.geoms],
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
                "opening": _rings(port.opening),
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
                geometry=MultiPolygon([_polygon(rings) for rings in layer["polygons"]]),
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
                opening=_polygon(port["opening"]),
                bore_mm=port["bore_mm"],
                flow_ul_per_min=port["flow_ul_per_min"],
                pressure_kpa=port["pressure_kpa"],
                closed=port["closed"],
                guessed=port["guessed"],
            )
            for port in document["ports"]
        ),
        outline=None if outline is None else _polygon(outline),
        flattening_um=document["flattening_um"],
        repairs=tuple(
            Repair(**{**repair, "kind": RepairKind(repair["kind"])}) for repair in document["repairs"]
        ),
        assumptions=tuple(Assumption(**assumption) for assumption in document["assumptions"]),
    )


def _rings(polygon: Polygon) -> list[list[list[float]]]:
    return [[list(point) for point in ring.coords] for ring in (polygon.exterior, *polygon.interiors)]


def _polygon(rings: list[list[list[float]]]) -> Polygon:
    return Polygon(rings[0], rings[1:])
