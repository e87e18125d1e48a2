"""The walk over an SVG drawing: which shapes are seen, on which layer they lie, and what area they have.

- The sheet's real size gives the scale; coordinates come out in mm, x to the right, y up, with the origin at
  the sheet's lower left corner.
- A layer is a group whose label, title or id stands for a role (`layout.roles`); of groups within groups the
  innermost such group counts. Otherwise a top-level group is a layer, and a shape outside any group is one
  under its own name.
- A filled shape is its inside. A line without fill is a band of its stroke's width, but on an outline or port
  layer a closed line is the inside it goes around.
- `data-role`, `data-depth-um` and `data-level` on a group state its role, depth and level; `data-role` on a
  port states what it is for. `data-origin-x-mm` and `data-origin-y-mm` on the drawing state the coordinates
  of the sheet's lower left corner, when they are not (0, 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import cast
from xml.etree.ElementTree import Element

import numpy as np
import shapely
from shapely import MultiPolygon

from rillcast_service.engine.errors import EngineError, Fault, LayoutInvalid
from rillcast_service.engine.layout.affine import Matrix, apply, largest_scale, scaling, translation
from rillcast_service.engine.layout.curves import Points, Subpath
from rillcast_service.engine.layout.lengths import MM_PER_UNIT
from rillcast_service.engine.layout.model import PortRole, Role
from rillcast_service.engine.layout.options import MAX_LEVEL
from rillcast_service.engine.layout.polygons import FillRule, multipolygon
from rillcast_service.engine.layout.readers.svg.document import attribute, parsed, tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.shapes import SHAPES, subpaths
from rillcast_service.engine.layout.readers.svg.sheet import Sheet, sheet
from rillcast_service.engine.layout.readers.svg.styles import INITIAL, STYLED, Style, StyleSheet
from rillcast_service.engine.layout.readers.svg.transforms import parse_transform
from rillcast_service.engine.layout.sketch import NO_AREA, Shape, Sketch, SketchLayer
from rillcast_service.engine.layout.strokes import Cap, Join, Pen, stroke

#: Elements that are never painted themselves.
_UNPAINTED = frozenset({
    "defs", "symbol", "clipPath", "mask", "pattern", "marker", "linearGradient", "radialGradient", "filter",
    "metadata", "title", "desc", "style", "script", "cursor", "view",
    "animate", "animateMotion", "animateTransform", "set",
})  # fmt: skip

_GROUPS = frozenset({"g", "a"})

#: Element → (what it is, how to mend it).
_REFUSED = {
    "text": ("text", "Convert the text to outlines (paths)"),
    "flowRoot": ("text", "Convert the text to outlines (paths)"),
    "image": ("a raster picture", "Trace the picture to shapes"),
    "foreignObject": ("foreign content", "Draw it as shapes"),
    "svg": ("a drawing within the drawing", "Put its shapes into the drawing itself"),
    "switch": ("a choice of contents", "Keep one of them, as a group"),
}

NOT_VISIBLE = "they are not visible (visibility: hidden)"

_ON_NOTES = "or put it on a layer called notes, which is left out."


def fill(data: bytes, sketch: Sketch) -> None:
    """Read an SVG file into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable, LayoutUnitsMissing, LayoutInvalid, LayoutTooComplex: see `readers.read`.
    """
    root = parsed(data, sketch.options.limits)
    _Walk(root, sheet(root, sketch), sketch).run()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in the drawing the walk is: what the elements around pass on.

    Args:
        to_mm: user units to mm on the sheet, y up.
        style: of the element around.
        group: the layer by the innermost group whose name tells a role.
        top: name of the top-level group, for when none does.
        depth: of nesting, references expanded.
        name: of a reference, which names the shape it shows.
        port_role: as the element around states it.
        references: that are being followed.
    """

    to_mm: Matrix
    style: Style
    group: SketchLayer | None = None
    top: str | None = None
    depth: int = 0
    name: str | None = None
    port_role: PortRole | None = None
    references: frozenset[str] = frozenset()


class _Walk:
    """One reading of one drawing."""

    def __init__(self, root: Element, page: Sheet, sketch: Sketch) -> None:
        self.root = root
        self.page = page
        self.sketch = sketch
        self.flattening_mm = sketch.options.flattening_um / 1e3
        self.by_id = {key: element for element in root.iter() if (key := element.get("id"))}
        self.styles = StyleSheet()
        self._unstyled = INITIAL, INITIAL
        self._scaled = np.eye(3), self.flattening_mm
        self.corner_mm = (0.0, 0.0)

    def run(self) -> None:
        try:
            x_mm, y_mm = (_number(self.root, f"data-origin-{axis}-mm") or 0.0 for axis in "xy")
            self.corner_mm = (x_mm, y_mm)
            y_up = translation(x_mm, y_mm + self.page.height_mm) @ scaling(1.0, -1.0)
            place = _Place(to_mm=y_up @ self.page.to_mm, style=INITIAL)
            self.styles = StyleSheet.of(self.root)
            place = self._entered(self.root, place)
        except Unusable as fault:
            raise LayoutInvalid(Fault(fault.message, fault.remedy, where="<svg>")) from None
        for child in self.root:
            self._visit(child, place)

    def _visit(self, element: Element, place: _Place) -> None:
        kind = tag(element)
        if kind is None or kind in _UNPAINTED:
            return
        self.sketch.tally.nesting(place.depth)
        self.sketch.tally.element()
        try:
            place = self._entered(element, place)
            hidden = place.style.why_hidden
            if hidden is not None:
                self.sketch.leave_out(_called(element), hidden)
            elif kind in _GROUPS:
                self._group(element, place)
            elif kind == "use":
                self._reference(element, place)
            elif kind in SHAPES:
                self._shape(element, kind, place)
            else:
                self._refuse(kind, place, _called(element))
        except Unusable as fault:
            raise self._fault(element, place, fault.message, fault.remedy) from None

    def _entered(self, element: Element, place: _Place) -> _Place:
        """The place within an element: its style and transform added."""
        style = self._style(element, place.style)
        transform = element.get("transform")
        to_mm = place.to_mm
        if transform and transform.strip() != "none":
            with np.errstate(over="ignore", invalid="ignore"):
                to_mm = to_mm @ parse_transform(transform)
        return replace(place, to_mm=to_mm, style=style, depth=place.depth + 1)

    def _style(self, element: Element, parent: Style) -> Style:
        """The computed style; that of shapes which state none is worked out once for all in a group."""
        if self.styles.rules or not STYLED.isdisjoint(element.keys()):
            return self.styles.style(element, parent)
        if self._unstyled[0] is not parent:
            self._unstyled = parent, self.styles.style(Element("g"), parent)
        return self._unstyled[1]

    def _group(self, element: Element, place: _Place) -> None:
        names = _names(element)
        group = self._layer_of(element, names) or place.group
        if not _is_ignored(group):
            place.style.refuse_unread(of_group=True)
        top = place.top or (names[0] if names else "unnamed group")
        inside = replace(place, group=group, top=top, port_role=self._port_role(element, place))
        for child in element:
            self._visit(child, inside)

    def _layer_of(self, element: Element, names: list[str]) -> SketchLayer | None:
        """The layer that a group is, by its stated role or one of its names."""
        stated = element.get("data-role")
        named_role = self.sketch.named_role(names, Role(stated) if stated in tuple(Role) else None)
        return named_role and self.sketch.layer(*named_role, _depth(element), _level(element))

    def _reference(self, element: Element, place: _Place) -> None:
        target_name = (attribute(element, "href") or "").strip()
        if not target_name.startswith("#"):
            raise Unusable(
                f"It refers to {target_name!r}, which is not in the drawing.",
                "Put the shape into the drawing itself.",
            )
        target = self.by_id.get(target_name[1:])
        if target is None:
            raise Unusable(
                f"It refers to {target_name!r}, which does not exist.", "Remove it, or mend the reference."
            )
        if target_name in place.references:
            raise Unusable(
                f"It refers to {target_name!r}, which holds this reference.", "Remove the reference."
            )
        lengths = self.page.lengths
        x, y = (lengths.read(element.get(key, "0"), along=key) for key in ("x", "y"))
        names = _names(element)
        inside = replace(
            place,
            to_mm=place.to_mm @ translation(x, y),
            name=place.name or (names[0] if names else None),
            port_role=self._port_role(element, place),
            references=place.references | {target_name},
        )
        if tag(target) != "symbol":
            self._visit(target, inside)
            return
        if target.get("viewBox") is not None:
            raise Unusable(
                "It refers to a symbol with a viewBox of its own.", "Turn it into a group, or unlink it."
            )
        for child in target:
            self._visit(child, inside)

    def _shape(self, element: Element, kind: str, place: _Place) -> None:
        names = _names(element)
        layer = self._layer_for_shape(element, names, place)
        style, called = place.style, _called(element, names)
        if layer is None:
            self.sketch.leave_out(called, "they lie on no layer and their names stand for no role")
            return
        if layer.role is Role.IGNORED:
            layer.passed_over += 1
            return
        is_line = kind == "line"  # which has no inside
        if style["visibility"] != "visible":
            self.sketch.leave_out(called, NOT_VISIBLE)
            return
        if not style.is_stroked and (is_line or not style.is_filled):
            self.sketch.leave_out(called, "they have neither fill nor stroke")
            return
        style.refuse_unread(of_group=False)
        outline = subpaths(element, kind, self.page.lengths)
        if not outline:
            self.sketch.leave_out(called, NO_AREA)
            return
        if style.is_filled and not is_line:
            geometry = self._filled(outline, layer, place, called)
        elif layer.role in (Role.OUTLINE, Role.PORTS):
            geometry = self._gone_around(outline, layer, place, called)
        else:
            geometry = self._band(outline, layer, place, called)
        self._tell_off_sheet(geometry, called)
        name = place.name or (names[0] if names else None)
        port_role = self._port_role(element, place) if layer.role is Role.PORTS else None
        self.sketch.add(layer, Shape(called, geometry, name=name, port_role=port_role))

    def _layer_for_shape(self, element: Element, names: list[str], place: _Place) -> SketchLayer | None:
        """By the groups around it, else by its own name, else the top-level group; None for a loose shape."""
        if place.group is not None:
            return place.group
        own = self._layer_of(element, names)
        if own is not None or place.top is None:
            return own
        return self.sketch.layer(place.top, None)

    def _filled(
        self, outline: tuple[Subpath, ...], layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        """The inside of a filled shape."""
        style = place.style
        _refuse_doubtful_fill(outline, style)
        if style.is_white:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.fill",
                taken="white counts like any colour",
                why="to cut a hole, make it part of the path around it",
                source="colours are not read",
            )
        if style.is_stroked:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.stroke",
                taken="stroke not counted",
                why="of a shape with both fill and stroke, the edge was taken where the fill ends",
                source="the fill is the drawn size",
            )
        return self._inside(outline, style["fill-rule"], layer, place, called)

    def _gone_around(
        self, outline: tuple[Subpath, ...], layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        """The inside of a line that is drawn around something."""
        if not all(_is_closed(subpath) for subpath in outline):
            raise Unusable(
                f"An open line on a layer with the role {layer.role.value} goes around nothing.",
                "Close the line, or fill it.",
            )
        return self._inside(outline, "nonzero", layer, place, called)

    def _inside(
        self, outline: tuple[Subpath, ...], rule: str, layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        if rule not in ("nonzero", "evenodd"):
            raise Unusable(f"fill-rule is {rule!r}.", "Give nonzero or evenodd.")
        rings = self._placed(outline, place.to_mm, called)
        return self.sketch.filled(rings, cast(FillRule, rule), layer=layer, element=called)

    def _band(
        self, outline: tuple[Subpath, ...], layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        """What a stroke covers; nothing when it has no width."""
        pen = self._pen(place.style)
        if pen.width <= 0.0:
            return MultiPolygon()
        to_mm, tolerance = place.to_mm, self._tolerance(place.to_mm)
        flattened = self._flattened(outline, to_mm, called)
        if layer.role is Role.CHANNELS and all(_is_closed(subpath) for subpath in outline):
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.fill",
                taken="closed line counted as a channel along it",
                why="it has a stroke and no fill; fill it if the channel is the inside",
                source="what is painted is made",
            )
        if place.style["vector-effect"] == "non-scaling-stroke":
            # Such a stroke is as wide as its number of pixels on the sheet, whatever the transform.
            flattened = [apply(to_mm, points) for points in flattened]
            pen = replace(pen, width=pen.width * MM_PER_UNIT["px"])
            to_mm, tolerance = np.eye(3), self.flattening_mm
        self._reach(np.array([[pen.width, 0.0], [0.0, pen.width]]), to_mm, called)
        self.sketch.tally.crossing(flattened, where=called)
        bands = [
            stroke(points, closed=subpath.closed and len(points) > 2, pen=pen, tolerance=tolerance)
            for subpath, points in zip(outline, flattened, strict=True)
            if len(points) > 1 or subpath.segments or subpath.closed
        ]
        band = shapely.transform(shapely.union_all(bands), lambda points: apply(to_mm, points))
        self.sketch.tally.vertex(int(shapely.get_num_coordinates(band)))
        return multipolygon(band)

    def _pen(self, style: Style) -> Pen:
        cap, join = style["stroke-linecap"], style["stroke-linejoin"]
        if cap not in ("butt", "round", "square"):
            raise Unusable(f"stroke-linecap is {cap!r}.", "Give butt, round or square.")
        if join not in ("miter", "round", "bevel"):
            raise Unusable(f"stroke-linejoin is {join!r}.", "Give miter, round or bevel.")
        return Pen(
            width=self.page.lengths.read(style["stroke-width"], along="diagonal"),
            cap=cast(Cap, cap),
            join=cast(Join, join),
            miter_limit=style.number("stroke-miterlimit"),
        )

    def _tolerance(self, to_mm: Matrix) -> float:
        """The flattening distance in user units; worked out once for all shapes of a group."""
        if self._scaled[0] is not to_mm:
            scale = largest_scale(to_mm)
            self._scaled = to_mm, (self.flattening_mm / scale if scale > 0.0 else math.inf)
        return self._scaled[1]

    def _placed(self, outline: tuple[Subpath, ...], to_mm: Matrix, called: str) -> list[Points]:
        """The subpaths as points in mm, counted and kept near the sheet."""
        if not all(subpath.is_straight for subpath in outline):
            return [apply(to_mm, points) for points in self._flattened(outline, to_mm, called)]
        # Straight lines hold no more points than the file, so they can be placed before they are looked at.
        tolerance = self._tolerance(to_mm)
        with np.errstate(over="ignore", invalid="ignore"):
            rings = [apply(to_mm, subpath.flatten(tolerance=tolerance)) for subpath in outline]
        self.sketch.tally.vertex(sum(map(len, rings)))
        self._near_sheet(rings[0] if len(rings) == 1 else np.vstack(rings), called)
        return rings

    def _flattened(self, outline: tuple[Subpath, ...], to_mm: Matrix, called: str) -> list[Points]:
        """The subpaths as points in user units, counted and kept near the sheet first."""
        hulls = [subpath.hull for subpath in outline]
        self._reach(hulls[0] if len(hulls) == 1 else np.vstack(hulls), to_mm, called)
        tolerance = self._tolerance(to_mm)
        for subpath in outline:
            self.sketch.tally.vertex(subpath.vertex_count(tolerance=tolerance))
        return [subpath.flatten(tolerance=tolerance) for subpath in outline]

    def _reach(self, points: Points, to_mm: Matrix, called: str) -> None:
        """Refuse points that lie nowhere near a sheet, before they are worked with."""
        with np.errstate(over="ignore", invalid="ignore"):
            placed = apply(to_mm, points)
        self._near_sheet(placed, called)

    def _near_sheet(self, placed: Points, called: str) -> None:
        """Refuse points in mm that lie nowhere near a sheet."""
        farthest = float(np.abs(placed).max())
        if not math.isfinite(farthest):
            raise Unusable("Its coordinates are not finite.", "Give finite numbers.")
        if farthest > self.sketch.options.limits.extent_mm:
            x, y = placed[np.abs(placed).max(axis=1).argmax()]
            self.sketch.tally.reach(placed, where=f"{called} at ({x:.6g}, {y:.6g}) mm")

    def _tell_off_sheet(self, geometry: MultiPolygon, called: str) -> None:
        x_mm, y_mm = self.corner_mm
        # The bounds of an empty geometry are no numbers: it lies nowhere.
        x_min, y_min, x_max, y_max = shapely.bounds(geometry)
        beside = x_max < x_mm or x_min > x_mm + self.page.width_mm
        if beside or y_max < y_mm or y_min > y_mm + self.page.height_mm:
            self.sketch.note(
                called,
                what="shapes",
                taken="counted although off the sheet",
                why="the sheet's edge does not cut the drawing",
                source="a viewer would not show them",
            )

    def _port_role(self, element: Element, place: _Place) -> PortRole | None:
        stated = element.get("data-role")
        if stated is None or stated in tuple(Role):
            return place.port_role
        if stated not in tuple(PortRole):
            raise Unusable(f"data-role is {stated!r}.", f"Give one of {', '.join((*PortRole, *Role))}.")
        return PortRole(stated)

    def _refuse(self, kind: str, place: _Place, called: str) -> None:
        if _is_ignored(place.group):
            return
        if place.style["visibility"] != "visible":
            self.sketch.leave_out(called, NOT_VISIBLE)
            return
        what, remedy = _REFUSED.get(kind, (f"an element <{kind}> that is not read", "Draw it as shapes"))
        raise Unusable(f"The drawing holds {what}.", f"{remedy}, {_ON_NOTES}")

    def _fault(self, element: Element, place: _Place, message: str, remedy: str) -> EngineError:
        layer = place.group.name if place.group else place.top
        named = f"layer {layer!r}, " if layer else ""
        return LayoutInvalid(
            Fault(message, remedy, where=f"{named}{_called(element)}{self._at(element, place)}")
        )

    def _at(self, element: Element, place: _Place) -> str:
        """Where an element says it stands, in words; nothing when it does not say."""
        for keys in (("x", "y"), ("cx", "cy"), ("x1", "y1")):
            texts = [element.get(key) for key in keys]
            if None in texts:
                continue
            try:
                point = [
                    self.page.lengths.read(str(text), along=key[0])
                    for text, key in zip(texts, "xy", strict=True)
                ]
            except Unusable:
                return ""
            ((x, y),) = apply(place.to_mm, np.array([point]))
            return f" at ({x:.6g}, {y:.6g}) mm" if math.isfinite(x + y) else ""
        return ""


def _is_ignored(layer: SketchLayer | None) -> bool:
    return layer is not None and layer.role is Role.IGNORED


def _refuse_doubtful_fill(outline: tuple[Subpath, ...], style: Style) -> None:
    """An open line with a stroke is meant as a line, but a fill makes it an area."""
    if style.is_stroked and not all(_is_closed(subpath) for subpath in outline):
        raise Unusable(
            "An open line has both a stroke and a fill, so it is not clear which of them is meant.",
            'Set fill="none" for the line, or stroke="none" for the area.',
        )


def _is_closed(subpath: Subpath) -> bool:
    """Whether a subpath ends where it began, to a millionth of its size."""
    if subpath.closed or not subpath.segments:
        return subpath.closed
    gap = subpath.segments[-1].sample(1)[-1] - subpath.start
    return bool(np.hypot(*gap) <= 1e-6 * np.ptp(subpath.hull, axis=0).max())


def _names(element: Element) -> list[str]:
    """What an element may be called, the name made for people first."""
    title = next((child.text for child in element if tag(child) == "title"), None)
    names = (attribute(element, "label"), element.get("data-name"), title, element.get("id"))
    return [name.strip() for name in names if name and name.strip()]


def _called(element: Element, names: list[str] | None = None) -> str:
    """An element in a message; its names are looked up unless they are known."""
    names = _names(element) if names is None else names
    return f"<{tag(element)}>" + (f" {element.get('id') or names[0]!r}" if names else "")


def _number(element: Element, key: str) -> float | None:
    """A finite number that an element states; None when it does not."""
    text = element.get(key)
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Unusable(f"{key} is {text!r}.", "Give a finite number.")
    return value


def _depth(element: Element) -> float | None:
    depth_um = _number(element, "data-depth-um")
    if depth_um is not None and depth_um <= 0.0:
        raise Unusable(f"data-depth-um is {depth_um:g}.", "Give the depth in µm, a number above 0.")
    return depth_um


def _level(element: Element) -> int | None:
    level = _number(element, "data-level")
    if level is not None and level not in range(1, MAX_LEVEL + 1):
        raise Unusable(
            f"data-level is {level:g}.", f"Give a whole number from 1 (next to the lid) to {MAX_LEVEL}."
        )
    return None if level is None else int(level)
