"""Fonts that a drawing carries, from their bytes to the outlines of letters. `fontTools` reads the tables.

A stranger wrote the font, so nothing is unpacked before its size is known, and whatever a font may ask for
again and again (parts of letters, subroutines) is counted.
Sources: OpenType 1.9; WOFF File Format 1.0, §4; WOFF File Format 2.0, §4.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable, Mapping
from itertools import accumulate, pairwise
from typing import Any, TypeVar

import brotli  # type: ignore[import-untyped]
import numpy as np
from fontTools.misc.psCharStrings import T2OutlineExtractor
from fontTools.pens.basePen import BasePen
from fontTools.ttLib import TTFont
from fontTools.ttLib.sfnt import WOFFDirectoryEntry
from fontTools.ttLib.woff2 import WOFF2DirectoryEntry

from rillcast_service.engine.errors import EngineError
from rillcast_service.engine.layout.curves import Bezier, Points, Polyline, Subpath
from rillcast_service.engine.layout.limits import Limits, Tally
from rillcast_service.engine.layout.readers.svg.faults import Unusable

TO_OUTLINES = "Convert the text to outlines (paths)."

#: Table → why a font with it is drawn otherwise than by its outlines and widths.
_UNREAD_TABLES: Mapping[str, str] = {
    "CFF2": "holds outlines of the kind CFF2",
    "COLR": "paints its letters in colours",
    "SVG ": "holds its letters as drawings",
    "CBDT": "holds its letters as pictures",
    "sbix": "holds its letters as pictures",
    "VARC": "builds its letters of varying parts",
    "morx": "states the choice of letters in Apple's way",
    "mort": "states the choice of letters in Apple's way",
    "kerx": "states the distances of letters in Apple's way",
}

#: A part placed by a scaled distance (flag SCALED_COMPONENT_OFFSET), which few readers do alike.
_SCALED_OFFSET = 0x0800

_FOUND = TypeVar("_FOUND")


class FontFile:
    """One font of the drawing.

    Args:
        data: SFNT (TrueType or OpenType), WOFF or WOFF2.
        name: of the font, for faults.
        limits: of bytes once unpacked, and of points and parts of all letters used.

    Raises:
        Unusable: not a font, or one of a kind that is not read.
        LayoutTooComplex: larger than the limits.
    """

    def __init__(self, data: bytes, name: str, limits: Limits) -> None:
        self.name = name
        self.tally = Tally(limits)
        self._outlines: dict[str, tuple[Subpath, ...]] = {}
        self.tables = self.guarded(lambda: _opened(data, self.tally))
        for table, why in _UNREAD_TABLES.items():
            if table in self.tables:
                raise self.unread(why)
        self.units_per_em = float(self.guarded(lambda: self.tables["head"].unitsPerEm))
        self._letters = self.guarded(self._mapped)
        self._glyphs = self.guarded(self.tables.getGlyphSet)
        self._widths = self.guarded(lambda: self.tables["hmtx"].metrics)
        if not 16.0 <= self.units_per_em <= 16384.0:  # OpenType 1.9, table head
            raise self.unread("has no size that its letters could be measured by")

    def guarded(self, read: Callable[[], _FOUND]) -> _FOUND:
        """What a reading of the font gives, whatever the library makes of a broken one.

        Args:
            read: looks something up in the tables.

        Raises:
            Unusable: the tables do not hold together.
            LayoutTooComplex: larger than the limits.
        """
        try:
            return read()
        except (EngineError, Unusable):
            raise
        except Exception as error:  # noqa: BLE001 (the library raises anything on a broken table)
            raise Unusable(
                f"The font {self.name!r} that the drawing holds cannot be read ({type(error).__name__}).",
                f"Mend the font. {TO_OUTLINES}",
            ) from None

    def unread(self, why: str) -> Unusable:
        """The fault of a font that does something which is not read.

        Args:
            why: such as `paints its letters in colours`.
        """
        return Unusable(
            f"The font {self.name!r} that the drawing holds {why}, which is not read.", TO_OUTLINES
        )

    def glyph(self, letter: str) -> str:
        """The glyph of a letter.

        Args:
            letter: one character.

        Raises:
            Unusable: the font has none.
        """
        found = self._letters.get(ord(letter))
        if found is None:
            raise Unusable(
                f"The font {self.name!r} that the drawing holds has no letter {letter!r} "
                f"(U+{ord(letter):04X}).",
                TO_OUTLINES,
            )
        return found

    def advance(self, glyph: str) -> float:
        """How far a glyph moves the pen.

        Args:
            glyph: of this font.

        Returns:
            In the font's units.
        """
        return self.guarded(lambda: float(self._widths[glyph][0]))

    def outline(self, glyph: str) -> tuple[Subpath, ...]:
        """The outline of a glyph, to be filled by the rule nonzero.

        Args:
            glyph: of this font.

        Returns:
            Closed subpaths in the font's units, y up, the origin on the base line.

        Raises:
            Unusable: the outline does not hold together.
            LayoutTooComplex: too many points or parts.
        """
        if glyph not in self._outlines:
            self._outlines[glyph] = self.guarded(lambda: self._drawn(glyph))
        return self._outlines[glyph]

    def _mapped(self) -> Mapping[int, str]:
        missing = self.tables.getGlyphName(0)
        return {code: glyph for code, glyph in self.tables["cmap"].getBestCmap().items() if glyph != missing}

    def _drawn(self, glyph: str) -> tuple[Subpath, ...]:
        pen = _Pen(self._glyphs, self._check, self.tally)
        self._check(glyph)
        if "CFF " in self.tables:
            self._draw_charstring(glyph, pen)
        else:
            self._glyphs[glyph].draw(pen)
        return tuple(pen.subpaths)

    def _draw_charstring(self, glyph: str, pen: _Pen) -> None:
        top = self.tables["CFF "].cff.topDictIndex[0]
        own = 1.0 / self.units_per_em
        for matrix in (
            getattr(each, "FontMatrix", None) for each in (top, *(getattr(top, "FDArray", None) or ()))
        ):
            if matrix is not None and not np.allclose(
                matrix, [own, 0.0, 0.0, own, 0.0, 0.0], rtol=1e-3, atol=0.0
            ):
                raise self.unread("scales its letters by a matrix of its own")
        charstring = self._glyphs.charStrings[glyph]
        private = charstring.private
        extractor = _CountedExtractor(
            pen,
            getattr(private, "Subrs", []),
            charstring.globalSubrs,
            private.nominalWidthX,
            private.defaultWidthX,
            private,
        )
        extractor.tally = self.tally
        extractor.execute(charstring)

    def _check(self, glyph: str) -> None:
        """Refuse parts that are placed in ways that readers do not agree on."""
        table = self.tables.get("glyf")
        if table is None or not table[glyph].isComposite():
            return
        for part in table[glyph].components:
            scaled = part.flags & _SCALED_OFFSET and hasattr(part, "transform")
            if hasattr(part, "firstPt") or scaled:
                raise self.unread("places parts of letters by points or by scaled distances")


class _CountedExtractor(T2OutlineExtractor):  # type: ignore[misc] # the library states no types
    """Draws a charstring, and counts what subroutines make it read."""

    tally: Tally

    def execute(self, charString: Any, **keywords: Any) -> None:  # noqa: N803 (the library's name)
        # A point takes two bytes or more.
        self.tally.vertex(len(charString.bytecode or charString.program) // 2)
        self.tally.element()
        self.tally.nesting(len(self.callingStack))
        super().execute(charString, **keywords)


class _Pen(BasePen):  # type: ignore[misc] # the library states no types
    """Takes down the contours of one glyph."""

    def __init__(self, glyphs: Any, check: Callable[[str], None], tally: Tally) -> None:
        super().__init__(glyphs)
        self.subpaths: list[Subpath] = []
        self._check = check
        self._tally = tally
        self._depth = 0
        self._points: list[Any] = []
        self._degrees: list[int] = []

    def addComponent(self, glyphName: str, transformation: Any, **_: Any) -> None:  # noqa: N802, N803
        self._depth += 1
        self._tally.element()
        self._tally.nesting(self._depth)
        self._check(glyphName)
        super().addComponent(glyphName, transformation)
        self._depth -= 1

    def _moveTo(self, point: Any) -> None:  # noqa: N802
        self._closePath()
        self._tally.element()
        self._points = [point]

    def _curve(self, *points: Any) -> None:
        self._tally.vertex(len(points))
        self._points += points
        self._degrees.append(len(points))

    def _lineTo(self, point: Any) -> None:  # noqa: N802
        self._curve(point)

    def _qCurveToOne(self, control: Any, point: Any) -> None:  # noqa: N802
        self._curve(control, point)

    def _curveToOne(self, first: Any, second: Any, point: Any) -> None:  # noqa: N802
        self._curve(first, second, point)

    def _closePath(self) -> None:  # noqa: N802
        if self._degrees:
            self.subpaths.append(_contour(np.array(self._points, dtype=np.float64), self._degrees))
        self._degrees = []

    def _endPath(self) -> None:  # noqa: N802
        self._closePath()


def _contour(points: Points, degrees: list[int]) -> Subpath:
    """A closed subpath of curves of some degrees; straight lines alone are kept as one."""
    if not np.all(np.isfinite(points)):
        raise ValueError("not finite")
    if max(degrees) == 1:
        return Subpath(points[0], (Polyline(points),), closed=True)
    ends = accumulate(degrees, initial=0)
    curves = tuple(Bezier(points[begin : end + 1]) for begin, end in pairwise(ends))
    return Subpath(points[0], curves, closed=True)


def moved(outline: tuple[Subpath, ...], *, scale: float, x: float, y: float) -> tuple[Subpath, ...]:
    """A glyph where it stands in the text.

    Args:
        outline: in the font's units, y up.
        scale: user units to one of the font's.
        x, y: of its origin, in user units, y down.

    Returns:
        Subpaths in user units, y down.
    """
    size, place = np.array([scale, -scale]), np.array([x, y])
    return tuple(
        Subpath(
            subpath.start * size + place,
            tuple(type(segment)(segment.hull * size + place) for segment in subpath.segments),  # type: ignore[call-arg]
            closed=True,
        )
        for subpath in outline
    )


def _opened(data: bytes, tally: Tally) -> Any:
    """The tables of a font whose size, once unpacked, is within the limit."""
    tally.size(len(data))
    signature = data[:4]
    if signature == b"wOFF":
        data = _checked_woff(data, tally)
    elif signature == b"wOF2":
        data = _checked_woff2(data, tally)
    elif signature not in (b"\0\1\0\0", b"OTTO", b"true"):
        raise ValueError("not a font")
    return TTFont(io.BytesIO(data), lazy=True, recalcBBoxes=False, recalcTimestamp=False)


def _checked_woff(data: bytes, tally: Tally) -> bytes:
    """A WOFF file whose tables unpack to what they say, without its description, which may hold anything."""
    count, file = int.from_bytes(data[12:14], "big"), io.BytesIO(data)
    file.seek(44)
    total = 0
    for _ in range(count):
        entry = WOFFDirectoryEntry()
        entry.fromFile(file)
        total += entry.origLength
        tally.size(total)
        if entry.length != entry.origLength:
            unpacked = zlib.decompressobj().decompress(
                data[entry.offset : entry.offset + entry.length], entry.origLength + 1
            )
            if len(unpacked) != entry.origLength:
                raise ValueError("another size than stated")
    return data[:24] + bytes(20) + data[44:]


def _checked_woff2(data: bytes, tally: Tally) -> bytes:
    """A WOFF2 file that unpacks to what it says, without its description, which may hold anything."""
    if data[4:8] == b"ttcf":
        raise ValueError("a collection")
    count, packed = int.from_bytes(data[12:14], "big"), int.from_bytes(data[20:24], "big")
    file = io.BytesIO(data)
    file.seek(48)
    total = whole = 0
    for _ in range(count):
        entry = WOFF2DirectoryEntry()
        entry.fromFile(file)
        total += entry.length
        whole += entry.origLength
        tally.size(max(total, whole))
    unpacker = brotli.Decompressor()
    size = len(
        piece := unpacker.process(data[file.tell() : file.tell() + packed], output_buffer_limit=total + 1)
    )
    while piece and size <= total:
        size += len(piece := unpacker.process(b"", output_buffer_limit=total + 1))
    if size != total:
        raise ValueError("another size than stated")
    return data[:28] + bytes(20) + data[48:]
