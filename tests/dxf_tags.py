"""DXF drawings tag by tag, for the tests, as the DXF Reference has them."""

from __future__ import annotations

from itertools import pairwise

Place = tuple[float, ...]
Pair = tuple[int, object]

#: Subclass markers. Source: DXF Reference, the entities one by one.
_MARKERS = {
    "LINE": "AcDbLine", "CIRCLE": "AcDbCircle", "ELLIPSE": "AcDbEllipse", "SPLINE": "AcDbSpline",
    "LWPOLYLINE": "AcDbPolyline", "POLYLINE": "AcDb2dPolyline", "VERTEX": "AcDb2dVertex",
    "HATCH": "AcDbHatch", "SOLID": "AcDbTrace", "TRACE": "AcDbTrace", "INSERT": "AcDbBlockReference",
    "3DFACE": "AcDbFace", "TEXT": "AcDbText", "MTEXT": "AcDbMText", "POINT": "AcDbPoint",
    "ATTRIB": "AcDbText",
}  # fmt: skip

#: Codes that entities of every kind have: invisible, colour, paper space, true colour.
_COMMON = (60, 62, 67, 420)


def tags(*pairs: Pair) -> str:
    """Group codes and values, each on a line of its own."""
    return "".join(f"{code}\n{value}\n" for code, value in pairs)


def at(place: Place, code: int = 10) -> list[Pair]:
    """A place: x, y and, where given, z."""
    return [(code + 10 * axis, value) for axis, value in enumerate(place)]


def entity(kind: str, *pairs: Pair, layer: str = "channels") -> str:
    common = [pair for pair in pairs if pair[0] in _COMMON]
    own = [pair for pair in pairs if pair[0] not in _COMMON]
    marker: list[Pair] = [(100, _MARKERS[kind])] if kind in _MARKERS else []
    return tags((0, kind), (100, "AcDbEntity"), (8, layer), *common, *marker, *own)


def line(start: Place, end: Place, *pairs: Pair, layer: str = "channels") -> str:
    return entity("LINE", *at(start), *at(end, 11), *pairs, layer=layer)


def lines(*points: Place, layer: str = "channels") -> str:
    """Single lines from point to point."""
    return "".join(line(a, b, layer=layer) for a, b in pairwise(points))


def circle(centre: Place, radius: float, *pairs: Pair, layer: str = "channels") -> str:
    return entity("CIRCLE", *at(centre), (40, radius), *pairs, layer=layer)


def arc(centre: Place, radius: float, start: float, end: float, layer: str = "channels") -> str:
    """From one angle anticlockwise to another, degrees."""
    head = tags((0, "ARC"), (100, "AcDbEntity"), (8, layer), (100, "AcDbCircle"), *at(centre), (40, radius))
    return head + tags((100, "AcDbArc"), (50, start), (51, end))


def ellipse(centre: Place, major: Place, ratio: float, start: float, end: float, *pairs: Pair) -> str:
    """From one parameter to another, radians."""
    return entity("ELLIPSE", *at(centre), *at(major, 11), (40, ratio), (41, start), (42, end), *pairs)


def spline(degree: int, knots: list[float], *control: Place, weights: tuple[float, ...] = ()) -> str:
    counts: list[Pair] = [(70, 8), (71, degree), (72, len(knots)), (73, len(control)), (74, 0)]
    heavy: list[Pair] = [(41, weight) for weight in weights]
    places = [pair for point in control for pair in at(point)]
    return entity("SPLINE", *counts, *((40, knot) for knot in knots), *heavy, *places)


def polyline(
    *points: Place,
    closed: bool = True,
    width: float | None = None,
    pairs: tuple[Pair, ...] = (),
    layer: str = "channels",
) -> str:
    """Points of x, y and, where given, bulge, start width and end width."""
    head: list[Pair] = [(90, len(points)), (70, int(closed))]
    head += [] if width is None else [(43, width)]
    body = [pair for point in points for pair in zip((10, 20, 42, 40, 41), point, strict=False)]
    return entity("LWPOLYLINE", *head, *pairs, *body, layer=layer)


def bar(x: float, y: float, width: float, height: float, *pairs: Pair, layer: str = "channels") -> str:
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    return polyline(*corners, pairs=pairs, layer=layer)


def heavy_polyline(*vertices: str, flags: int = 0, pairs: tuple[Pair, ...] = ()) -> str:
    """The kind of polyline that older drawings have."""
    head = entity("POLYLINE", (66, 1), (10, 0.0), (20, 0.0), (30, 0.0), (70, flags), *pairs)
    return head + "".join(vertices) + tags((0, "SEQEND"))


def vertex(place: Place, *pairs: Pair) -> str:
    return entity("VERTEX", *at(place), *pairs)


def block(name: str, *entities: str, base: Place = (0.0, 0.0), flags: int = 0, path: str = "") -> str:
    head = tags((0, "BLOCK"), (8, "0"), (2, name), (70, flags), *at(base), (30, 0.0), (3, name), (1, path))
    return head + "".join(entities) + tags((0, "ENDBLK"), (8, "0"))


def insert(name: str, place: Place = (0.0, 0.0), *pairs: Pair, layer: str = "channels") -> str:
    return entity("INSERT", (2, name), *at(place), *pairs, layer=layer)


def layer(name: str, *, colour: int = 7, flags: int = 0, true_colour: int | None = None) -> str:
    """A row of the table of layers: a colour below 0 switches it off, flag 1 freezes it."""
    more: list[Pair] = [] if true_colour is None else [(420, true_colour)]
    marks: list[Pair] = [(100, "AcDbSymbolTableRecord"), (100, "AcDbLayerTableRecord")]
    return tags((0, "LAYER"), *marks, (2, name), (70, flags), (62, colour), *more, (6, "CONTINUOUS"))


def hatch(*boundaries: str, style: int = 0, solid: bool = True, layer: str = "channels") -> str:
    head: list[Pair] = [*at((0.0, 0.0, 0.0)), (2, "SOLID" if solid else "ANSI31"), (70, int(solid)), (71, 0)]
    tail: list[Pair] = [(75, style), (76, 1)]
    if not solid:
        tail += [(52, 0.0), (41, 1.0), (77, 0), (78, 1)]
        tail += [(53, 45.0), (43, 0.0), (44, 0.0), (45, -1.0), (46, 1.0), (79, 0)]
    counted = entity("HATCH", *head, (91, len(boundaries)), layer=layer)
    return counted + "".join(boundaries) + tags(*tail, (98, 0))


def ring(*points: Place) -> str:
    """A boundary of points of x, y and, where given, bulge."""
    body = [pair for point in points for pair in zip((10, 20, 42), point, strict=False)]
    return tags((92, 3), (72, int(len(points[0]) > 2)), (73, 1), (93, len(points)), *body, (97, 0))


def edges(*parts: list[Pair]) -> str:
    """A boundary of lines and arcs, in their own codes."""
    return tags((92, 1), (93, len(parts)), *(pair for part in parts for pair in part), (97, 0))


def square(x: float, y: float, side: float) -> str:
    """A square boundary."""
    return ring((x, y), (x + side, y), (x + side, y + side), (x, y + side))


def drawing(
    *entities: str,
    blocks: str = "",
    layers: str = "",
    units: object = 4,
    header: str = "",
    version: str = "AC1015",
) -> bytes:
    """A whole file: `$INSUNITS` as given, none when None."""
    said = "" if units is None else tags((9, "$INSUNITS"), (70, units))
    end = tags((0, "ENDSEC"))
    head = tags((0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, version)) + said + header + end
    table = tags((0, "SECTION"), (2, "TABLES"), (0, "TABLE"), (2, "LAYER"), (70, 1)) + layers
    table += tags((0, "ENDTAB")) + end
    defined = tags((0, "SECTION"), (2, "BLOCKS")) + blocks + end
    shown = tags((0, "SECTION"), (2, "ENTITIES")) + "".join(entities) + end
    return (head + table + defined + shown + tags((0, "EOF"))).encode()
