"""A layout as a drawing, where all writers start: layers of polygons, each opening with its port."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.model import Layer, Layout, Port, Role

#: Written coordinates are whole multiples of this, which is also the grid that layers are joined on.
RESOLUTION_MM = 1e-6
DECIMALS = 6

#: A polygon of fewer vertices is one, even if they lie on a circle.
_FEWEST_ROUND = 8


@dataclass(frozen=True, slots=True)
class Piece:
    """One polygon of a drawing.

    Args:
        polygon: mm, y up.
        port: whose opening it is; None for anything else.
    """

    polygon: Polygon
    port: Port | None = None


@dataclass(frozen=True, slots=True)
class DrawnLayer:
    """One layer of a drawing.

    Args:
        name, role: of the layer.
        pieces: what lies on it.
        depth_um: of channels or marks whose depth is known.
        level: plane of a channel layer; None for any other.
    """

    name: str
    role: Role
    pieces: tuple[Piece, ...]
    depth_um: float | None = None
    level: int | None = None


def drawn(layout: Layout) -> tuple[DrawnLayer, ...]:
    """The layers of a layout as they are drawn.

    Args:
        layout: any layout.

    Returns:
        Every layer that holds something and is used, in the layout's order. Ports that lie on no port layer
        (a request's, or guessed ones) and an outline that lies on none have a layer of their own at the end.
    """
    loose = list(layout.ports)
    layers = []
    for layer in layout.layers:
        if layer.role is Role.PORTS:
            pieces, loose = _with_ports(layer, loose)
        elif layer.role is not Role.IGNORED:
            pieces = tuple(Piece(polygon) for polygon in layer.geometry.geoms)
        else:
            continue
        if not pieces:
            continue
        channels = layer.role is Role.CHANNELS
        layers.append(
            DrawnLayer(
                name=layer.name,
                role=layer.role,
                pieces=pieces,
                depth_um=layer.depth_um,
                level=layer.level if channels else None,
            )
        )
    if layout.outline is not None and not layout.with_role(Role.OUTLINE):
        layers.append(DrawnLayer(_unused("outline", layout), Role.OUTLINE, (Piece(layout.outline),)))
    if loose:
        pieces = tuple(Piece(port.opening, port) for port in loose)
        layers.append(DrawnLayer(_unused("ports", layout), Role.PORTS, pieces))
    return tuple(layers)


def bounds_mm(layers: tuple[DrawnLayer, ...]) -> tuple[float, float, float, float]:
    """The extent of a drawing.

    Args:
        layers: at least one.

    Returns:
        Least x, least y, greatest x and greatest y, mm.
    """
    polygons = [piece.polygon for layer in layers for piece in layer.pieces]
    x_min, y_min, x_max, y_max = (float(edge) for edge in shapely.total_bounds(polygons))
    return x_min, y_min, x_max, y_max


def circle_of(polygon: Polygon, *, tolerance_mm: float) -> tuple[Points, float] | None:
    """The circle that a polygon stands for.

    Args:
        polygon: mm.
        tolerance_mm: how far its corners and the middles of its edges may stray from the circle.

    Returns:
        Centre, shape (2,), and radius of the circle of the same area, mm; None for no circle.
    """
    points: Points = np.asarray(polygon.exterior.coords)[:-1]
    if polygon.interiors or len(points) < _FEWEST_ROUND:
        return None
    centre: Points = np.asarray(polygon.centroid.coords[0])
    radius = float(np.sqrt(polygon.area / np.pi))
    middles = (points + np.roll(points, -1, axis=0)) / 2.0
    strays = np.abs(np.hypot(*(np.vstack([points, middles]) - centre).T) - radius)
    return (centre, radius) if float(strays.max()) <= tolerance_mm else None


def _with_ports(layer: Layer, ports: list[Port]) -> tuple[tuple[Piece, ...], list[Port]]:
    """The pieces of a port layer, and the ports that lie on none of them.

    A hole in the drawn shape of a port (a ring, say) is drawn as it is, although its opening has none.
    """
    shapes = {_exterior(polygon): polygon for polygon in layer.geometry.geoms}
    pieces, rest = [], []
    on_layer = shapely.intersects(_filled(layer.geometry), [port.opening for port in ports])
    for port, is_here in zip(ports, on_layer, strict=True):
        if is_here:
            pieces.append(Piece(shapes.get(_exterior(port.opening), port.opening), port))
        else:
            rest.append(port)
    return tuple(pieces), rest


def _filled(geometry: MultiPolygon) -> MultiPolygon:
    return MultiPolygon([Polygon(part.exterior) for part in geometry.geoms])


def _exterior(polygon: Polygon) -> bytes:
    """Equal for equal outer edges, wherever they begin."""
    snapped = shapely.set_precision(Polygon(polygon.exterior), RESOLUTION_MM)
    return bytes(shapely.to_wkb(shapely.normalize(snapped)))


def _unused(name: str, layout: Layout) -> str:
    """The name, numbered when a layer has it."""
    taken = {layer.name for layer in layout.layers}
    number, unique = 1, name
    while unique in taken:
        number += 1
        unique = f"{name} {number}"
    return unique
