"""OASIS files: the same cells, layers, paths and references as a GDSII stream, packed smaller.

The library that unpacks them reads files only, and trusts what it reads; so the file's frame and its own
check sum are looked at first. Names that a file gives to layer numbers are not read: layers go by number and
data type (`1/0`).

Source of the frame: SEMI P39, Open Artwork System Interchange Standard, §§ 13 and 14.
"""

from __future__ import annotations

import math
import warnings
import zlib
from collections.abc import Iterator
from typing import Any

import gdstk
import numpy as np
from shapely import Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnreadable
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.readers.cells import Cell, CellLabel, Reference, place, polygons_from
from rillcast_service.engine.layout.readers.format import Format
from rillcast_service.engine.layout.readers.mask_paths import Ends, MaskPath
from rillcast_service.engine.layout.readers.oasis_records import MAGIC, check_records
from rillcast_service.engine.layout.scratch import read_as_file
from rillcast_service.engine.layout.sketch import Sketch
from rillcast_service.engine.layout.statements import MARK, understood

_START, _VERSION = b"\x01", b"\x031.0"

#: The record END is filled up to this length, and begins with its number.
_END_BYTES, _END = 256, 2

#: Check sums: none, CRC-32, sum of all bytes; each of the last two in four bytes, low byte first.
_NO_CHECK, _CRC32, _SUM = 0, 1, 2

_MM = 1e-3


def fill(data: bytes, sketch: Sketch) -> None:
    """Read an OASIS file into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable: no OASIS file, a damaged one, or one whose cells do not fit together.
        LayoutInvalid: elements that are not of a usable form, or several top cells.
        LayoutTooComplex: beyond a limit.
    """
    _check_frame(data)
    check_records(data, sketch.tally)
    library = _parsed(data, sketch.options.flattening_um * 1e-3)
    cells: dict[str, Cell] = {}
    for source in library.cells:
        for cell in _cells(source):
            if cell.name in cells:
                raise LayoutUnreadable(
                    Fault(f"Two cells are called {cell.name!r}.", "Export the drawing again.")
                )
            cells[cell.name] = cell
    place(cells, sketch)


FORMAT = Format("oasis", "OASIS", "application/vnd.semi.oasis", (".oas", ".oasis"), fill)


def _check_frame(data: bytes) -> None:
    if not data.startswith(MAGIC + _START + _VERSION):
        raise _damaged("The file does not begin as an OASIS file of version 1.0 does", 0)
    end = len(data) - _END_BYTES
    if end <= len(MAGIC) or data[end] != _END:
        raise _damaged("The file breaks off: it does not end with the record END", len(data))
    stated = int.from_bytes(data[-4:], "little")
    scheme = data[-5]
    # Without a check sum the record ends with its scheme, which is the last byte.
    if scheme == _CRC32:
        found = zlib.crc32(data[:-4])
    elif scheme == _SUM:
        found = int(np.frombuffer(data, np.uint8)[:-4].sum(dtype=np.uint64)) & 0xFFFF_FFFF
    elif data[-1] == _NO_CHECK:
        return
    else:
        raise _damaged("The record END names a check sum that the format does not have", end)
    if found != stated:
        raise _damaged(f"The file is damaged: its check sum is {found:08x}, and it states {stated:08x}", end)


def _parsed(data: bytes, tolerance_mm: float) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # of a part that the library cannot read and would pass over
            return read_as_file(data, lambda path: gdstk.read_oas(path, unit=_MM, tolerance=tolerance_mm))
    except (RuntimeError, ValueError, OSError, MemoryError, Warning) as error:
        reason = str(error).rstrip(".")
        raise LayoutUnreadable(
            Fault(f"The OASIS file cannot be read: {reason}.", "Export the drawing again, or as GDSII.")
        ) from None


def _cells(source: Any) -> Iterator[Cell]:
    """A cell of the file, and one more for each of its shapes that is repeated."""
    cell = Cell(source.name)
    plain: dict[str, list[Points]] = {}
    for index, shape in enumerate((*source.polygons, *source.paths)):
        if shape.repetition.size > 1:
            home = Cell(f"{source.name}, repeated shape {index + 1}")
            cell.references += _repeated(home.name, np.zeros(2), shape.repetition)
            own: dict[str, list[Points]] = {}
            _add_shape(shape, home, own)
            _take(own, home)
            yield home
        else:
            _add_shape(shape, cell, plain)
    _take(plain, cell)
    for label in source.labels:
        for offset in _offsets(label.repetition):
            x_mm, y_mm = np.asarray(label.origin) + offset
            cell.labels.append(CellLabel(str(label.layer), label.text, float(x_mm), float(y_mm)))
    for reference in source.references:
        cell.references += _references(reference)
    yield cell


def _take(plain: dict[str, list[Points]], cell: Cell) -> None:
    for layer, rings in plain.items():
        sizes = np.array([len(ring) for ring in rings])
        cell.polygons[layer] = [polygons_from(np.concatenate(rings), sizes)]


def _add_shape(shape: Any, cell: Cell, plain: dict[str, list[Points]]) -> None:
    if not isinstance(shape, gdstk.Polygon):
        _add_path(shape, cell)
        return
    layer = f"{shape.layer}/{shape.datatype}"
    points = np.asarray(shape.points)
    if len(points) < 3 or not np.isfinite(points).all():
        cell.left_out["shapes without area"] = cell.left_out.get("shapes without area", 0) + 1
        return
    text = _text(shape.properties)
    says = understood(text, where=f"cell {cell.name!r}") if MARK in text else None
    if says is not None:
        cell.stated.setdefault((layer, says), []).append(Polygon(points))
    else:
        plain.setdefault(layer, []).append(points)


def _text(properties: Any) -> str:
    """The texts among the values of properties, one after the other."""
    values = (value for _, *values in properties for value in values)
    return "".join(value.decode("utf-8", "replace") for value in values if isinstance(value, bytes))


def _add_path(path: Any, cell: Cell) -> None:
    where = f"path in cell {cell.name!r}"
    layer = f"{path.layers[0]}/{path.datatypes[0]}"
    width = float(path.widths()[0][0])
    if not width > 0.0:
        raise LayoutInvalid(
            Fault(
                f"A path on layer {layer} has no width.",
                "Give it the channel's width, or draw it as a polygon.",
                where=where,
            )
        )
    ends, begin_mm, end_mm = _ends(path.ends[0])
    points: Points = np.asarray(path.spine())
    cell.paths.append(MaskPath(layer, points, width, False, ends, begin_mm, end_mm, where))


def _ends(ends: Any) -> tuple[Ends, float, float]:
    if isinstance(ends, tuple):
        return "flush", float(ends[0]), float(ends[1])
    if ends not in ("flush", "round", "extended"):
        raise LayoutInvalid(Fault(f"A path has ends of the kind {ends!r}.", "Draw it as a polygon."))
    return ends, 0.0, 0.0


def _references(reference: Any) -> list[Reference]:
    name = reference.cell if isinstance(reference.cell, str) else reference.cell.name
    common = {
        "angle_degrees": round(math.degrees(reference.rotation), 9),
        "magnification": float(reference.magnification),
        "is_mirrored": bool(reference.x_reflection),
        "element": f"reference to {name!r}",
    }
    return _repeated(name, np.asarray(reference.origin, dtype=float), reference.repetition, **common)


def _repeated(cell: str, origin: Points, repetition: Any, **common: Any) -> list[Reference]:
    """References for a repetition: one for a grid, however large, else one for each place."""
    if repetition.columns is not None:
        if repetition.spacing is not None:
            column, row = np.array([repetition.spacing[0], 0.0]), np.array([0.0, repetition.spacing[1]])
        else:
            column, row = np.asarray(repetition.v1), np.asarray(repetition.v2)
        grid = {
            "columns": repetition.columns,
            "rows": repetition.rows,
            "column_step_mm": column,
            "row_step_mm": row,
        }
        return [Reference(cell, origin, **grid, **common)]
    return [Reference(cell, origin + offset, **common) for offset in _offsets(repetition)]


def _offsets(repetition: Any) -> Points:
    return np.asarray(repetition.get_offsets()) if repetition.size > 1 else np.zeros((1, 2))


def _damaged(message: str, at: int) -> LayoutUnreadable:
    return LayoutUnreadable(
        Fault(f"{message}.", "Export the drawing again, and send the whole file.", where=f"byte {at}")
    )
