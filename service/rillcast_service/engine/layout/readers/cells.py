"""Cells of a mask file and their placing: what GDSII and OASIS have in common."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Point, Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnreadable
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.model import Role
from rillcast_service.engine.layout.polygons import multipolygon
from rillcast_service.engine.layout.readers.mask_paths import MaskPath
from rillcast_service.engine.layout.readers.seams import whole
from rillcast_service.engine.layout.sketch import Shape, Sketch, SketchLayer
from rillcast_service.engine.layout.statements import Statement

#: How many cells a message names.
_CELLS_NAMED = 8

Shapes = NDArray[Any]
Matrices = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """A cell placed in another, once or in a grid.

    Args:
        cell: name of the placed cell.
        origin_mm: of the first placing.
        angle_degrees: anticlockwise, after mirroring.
        magnification: above 0.
        is_mirrored: about the x axis, first of all.
        columns, rows: of the grid.
        column_step_mm, row_step_mm: from one placing to the next, shape (2,).
        element: what it is called in messages.
    """

    cell: str
    origin_mm: Points
    angle_degrees: float = 0.0
    magnification: float = 1.0
    is_mirrored: bool = False
    columns: int = 1
    rows: int = 1
    column_step_mm: Points = field(default_factory=lambda: np.zeros(2))
    row_step_mm: Points = field(default_factory=lambda: np.zeros(2))
    element: str = "a reference"

    @property
    def count(self) -> int:
        """How often the cell is placed."""
        return self.columns * self.rows

    def matrices(self) -> Matrices:
        """Every placing as `x' = m[:, :2] x + m[:, 2]`, shape (count, 2, 3)."""
        cos, sin = _turned(self.angle_degrees)
        turn = self.magnification * np.array([[cos, -sin], [sin, cos]])
        if self.is_mirrored:
            turn = turn @ np.diag([1.0, -1.0])
        column, row = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        matrices = np.empty((self.count, 2, 3))
        matrices[:, :, :2] = turn
        matrices[:, :, 2] = (
            self.origin_mm
            + column.reshape(-1, 1) * self.column_step_mm
            + row.reshape(-1, 1) * self.row_step_mm
        )
        return matrices


@dataclass(frozen=True, slots=True)
class CellLabel:
    """A text of a mask file: no shape, only words at a place.

    Args:
        layer_number: that it is on.
        text: as written.
        x_mm, y_mm: where.
    """

    layer_number: str
    text: str
    x_mm: float
    y_mm: float


@dataclass(slots=True, eq=False)
class Cell:
    """A cell of a mask file. Layers go by number and data type, such as `1/0`.

    Args:
        name: of the cell.
        polygons: by layer, object arrays of polygons in mm, valid or not.
        stated: polygons in mm of which the file says more than their layer, by layer and what it says.
        paths, labels, references: as drawn.
        left_out: what it holds beside these, by kind.
    """

    name: str
    polygons: dict[str, list[Shapes]] = field(default_factory=dict)
    stated: dict[tuple[str, Statement], list[Polygon]] = field(default_factory=dict)
    paths: list[MaskPath] = field(default_factory=list)
    labels: list[CellLabel] = field(default_factory=list)
    references: list[Reference] = field(default_factory=list)
    left_out: dict[str, int] = field(default_factory=dict)

    def layers(self) -> Iterator[str]:
        """The layers of its own shapes, some of them more than once."""
        yield from self.polygons
        yield from (layer for layer, _ in self.stated)
        yield from (path.layer for path in self.paths)

    def sizes(self) -> Iterator[tuple[str, int, int]]:
        """Layer, number of shapes and number of vertices of its own shapes."""
        for layer, arrays in self.polygons.items():
            for array in arrays:
                yield layer, len(array), int(shapely.get_num_coordinates(array).sum())
        for (layer, _), polygons in self.stated.items():
            yield layer, len(polygons), int(shapely.get_num_coordinates(polygons).sum())
        for path in self.paths:
            yield path.layer, 1, 2 * len(path.points)


def polygons_from(points: Points, sizes: NDArray[np.int64]) -> Shapes:
    """Polygons of which each is one ring.

    Args:
        points: of all rings, one after the other, mm, shape (n, 2).
        sizes: how many belong to each, at least 3 of them different, shape (m,).

    Returns:
        Polygons, valid or not, object array of shape (m,).
    """
    rings = shapely.linearrings(points, indices=np.repeat(np.arange(len(sizes)), sizes))
    return np.asarray(shapely.polygons(rings))


def place(cells: Mapping[str, Cell], sketch: Sketch) -> None:
    """Put the shapes of a mask file's top cell, and of all cells placed in it, into a sketch.

    How much that will be is counted first, by multiplying through the references.

    Args:
        cells: of the file, by name.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable: cells that hold themselves, or a reference to a cell that is not there.
        LayoutInvalid: several top cells.
        LayoutTooComplex: beyond a limit.
    """
    order = _parents_first(cells, sketch)
    top = _top(cells, order, sketch)
    counts = _counts(cells, order, top)
    reached = [cells[name] for name in order if counts.get(name)]
    layers = _layers(reached, sketch)
    read = {name for name, layer in layers.items() if layer.role is not Role.IGNORED}
    full = _full(cells, order, lambda cell: bool(cell.labels) or not read.isdisjoint(cell.layers()))
    for cell in reached:
        times = counts[cell.name]
        sketch.tally.element(len(cell.labels) * times)
        for layer, shapes, vertices in cell.sizes():
            if layers[layer].role is Role.IGNORED:
                layers[layer].passed_over += shapes * times
            else:
                sketch.tally.polygon(shapes * times)
                sketch.tally.vertex(vertices * times)
    _tell_left_out(reached, sketch)
    names = _PortNames()
    placed = _Placed(sketch, layers, names)
    waiting = {top: [np.array([[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])]}
    parts = []
    for name in order:
        if name not in waiting or name not in full:
            continue
        matrices = np.concatenate(waiting.pop(name))
        parts.append((cells[name], matrices))
        for reference in cells[name].references:
            if reference.cell in full:
                waiting.setdefault(reference.cell, []).append(_composed(matrices, reference.matrices()))
    for cell, matrices in parts:
        names.take(cell.labels, matrices)
    for cell, matrices in parts:
        placed.add(cell, matrices)
    for text in names.unused():
        sketch.leave_out(f"text {text!r}", "texts of a mask file are labels and have no area")


@dataclass(slots=True)
class _PortNames:
    """Texts, which name the port that they lie on."""

    texts: dict[str, list[tuple[Point, str]]] = field(default_factory=dict)
    used: set[tuple[str, int]] = field(default_factory=set)

    def take(self, labels: Sequence[CellLabel], matrices: Matrices) -> None:
        for label in labels:
            for x, y in matrices @ np.array([label.x_mm, label.y_mm, 1.0]):
                self.texts.setdefault(label.layer_number, []).append((Point(x, y), label.text))

    def on(self, layer: str, shapes: Shapes) -> dict[int, str]:
        """Index of shape → text of the same layer number that lies on it."""
        number = layer.partition("/")[0]
        texts = self.texts.get(number, [])
        if not texts:
            return {}
        names: dict[int, str] = {}
        places = [place for place, _ in texts]
        for text, shape in shapely.STRtree(shapes).query(places, predicate="intersects").T:
            if int(shape) not in names:
                names[int(shape)] = texts[text][1]
                self.used.add((number, int(text)))
        return names

    def unused(self) -> list[str]:
        return [
            text
            for number, texts in self.texts.items()
            for index, (_, text) in enumerate(texts)
            if (number, index) not in self.used
        ]


@dataclass(frozen=True, slots=True)
class _Placed:
    sketch: Sketch
    layers: Mapping[str, SketchLayer]
    names: _PortNames

    def add(self, cell: Cell, matrices: Matrices) -> None:
        """Add the cell's own shapes, wherever it is placed."""
        element = f"cell {cell.name!r}"
        for key, arrays in cell.polygons.items():
            role = self.layers[key].role
            if role is Role.IGNORED:
                continue
            for array in [whole(np.concatenate(arrays))] if role is Role.PORTS else arrays:
                self._add_many(key, _moved(array, matrices, element, self.sketch), element)
        for path in cell.paths:
            if self.layers[path.layer].role is not Role.IGNORED:
                self._add_path(path, matrices)
        for (key, statement), polygons in cell.stated.items():
            if self.layers[key].role is Role.IGNORED:
                continue
            pieces = np.array(polygons, dtype=object)
            if statement.port is None:
                self._add_many(key, _moved(pieces, matrices, element, self.sketch), element)
                continue
            openings = _moved(whole(pieces), matrices, element, self.sketch)
            self.names.on(key, openings)
            for opening in openings:
                self._add_port(key, opening, statement, f"port {statement.port!r}")

    def _add_path(self, path: MaskPath, matrices: Matrices) -> None:
        tolerance_mm = self.sketch.options.flattening_um / 1e3
        magnifications = np.round(np.hypot(matrices[:, 0, 0], matrices[:, 1, 0]), 12)
        for magnification in np.unique(magnifications):
            area = path.area(magnification=float(magnification), tolerance_mm=tolerance_mm)
            parts = np.array(multipolygon(area).geoms, dtype=object)
            if len(parts) == 0:
                self.sketch.leave_out(path.element, "a path of a single point with flush ends has no area")
            else:
                here = matrices[magnifications == magnification]
                self._add_many(path.layer, _moved(parts, here, path.element, self.sketch), path.element)

    def _add_many(self, key: str, shapes: Shapes, element: str) -> None:
        layer = self.layers[key]
        named: dict[int, str] = {}
        if layer.role in (Role.PORTS, None):
            named = self.names.on(key, shapes)
        for index, name in named.items():
            self._add_port(key, shapes[index], Statement(port=name), f"port {name!r}")
        rest = np.delete(shapes, list(named))
        if len(rest):
            self.sketch.add_many(layer, rest, element)

    def _add_port(self, key: str, polygon: Polygon, statement: Statement, element: str) -> None:
        layer = self.layers[key]
        rings = [shapely.get_coordinates(ring)[:-1] for ring in (polygon.exterior, *polygon.interiors)]
        area = (
            MultiPolygon([polygon])
            if polygon.is_valid
            else self.sketch.filled(rings, "nonzero", layer=layer, element=element)
        )
        self.sketch.add(layer, Shape(element, area, statement.port, statement.port_role))


def _layers(reached: Sequence[Cell], sketch: Sketch) -> dict[str, SketchLayer]:
    """Layers of the sketch by number and data type, named and described as the file says."""
    statements: dict[str, Statement] = {}
    for cell in reached:
        for key, statement in cell.stated:
            if statement.layer is not None:
                statements.setdefault(key, statement)
    layers: dict[str, SketchLayer] = {}
    for cell in reached:
        for key in cell.layers():
            if key in layers:
                continue
            says = statements.get(key, Statement())
            names = [key] if says.layer is None else [says.layer, key]
            named = sketch.named_role(names, says.role)
            layers[key] = sketch.layer(names[0], named and named[1], says.depth_um, says.level)
    return layers


def _parents_first(cells: Mapping[str, Cell], sketch: Sketch) -> list[str]:
    """Names of all cells, each after those that place it; cycles and missing cells are refused."""
    parents = dict.fromkeys(cells, 0)
    for cell in cells.values():
        for reference in cell.references:
            if reference.cell not in cells:
                raise LayoutUnreadable(
                    Fault(
                        f"Cell {cell.name!r} places a cell {reference.cell!r} that the file does not hold.",
                        "Export the drawing with all cells that it uses.",
                        where=reference.element,
                    )
                )
            parents[reference.cell] += 1
    depth = dict.fromkeys(cells, 1)
    ready = [name for name, count in parents.items() if count == 0]
    order: list[str] = []
    while ready:
        name = ready.pop()
        order.append(name)
        for reference in cells[name].references:
            depth[reference.cell] = max(depth[reference.cell], depth[name] + 1)
            parents[reference.cell] -= 1
            if parents[reference.cell] == 0:
                ready.append(reference.cell)
    if len(order) < len(cells):
        ring = _ring(cells, {name for name, count in parents.items() if count})
        raise LayoutUnreadable(
            Fault(
                f"Cells hold themselves: {_listed(ring, ' places ')}.",
                "Remove the reference that closes the ring.",
                where=f"cell {ring[0]!r}",
            )
        )
    sketch.tally.nesting(max(depth.values(), default=0))
    return order


def _ring(cells: Mapping[str, Cell], tangled: set[str]) -> list[str]:
    """Cells of which each places the next and the last is the first. Every ring lies among `tangled`."""
    came_from: dict[str, str] = {}
    for name in tangled:
        for reference in cells[name].references:
            if reference.cell in tangled:
                came_from[reference.cell] = name
    # Every tangled cell is placed by another one, so that going back must come round.
    path, seen = [next(iter(sorted(tangled)))], set[str]()
    while path[-1] not in seen:
        seen.add(path[-1])
        path.append(came_from[path[-1]])
    return path[path.index(path[-1]) :][::-1]


def _top(cells: Mapping[str, Cell], order: Sequence[str], sketch: Sketch) -> str:
    """The cell to read: the one asked for, else the only one with shapes that no other cell places."""
    asked = sketch.options.cell
    if asked is not None:
        if asked in cells:
            return asked
        raise LayoutInvalid(
            Fault(
                f"The file has no cell {asked!r}.",
                f"Name one of its cells: {_listed(sorted(cells))}.",
                pointer="#/cell",
            )
        )
    placed = {reference.cell for cell in cells.values() for reference in cell.references}
    full = _full(cells, order, lambda cell: any(True for _ in cell.layers()))
    tops = [name for name in cells if name not in placed and name in full]
    for name in filter(_is_notes, tops):
        sketch.leave_out(f"cell {name!r}", "a name within $$$ is that of a program's own notes")
    tops = [name for name in tops if not _is_notes(name)]
    if len(tops) > 1:
        raise LayoutInvalid(
            Fault(
                f"The file has {len(tops)} top cells: {_listed(tops)}.",
                "Say which one is the chip (`cell`), or export that one only.",
                pointer="#/cell",
            )
        )
    if not tops:
        raise LayoutInvalid(
            Fault("The file holds no shapes in any of its cells.", "Export the drawing with its shapes.")
        )
    return tops[0]


def _is_notes(name: str) -> bool:
    return name.startswith("$$$") and name.endswith("$$$")


def _full(cells: Mapping[str, Cell], order: Sequence[str], counts: Callable[[Cell], bool]) -> set[str]:
    """Cells that count, and those that hold one that does through the cells they place."""
    full: set[str] = set()
    for name in reversed(order):
        cell = cells[name]
        if counts(cell) or any(reference.cell in full for reference in cell.references):
            full.add(name)
    return full


def _counts(cells: Mapping[str, Cell], order: Sequence[str], top: str) -> dict[str, int]:
    """How often each cell is placed below the top cell."""
    counts = {top: 1}
    for name in order:
        for reference in cells[name].references if name in counts else ():
            counts[reference.cell] = counts.get(reference.cell, 0) + counts[name] * reference.count
    return counts


def _composed(outer: Matrices, inner: Matrices) -> Matrices:
    """Every inner placing within every outer one, shape (outer × inner, 2, 3)."""
    composed = np.einsum("aij,bjk->abik", outer[:, :, :2], inner)
    composed[:, :, :, 2] += outer[:, None, :, 2]
    result: Matrices = composed.reshape(-1, 2, 3)
    return result


def _moved(shapes: Shapes, matrices: Matrices, element: str, sketch: Sketch) -> Shapes:
    """Every shape at every placing, in one array."""
    points = shapely.get_coordinates(shapes)
    places = np.einsum("aij,nj->ani", matrices[:, :, :2], points) + matrices[:, None, :, 2]
    sketch.tally.reach(places.reshape(-1, 2), where=element)
    if len(matrices) == 1 and np.array_equal(matrices[0], np.eye(2, 3)):
        return shapes
    moved = np.tile(shapes, len(matrices))
    return np.asarray(shapely.set_coordinates(moved, places.reshape(-1, 2)))


def _turned(angle_degrees: float) -> tuple[float, float]:
    """Cosine and sine, exact for quarter turns."""
    quarters, rest = divmod(angle_degrees, 90.0)
    if rest == 0.0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarters) % 4]
    return math.cos(math.radians(angle_degrees)), math.sin(math.radians(angle_degrees))


def _tell_left_out(reached: Sequence[Cell], sketch: Sketch) -> None:
    for cell in reached:
        for kind, count in cell.left_out.items():
            sketch.leave_out(f"{count} {kind} of cell {cell.name!r}", "they are no shapes")


def _listed(names: Sequence[str], between: str = ", ") -> str:
    more = len(names) - _CELLS_NAMED
    listed = between.join(repr(name) for name in names[:_CELLS_NAMED])
    return listed + (f" and {more} more" if more > 0 else "")
