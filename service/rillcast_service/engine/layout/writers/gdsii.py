"""A layout as a GDSII stream: one cell, `CHIP`, with layers by the numbers of `mask.py`.

The database unit is 1 nm, the user unit 1 µm. Name, role, depth and level of a layer and the name and role
of a port stand in the properties of every shape (`statements.py`), cut to the length that a property may
have; the names of ports are texts too. A boundary has no more than 8190 corners, since a record holds 8191
points; some old programs want no more than 200.
"""

from __future__ import annotations

import struct

import numpy as np

from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.readers.gdsii_records import Kind, real_to_bytes
from rillcast_service.engine.layout.writers.format import WrittenFormat
from rillcast_service.engine.layout.writers.mask import MaskLabel, MaskShape, mask_labels, mask_shapes

_VERSION = 600
_CELL = b"CHIP"

#: Written files hold no date, so that the same layout gives the same bytes.
_DATE = (1970, 1, 1, 0, 0, 0)

#: The stream format's own limits.
_LONGEST_RING = 8190
_LONGEST_PROPERTY = 126

#: Types of data, as in `gdsii_records.py`.
_NONE, _INT16, _INT32, _REAL64, _TEXT = 0, 2, 3, 5, 6


def write(layout: Layout) -> bytes:
    """A layout as a GDSII stream.

    Args:
        layout: any layout.

    Returns:
        The file.
    """
    records = [
        _int16(Kind.HEADER, _VERSION),
        _int16(Kind.BGNLIB, *_DATE, *_DATE),
        _text(Kind.LIBNAME, b"RILLCAST"),
        _record(Kind.UNITS, _REAL64, real_to_bytes(1e-3) + real_to_bytes(1e-9)),
        _int16(Kind.BGNSTR, *_DATE, *_DATE),
        _text(Kind.STRNAME, _CELL),
        *(_boundary(shape) for shape in mask_shapes(layout, longest=_LONGEST_RING)),
        *(_label(label) for label in mask_labels(layout)),
        _record(Kind.ENDSTR, _NONE),
        _record(Kind.ENDLIB, _NONE),
    ]
    return b"".join(records)


FORMAT = WrittenFormat("gdsii", "GDSII", "application/vnd.gdsii", ".gds", write)


def _boundary(shape: MaskShape) -> bytes:
    closed = np.concatenate([shape.points_nm, shape.points_nm[:1]])
    says = shape.says.encode("ascii")
    pieces = [says[at : at + _LONGEST_PROPERTY] for at in range(0, len(says), _LONGEST_PROPERTY)]
    properties = (
        _int16(Kind.PROPATTR, number) + _text(Kind.PROPVALUE, piece)
        for number, piece in enumerate(pieces, start=1)
    )
    return (
        _record(Kind.BOUNDARY, _NONE)
        + _int16(Kind.LAYER, shape.number)
        + _int16(Kind.DATATYPE, shape.data_type)
        + _record(Kind.XY, _INT32, closed.astype(">i4").tobytes())
        + b"".join(properties)
        + _record(Kind.ENDEL, _NONE)
    )


def _label(label: MaskLabel) -> bytes:
    return (
        _record(Kind.TEXT, _NONE)
        + _int16(Kind.LAYER, label.number)
        + _int16(Kind.TEXTTYPE, 0)
        + _record(Kind.XY, _INT32, struct.pack(">ii", label.x_nm, label.y_nm))
        + _text(Kind.STRING, label.text.encode("ascii", "replace")[:512])
        + _record(Kind.ENDEL, _NONE)
    )


def _int16(kind: Kind, *numbers: int) -> bytes:
    return _record(kind, _INT16, struct.pack(f">{len(numbers)}h", *numbers))


def _text(kind: Kind, text: bytes) -> bytes:
    return _record(kind, _TEXT, text + b"\x00" * (len(text) % 2))


def _record(kind: Kind, data_type: int, data: bytes = b"") -> bytes:
    return struct.pack(">HBB", len(data) + 4, kind, data_type) + data
