"""The records of an OASIS file, walked through before a library reads them, since it trusts what it reads.

Whatever a file claims (a length, a count, a name by number, a value taken over from the record before) is
held against what it holds; with any of it wrong, the library ends the process or reads something else.
Nothing is kept: this is a check.

A record is its number and what that number calls for; an information byte says which fields are written and
which are taken over from the last record that had them (modal variables, which each cell begins without).
Source: SEMI P39, Open Artwork System Interchange Standard, §§ 7 (values), 10 (modal variables), 13 to 35.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NoReturn

from rillcast_service.engine.errors import Fault, LayoutUnreadable
from rillcast_service.engine.layout.limits import Tally

#: Where the records begin.
MAGIC = b"%SEMI-OASIS\r\n"

_PAD, _START, _END, _CELL_BY_NUMBER, _CELL, _XY_ABSOLUTE, _XY_RELATIVE, _PACKED = 0, 1, 2, 13, 14, 15, 16, 34
_PLACEMENT, _PLACEMENT_TURNED, _TEXT, _PATH, _PROPERTY, _PROPERTY_AGAIN = 17, 18, 19, 22, 28, 29

#: Records of names: what they name, and whether they state the name's number.
_NAMES: Mapping[int, tuple[str, bool]] = {
    3: ("cell", False), 4: ("cell", True), 5: ("text", False), 6: ("text", True),
    7: ("property", False), 8: ("property", True), 9: ("value", False), 10: ("value", True),
}  # fmt: skip
_LAYER_NAMES = (11, 12)

#: A number of more bits is clipped by the library, which makes another drawing of it.
_LONGEST_NUMBER = 1 << 62


def check_records(data: bytes, tally: Tally) -> None:
    """Check that a file consists of whole records that fit together.

    Args:
        data: the file, from its first byte.
        tally: of the sketch; packed blocks count as the bytes that come out of them.

    Raises:
        LayoutUnreadable: they are not, or do not, with the byte where.
        LayoutTooComplex: more bytes come out of packed blocks than the limit.
    """
    walk = _Walk(tally)
    walk.file(data)
    walk.check_numbers()


@dataclass(slots=True)
class _Values:
    """Values one after the other in a block of bytes.

    Args:
        block: what to read.
        at: next byte.
        packed_at: byte of the file where this block lies packed; None for the file itself.
    """

    block: bytes
    at: int = 0
    packed_at: int | None = None

    def fail(self, what: str) -> NoReturn:
        within = "" if self.packed_at is None else f" of the block packed at byte {self.packed_at}"
        raise LayoutUnreadable(
            Fault(
                f"The OASIS file is damaged: {what}.",
                "Export the drawing again, and send the whole file.",
                where=f"byte {self.at}{within}",
            )
        )

    def take(self, count: int) -> bytes:
        if count > len(self.block) - self.at:
            self.fail(f"{count} bytes should follow, and {len(self.block) - self.at} do")
        taken = self.block[self.at : self.at + count]
        self.at += count
        return taken

    def byte(self) -> int:
        return self.take(1)[0]

    def unsigned(self) -> int:
        value, shift = 0, 0
        while True:
            part = self.byte()
            value |= (part & 0x7F) << shift
            if part < 0x80:
                return value
            shift += 7
            if value >= _LONGEST_NUMBER or shift > 70:
                self.fail("a number has more bits than a coordinate can")

    def count(self) -> int:
        """A number of things that follow, each of a byte or more."""
        count = self.unsigned()
        if count > len(self.block) - self.at:
            self.fail(f"{count} values should follow where {len(self.block) - self.at} bytes do")
        return count

    def string(self) -> None:
        self.take(self.unsigned())

    def name(self) -> None:
        """A string that the library gives as text, up to its first zero byte."""
        name = self.take(self.unsigned())
        try:
            text = name.decode()
        except UnicodeDecodeError:
            self.fail("a name is no text")
        if "\x00" in text:
            self.fail("a name holds a zero byte")

    def real(self) -> float:
        kind = self.unsigned()
        match kind:
            case 0 | 1:
                value = float(self.unsigned())
            case 2 | 3:
                value = 1.0 / (self.unsigned() or math.nan)
            case 4 | 5:
                value = self.unsigned() / (self.unsigned() or math.nan)
            case 6 | 7:
                value = struct.unpack("<f" if kind == 6 else "<d", self.take(4 if kind == 6 else 8))[0]
            case _:
                self.fail(f"there is no number of type {kind}")
        if not math.isfinite(value):
            self.fail("a number is not finite")
        return -value if kind in (1, 3, 5) else value

    def delta(self) -> None:
        """A displacement: one number along an axis or diagonal, or two."""
        first = self.unsigned()
        if first & 1:
            self.unsigned()

    def point_list(self) -> None:
        kind = self.unsigned()
        if kind > 5:
            self.fail(f"there is no list of points of type {kind}")
        step = self.delta if kind >= 4 else self.unsigned
        for _ in range(self.count()):
            step()

    def repetition(self) -> bool:
        """A repetition. Returns whether it is the last one again."""
        kind = self.unsigned()
        match kind:
            case 0:
                return True
            case 1:
                self._numbers(4)
            case 2 | 3:
                self._numbers(2)
            case 4 | 6:
                self._numbers(self.count() + 1)
            case 5 | 7:
                self._numbers(self.count() + 2)
            case 8:
                self._numbers(2)
                self.delta()
                self.delta()
            case 9:
                self.unsigned()
                self.delta()
            case 10 | 11:
                count = self.count() + 1
                self._numbers(kind - 10)
                for _ in range(count):
                    self.delta()
            case _:
                self.fail(f"there is no repetition of type {kind}")
        return False

    def interval(self) -> None:
        kind = self.unsigned()
        if kind > 4:
            self.fail(f"there is no interval of type {kind}")
        self._numbers((0, 1, 1, 1, 2)[kind])

    def _numbers(self, count: int) -> None:
        for _ in range(count):
            self.unsigned()


def _unsigned(values: _Values) -> None:
    values.unsigned()


#: Fields in the order in which they are written: bit of the information byte, modal variable, how to read it.
_Fields = tuple[tuple[int, str, Callable[[_Values], None]], ...]
_ON_LAYER: _Fields = ((0x01, "layer", _unsigned), (0x02, "data type", _unsigned))
_SIZE: _Fields = ((0x40, "width", _unsigned), (0x20, "height", _unsigned))
_PLACE: _Fields = ((0x10, "x", _unsigned), (0x08, "y", _unsigned))
_DELTAS = {23: 2, 24: 1, 25: 1}

_GEOMETRIES: Mapping[int, _Fields] = {
    20: (*_ON_LAYER, *_SIZE),
    21: (*_ON_LAYER, (0x20, "polygon's points", _Values.point_list)),
    22: (*_ON_LAYER, (0x40, "half width", _unsigned)),
    23: (*_ON_LAYER, *_SIZE),
    24: (*_ON_LAYER, *_SIZE),
    25: (*_ON_LAYER, *_SIZE),
    26: (*_ON_LAYER, (0x80, "trapezoid's type", _unsigned), *_SIZE),
    27: (*_ON_LAYER, (0x20, "radius", _unsigned)),
}
_SQUARE = 20

#: What is defined at the beginning of each cell.
_AT_FIRST = frozenset({"x", "y"})


@dataclass(slots=True)
class _Walk:
    """A walk through all records."""

    tally: Tally
    in_cell: bool = False
    defined: set[str] = field(default_factory=lambda: set(_AT_FIRST))
    stated: dict[str, set[int]] = field(default_factory=dict)
    counted: dict[str, int] = field(default_factory=dict)
    #: Kind and number → where it is first used.
    used: dict[tuple[str, int], _Values] = field(default_factory=dict)
    unpacked: int = 0

    def file(self, data: bytes) -> None:
        values = _Values(data, len(MAGIC))
        if values.unsigned() != _START:
            values.fail("it does not begin with the record START")
        values.string()
        if values.real() <= 0.0:
            values.fail("it states no usable unit")
        tables_at_end = values.unsigned()
        if tables_at_end > 1:
            values.fail("its record START is of no known form")
        if not tables_at_end:
            for _ in range(12):
                values.unsigned()
        while (kind := values.unsigned()) != _END:
            self._record(kind, values)
        if values.at != len(data) - 255:
            values.fail("its record END does not stand at its end")

    def check_numbers(self) -> None:
        """Hold every name that was used by its number against those that there are."""
        for (kind, number), values in self.used.items():
            if number >= self.counted.get(kind, 0) and number not in self.stated.get(kind, ()):
                values.fail(f"it has no {kind} name of the number {number}")

    def _record(self, kind: int, values: _Values) -> None:
        if kind in _GEOMETRIES:
            self._geometry(kind, values)
        elif kind in _NAMES:
            what, has_number = _NAMES[kind]
            if what == "value":
                values.string()
            else:
                values.name()
            if has_number:
                self.stated.setdefault(what, set()).add(values.unsigned())
            else:
                self.counted[what] = self.counted.get(what, 0) + 1
        elif kind in _LAYER_NAMES:
            values.string()
            values.interval()
            values.interval()
        else:
            self._other(kind, values)

    def _other(self, kind: int, values: _Values) -> None:
        match kind:
            case 0 | 15 | 16:
                pass
            case 13 | 14:
                self._named("cell", values, by_number=kind == _CELL_BY_NUMBER)
                self.in_cell = True
                self.defined = set(_AT_FIRST)
            case 17 | 18:
                self._placement(kind, values)
            case 19:
                self._text(values)
            case 28:
                self._property(values)
            case 29:
                self._need("property", values)
                self._need("property's values", values)
            case 34:
                self._packed(values)
            case 30 | 31 | 32 | 33:
                values.fail("it holds an extension record, which only the program that wrote it can read")
            case _:
                values.fail(f"there is no record of type {kind}")

    def _geometry(self, kind: int, values: _Values) -> None:
        info = self._element(values)
        for bit, name, read in _GEOMETRIES[kind]:
            if info & bit:
                read(values)
                self.defined.add(name)
            elif kind == _SQUARE and info & 0x80 and name == "height":
                self.defined.add(name)
            else:
                self._need(name, values)
        if kind == _PATH:
            self._path(info, values)
        for _ in range(_DELTAS.get(kind, 0)):
            values.unsigned()
        self._placed(info, values)

    def _path(self, info: int, values: _Values) -> None:
        if info & 0x80:
            scheme = values.unsigned()
            for shift, name in ((2, "path's beginning"), (0, "path's end")):
                match scheme >> shift & 3:
                    case 0:
                        self._need(name, values)
                    case 3:
                        values.unsigned()
                self.defined.add(name)
        self._need("path's beginning", values)
        self._need("path's end", values)
        if info & 0x20:
            values.point_list()
            self.defined.add("path's points")
        self._need("path's points", values)

    def _placement(self, kind: int, values: _Values) -> None:
        info = self._element(values)
        if info & 0x80:
            self._named("cell", values, by_number=bool(info & 0x40))
            self.defined.add("placed cell")
        self._need("placed cell", values)
        for bit in (0x04, 0x02) if kind == _PLACEMENT_TURNED else ():
            if info & bit:
                values.real()
        self._placed(info >> 1, values)

    def _text(self, values: _Values) -> None:
        info = self._element(values)
        if info & 0x40:
            self._named("text", values, by_number=bool(info & 0x20))
            self.defined.add("text")
        self._need("text", values)
        for bit, name in ((0x01, "text's layer"), (0x02, "text's type")):
            if info & bit:
                values.unsigned()
                self.defined.add(name)
            self._need(name, values)
        self._placed(info, values)

    def _placed(self, info: int, values: _Values) -> None:
        """Place and repetition, with which every element ends."""
        for bit, _, read in _PLACE:
            if info & bit:
                read(values)
        if info & 0x04:
            if values.repetition():
                self._need("repetition", values)
            self.defined.add("repetition")

    def _property(self, values: _Values) -> None:
        info = values.byte()
        if info & 0x04:
            self._named("property", values, by_number=bool(info & 0x02))
            self.defined.add("property")
        self._need("property", values)
        if info & 0x08:
            self._need("property's values", values)
            return
        count = info >> 4
        for _ in range(values.count() if count == 15 else count):
            self._property_value(values)
        self.defined.add("property's values")

    def _property_value(self, values: _Values) -> None:
        kind = values.block[values.at] if values.at < len(values.block) else 0
        if kind <= 7:
            values.real()
            return
        values.at += 1
        if kind in (8, 9):
            values.unsigned()
        elif kind in (10, 11, 12):
            values.string()
        elif kind in (13, 14, 15):
            self._use("value", values)
        else:
            values.fail(f"there is no property value of type {kind}")

    def _packed(self, values: _Values) -> None:
        if values.packed_at is not None:
            values.fail("a packed block lies within another one")
        at = values.at - 1
        method, stated, length = values.unsigned(), values.unsigned(), values.unsigned()
        if method != 0:
            values.fail(f"there is no packing of type {method}")
        packed = values.take(length)
        self.unpacked += stated
        self.tally.size(self.unpacked)
        unpacking = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            block = unpacking.decompress(packed, stated + 1)
        except zlib.error:
            values.fail("a packed block cannot be unpacked")
        if len(block) != stated or not unpacking.eof:
            values.fail("a packed block does not hold as many bytes as it states")
        inside = _Values(block, 0, at)
        while inside.at < len(block):
            kind = inside.unsigned()
            if kind in (_START, _END):
                inside.fail("a packed block holds the file's beginning or end")
            self._record(kind, inside)

    def _element(self, values: _Values) -> int:
        """The information byte of an element, which must lie in a cell."""
        if not self.in_cell:
            values.fail("an element stands before the first cell")
        return values.byte()

    def _named(self, kind: str, values: _Values, *, by_number: bool) -> None:
        if by_number:
            self._use(kind, values)
        else:
            values.name()

    def _use(self, kind: str, values: _Values) -> None:
        here = _Values(values.block, values.at, values.packed_at)
        self.used.setdefault((kind, values.unsigned()), here)

    def _need(self, name: str, values: _Values) -> None:
        if name not in self.defined:
            values.fail(f"a record takes over the {name} of the one before, and there is none")
