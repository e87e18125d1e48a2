"""Whole files of every format, made at run time: hostile files are made of them, and fuzzing begins there."""

from __future__ import annotations

import math
import struct
import zlib
from functools import cache
from importlib.resources import files

from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.engine.layout import writers
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role

SVG, DXF, GDSII = "image/svg+xml", "image/vnd.dxf", "application/vnd.gdsii"
OASIS, GEOJSON, WKT = "application/vnd.semi.oasis", "application/geo+json", "application/wkt"

#: What a format that knows no layers has to be told.
GIVEN: dict[str, dict[str, object]] = {WKT: {"roles": {"wkt": "channels"}}}

DEMO_SVG = files("rillcast").joinpath("demo", "river_nitrate_chip.svg").read_bytes()


def chip() -> Layout:
    """A chip with everything that a layout has: two levels, depths, a hole in a chamber, ports, marks."""
    chamber = Point(20, 10).buffer(2.0, quad_segs=4).difference(Point(20, 10).buffer(0.5, quad_segs=2))
    channels = MultiPolygon([box(5, 9.9, 17, 10.1), chamber])
    return Layout(
        name="chip",
        source_format="svg",
        layers=(
            Layer("channels", Role.CHANNELS, channels, depth_um=150.0, shapes=2),
            Layer("deep", Role.CHANNELS, MultiPolygon([box(5, 4, 25, 4.4)]), 300.0, 1, level=2),
            Layer("marks", Role.MARKS, MultiPolygon([Polygon([(26, 16), (28, 16), (27, 18)])]), None, 1),
        ),
        ports=(
            Port("sample", PortRole.INLET, Point(5, 10).buffer(0.75, quad_segs=3), 1.5),
            Port("waste", PortRole.OUTLET, Point(25, 4).buffer(0.75, quad_segs=3), 1.5),
        ),
        outline=box(0, 0, 30, 20),
        flattening_um=1.0,
    )


@cache
def seeds(media_type: str) -> tuple[bytes, ...]:
    """Files of a format that can be read: as the service writes it, and drawn with more of the format."""
    rich = {SVG: _RICH_SVG, GDSII: rich_gdsii(), OASIS: rich_oasis(), GEOJSON: _RICH_GEOJSON, DXF: rich_dxf()}
    made = [writers.written(chip(), media_type=media_type)]
    made += [DEMO_SVG] if media_type == SVG else []
    made += [rich[media_type]] if media_type in rich else []
    if media_type == WKT:
        made.append(b"POLYGON ((0 0, 9 0, 9 1, 0 1, 0 0), (2 .2, 3 .2, 3 .8, 2 .2))\nMULTIPOLYGON Z EMPTY")
    return tuple(made)


_RICH_SVG = b"""<?xml version="1.0" encoding="utf-8"?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="76mm" height="26mm"
 viewBox="0 0 76 26" preserveAspectRatio="xMidYMid meet">
<style>.a{fill:none;stroke:#f00} #b {fill-rule:evenodd}</style>
<defs><symbol id="s"><circle cx="1" cy="1" r="1"/></symbol>
</defs>
<g id="channels" data-depth-um="150" transform="rotate(3) translate(1,1)">
<path class="a" d="M5 5 h10 a2 2 0 0 1 2 2 Q3 4 5 6z" stroke-width=".2" stroke-linejoin="round"/>
<path d="m1 1 c 1 1 2 1 3 0 s 2 -1 3 0 t 1 1 v 3 z M2 2 l1 0 0 1z" fill-rule="evenodd"/>
<polyline points="1,20 9,20 9,22" fill="none" stroke="black" stroke-width="0.3" stroke-linecap="square"/>
<ellipse cx="9" cy="9" rx="3" ry="2"/><polygon points="1,1 2,2 3,1"/></g>
<g id="ports"><circle id="in" cx="5" cy="5" r=".75"/><use xlink:href="#s" x="8" y="12"/>
</g><g id="notes" display="none"><text x="1" y="1">note</text></g></svg>"""

_RICH_GEOJSON = b"""{"type": "FeatureCollection", "units": "mm", "features": [
{"type": "Feature", "properties": {"layer": "channels", "depth_um": 90, "width_mm": 0.2, "level": 1},
"geometry": {"type": "LineString", "coordinates": [[0, 0], [9, 0], [9, 9]]}},
{"type": "Feature", "properties": {"layer": "channels"}, "geometry": {"type": "GeometryCollection",
"geometries": [{"type": "MultiPolygon", "coordinates": [[[[1, 1], [3, 1], [3, 3], [1, 1]]]]}]}},
{"type": "Feature", "properties": {"layer": "ports", "name": "a", "bore_mm": 1, "role": "vent"},
"geometry": {"type": "Point", "coordinates": [0, 0]}}]}"""


# --- DXF by hand ----------------------------------------------------------------------------------------


def tags(*pairs: tuple[int, object]) -> str:
    """Group codes and values, each on a line of its own. Source: DXF Reference, group codes."""
    return "".join(f"{code}\n{value}\n" for code, value in pairs)


def entity(kind: str, *pairs: tuple[int, object], subclass: str = "") -> str:
    """An entity on the layer channels."""
    subclass = subclass or f"AcDb{kind.capitalize()}"
    return tags((0, kind), (8, "channels"), (100, "AcDbEntity"), (100, subclass), *pairs)


def polyline(*corners: tuple[object, ...], width: object = None) -> str:
    """A closed polyline of corners (x, y) or (x, y, bulge)."""
    widths = () if width is None else ((43, width),)
    points = [pair for corner in corners for pair in zip((10, 20, 42), corner, strict=False)]
    head = ((90, len(corners)), (70, 1), *widths)
    return entity("LWPOLYLINE", *head, *points, subclass="AcDbPolyline")


def spline(degree: object, knots: tuple[object, ...], *corners: tuple[object, object]) -> str:
    counts = ((70, 8), (71, degree), (72, len(knots)), (73, len(corners)), (74, 0))
    points = [pair for x, y in corners for pair in ((10, x), (20, y), (30, 0))]
    return entity("SPLINE", *counts, *((40, knot) for knot in knots), *points)


def insert(name: str, *pairs: tuple[int, object]) -> str:
    """A block placed at the origin."""
    place = ((10, 0), (20, 0), (30, 0))
    return entity("INSERT", (2, name), *place, *pairs, subclass="AcDbBlockReference")


def block(name: str, *entities: str, flags: int = 0, path: str = "") -> str:
    head = ((0, "BLOCK"), (8, "0"), (2, name), (70, flags), (10, 0), (20, 0), (30, 0), (3, name), (1, path))
    return tags(*head) + "".join(entities) + tags((0, "ENDBLK"), (8, "0"))


def dxf(*entities: str, blocks: str = "", unit: object = 4) -> bytes:
    """A drawing in millimetres, of nothing but what is given."""
    start, end = ((0, "SECTION"),), tags((0, "ENDSEC"))
    header = tags(*start, (2, "HEADER"), (9, "$ACADVER"), (1, "AC1015"), (9, "$INSUNITS"), (70, unit)) + end
    drawing = tags(*start, (2, "BLOCKS")) + blocks + end
    drawing += tags(*start, (2, "ENTITIES")) + "".join(entities) + end
    return (header + drawing + tags((0, "EOF"))).encode()


DXF_SQUARE = polyline((0, 0), (1, 0), (1, 1), (0, 1))


def rich_dxf() -> bytes:
    """Bulges, widths, arcs that meet, a hatch with edges, a spline, nested blocks, an array, a face."""
    edges = (
        (72, 1),
        (10, 5),
        (20, 5),
        (11, 8),
        (21, 5),
        (72, 2),
        (10, 5),
        (20, 5),
        (40, 3),
        (50, 0),
        (51, 90),
    )
    edges += ((73, 1), (72, 1), (10, 5), (20, 8), (11, 5), (21, 5), (97, 0))
    around = (
        (92, 3),
        (72, 0),
        (73, 1),
        (93, 3),
        (10, 20),
        (20, 5),
        (10, 23),
        (20, 5),
        (10, 20),
        (20, 8),
        (97, 0),
    )
    hatch = ((10, 0), (20, 0), (30, 0), (210, 0), (220, 0), (230, 1), (2, "SOLID"), (70, 1), (71, 0), (91, 2))
    hatch += ((92, 1), (93, 3), *edges, *around, (75, 0), (76, 1), (98, 0))
    turned = insert("PAIR", (41, 2), (42, 2), (50, 30))
    array = insert("UNIT", (70, 3), (71, 2), (44, 2), (45, 2))
    vertices = "".join(tags((0, "VERTEX"), (8, "channels"), (10, x), (20, y)) for x, y in ((0, 9), (4, 9)))
    old = tags((0, "POLYLINE"), (8, "channels"), (66, 1), (70, 0), (40, 0.2), (41, 0.4)) + vertices
    entities = (
        polyline((10, 0, 0.5), (13, 0), (13, 2, -0.3), (10, 2)),
        polyline((10, 5), (13, 5), (13, 8), width=0.2),
        old + tags((0, "SEQEND")),
        entity("LINE", (10, 15), (20, 1), (11, 18), (21, 1)),
        entity("ARC", (10, 16.5), (20, 1), (40, 1.5), (50, 0), (51, 180)),
        entity("CIRCLE", (10, 25), (20, 1), (40, 1)),
        entity(
            "ELLIPSE", (10, 15), (20, 6), (30, 0), (11, 2), (21, 1), (31, 0), (40, 0.5), (41, 0), (42, 6.2832)
        ),
        entity(
            "SOLID",
            (10, 25),
            (20, 5),
            (11, 26),
            (21, 5),
            (12, 25),
            (22, 6),
            (13, 26),
            (23, 6),
            subclass="AcDbTrace",
        ),
        entity("HATCH", *hatch),
        spline(2, (0, 0, 0, 1, 2, 2, 2), (0, 12), (3, 12), (3, 15), (0, 12)),
        turned,
        array,
    )
    blocks = block("UNIT", DXF_SQUARE) + block("PAIR", insert("UNIT"), insert("UNIT", (41, -1)))
    return dxf(*entities, blocks=blocks)


# --- GDSII by hand, for files that no library would write ----------------------------------------------


def record(kind: int, data_type: int, data: bytes = b"") -> bytes:
    """One record: length, kind, type of data, data. Source: GDSII Stream Format Manual, release 6.0."""
    return struct.pack(">HBB", len(data) + 4, kind, data_type) + data


def text(kind: int, value: str) -> bytes:
    raw = value.encode()
    return record(kind, 6, raw + b"\0" * (len(raw) % 2))


def int16(kind: int, *values: int) -> bytes:
    return record(kind, 2, struct.pack(f">{len(values)}h", *values))


def int32(kind: int, *values: int) -> bytes:
    return record(kind, 3, struct.pack(f">{len(values)}i", *values))


def real64(value: float) -> bytes:
    """An excess-64 real of eight bytes, base 16."""
    if value == 0.0:
        return bytes(8)
    exponent = math.ceil(math.log(abs(value), 16) + 1e-12)
    mantissa = round(abs(value) / 16.0**exponent * 2**56)
    return struct.pack(">Q", ((value < 0) << 63) | ((exponent + 64) << 56) | min(mantissa, 2**56 - 1))


def real(kind: int, *values: float) -> bytes:
    return record(kind, 5, b"".join(map(real64, values)))


END = record(0x11, 0)


def boundary(*points: tuple[int, int], layer: int = 1) -> bytes:
    closed = (*points, points[0])
    coordinates = int32(0x10, *(value for point in closed for value in point))
    return record(0x08, 0) + int16(0x0D, layer) + int16(0x0E, 0) + coordinates + END


SQUARE = boundary((0, 0), (1_000_000, 0), (1_000_000, 1_000_000), (0, 1_000_000))


def sref(name: str, *, mag: float | None = None, angle: float | None = None) -> bytes:
    turn = record(0x1A, 1, b"\0\0") if mag is not None or angle is not None else b""
    turn += real(0x1B, mag) if mag is not None else b""
    turn += real(0x1C, angle) if angle is not None else b""
    return record(0x0A, 0) + text(0x12, name) + turn + int32(0x10, 0, 0) + END


def aref(name: str, columns: int, rows: int, step: int = 1000) -> bytes:
    corners = int32(0x10, 0, 0, columns * step, 0, 0, rows * step)
    return record(0x0B, 0) + text(0x12, name) + int16(0x13, columns, rows) + corners + END


def cell(name: str, *elements: bytes) -> bytes:
    return int16(0x05, *[0] * 12) + text(0x06, name) + b"".join(elements) + record(0x07, 0)


def stream(*cells: bytes, units: bytes | None = None) -> bytes:
    """A library of cells in nanometres."""
    units = real(0x03, 1e-3, 1e-9) if units is None else units
    head = int16(0x00, 600) + int16(0x01, *[0] * 12) + text(0x02, "LIB") + units
    return head + b"".join(cells) + record(0x04, 0)


def rich_gdsii() -> bytes:
    """References, arrays, turned and mirrored, paths of every end, a box, a text and a property."""
    path = b"".join(
        record(0x09, 0)
        + int16(0x0D, 1)
        + int16(0x0E, 0)
        + int16(0x21, ends)
        + int32(0x0F, 200_000)
        + (int32(0x30, 5000) + int32(0x31, 7000) if ends == 4 else b"")
        + int32(0x10, 0, ends * 10**6, 5_000_000, ends * 10**6, 5_000_000, 3_000_000)
        + END
        for ends in (0, 1, 2, 4)
    )
    ring = int32(0x10, 0, 0, 100_000, 0, 100_000, 100_000, 0, 100_000, 0, 0)
    drawn_box = record(0x2D, 0) + int16(0x0D, 1) + int16(0x2E, 0) + ring + END
    label = record(0x0C, 0) + int16(0x0D, 1) + int16(0x16, 0) + int32(0x10, 50_000, 50_000)
    label += text(0x19, "inlet") + END
    lower = cell("LOWER", SQUARE, drawn_box, label)
    top = cell("TOP", path, sref("LOWER", mag=2.0, angle=30.0), aref("LOWER", 3, 2, 2_000_000))
    return stream(lower, top)


# --- OASIS by hand --------------------------------------------------------------------------------------


def unsigned(value: int) -> bytes:
    """An OASIS unsigned integer: seven bits a byte, the lowest first. Source: SEMI P39, § 7.2."""
    out = bytearray()
    while value >= 0x80:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    return bytes([*out, value])


def signed(value: int) -> bytes:
    """An OASIS signed integer: the sign is the lowest bit. Source: SEMI P39, § 7.2."""
    return unsigned(abs(value) << 1 | (value < 0))


def rectangle(*, width: int, height: int, x: int, y: int) -> bytes:
    """A rectangle on layer 1, data type 0. Source: SEMI P39, § 25."""
    return b"\x14\x7b\x01\x00" + unsigned(width) + unsigned(height) + signed(x) + signed(y)


def oasis_cell(name: str) -> bytes:
    """The beginning of a cell. Source: SEMI P39, § 21."""
    return b"\x0e" + unsigned(len(name)) + name.encode()


def oasis(records: bytes) -> bytes:
    """An OASIS file of 1000 steps a micrometre without tables and check sum."""
    start = b"%SEMI-OASIS\r\n\x01\x031.0" + b"\x00" + unsigned(1000) + b"\x00" + bytes(12)
    # The padding is one string: its length in two bytes, then zeros. The last byte: no check sum.
    end = b"\x02" + unsigned(252) + bytes(252) + b"\x00"
    assert len(end) == 256
    return start + records + end


def rich_oasis() -> bytes:
    """Every kind of record, names by number, repetitions and properties, not packed, no check sum."""
    square = rectangle(width=10**6, height=10**6, x=0, y=0)
    names = b"\x03\x01A\x03\x01T"
    names += b"\x05\x05inlet\x07\x04note\x09\x05value\x0b\x01L\x01\x05\x04\x01\x09"
    step = unsigned(2 * 10**6)
    repeated = b"".join(
        b"\x14\x04" + repetition
        for repetition in (
            b"\x01\x00\x01" + step * 2,
            b"\x00",
            b"\x02\x01" + step,
            b"\x03\x01" + step,
            b"\x04\x00" + step,
            b"\x05\x00\x05" + step,
            b"\x06\x00" + step,
            b"\x07\x00\x05" + step,
            b"\x08\x00\x00" + unsigned(2 * 10**6 << 4) + unsigned(2 * 10**6 << 4 | 2),
            b"\x09\x00" + unsigned(2 * 10**6 << 4),
            b"\x0a\x00" + unsigned(2 * 10**6 << 2 | 1) + step,
            b"\x0b\x00\x05" + unsigned(10**6 << 4),
        )
    )
    ell = b"".join(unsigned(10**6 << 2 | turn) for turn in (0, 1, 2, 3))
    points = [
        b"\x00\x02" + unsigned(10**7) * 2,
        b"\x02\x04" + ell,
        b"\x03\x02" + unsigned(10**6 << 3 | 4) * 2,
    ]
    points += [
        b"\x04\x02" + unsigned(10**6 << 4) * 2,
        b"\x05\x02" + unsigned(10**6 << 2 | 1) + step + b"\x00",
    ]
    polygons = b"".join(b"\x15\x23\x01\x00" + several for several in points)
    ends = (b"\x05", b"\x0a", b"\x0f" + signed(10**5) + signed(-(10**5)))
    path = b"".join(b"\x16\xe3\x01\x00" + unsigned(10**5) + end + points[0] for end in ends)
    size = unsigned(3 * 10**6) + unsigned(10**6)
    others = b"\x17\x63\x01\x00" + size + signed(10**5) + signed(-(10**5))
    others += b"\x18\x63\x01\x00" + size + signed(10**5) + b"\x19\xe3\x01\x00" + size + signed(10**5)
    others += b"\x1a\xe3\x01\x00\x04" + size + b"\x1b\x23\x01\x00" + unsigned(10**6)
    others += b"\x14\xc3\x01\x00" + unsigned(10**6)
    notes = b"\x1c\x16\x00\x08\x05\x1c\x24\x01p\x0d\x00\x0a\x01q\x1d\x1c\xf6\x00\x01\x07" + bytes(8)
    label = b"\x13\x7b\x00\x01\x00" + signed(10**5) * 2
    placed = b"\x11\xf0\x00" + signed(10**7) * 2 + b"\x12\xc6\x00\x00\x02" + b"\x00\x2d"
    placed += b"\x10\x11\x3a" + signed(10**6) * 2 + b"\x02\x01" + step + b"\x0f"
    lower = b"\x0d\x00" + square + notes + repeated + polygons + path + others + label
    return oasis(names + lower + b"\x0d\x01" + placed + b"\x00")


def compressed(data: bytes) -> bytes:
    """A block of records, packed. Source: SEMI P39, § 35."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(data) + packer.flush()
    return b"\x22\x00" + unsigned(len(data)) + unsigned(len(packed)) + packed
