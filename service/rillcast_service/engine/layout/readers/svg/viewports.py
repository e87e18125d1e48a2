"""Drawings within the drawing: `svg` and `symbol` elements with sheets of their own. Source: SVG 2, §8."""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree.ElementTree import Element

import numpy as np
import shapely
from shapely import MultiPolygon

from rillcast_service.engine.layout.affine import Matrix, apply, translation
from rillcast_service.engine.layout.polygons import multipolygon
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.sheet import fitted, view_box
from rillcast_service.engine.layout.readers.svg.units import Lengths


@dataclass(frozen=True, slots=True)
class Viewport:
    """A sheet within the sheet.

    Args:
        to_mm: its user units to mm on the outer sheet, shape (3, 3).
        lengths: of what lies in it.
        frame: what it covers, mm.
    """

    to_mm: Matrix
    lengths: Lengths
    frame: MultiPolygon


def viewport(
    element: Element, to_mm: Matrix, lengths: Lengths, *, width: str | None = None, height: str | None = None
) -> Viewport | None:
    """The viewport that an `svg` or `symbol` element makes.

    Args:
        element: with x, y, width, height, viewBox and preserveAspectRatio.
        to_mm: user units around it to mm, shape (3, 3).
        lengths: of what lies around it.
        width, height: that a reference gives, which go before its own.

    Returns:
        None when it has no size, so that nothing of it is shown.

    Raises:
        Unusable: an attribute that cannot be read.
    """
    x, y = (lengths.read(element.get(key, "0"), along=key) for key in ("x", "y"))
    sides = []
    for key, along, given in (("width", "x", width), ("height", "y", height)):
        text = (given or element.get(key) or "auto").strip()
        side = lengths.read("100%" if text == "auto" else text, along=along)
        if side < 0.0:
            raise Unusable(f"{key}={text!r} is below 0.", "Give a size of 0 or more.")
        sides.append(side)
    across, down = sides
    if across == 0.0 or down == 0.0:
        return None
    inside = to_mm @ translation(x, y)
    with np.errstate(over="ignore", invalid="ignore"):
        corners = apply(inside, np.array([[0.0, 0.0], [across, 0.0], [across, down], [0.0, down]]))
    if not np.all(np.isfinite(corners)):
        raise Unusable("Its coordinates are not finite.", "Give finite numbers.")
    frame = shapely.make_valid(shapely.Polygon(corners))
    box = view_box(element.get("viewBox"))
    if box is not None:
        inside = inside @ fitted(box, across, down, element.get("preserveAspectRatio", ""))
        across, down = box[2:]
    return Viewport(inside, Lengths(across, down, lengths.px_mm), multipolygon(frame))
