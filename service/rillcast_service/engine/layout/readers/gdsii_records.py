"""The records of a GDSII stream: their names, their layout in bytes, and where a file breaks off.

A record is its length in bytes (two bytes), its type, the type of its data, and the data; all numbers have
their high byte first. Source: GDSII Stream Format Manual, release 6.0 (Calma, 1987); the record table is
given again in S. M. Rubin, Computer Aids for VLSI Design, appendix C.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

from rillcast_service.engine.errors import Fault, LayoutUnreadable

#: A record without data is its head alone.
HEAD_BYTES = 4


class Kind(IntEnum):
    """Types of records."""

    HEADER = 0x00
    BGNLIB = 0x01
    LIBNAME = 0x02
    UNITS = 0x03
    ENDLIB = 0x04
    BGNSTR = 0x05
    STRNAME = 0x06
    ENDSTR = 0x07
    BOUNDARY = 0x08
    PATH = 0x09
    SREF = 0x0A
    AREF = 0x0B
    TEXT = 0x0C
    LAYER = 0x0D
    DATATYPE = 0x0E
    WIDTH = 0x0F
    XY = 0x10
    ENDEL = 0x11
    SNAME = 0x12
    COLROW = 0x13
    NODE = 0x15
    TEXTTYPE = 0x16
    PRESENTATION = 0x17
    STRING = 0x19
    STRANS = 0x1A
    MAG = 0x1B
    ANGLE = 0x1C
    REFLIBS = 0x1F
    FONTS = 0x20
    PATHTYPE = 0x21
    GENERATIONS = 0x22
    ATTRTABLE = 0x23
    ELFLAGS = 0x26
    NODETYPE = 0x2A
    PROPATTR = 0x2B
    PROPVALUE = 0x2C
    BOX = 0x2D
    BOXTYPE = 0x2E
    PLEX = 0x2F
    BGNEXTN = 0x30
    ENDEXTN = 0x31
    STRCLASS = 0x34
    FORMAT = 0x36
    MASK = 0x37
    ENDMASKS = 0x38
    LIBDIRSIZE = 0x39
    SRFNAME = 0x3A
    LIBSECUR = 0x3B


#: Types of data.
_NONE, _BITS, _INT16, _INT32, _REAL64, _TEXT = 0, 1, 2, 3, 5, 6

#: Type of the data and its length in bytes; None is any length.
_DATA: Mapping[Kind, tuple[int, int | None]] = {
    Kind.HEADER: (_INT16, 2),
    Kind.LIBNAME: (_TEXT, None),
    Kind.UNITS: (_REAL64, 16),
    Kind.ENDLIB: (_NONE, 0),
    Kind.STRNAME: (_TEXT, None),
    Kind.ENDSTR: (_NONE, 0),
    Kind.BOUNDARY: (_NONE, 0),
    Kind.PATH: (_NONE, 0),
    Kind.SREF: (_NONE, 0),
    Kind.AREF: (_NONE, 0),
    Kind.TEXT: (_NONE, 0),
    Kind.LAYER: (_INT16, 2),
    Kind.DATATYPE: (_INT16, 2),
    Kind.WIDTH: (_INT32, 4),
    Kind.XY: (_INT32, None),
    Kind.ENDEL: (_NONE, 0),
    Kind.SNAME: (_TEXT, None),
    Kind.COLROW: (_INT16, 4),
    Kind.NODE: (_NONE, 0),
    Kind.TEXTTYPE: (_INT16, 2),
    Kind.STRING: (_TEXT, None),
    Kind.STRANS: (_BITS, 2),
    Kind.MAG: (_REAL64, 8),
    Kind.ANGLE: (_REAL64, 8),
    Kind.PATHTYPE: (_INT16, 2),
    Kind.NODETYPE: (_INT16, 2),
    Kind.PROPATTR: (_INT16, 2),
    Kind.PROPVALUE: (_TEXT, None),
    Kind.BOX: (_NONE, 0),
    Kind.BOXTYPE: (_INT16, 2),
    Kind.BGNEXTN: (_INT32, 4),
    Kind.ENDEXTN: (_INT32, 4),
}

_KINDS: Mapping[int, Kind] = {int(kind): kind for kind in Kind}

_REMEDY = "Export the drawing again, and send the whole file."


@dataclass(frozen=True, slots=True)
class Record:
    """One record of a stream.

    Args:
        kind: its type.
        at: byte where it begins.
        start, end: bytes between which its data stand.
        data: of the whole file.
    """

    kind: Kind
    at: int
    start: int
    end: int
    data: bytes

    @property
    def int16(self) -> int:
        """The first number of two bytes, without sign."""
        return int.from_bytes(self.data[self.start : self.start + 2])

    @property
    def int32(self) -> int:
        """The first number of four bytes."""
        return int.from_bytes(self.data[self.start : self.start + 4], signed=True)

    @property
    def text(self) -> str:
        """A text without its padding."""
        return self.data[self.start : self.end].rstrip(b"\x00").decode("utf-8", errors="replace")

    def real(self, index: int = 0) -> float:
        """One of its numbers of eight bytes."""
        place = self.start + 8 * index
        return real_from_bytes(self.data[place : place + 8])


def record_at(data: bytes, at: int) -> Record:
    """The record that begins at a byte.

    Args:
        data: of the whole file.
        at: where.

    Returns:
        The record, whose data have the form that its type asks for.

    Raises:
        LayoutUnreadable: no such record can begin there, or the file ends within it.
    """
    if at + HEAD_BYTES > len(data):
        raise damaged(f"The file breaks off at byte {len(data)}, before the end of the library", at)
    length, number, data_type = struct.unpack_from(">HBB", data, at)
    kind = _KINDS.get(number)
    if length < HEAD_BYTES or length % 2:
        raise damaged(f"A record of {length} bytes begins there, which none can have", at)
    if kind is None:
        raise damaged(f"A record of type {number} begins there, which the stream format does not have", at)
    if at + length > len(data):
        raise damaged(f"The file breaks off at byte {len(data)}, within a record {kind.name}", at)
    wanted = _DATA.get(kind)
    if wanted is not None:
        size = length - HEAD_BYTES
        if data_type != wanted[0] or (wanted[1] is not None and size != wanted[1]):
            raise damaged(f"A record {kind.name} has {size} bytes of data of type {data_type}", at)
        if kind is Kind.XY and (size == 0 or size % 8):
            raise damaged(f"A record XY has {size} bytes, which are not pairs of numbers", at)
    return Record(kind, at, at + HEAD_BYTES, at + length, data)


def damaged(message: str, at: int, *, cell: str | None = None) -> LayoutUnreadable:
    """A fault of the stream itself.

    Args:
        message: without its full stop.
        at: byte.
        cell: that it lies in.

    Returns:
        The error to raise.
    """
    where = f"byte {at}" if cell is None else f"byte {at}, in cell {cell!r}"
    return LayoutUnreadable(Fault(f"{message}.", _REMEDY, where=where))


def real_from_bytes(eight: bytes) -> float:
    """A number of eight bytes.

    Args:
        eight: sign (1 bit), exponent of 16 plus 64 (7 bits), binary fraction (56 bits).

    Returns:
        `± fraction · 16^(exponent − 64)`.
    """
    bits = int.from_bytes(eight)
    fraction = (bits & ((1 << 56) - 1)) / (1 << 56)
    value = fraction * 16.0 ** ((bits >> 56 & 0x7F) - 64)
    return -value if bits >> 63 else value


def real_to_bytes(value: float) -> bytes:
    """A number as eight bytes, with the highest digit of its fraction not 0.

    Args:
        value: between 16⁻⁶⁴ and 16⁶³, or 0.

    Returns:
        The eight bytes nearest to it.
    """
    if value == 0.0:
        return bytes(8)
    exponent, size = 64, abs(value)
    while size >= 1.0:
        size, exponent = size / 16.0, exponent + 1
    while size < 1.0 / 16.0:
        size, exponent = size * 16.0, exponent - 1
    sign = 0x80 if value < 0.0 else 0
    return bytes([sign | exponent]) + round(size * (1 << 56)).to_bytes(7)
