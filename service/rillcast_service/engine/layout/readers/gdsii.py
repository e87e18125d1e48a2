"""GDSII stream files: boundaries, boxes and paths of the top cell and of every cell placed in it.

Layers go by number and data type (`1/0`), a box by its box type; the request gives them roles by that name,
or by the number alone for all its data types. Files that Rillcast wrote say names, roles, depths and ports in
properties (`statements.py`). A text on the shape of a port, on the same layer number, names the port.
Coordinates are whole multiples of the database unit that the file states.

The stream is read here, record by record, and not by a library: those that read it ask for a file on disc,
expand references before they can be counted, and cannot say at which byte a file is damaged.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnitsMissing
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.lengths import mm_per_unit
from rillcast_service.engine.layout.model import Role
from rillcast_service.engine.layout.readers.cells import Cell, CellLabel, Reference, place, polygons_from
from rillcast_service.engine.layout.readers.format import Format
from rillcast_service.engine.layout.readers.gdsii_records import Kind, Record, damaged, record_at
from rillcast_service.engine.layout.readers.mask_paths import Ends, MaskPath
from rillcast_service.engine.layout.sketch import Sketch
from rillcast_service.engine.layout.statements import MARK, understood

#: Database units outside this range, in metres, are no unit that a mask was ever drawn in, but a damaged or
#: an empty record: from a hundredth of an atom to a millimetre.
_UNIT_RANGE_M = (1e-12, 1e-3)

#: The records of a plain boundary up to its coordinates, and what each must be. Nearly all of a large file is
#: made of these, so that they are read in one go.
_BOUNDARY = struct.Struct(">QHIHHH")
_BOUNDARY_THEN_LAYER = 0x0004_0800_0006_0D02
_DATATYPE = 0x0006_0E02
_XY = 0x1003
_ENDEL = b"\x00\x04\x11\x00"

#: Bits of STRANS.
_MIRRORED, _ABSOLUTE = 0x8000, 0x0006

_ENDS: dict[int, Ends] = {0: "flush", 1: "round", 2: "extended", 4: "flush"}
_OWN_LENGTHS = 4

_ELEMENTS = {
    Kind.BOUNDARY: "boundary",
    Kind.BOX: "box",
    Kind.PATH: "path",
    Kind.SREF: "reference",
    Kind.AREF: "array of references",
    Kind.TEXT: "text",
    Kind.NODE: "node",
}

_WITHIN_ELEMENTS = {
    Kind.LAYER, Kind.DATATYPE, Kind.WIDTH, Kind.XY, Kind.SNAME, Kind.COLROW, Kind.TEXTTYPE,
    Kind.PRESENTATION, Kind.STRING, Kind.STRANS, Kind.MAG, Kind.ANGLE, Kind.PATHTYPE, Kind.ELFLAGS,
    Kind.NODETYPE, Kind.PROPATTR, Kind.PROPVALUE, Kind.BOXTYPE, Kind.PLEX, Kind.BGNEXTN, Kind.ENDEXTN,
}  # fmt: skip


def fill(data: bytes, sketch: Sketch) -> None:
    """Read a GDSII stream into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable: no stream, a damaged one, or one whose cells do not fit together.
        LayoutUnitsMissing: the file states no usable unit.
        LayoutInvalid: elements that are not of a usable form, or several top cells.
        LayoutTooComplex: beyond a limit.
    """
    stream = _Stream(data, sketch)
    stream.read()
    place(stream.cells, sketch)


FORMAT = Format("gdsii", "GDSII", "application/vnd.gdsii", (".gds", ".gds2", ".gdsii"), fill)


@dataclass(slots=True)
class _Boundaries:
    """All boundaries of a file, an entry each: cell, layer and data type, first byte, number of points."""

    cells: list[int] = field(default_factory=list)
    layers: list[int] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)

    def add(self, cell: int, layer: int, start: int, size: int) -> None:
        self.cells.append(cell)
        self.layers.append(layer)
        self.starts.append(start)
        self.sizes.append(size)


@dataclass(slots=True)
class _Element:
    """The records of one element, and its properties as one text."""

    head: Record
    cell: str
    records: dict[Kind, Record] = field(default_factory=dict)
    properties: list[tuple[int, str]] = field(default_factory=list)

    @property
    def where(self) -> str:
        return f"{_ELEMENTS[self.head.kind]} at byte {self.head.at}, in cell {self.cell!r}"

    @property
    def text(self) -> str:
        return "".join(value for _, value in sorted(self.properties, key=lambda pair: pair[0]))

    def __getitem__(self, kind: Kind) -> Record:
        if kind not in self.records:
            name = _ELEMENTS[self.head.kind]
            raise damaged(f"The {name} lacks its record {kind.name}", self.head.at, cell=self.cell)
        return self.records[kind]

    def int32(self, kind: Kind) -> int:
        return self.records[kind].int32 if kind in self.records else 0


class _Stream:
    """A stream being read, from its first record to its last."""

    def __init__(self, data: bytes, sketch: Sketch) -> None:
        self.data = data
        self.sketch = sketch
        self.cells: dict[str, Cell] = {}
        self.mm_per_step = 0.0
        self._boundaries = _Boundaries()

    def read(self) -> None:
        """Read everything. Raises LayoutUnreadable, LayoutUnitsMissing, LayoutInvalid, LayoutTooComplex."""
        at = self._library()
        while True:
            record = record_at(self.data, at)
            if record.kind is Kind.ENDLIB:
                break
            if record.kind is not Kind.BGNSTR:
                raise damaged(f"A record {record.kind.name} stands where a cell should begin", at)
            at = self._cell(record)
        rest = self.data[record.end :].strip(b"\x00")
        if rest:
            self.sketch.leave_out(f"{len(rest)} bytes", "they stand after the end of the library")
        self._take_boundaries()

    def _library(self) -> int:
        """Read up to the units, and give the byte where the cells begin."""
        header = record_at(self.data, 0)
        if header.kind is not Kind.HEADER:
            raise damaged("The file does not begin with a record HEADER, as a GDSII stream does", 0)
        record = record_at(self.data, header.end)
        while record.kind is not Kind.UNITS:
            if record.kind in (Kind.BGNSTR, Kind.ENDLIB) or record.kind in _ELEMENTS:
                raise self._no_units("The file has no record UNITS", record.at)
            record = record_at(self.data, record.end)
        self.mm_per_step = self._scale(record)
        return record.end

    def _scale(self, units: Record) -> float:
        """Millimetres in one step of the database: the file's own statement, else the request's unit."""
        in_user_units, in_metres = units.real(0), units.real(1)
        if _UNIT_RANGE_M[0] <= in_metres <= _UNIT_RANGE_M[1]:
            # The stream's binary numbers are not exact for decimal ones; 12 digits are.
            return float(f"{in_metres * 1e3:.12g}")
        if self.sketch.options.unit is not None and in_user_units > 0.0:
            mm_per_user_unit = mm_per_unit(self.sketch.options.unit, pointer="#/unit")
            return float(f"{in_user_units * mm_per_user_unit:.12g}")
        raise self._no_units(f"The file states a database unit of {in_metres:g} m", units.at)

    def _no_units(self, what: str, at: int) -> LayoutUnitsMissing:
        return LayoutUnitsMissing(
            Fault(
                f"{what}, so that its size is not known.",
                "Export it with a real database unit (1 nm is usual), or give the length of its user unit "
                "(`unit`; most masks are drawn in um).",
                pointer="#/unit",
                where=f"byte {at}",
            )
        )

    def _cell(self, begin: Record) -> int:
        """Read one cell, and give the byte after it."""
        named = record_at(self.data, begin.end)
        if named.kind is not Kind.STRNAME:
            raise damaged("A cell begins without its name (STRNAME)", named.at)
        name = named.text
        if name in self.cells:
            raise damaged(f"A second cell is called {name!r}", named.at)
        cell = self.cells[name] = Cell(name)
        index = len(self.cells) - 1
        data, boundaries = self.data, self._boundaries
        at, last_head = named.end, len(data) - _BOUNDARY.size
        while True:
            if at <= last_head:
                head, layer, between, datatype, length, xy = _BOUNDARY.unpack_from(data, at)
                end = at + 16 + length
                if (
                    head == _BOUNDARY_THEN_LAYER
                    and between == _DATATYPE
                    and xy == _XY
                    and length % 8 == 4
                    and length > 4
                    and data[end : end + 4] == _ENDEL
                ):
                    boundaries.cells.append(index)
                    boundaries.layers.append(layer << 16 | datatype)
                    boundaries.starts.append(at + _BOUNDARY.size)
                    boundaries.sizes.append(length >> 3)
                    at = end + 4
                    continue
            record = record_at(data, at)
            if record.kind is Kind.ENDSTR:
                return record.end
            if record.kind in _ELEMENTS:
                at = self._element(record, cell, index)
            elif record.kind is Kind.STRCLASS:
                at = record.end
            else:
                message = f"A record {record.kind.name} stands where an element or the cell's end should"
                raise damaged(message, at, cell=name)

    def _element(self, head: Record, cell: Cell, index: int) -> int:
        """Read one element, and give the byte after it."""
        element = _Element(head, cell.name)
        record = record_at(self.data, head.end)
        attribute = 0
        while record.kind is not Kind.ENDEL:
            if record.kind not in _WITHIN_ELEMENTS:
                what = _ELEMENTS[head.kind]
                raise damaged(
                    f"A record {record.kind.name} stands within a {what}", record.at, cell=cell.name
                )
            if record.kind is Kind.PROPATTR:
                attribute = record.int16
            elif record.kind is Kind.PROPVALUE:
                element.properties.append((attribute, record.text))
            else:
                element.records[record.kind] = record
            record = record_at(self.data, record.end)
        match head.kind:
            case Kind.BOUNDARY | Kind.BOX:
                self._boundary(element, cell, index)
            case Kind.PATH:
                self._path(element, cell)
            case Kind.SREF | Kind.AREF:
                cell.references.append(self._reference(element))
            case Kind.TEXT:
                x_mm, y_mm = self._points(element)[0]
                number = str(element[Kind.LAYER].int16)
                cell.labels.append(CellLabel(number, element[Kind.STRING].text, float(x_mm), float(y_mm)))
            case _:
                cell.left_out["nodes"] = cell.left_out.get("nodes", 0) + 1
        return record.end

    def _boundary(self, element: _Element, cell: Cell, index: int) -> None:
        kind = Kind.BOXTYPE if element.head.kind is Kind.BOX else Kind.DATATYPE
        layer, datatype = element[Kind.LAYER].int16, element[kind].int16
        says = understood(element.text, where=element.where) if MARK in element.text else None
        points = self._points(element)
        if says is not None and len(points) > 2:
            cell.stated.setdefault((f"{layer}/{datatype}", says), []).append(Polygon(points))
        else:
            self._boundaries.add(index, layer << 16 | datatype, element[Kind.XY].start, len(points))

    def _path(self, element: _Element, cell: Cell) -> None:
        layer = f"{element[Kind.LAYER].int16}/{element[Kind.DATATYPE].int16}"
        points = self._points(element)
        width = element.int32(Kind.WIDTH) * self.mm_per_step
        if width == 0.0:
            self._line(layer, points, element, cell)
            return
        number = element.records[Kind.PATHTYPE].int16 if Kind.PATHTYPE in element.records else 0
        if number not in _ENDS:
            raise LayoutInvalid(
                Fault(
                    f"A path has ends of type {number}, which the stream format does not have.",
                    "Draw the path as a polygon, or with flush, round or extended ends.",
                    where=element.where,
                )
            )
        own = number == _OWN_LENGTHS
        path = MaskPath(
            layer=layer,
            points=points,
            width_mm=abs(width),
            is_absolute=width < 0.0,
            ends=_ENDS[number],
            begin_mm=element.int32(Kind.BGNEXTN) * self.mm_per_step if own else 0.0,
            end_mm=element.int32(Kind.ENDEXTN) * self.mm_per_step if own else 0.0,
            element=element.where,
        )
        cell.paths.append(path)

    def _line(self, layer: str, points: Points, element: _Element, cell: Cell) -> None:
        """A path without width has no area, unless it is the closed line of an outline."""
        named = self.sketch.named_role([layer])
        if (
            named is not None
            and named[1] is Role.OUTLINE
            and len(points) > 3
            and (points[0] == points[-1]).all()
        ):
            cell.polygons.setdefault(layer, []).append(np.array([Polygon(points)]))
            return
        self.sketch.refuse(
            self.sketch.layer(layer, named and named[1]),
            LayoutInvalid(
                Fault(
                    f"A path on layer {layer} has no width.",
                    "Give it the channel's width, draw it as a polygon, or give its layer the role ignored.",
                    where=f"{element.where}, from ({points[0][0]:.4g}, {points[0][1]:.4g}) mm",
                )
            ),
        )

    def _reference(self, element: _Element) -> Reference:
        flags = element.records[Kind.STRANS].int16 if Kind.STRANS in element.records else 0
        magnification = element.records[Kind.MAG].real() if Kind.MAG in element.records else 1.0
        angle = element.records[Kind.ANGLE].real() if Kind.ANGLE in element.records else 0.0
        if flags & _ABSOLUTE:
            raise LayoutInvalid(
                Fault(
                    "A reference asks for an absolute angle or magnification.",
                    "Flatten that cell in the drawing: programs do not agree on what these mean.",
                    where=element.where,
                )
            )
        # Sizes beyond these are no drawing, and would overflow when cells are nested.
        if not 1e-6 <= magnification <= 1e6 or abs(angle) > 1e6:
            raise LayoutInvalid(
                Fault(
                    f"A reference magnifies by {magnification:g} and turns by {angle:g} degrees.",
                    "Place the cell with a magnification above 0 and an angle within a turn.",
                    where=element.where,
                )
            )
        points = self._points(element)
        columns, rows = 1, 1
        column_step = row_step = np.zeros(2)
        if element.head.kind is Kind.AREF:
            grid = element[Kind.COLROW]
            columns = grid.int16
            rows = int.from_bytes(self.data[grid.start + 2 : grid.end])
            if len(points) != 3 or not (0 < columns < 1 << 15 and 0 < rows < 1 << 15):
                raise LayoutInvalid(
                    Fault(
                        f"An array has {columns} columns, {rows} rows and {len(points)} points.",
                        "Give 1 to 32767 columns and rows, and three points.",
                        where=element.where,
                    )
                )
            column_step = (points[1] - points[0]) / columns
            row_step = (points[2] - points[0]) / rows
        return Reference(
            cell=element[Kind.SNAME].text,
            origin_mm=points[0],
            angle_degrees=angle,
            magnification=magnification,
            is_mirrored=bool(flags & _MIRRORED),
            columns=columns,
            rows=rows,
            column_step_mm=column_step,
            row_step_mm=row_step,
            element=element.where,
        )

    def _points(self, element: _Element) -> Points:
        """Coordinates in mm, shape (n, 2)."""
        xy = element[Kind.XY]
        steps = np.frombuffer(self.data, ">i4", count=(xy.end - xy.start) // 4, offset=xy.start)
        points: Points = steps.reshape(-1, 2) * self.mm_per_step
        return points

    def _take_boundaries(self) -> None:
        """Turn all boundaries of the file into polygons of their cells and layers, at once."""
        if not self._boundaries.starts:
            return
        starts = np.array(self._boundaries.starts)
        sizes = np.array(self._boundaries.sizes)
        cells = np.array(self._boundaries.cells, dtype=np.int64)
        layers = np.array(self._boundaries.layers, dtype=np.int64)
        self._boundaries = _Boundaries()
        order = np.argsort(starts)
        starts, sizes, cells, layers = starts[order], sizes[order], cells[order], layers[order]
        points = self._gathered(starts, sizes)
        first = np.cumsum(sizes) - sizes
        closed = (points[first] == points[first + sizes - 1]).all(axis=1)
        has_area = sizes - closed >= 3
        names = list(self.cells.values())
        if not has_area.all():
            for cell in np.unique(cells[~has_area]):
                names[cell].left_out["boundaries of fewer than three points"] = int(
                    (cells[~has_area] == cell).sum()
                )
            points = points[np.repeat(has_area, sizes)]
            sizes, cells, layers = sizes[has_area], cells[has_area], layers[has_area]
        if len(sizes) == 0:
            return
        polygons = polygons_from(points, sizes)
        keys = cells << 32 | layers
        sorted_by_key = np.argsort(keys, kind="stable")
        values, begins = np.unique(keys[sorted_by_key], return_index=True)
        for value, chosen in zip(values.tolist(), np.split(sorted_by_key, begins[1:]), strict=True):
            layer = f"{value >> 16 & 0xFFFF}/{value & 0xFFFF}"
            names[value >> 32].polygons.setdefault(layer, []).append(polygons[chosen])

    def _gathered(self, starts: NDArray[np.int64], sizes: NDArray[np.int64]) -> Points:
        """Coordinates in mm of many boundaries, one after the other in order of their bytes."""
        # Records begin at even bytes, so that the file is words of two bytes, of which those between the
        # start and end of a boundary's coordinates are kept.
        words = np.frombuffer(self.data, np.uint16, count=len(self.data) // 2)
        edges = np.zeros(len(words) + 1, dtype=np.int8)
        edges[starts // 2] += 1
        edges[starts // 2 + 4 * sizes] -= 1
        inside = np.cumsum(edges[:-1], dtype=np.int8).view(bool)
        points: Points = words[inside].view(">i4").reshape(-1, 2) * self.mm_per_step
        return points
