"""Well-known text: polygons, multipolygons and collections of them, coordinates in mm unless a unit is given.

A file holds one geometry or several, one after the other. WKT knows no layers: all shapes lie on one layer,
`wkt`, whose role is the request's or is guessed. Lines and points have no width and are refused.
Source: OGC 06-103r4 (Simple feature access, part 1: common architecture), § 7.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import shapely
from shapely import Geometry
from shapely.errors import GEOSException

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnreadable
from rillcast_service.engine.layout.lengths import mm_per_unit
from rillcast_service.engine.layout.readers.format import Format
from rillcast_service.engine.layout.sketch import Sketch, SketchLayer

LAYER = "wkt"

_AREAS = ("POLYGON", "MULTIPOLYGON")
_WITHOUT_AREA = ("POINT", "MULTIPOINT", "LINESTRING", "MULTILINESTRING", "LINEARRING")
_NOT_READ = (
    "CIRCULARSTRING",
    "COMPOUNDCURVE",
    "CURVEPOLYGON",
    "MULTICURVE",
    "MULTISURFACE",
    "CURVE",
    "SURFACE",
    "POLYHEDRALSURFACE",
    "TIN",
    "TRIANGLE",
)
_COLLECTION = "GEOMETRYCOLLECTION"
_KEYWORDS = {*_AREAS, *_WITHOUT_AREA, *_NOT_READ, _COLLECTION}

#: Where one geometry ends and the next begins can be told from words and brackets alone.
_MARKS = re.compile(r"[A-Za-z_]+|[()]")


def fill(data: bytes, sketch: Sketch) -> None:
    """Read a file of well-known text into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable: no well-known text.
        LayoutInvalid: geometries that are not of a usable form.
        LayoutTooComplex: beyond a limit.
    """
    text = _decoded(data)
    scale_mm = _scale(sketch)
    named = sketch.named_role([LAYER])
    layer = sketch.layer(LAYER, named and named[1])
    for index, (piece, line) in enumerate(_pieces(text, sketch), start=1):
        geometry = _parsed(piece, line)
        _add(geometry, scale_mm, f"geometry {index} (line {line})", layer, sketch)


FORMAT = Format("wkt", "WKT", "application/wkt", (".wkt",), fill)


def _decoded(data: bytes) -> str:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LayoutUnreadable(
            Fault(f"The file is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.")
        ) from None
    if "\x00" in text:
        raise LayoutUnreadable(
            Fault(f"The file holds a zero byte (character {text.index(chr(0))}).", "Send plain text.")
        )
    return text


def _scale(sketch: Sketch) -> float:
    """Millimetres per unit of the coordinates."""
    if sketch.options.unit is not None:
        return mm_per_unit(sketch.options.unit, pointer="#/unit")
    sketch.assume(
        "unit",
        "mm",
        "well-known text states no unit, so coordinates were taken as mm",
        "Rillcast's own convention",
    )
    return 1.0


def _pieces(text: str, sketch: Sketch) -> Iterator[tuple[str, int]]:
    """Each geometry of the file as text, and the line where it begins."""
    end, depth, line = 0, 0, 1
    begin: int | None = None
    for mark in _MARKS.finditer(text):
        word = mark[0].upper()
        if word in _NOT_READ:
            raise LayoutInvalid(
                Fault(
                    f"The file holds a {word}, which is not read.",
                    "Turn curves and surfaces into polygons.",
                    where=f"line {_line(text, mark.start())}",
                )
            )
        if word == "SRID":
            raise LayoutUnreadable(
                Fault(
                    "A geometry names a coordinate reference system (SRID).",
                    "Give plain lengths on the chip, without SRID.",
                    where=f"line {_line(text, mark.start())}",
                )
            )
        if begin is None:
            if word not in _KEYWORDS or text[end : mark.start()].strip():
                raise _no_text(text, end)
            begin = mark.start()
            line += text.count("\n", end, begin)
        elif word == "(":
            depth += 1
            sketch.tally.nesting(depth)
        elif word == ")":
            depth -= 1
        if depth < 0:
            raise _no_text(text, begin)
        if depth == 0 and word in (")", "EMPTY"):
            end = mark.end()
            yield text[begin:end], line
            line += text.count("\n", begin, end)
            begin = None
    if begin is not None or text[end:].strip():
        raise _no_text(text, end if begin is None else begin)


def _line(text: str, at: int) -> int:
    return text.count("\n", 0, at) + 1


def _no_text(text: str, at: int) -> LayoutUnreadable:
    piece = text[at : at + 1000].lstrip()
    begin = at + len(text[at : at + 1000]) - len(piece)
    shown = " ".join(piece[:60].split())
    return LayoutUnreadable(
        Fault(
            f"This is no well-known text: {shown!r}.",
            "Give geometries such as POLYGON ((0 0, 10 0, 10 1, 0 1, 0 0)), with all brackets closed.",
            where=f"line {_line(text, begin)}",
        )
    )


def _parsed(piece: str, line: int) -> Geometry:
    try:
        with np.errstate(invalid="ignore"):  # a coordinate that is no number is refused later, by name
            return shapely.from_wkt(piece)
    except (GEOSException, ValueError) as error:
        reason = " ".join(str(error).split())[:120].rstrip(".")
        raise LayoutUnreadable(
            Fault(
                f"A geometry cannot be read: {reason}.",
                "Mend it there, or export the drawing again.",
                where=f"line {line}",
            )
        ) from None


def _add(geometry: Geometry, scale_mm: float, element: str, layer: SketchLayer, sketch: Sketch) -> None:
    _check_flat(geometry, element)
    parts = _simple_parts(geometry)
    empty = shapely.is_empty(parts)
    if geometry.is_empty or empty.any():
        sketch.leave_out(element, "it is empty")
    parts = shapely.force_2d(parts[~empty])
    sketch.tally.element(len(parts))
    sketch.tally.vertex(int(shapely.get_num_coordinates(parts).sum()))
    flat = shapely.get_dimensions(parts) < 2
    for part in parts[flat][:1]:
        x, y = shapely.get_coordinates(part)[0] * scale_mm
        sketch.refuse(
            layer,
            LayoutInvalid(
                Fault(
                    f"A {part.geom_type} has no width.",
                    "Draw channels and ports as polygons, or send GeoJSON, which can give a line its width.",
                    where=f"{element} at ({x:.4g}, {y:.4g}) mm",
                )
            ),
        )
    areas = parts[~flat]
    if len(areas):
        scaled = shapely.transform(areas, lambda points: points * scale_mm)
        sketch.tally.reach(shapely.get_coordinates(scaled), where=element)
        sketch.add_many(layer, scaled, element, "evenodd")


def _check_flat(geometry: Geometry, element: str) -> None:
    values = shapely.get_coordinates(geometry, include_z=True, include_m=True)
    heights = values[:, 2:]
    if np.any(heights[~np.isnan(heights)] != 0.0):
        raise LayoutInvalid(
            Fault("A position has a height or a measure.", "Give a flat plan, x and y.", where=element)
        )
    if not np.isfinite(values[:, :2]).all():
        raise LayoutInvalid(Fault("A coordinate is not finite.", "Give finite numbers.", where=element))


def _simple_parts(geometry: Geometry) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Its polygons, lines and points, collections within collections taken apart."""
    parts = np.array([geometry], dtype=object)
    while np.any(shapely.get_type_id(parts) > 3):
        parts = shapely.get_parts(parts)
    return parts
