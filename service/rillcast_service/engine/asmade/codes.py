"""Two-dimensional codes among the marks: found in the drawing, and read back from what is made of them.

A general decoder reads pictures of the polygons. It reads mirrored codes too and does not say so; which way
round a code is, its modules tell (see `is_mirrored`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, cast

import numpy as np
import shapely
import zxingcpp
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon, Polygon, box

from rillcast_service.engine.layout.grid import Grid, sample
from rillcast_service.engine.shapes import polygons

Bits = NDArray[np.bool_]
Grey = NDArray[np.uint8]

_FORMATS = zxingcpp.BarcodeFormats(
    (
        zxingcpp.BarcodeFormat.QRCode,
        zxingcpp.BarcodeFormat.MicroQRCode,
        zxingcpp.BarcodeFormat.DataMatrix,
    )
)

#: Modules of quiet zone around a code. Source: ISO/IEC 18004 (4, Micro QR 2) and ISO/IEC 16022 (1).
QUIET_MODULES = {"QR Code": 4, "Micro QR Code": 2, "Data Matrix": 1}

#: Shapes (and holes) of the smallest symbol are more than this; a plain label need not be tried.
_FEWEST_SHAPES = 6
#: Marks closer than so many stroke widths are looked at in one picture: blank runs in a code are shorter.
_REACH_STROKES = 8.0
_PIXELS_PER_STROKE, _MOST_PIXELS = 6.0, 2048
#: A reader looks from several distances: a code is read when it is at one of these, the likeliest first. At
#: one alone, luck in telling light from dark decides about modules swollen or shrunk by a quarter.
_PIXELS_PER_MODULE = (4.0, 6.0, 9.0, 3.0)
#: A rebuilt symbol agrees with the one read, when it is the same and the right way round.
_SAME = 0.9


@dataclass(frozen=True, slots=True)
class Code:
    """A code as it was read.

    Args:
        format: as in `QUIET_MODULES`.
        text: what it says.
        columns, rows: modules across and down.
        outline: its four corners, without the quiet zone, mm.
        mirrored: whether it is a mirror image; None where that cannot be told.
        inverted: whether light and dark are exchanged.
    """

    format: str
    text: str
    columns: int
    rows: int
    outline: Polygon
    mirrored: bool | None
    inverted: bool

    @property
    def module_mm(self) -> float:
        """Edge of a module."""
        return float(self.outline.length) / (2.0 * (self.columns + self.rows))

    @property
    def window(self) -> Polygon:
        """The code with its quiet zone, mm."""
        window: Polygon = self.outline.buffer(self.quiet_mm, join_style="mitre")
        return window

    @property
    def quiet_mm(self) -> float:
        """Width of the quiet zone that its standard asks for."""
        return QUIET_MODULES[self.format] * self.module_mm


@lru_cache(maxsize=32)
def find_codes(marks: MultiPolygon) -> tuple[Code, ...]:
    """The codes among some marks.

    Args:
        marks: as drawn, mm; dark on light, or light on dark.

    Returns:
        Codes from left to right; empty where nothing decodes.
    """
    found = [code for group in _groups(marks) for code in _read(group, group.bounds, _pitch_mm(group))]
    return tuple(sorted(found, key=lambda code: (code.outline.centroid.x, code.outline.centroid.y)))


@lru_cache(maxsize=256)
def read_back(code: Code, marks: MultiPolygon, around: MultiPolygon) -> Code | None:
    """The same code, read again from what was made of it.

    Args:
        code: as drawn.
        marks: as made, mm, in the drawing's coordinates.
        around: whatever else is seen there: channels, ports, the chip's edge, mm.

    Returns:
        The code as read from its place and quiet zone; None when it does not decode, or says something else.
    """
    window = code.window
    seen = polygons(shapely.union(marks, around).intersection(window))
    if seen.is_empty:
        return None
    for pixels in _PIXELS_PER_MODULE:
        for one in _read(seen, window.bounds, code.module_mm / pixels, inverted=code.inverted):
            if (one.text, one.format) == (code.text, code.format):
                return one
    return None


def is_mirrored(format_name: str, bits: Bits, text: str, *, level: str, mask: int) -> bool | None:
    """Whether a symbol is a mirror image.

    Args:
        format_name: as in `QUIET_MODULES`.
        bits: (rows, columns) dark modules as read, turned so that the finder patterns stand where they
            should; a mirrored QR code is transposed in it, a mirrored Data Matrix about its other diagonal.
        text: what it says; level, mask: error-correction level and data mask of a QR code.

    Returns:
        True or False; None where a Data Matrix of that text is built otherwise than here.

    Source: format information, ISO/IEC 18004:2015, 7.9; Data Matrix: the symbol built anew from its text.
    """
    if format_name == "Data Matrix":
        anew = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix)
        built = _bits_of(anew)
        turned = bits[::-1, ::-1].T
        for candidate, answer in ((bits, False), (turned, True)):
            if candidate.shape == built.shape and np.mean(candidate == built) >= _SAME:
                return answer
        return None
    places, word = (
        (_micro_places(), _micro_word(len(bits), level, mask))
        if format_name == "Micro QR Code"
        else (_places(len(bits)), _word(level, mask))
    )
    wanted = np.array([word >> bit & 1 for _, _, bit in places], dtype=bool)
    row, column = np.array([place[:2] for place in places]).T
    return bool(np.sum(bits[column, row] == wanted) > np.sum(bits[row, column] == wanted))


def _groups(marks: MultiPolygon) -> list[MultiPolygon]:
    """Marks that lie close together, by the width of their strokes; without those too few for a code."""
    parts = np.array(marks.geoms, dtype=object)
    if not len(parts):
        return []
    reach = _REACH_STROKES * 2.0 * shapely.area(parts) / shapely.length(parts)
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=reach)
    near = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(parts), len(parts))).tocsr()
    # within reach of both
    labels = connected_components(near.minimum(near.T), directed=False)[1]
    shapes = np.bincount(labels, 1 + shapely.get_num_interior_rings(parts))
    return [
        MultiPolygon(group.tolist())
        for group, count in zip(grouped(parts, labels), shapes, strict=True)
        if count >= _FEWEST_SHAPES
    ]


def grouped(items: NDArray[np.object_], labels: NDArray[np.int32]) -> list[NDArray[np.object_]]:
    """Items parted by their labels.

    Args:
        items: shape (n,); labels: (n,) from 0 up, every number in between taken.

    Returns:
        One array for each label, in their order.
    """
    order = np.argsort(labels, kind="stable")
    return np.split(items[order], np.cumsum(np.bincount(labels))[:-1])


def _pitch_mm(group: MultiPolygon) -> float:
    x0, y0, x1, y1 = group.bounds
    stroke_mm = 2.0 * group.area / group.length
    return float(max(stroke_mm / _PIXELS_PER_STROKE, (x1 - x0) / _MOST_PIXELS, (y1 - y0) / _MOST_PIXELS))


def _read(
    seen: MultiPolygon,
    bounds: tuple[float, float, float, float],
    pitch_mm: float,
    *,
    inverted: bool | None = None,
) -> list[Code]:
    """Codes in a picture of polygons: dark on light first unless it is said which, plain before mirrored."""
    picture = _picture(seen, bounds, pitch_mm)
    for swapped in (False, True) if inverted is None else (inverted,):
        for flipped in (False, True):
            grey = picture.grey[:, ::-1] if flipped else picture.grey
            found = zxingcpp.read_barcodes(
                np.ascontiguousarray(255 - grey if swapped else grey), formats=_FORMATS, try_invert=False
            )
            if found:
                codes = [_code(barcode, picture, inverted=swapped, flipped=flipped) for barcode in found]
                return codes if swapped else [_fitted(code, seen) for code in codes]
    return []


@dataclass(frozen=True, slots=True)
class _Picture:
    """Covered share of each pixel as grey, dark on light, top row first; and where its corner lies, mm."""

    grey: Grey
    left_mm: float
    top_mm: float
    pitch_mm: float

    def corner(self, x: float, y: float, *, flipped: bool) -> tuple[float, float]:
        """The place of a pixel's corner, mm, in the picture or in its mirror image."""
        x = self.grey.shape[1] - x if flipped else x
        return self.left_mm + self.pitch_mm * x, self.top_mm - self.pitch_mm * y


def _picture(seen: MultiPolygon, bounds: tuple[float, float, float, float], pitch_mm: float) -> _Picture:
    """A picture with a margin as wide as the widest quiet zone of a common code around the bounds."""
    margin_mm = max(QUIET_MODULES.values()) * _PIXELS_PER_STROKE * pitch_mm
    left, bottom, right, top = box(*bounds).buffer(margin_mm, join_style="mitre").bounds
    columns, rows = int((right - left) / pitch_mm) + 1, int((top - bottom) / pitch_mm) + 1
    frame = Grid(
        origin_mm=(left, bottom),
        pitch_mm=pitch_mm,
        columns=columns,
        rows=rows,
        cell=np.zeros(0, dtype=np.int64),
        coverage=np.zeros(0),
        face=np.zeros((0, 2), dtype=np.int64),
        aperture=np.zeros(0),
        upright=np.zeros(0, dtype=bool),
    )
    grid = sample(seen, pitch_mm=pitch_mm, frame=frame)
    grey = np.full(rows * columns, 255, dtype=np.uint8)
    grey[grid.cell] = np.round(255.0 * (1.0 - grid.coverage))
    upright = np.ascontiguousarray(grey.reshape(rows, columns)[::-1])
    return _Picture(upright, left, bottom + rows * pitch_mm, pitch_mm)


def _code(barcode: zxingcpp.Barcode, picture: _Picture, *, inverted: bool, flipped: bool) -> Code:
    bits, place = _bits_of(barcode), barcode.position
    corners = [place.top_left, place.top_right, place.bottom_right, place.bottom_left]
    rows, columns = bits.shape
    format_name, extra = str(barcode.format), cast("dict[str, Any]", barcode.extra)
    turned = is_mirrored(
        format_name,
        bits,
        barcode.text,
        level=str(extra.get("ECLevel", "")),
        mask=int(extra.get("DataMask", 0)),
    )
    return Code(
        format=format_name,
        text=barcode.text,
        columns=columns,
        rows=rows,
        outline=Polygon([picture.corner(at.x, at.y, flipped=flipped) for at in corners]),
        mirrored=None if turned is None else turned is not flipped,
        inverted=inverted,
    )


def _fitted(code: Code, seen: MultiPolygon) -> Code:
    """A code with its corners where those of its dark modules are, which a decoder tells to a pixel only.

    Dark modules reach all four edges of the symbols read here.
    """
    dark = seen.intersection(code.outline.buffer(code.module_mm / 2.0, join_style="mitre"))
    corners = shapely.minimum_rotated_rectangle(dark)
    near = isinstance(corners, Polygon) and abs(corners.area / code.outline.area - 1.0) < 1.0 - _SAME
    return replace(code, outline=corners) if near else code


def _bits_of(barcode: zxingcpp.Barcode) -> Bits:
    dark: Bits = np.array(barcode.to_image(scale=1, add_quiet_zones=False)) < 128
    return dark


def _protected(data: int) -> int:
    """Five bits with ten check bits of the BCH code of generator 10100110111, ISO/IEC 18004:2015, annex C."""
    rest = data
    for _ in range(10):
        rest = (rest << 1) ^ (0x537 if rest >> 9 else 0)
    return data << 10 | rest


def _word(level: str, mask: int) -> int:
    return _protected({"L": 1, "M": 0, "Q": 3, "H": 2}[level] << 3 | mask) ^ 0x5412


def _micro_word(size: int, level: str, mask: int) -> int:
    """Of symbol M1 to M4, 11 to 17 modules wide; M1 has no level."""
    numbers = {11: {}, 13: {"L": 1, "M": 2}, 15: {"L": 3, "M": 4}, 17: {"L": 5, "M": 6, "Q": 7}}
    return _protected(numbers[size].get(level, 0) << 2 | mask) ^ 0x4445


def _places(size: int) -> list[tuple[int, int, int]]:
    """Row and column of each bit of both format informations, ISO/IEC 18004:2015, figure 25."""
    upper = [(bit if bit < 6 else bit + 1, 8, bit) for bit in range(8)]
    left = [(8, 7 if bit == 8 else 14 - bit, bit) for bit in range(8, 15)]
    right = [(8, size - 1 - bit, bit) for bit in range(8)]
    lower = [(size - 15 + bit, 8, bit) for bit in range(8, 15)]
    return upper + left + right + lower


def _micro_places() -> list[tuple[int, int, int]]:
    """Row and column of each bit of the format information, ISO/IEC 18004:2015, figure 28."""
    return [(bit + 1, 8, bit) for bit in range(8)] + [(8, 15 - bit, bit) for bit in range(8, 15)]
