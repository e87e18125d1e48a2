"""The walk over an SVG drawing: which shapes are seen, on which layer they lie, and what area they have.

- The sheet's real size gives the scale; coordinates come out in mm, x to the right, y up, with the origin at
  the sheet's lower left corner.
- A layer is a group whose label, title or id stands for a role (`layout.roles`); of groups within groups the
  innermost such group counts. Otherwise a top-level group is a layer, and a shape outside any group is one
  under its own name.
- Where the request gives a colour a role, shapes of that fill, or of that stroke where they have no fill,
  make a layer of their own.
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
from rillcast_service.engine.layout.affine import Matrix, apply, scaling, translation
from rillcast_service.engine.layout.curves import Subpath
from rillcast_service.engine.layout.model import PortRole, Role
from rillcast_service.engine.layout.options import MAX_LEVEL
from rillcast_service.engine.layout.polygons import FillRule, multipolygon
from rillcast_service.engine.layout.readers.svg.clips import Clips
from rillcast_service.engine.layout.readers.svg.conditions import chosen, holds
from rillcast_service.engine.layout.readers.svg.document import attribute, parsed, tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.paints import WHITE, Paint, Paints
from rillcast_service.engine.layout.readers.svg.placing import Placing
from rillcast_service.engine.layout.readers.svg.references import referred
from rillcast_service.engine.layout.readers.svg.shapes import SHAPES, subpaths
from rillcast_service.engine.layout.readers.svg.sheet import Sheet, sheet
from rillcast_service.engine.layout.readers.svg.styles import (
    INITIAL,
    STYLED,
    Style,
    StyleSheet,
    with_geometry,
)
from rillcast_service.engine.layout.readers.svg.texts import NOT_VISIBLE, Texts
from rillcast_service.engine.layout.readers.svg.transforms import transformed
from rillcast_service.engine.layout.readers.svg.units import Lengths
from rillcast_service.engine.layout.readers.svg.viewports import viewport
from rillcast_service.engine.layout.sketch import NO_AREA, SPECK_MM2, Shape, Sketch, SketchLayer
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
}

#: Elements that markers are drawn on. Source: SVG 2, §13.7.1.
_MARKED = frozenset({"path", "line", "polyline", "polygon"})

#: The layer of shapes that lie in no group and whose own names say nothing.
LOOSE = "loose shapes"

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
    try:
        styles = StyleSheet.of(root, sketch.options.limits)
        root = _sized(root, styles.style(root, INITIAL))
    except Unusable as fault:
        raise LayoutInvalid(Fault(fault.message, fault.remedy, where="<svg>")) from None
    _Walk(root, sheet(root, sketch), styles, sketch).run()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in the drawing the walk is: what the elements around pass on.

    Args:
        to_mm: user units to mm on the sheet, y up.
        style: of the element around.
        lengths: of the viewport around.
        group: the layer by the innermost group whose name tells a role.
        top: name of the top-level group, for when none does.
        depth: of nesting, references expanded.
        name: of a reference, which names the shape it shows.
        port_role: as the element around states it.
        references: that are being followed.
        clip: what the elements around leave to be seen, mm; None where nothing is cut.
    """

    to_mm: Matrix
    style: Style
    lengths: Lengths
    group: SketchLayer | None = None
    top: str | None = None
    depth: int = 0
    name: str | None = None
    port_role: PortRole | None = None
    references: frozenset[str] = frozenset()
    clip: MultiPolygon | None = None


@dataclass(frozen=True, slots=True)
class _Painted:
    """What a shape is painted with, and the layer that it therefore lies on; None is not painted."""

    layer: SketchLayer
    fill: Paint | None
    line: Paint | None


class _Walk:
    """One reading of one drawing."""

    def __init__(self, root: Element, page: Sheet, styles: StyleSheet, sketch: Sketch) -> None:
        self.root = root
        self.page = page
        self.sketch = sketch
        self.placing = Placing(sketch)
        self.by_id = {key: element for element in root.iter() if (key := element.get("id"))}
        self.styles = styles
        self.paints = Paints(self.by_id)
        self.clips = Clips(self.by_id, styles, self.placing, sketch.tally)
        self.texts = Texts(root, styles, sketch)
        self.asks_colours = any(name.strip().startswith("#") for name in sketch.options.roles)
        self._unstyled = INITIAL, INITIAL
        self.corner_mm = (0.0, 0.0)

    def run(self) -> None:
        try:
            x_mm, y_mm = (_number(self.root, f"data-origin-{axis}-mm") or 0.0 for axis in "xy")
            self.corner_mm = (x_mm, y_mm)
            y_up = translation(x_mm, y_mm + self.page.height_mm) @ scaling(1.0, -1.0)
            place = _Place(to_mm=y_up @ self.page.to_mm, style=INITIAL, lengths=self.page.lengths)
            place = self._clipped(self.root, self._entered(self.root, place))
            place.style.refuse_unread(of_group=True)
        except Unusable as fault:
            raise LayoutInvalid(Fault(fault.message, fault.remedy, where="<svg>")) from None
        for media in self.styles.rules.left_out:
            self.sketch.assume(
                "styles",
                f"rules for {media} left out",
                "the drawing was read as it is shown on a screen",
                "Media Queries Level 4, §2",
            )
        for child in self.root:
            self._visit(child, place)

    def _visit(self, element: Element, place: _Place) -> None:
        kind = tag(element)
        if kind is None or kind in _UNPAINTED:
            return
        self.sketch.tally.nesting(place.depth)
        self.sketch.tally.element()
        try:
            self._enter(element, kind, place)
        except Unusable as fault:
            layer = self._layer_around(element, kind, place)
            error = self._fault(element, layer, place, fault)
            if layer is None:
                raise error from None
            self.sketch.refuse(layer, error)

    def _enter(self, element: Element, kind: str, place: _Place) -> None:
        place = self._entered(element, place)
        hidden = place.style.why_hidden
        if hidden is None and not holds(element):
            hidden = "they are for another language than English, or for viewers with extensions"
        if hidden is not None:
            self.sketch.leave_out(_called(element), hidden)
            return
        element = with_geometry(element, place.style)
        is_group = kind in _GROUPS  # whose own name may tell that it is ignored
        if place.style["clip-path"] != "none" and not is_group and not _is_ignored(place.group):
            place = self._clipped(element, place)
        if is_group:
            self._group(element, place)
        elif kind == "svg":
            self._drawing(element, place)
        elif kind == "switch":
            self._switch(element, place)
        elif kind == "use":
            self._reference(element, place)
        elif kind in SHAPES:
            self._shape(element, kind, place)
        elif kind == "text" and self.texts.have_fonts:
            self._text(element, place)
        else:
            self._refuse(kind, place, _called(element))

    def _entered(self, element: Element, place: _Place) -> _Place:
        """The place within an element: its style and transform added."""
        style = self._style(element, place.style)
        to_mm = transformed(element, style, place.to_mm, place.lengths)
        return replace(place, to_mm=to_mm, style=style, depth=place.depth + 1)

    def _clipped(self, element: Element, place: _Place) -> _Place:
        """The place within an element: its clip path added."""
        area = self.clips.area(element, place.style, place.to_mm, place.lengths, passed=frozenset())
        return place if area is None else replace(place, clip=_both(place.clip, area))

    def _style(self, element: Element, parent: Style) -> Style:
        """The computed style; that of shapes which state none is worked out once for all in a group."""
        if not self.styles.rules.are_none or not STYLED.isdisjoint(element.keys()):
            return self.styles.style(element, parent)
        if self._unstyled[0] is not parent:
            self._unstyled = parent, self.styles.style(Element("g"), parent)
        return self._unstyled[1]

    def _group(self, element: Element, place: _Place) -> None:
        names = _names(element)
        group = self._layer_of(element, names) or place.group
        if not _is_ignored(group):
            place.style.refuse_unread(of_group=True)
            if tag(element) in _GROUPS:
                place = self._clipped(element, place)
        top = place.top or (names[0] if names else "unnamed group")
        inside = replace(place, group=group, top=top, port_role=self._port_role(element, place))
        for child in element:
            self._visit(child, inside)

    def _layer_of(self, element: Element, names: list[str]) -> SketchLayer | None:
        """The layer that a group is, by its stated role or one of its names."""
        stated = element.get("data-role")
        named_role = self.sketch.named_role(names, Role(stated) if stated in tuple(Role) else None)
        return named_role and self.sketch.layer(*named_role, _depth(element), _level(element))

    def _drawing(
        self, element: Element, place: _Place, *, width: str | None = None, height: str | None = None
    ) -> None:
        """A drawing or symbol with a sheet of its own, of the size that a reference gives it, if one does."""
        inner = viewport(element, place.to_mm, place.lengths, width=width, height=height)
        if inner is None:
            self.sketch.leave_out(_called(element), "they have no size")
            return
        is_cut = place.style["overflow"] not in ("visible", "auto")
        clip = _both(place.clip, inner.frame) if is_cut else place.clip
        inside = replace(place, to_mm=inner.to_mm, lengths=inner.lengths, clip=clip)
        if tag(element) == "svg":
            self._group(element, inside)
            return
        # A symbol is named for what it is, not for the layer that it is put on.
        if not _is_ignored(place.group):
            place.style.refuse_unread(of_group=True)
        for child in element:
            self._visit(child, inside)

    def _switch(self, element: Element, place: _Place) -> None:
        """The first of several contents that is meant for everyone, or for readers of English."""
        if not _is_ignored(place.group):
            place.style.refuse_unread(of_group=True)
        child = chosen(element)
        if child is None:
            self.sketch.leave_out(
                _called(element), "none of the contents that it offers is in English or for all"
            )
            return
        if sum(isinstance(other.tag, str) for other in element) > 1:
            self.sketch.note(
                _called(element),
                what="shapes",
                taken=f"of several contents <{tag(child) or 'other'}> was taken",
                why="it is the first that is in English or in no language, and needs no extension",
                source="SVG 2, §5.9",
            )
        self._visit(child, place)

    def _reference(self, element: Element, place: _Place) -> None:
        name, target = referred(element, self.by_id, place.references)
        if not _is_ignored(place.group):
            place.style.refuse_unread(of_group=True)
        names = _names(element)
        inside = replace(
            place,
            name=place.name or (names[0] if names else None),
            port_role=self._port_role(element, place),
            references=place.references | {name},
        )
        if tag(target) not in ("symbol", "svg"):
            self._visit(target, inside)
            return
        self.sketch.tally.nesting(inside.depth)
        self.sketch.tally.element()
        inside = self._entered(target, inside)
        if tag(target) == "svg" and inside.style["display"] == "none":
            return
        if not _is_ignored(place.group):
            inside = self._clipped(target, inside)
        if target.get("refX") is not None or target.get("refY") is not None:
            raise Unusable(
                f"It refers to the symbol {name!r}, which has a refX or refY.",
                "Move the symbol's shapes instead.",
            )
        sized = with_geometry(target, inside.style)
        self._drawing(sized, inside, width=element.get("width"), height=element.get("height"))

    def _text(self, element: Element, place: _Place) -> None:
        """Text in fonts that the drawing carries: each letter is a shape."""
        if _is_ignored(place.group) and not self.asks_colours:
            return
        place.style.refuse_unread(of_group=True)
        called = _called(element)
        pieces = self.texts.pieces(element, place.style, place.lengths, called)
        if not pieces:
            is_seen = place.style["visibility"] == "visible"
            self.sketch.leave_out(called, NO_AREA if is_seen else NOT_VISIBLE)
        for piece in pieces:
            self._shape(element, "text", replace(place, style=piece.style), piece.outline)

    def _shape(
        self, element: Element, kind: str, place: _Place, outline: tuple[Subpath, ...] | None = None
    ) -> None:
        """Add a shape; its outline is read from the element unless it is given."""
        names = _names(element)
        layer = self._layer_for_shape(element, names, place)
        called = _called(element, names)
        painted = self._painted(layer, place.style, called, has_inside=kind != "line")
        if painted is None:
            return
        place.style.refuse_unread(
            of_group=False, is_filled=painted.fill is not None, has_markers=kind in _MARKED
        )
        outline = subpaths(element, kind, place.lengths) if outline is None else outline
        if not outline:
            self.sketch.leave_out(called, NO_AREA)
            return
        geometry = self._area(outline, painted, place, called)
        name = place.name or (names[0] if names else None)
        port_role = self._port_role(element, place) if painted.layer.role is Role.PORTS else None
        self.sketch.add(painted.layer, Shape(called, geometry, name=name, port_role=port_role))

    def _painted(
        self, layer: SketchLayer, style: Style, called: str, *, has_inside: bool = True
    ) -> _Painted | None:
        """What a shape on a layer is painted with; None when it is not used, or not seen, and told so."""
        if layer.role is Role.IGNORED and not self.asks_colours:
            layer.passed_over += 1
            return None
        if style["visibility"] != "visible":
            self.sketch.leave_out(called, NOT_VISIBLE)
            return None
        fill = self.paints.of(style, "fill") if has_inside else None
        line = self.paints.of(style, "stroke")
        if self.asks_colours:
            paint = fill or line
            colour = None if paint is None else paint.colour
            layer = self.sketch.colour_layer(colour, names=[layer.name]) or layer
            if layer.role is Role.IGNORED:
                layer.passed_over += 1
                return None
        if fill is None and line is None:
            self.sketch.leave_out(called, "they have neither fill nor stroke")
            return None
        return _Painted(layer, fill, line)

    def _area(
        self, outline: tuple[Subpath, ...], painted: _Painted, place: _Place, called: str
    ) -> MultiPolygon:
        """What is seen of a shape."""
        layer = painted.layer
        if painted.fill is not None:
            geometry = self._filled(outline, painted.fill, painted.line, layer, place, called)
        elif layer.role in (Role.OUTLINE, Role.PORTS):
            geometry = self._gone_around(outline, layer, place, called)
        else:
            geometry = self._band(outline, layer, place, called)
        if place.clip is not None:
            geometry = self._cut(geometry, place.clip, layer, called)
        self._tell_off_sheet(geometry, called)
        return geometry

    def _cut(
        self, geometry: MultiPolygon, clip: MultiPolygon, layer: SketchLayer, called: str
    ) -> MultiPolygon:
        """What a clip leaves of a shape, told where it takes something."""
        if shapely.covers(clip, geometry):
            return geometry
        left = multipolygon(geometry.intersection(clip))
        if geometry.area - left.area > SPECK_MM2:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.clip",
                taken="cut to the clip around it",
                why="what a clip path or the sheet of an inner drawing hides is not seen",
                source="what is not seen is not made",
            )
        return left

    def _layer_for_shape(self, element: Element, names: list[str], place: _Place) -> SketchLayer:
        """By the groups around it, else by its own name, else the top-level group or that of loose shapes."""
        if place.group is not None:
            return place.group
        return self._layer_of(element, names) or self._unnamed(place.top or LOOSE)

    def _unnamed(self, name: str) -> SketchLayer:
        """A layer whose role nothing tells but a request for that very name."""
        named_role = self.sketch.named_role([name])
        return self.sketch.layer(name, named_role and named_role[1])

    def _layer_around(self, element: Element, kind: str, place: _Place) -> SketchLayer | None:
        """The layer that a fault of an element counts for; None where it counts for the whole drawing."""
        if place.group is not None:
            return place.group
        if kind in SHAPES:
            return self._layer_for_shape(element, _names(element), place)
        return None if place.top is None else self._unnamed(place.top)

    def _filled(
        self,
        outline: tuple[Subpath, ...],
        fill: Paint,
        line: Paint | None,
        layer: SketchLayer,
        place: _Place,
        called: str,
    ) -> MultiPolygon:
        """The inside of a filled shape."""
        if line is not None:
            _refuse_doubtful_fill(outline)
        if fill.colour == WHITE and layer.name != WHITE:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.fill",
                taken="white counts like any colour",
                why="to cut a hole, make it part of the path around it",
                source="the request gives white no role",
            )
        if line is not None:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.stroke",
                taken="stroke not counted",
                why="of a shape with both fill and stroke, the edge was taken where the fill ends",
                source="the fill is the drawn size",
            )
        return self._inside(outline, place.style["fill-rule"], layer, place, called)

    def _gone_around(
        self, outline: tuple[Subpath, ...], layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        """The inside of a line that is drawn around something."""
        if not all(_is_closed(subpath) for subpath in outline):
            raise Unusable(
                f"An open line on a layer with the role {layer.role} goes around nothing.",
                "Close the line, or fill it.",
            )
        return self._inside(outline, "nonzero", layer, place, called)

    def _inside(
        self, outline: tuple[Subpath, ...], rule: str, layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        if rule not in ("nonzero", "evenodd"):
            raise Unusable(f"fill-rule is {rule!r}.", "Give nonzero or evenodd.")
        rings = self.placing.placed(outline, place.to_mm, called)
        return self.sketch.filled(rings, cast(FillRule, rule), layer=layer, element=called)

    def _band(
        self, outline: tuple[Subpath, ...], layer: SketchLayer, place: _Place, called: str
    ) -> MultiPolygon:
        """What a stroke covers; nothing when it has no width."""
        pen = self._pen(place)
        if pen.width <= 0.0:
            return MultiPolygon()
        to_mm, tolerance = place.to_mm, self.placing.tolerance(place.to_mm)
        flattened = self.placing.flattened(outline, to_mm, called)
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
            pen = replace(pen, width=pen.width * place.lengths.px_mm)
            to_mm, tolerance = np.eye(3), self.placing.flattening_mm
        self.placing.reach(np.array([[pen.width, 0.0], [0.0, pen.width]]), to_mm, called)
        self.sketch.tally.crossing(flattened, where=called)
        bands = [
            stroke(points, closed=subpath.closed and len(points) > 2, pen=pen, tolerance=tolerance)
            for subpath, points in zip(outline, flattened, strict=True)
            if len(points) > 1 or subpath.segments or subpath.closed
        ]
        band = shapely.transform(shapely.union_all(bands), lambda points: apply(to_mm, points))
        self.sketch.tally.vertex(int(shapely.get_num_coordinates(band)))
        return multipolygon(band)

    def _pen(self, place: _Place) -> Pen:
        style = place.style
        cap, join = style["stroke-linecap"], style["stroke-linejoin"]
        if cap not in ("butt", "round", "square"):
            raise Unusable(f"stroke-linecap is {cap!r}.", "Give butt, round or square.")
        if join not in ("miter", "round", "bevel"):
            raise Unusable(f"stroke-linejoin is {join!r}.", "Give miter, round or bevel.")
        width = place.lengths.read(style["stroke-width"], along="diagonal")
        if width < 0.0:
            raise Unusable(f"stroke-width is {style['stroke-width']!r}.", "Give a width of 0 or more.")
        return Pen(
            width=width,
            cap=cast(Cap, cap),
            join=cast(Join, join),
            miter_limit=style.number("stroke-miterlimit"),
        )

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

    def _fault(
        self, element: Element, layer: SketchLayer | None, place: _Place, fault: Unusable
    ) -> EngineError:
        named = f"layer {layer.name!r}, " if layer else ""
        where = f"{named}{_called(element)}{self._at(element, place)}"
        return LayoutInvalid(Fault(fault.message, fault.remedy, where=where))

    def _at(self, element: Element, place: _Place) -> str:
        """Where an element says it stands, in words; nothing when it does not say."""
        for keys in (("x", "y"), ("cx", "cy"), ("x1", "y1")):
            texts = [element.get(key) for key in keys]
            if None in texts:
                continue
            try:
                point = [
                    place.lengths.read(str(text), along=axis) for text, axis in zip(texts, "xy", strict=True)
                ]
            except Unusable:
                return ""
            ((x, y),) = apply(place.to_mm, np.array([point]))
            return f" at ({x:.6g}, {y:.6g}) mm" if math.isfinite(x + y) else ""
        return ""


def _is_ignored(layer: SketchLayer | None) -> bool:
    return layer is not None and layer.role is Role.IGNORED


def _both(one: MultiPolygon | None, other: MultiPolygon) -> MultiPolygon:
    """What two clips leave together."""
    both = other if one is None else multipolygon(one.intersection(other))
    shapely.prepare(both)
    return both


def _sized(root: Element, style: Style) -> Element:
    """The drawing with the size that its style sheets give it; what the viewer decides says nothing."""
    geometry = {
        name: value for name, value in style.geometry.items() if value[-1:].isalpha() and value != "auto"
    }
    return with_geometry(root, replace(style, geometry=geometry))


def _refuse_doubtful_fill(outline: tuple[Subpath, ...]) -> None:
    """An open line with a stroke is meant as a line, but a fill makes it an area."""
    if not all(_is_closed(subpath) for subpath in outline):
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
