"""A layout as an SVG drawing: a sheet in mm, a group a layer, ports by name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from shapely import Polygon

from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.model import Layout, Port, Role
from rillcast_service.engine.layout.writers.drawing import (
    DECIMALS,
    DrawnLayer,
    Piece,
    bounds_mm,
    circle_of,
    drawn,
)
from rillcast_service.engine.layout.writers.format import WrittenFormat

#: What is painted over what, from below: the chip, then its channels, marks and ports.
_ORDER = (Role.OUTLINE, Role.CHANNELS, Role.MARKS, Role.PORTS)

#: Colours by role. No white: a drawing may mean a hole by it.
_FILL = {Role.OUTLINE: "#ece9e2", Role.MARKS: "#8a8f96", Role.PORTS: "#1b1f24"}
#: Channels by level, from the lid down: darker the deeper; further levels begin again.
_LEVEL_FILL = ("#5b9bd5", "#3f73a5", "#2b4f73", "#1d3650")

#: A sheet that begins at the layout's origin is mostly empty when the drawing lies further from it than
#: this many times its own size.
_FARTHEST = 1.0

_XML_ID = re.compile(r"[A-Za-z_][\w.\-]*", re.ASCII)
#: Source: Extensible Markup Language (XML) 1.0, fifth edition, §2.2 "Characters".
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write(layout: Layout) -> bytes:
    """A layout as an SVG document at its real size.

    The sheet's lower left corner is the layout's origin; when the drawing does not lie right there, it is
    the drawing's own corner, and `data-origin-x-mm` and `data-origin-y-mm` say where that is.

    Args:
        layout: any layout.

    Returns:
        UTF-8 XML; one user unit is 1 mm.

    Source: SVG 2, §8 "Coordinate systems, transformations and units".
    """
    return "".join(_document(layout)).encode()


FORMAT = WrittenFormat("svg", "SVG", "image/svg+xml", ".svg", write)


def _document(layout: Layout) -> Iterable[str]:
    layers = drawn(layout)
    x_min, y_min, x_max, y_max = bounds_mm(layers)
    near = min(x_min, y_min) >= 0.0 and max(x_min, y_min) <= _FARTHEST * max(x_max - x_min, y_max - y_min)
    left, low = (0.0, 0.0) if near else (x_min, y_min)
    width, height = _number(x_max - left), _number(y_max - low)
    origin = {} if near else {"data-origin-x-mm": _number(left), "data-origin-y-mm": _number(low)}
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield _opened(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{width}mm",
            "height": f"{height}mm",
            "viewBox": f"0 0 {width} {height}",
            **origin,
        },
    )
    yield f"\n<title>{_text(layout.name)}</title>\n"
    sheet = _Sheet(left, y_max, layout.flattening_um / 1e3)
    for layer in sorted(layers, key=lambda layer: (_ORDER.index(layer.role), -(layer.level or 0))):
        yield from _group(layer, sheet)
    yield "</svg>\n"


class _Sheet:
    """Where on the sheet the layout's points lie, and which names are used as ids already."""

    def __init__(self, left_mm: float, top_mm: float, flattening_mm: float) -> None:
        self._corner = np.array([left_mm, top_mm])
        self._flattening_mm = flattening_mm
        self._ids: set[str] = set()

    def placed(self, points: Points) -> Points:
        """Points of the layout, shape (n, 2), in mm from the sheet's upper left, y down."""
        moved: Points = (points - self._corner) * np.array([1.0, -1.0])
        return moved

    def id_of(self, name: str) -> dict[str, str]:
        """The attribute `id` for what has that name; none where the name cannot be one, or is one already."""
        if not _XML_ID.fullmatch(name) or name in self._ids:
            return {}
        self._ids.add(name)
        return {"id": name}

    def shape(self, polygon: Polygon, *, may_be_round: bool) -> tuple[str, dict[str, str]]:
        """Element and attributes that draw a polygon."""
        round_one = circle_of(polygon, tolerance_mm=self._flattening_mm) if may_be_round else None
        if round_one is not None:
            (cx, cy), radius = self.placed(round_one[0][None])[0], round_one[1]
            return "circle", {"cx": _number(cx), "cy": _number(cy), "r": _number(radius)}
        rings = (polygon.exterior, *polygon.interiors)
        data = "".join(self._ring(np.asarray(ring.coords)) for ring in rings)
        return "path", {"d": data}

    def _ring(self, points: Points) -> str:
        placed = self.placed(points[:-1])
        return "M" + "L".join(f"{_number(x)} {_number(y)}" for x, y in placed) + "Z"


def _group(layer: DrawnLayer, sheet: _Sheet) -> Iterable[str]:
    about = {**sheet.id_of(layer.name), "data-name": layer.name, "data-role": layer.role.value}
    if layer.depth_um is not None:
        about["data-depth-um"] = repr(layer.depth_um)
    if layer.level is not None:
        about["data-level"] = str(layer.level)
    yield _opened("g", about | {"fill": _fill(layer), "fill-rule": "evenodd"}) + "\n"
    for piece in layer.pieces:
        yield _drawn(piece, sheet)
    yield "</g>\n"


def _drawn(piece: Piece, sheet: _Sheet) -> str:
    port = piece.port
    kind, attributes = sheet.shape(piece.polygon, may_be_round=port is not None)
    if port is None:
        return _opened(kind, attributes, closed=True) + "\n"
    return _opened(kind, attributes | _of_port(port, sheet)) + f"<title>{_text(port.name)}</title></{kind}>\n"


def _of_port(port: Port, sheet: _Sheet) -> dict[str, str]:
    return {**sheet.id_of(port.name), "data-name": port.name, "data-role": port.role.value}


def _fill(layer: DrawnLayer) -> str:
    if layer.role is Role.CHANNELS:
        return _LEVEL_FILL[((layer.level or 1) - 1) % len(_LEVEL_FILL)]
    return _FILL[layer.role]


def _opened(name: str, attributes: dict[str, str], *, closed: bool = False) -> str:
    written = "".join(f" {key}={quoteattr(_legal(value))}" for key, value in attributes.items())
    return f"<{name}{written}{'/' if closed else ''}>"


def _text(text: str) -> str:
    return escape(_legal(text))


def _legal(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)


def _number(value: float) -> str:
    """A number to the drawing's resolution, never as `-0` or with an exponent."""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
