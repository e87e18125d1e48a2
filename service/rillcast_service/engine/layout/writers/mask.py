"""What the mask formats share: shapes on numbered layers, without holes and not too long, in nanometres.

| role     | layer number | data type                         |
| -------- | ------------ | --------------------------------- |
| channels | 1            | 0 for the first such layer, 1 for |
| ports    | 2            | the next, and so on               |
| outline  | 3            |                                   |
| marks    | 4            |                                   |
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import gdstk
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from rillcast_service.engine.layout.model import Layout, Role
from rillcast_service.engine.layout.statements import Statement, told
from rillcast_service.engine.layout.writers.drawing import RESOLUTION_MM, DrawnLayer, Piece, drawn

LAYER_NUMBERS = {Role.CHANNELS: 1, Role.PORTS: 2, Role.OUTLINE: 3, Role.MARKS: 4}

Nanometres = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class MaskShape:
    """One ring of a mask.

    Args:
        number, data_type: of its layer.
        points_nm: its corners, the first not repeated, shape (n, 2).
        says: what its property says of it.
    """

    number: int
    data_type: int
    points_nm: Nanometres
    says: str


@dataclass(frozen=True, slots=True)
class MaskLabel:
    """A text at a port.

    Args:
        number: of its layer.
        text: the port's name.
        x_nm, y_nm: where.
    """

    number: int
    text: str
    x_nm: int
    y_nm: int


def mask_shapes(layout: Layout, *, longest: int | None = None) -> Iterator[MaskShape]:
    """The shapes of a layout as rings on numbered layers.

    A hole is joined to its edge by a cut of no width, as masks have it. Rings that are too long are cut in
    pieces that share an edge.

    Args:
        layout: any layout.
        longest: how many corners a ring may have; None for any number.

    Returns:
        Rings, layer by layer.
    """
    for number, data_type, layer in _numbered(layout):
        for piece in layer.pieces:
            says = told(_statement(layer, piece))
            for ring in _rings(piece.polygon, longest):
                yield MaskShape(number, data_type, ring, says)


def mask_labels(layout: Layout) -> Iterator[MaskLabel]:
    """The names of a layout's ports as texts, which mask programs show.

    Args:
        layout: any layout.

    Returns:
        One text a port, at a point of its opening.
    """
    for number, _, layer in _numbered(layout):
        for piece in layer.pieces:
            if piece.port is not None:
                x, y = _nanometres(shapely.get_coordinates(piece.polygon.representative_point()))[0]
                yield MaskLabel(number, piece.port.name, int(x), int(y))


def _numbered(layout: Layout) -> Iterator[tuple[int, int, DrawnLayer]]:
    taken: Counter[Role] = Counter()
    for layer in drawn(layout):
        yield LAYER_NUMBERS[layer.role], taken[layer.role], layer
        taken[layer.role] += 1


def _statement(layer: DrawnLayer, piece: Piece) -> Statement:
    return Statement(
        layer=layer.name,
        role=layer.role,
        depth_um=layer.depth_um,
        level=layer.level,
        port=piece.port.name if piece.port else None,
        port_role=piece.port.role if piece.port else None,
    )


def _rings(polygon: Polygon, longest: int | None) -> Iterator[Nanometres]:
    outer = gdstk.Polygon(_corners(polygon.exterior))
    rings = [outer]
    if polygon.interiors:
        holes = [gdstk.Polygon(_corners(hole)) for hole in polygon.interiors]
        rings = gdstk.boolean([outer], holes, "not", precision=RESOLUTION_MM)
    for ring in rings:
        pieces = [ring]
        if longest is not None and len(ring.points) > longest:
            pieces = ring.fracture(longest, RESOLUTION_MM)
        for piece in pieces:
            yield _nanometres(np.asarray(piece.points))


def _corners(ring: shapely.LinearRing) -> list[tuple[float, float]]:
    corners: list[tuple[float, float]] = shapely.get_coordinates(ring)[:-1].tolist()
    return corners


def _nanometres(points_mm: NDArray[np.float64]) -> Nanometres:
    return np.rint(points_mm / RESOLUTION_MM).astype(np.int64)
