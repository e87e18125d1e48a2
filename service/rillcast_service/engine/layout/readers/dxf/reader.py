"""The walk over a DXF drawing: what lies in model space, blocks expanded, seen from above.

- A layer is a layer of the drawing, by its name; what lies on layer 0 within a block lies on the layer that
  the block is placed on. A role that the request gives to a colour (`#ff0000`) takes in what is drawn in that
  colour, BYLAYER and BYBLOCK worked out.
- A closed line without width is the inside it goes around; one within another on the same layer cuts a hole
  into it. Lines that meet end to end are one line. A polyline of some width is a band along it, but on an
  outline or port layer the inside it goes around. Hatches, solids and flat faces are areas.
- Drawings that Rillcast wrote say names, roles, depths and ports in extended data (`statements.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from ezdxf.colors import aci2rgb, int2rgb
from ezdxf.document import Drawing
from ezdxf.entities.dxfentity import DXFEntity, DXFTagStorage
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.xclip import XClip
from shapely import MultiPolygon, Point, Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout.affine import Matrix, apply, largest_scale
from rillcast_service.engine.layout.curves import Points, Subpath, without_repeats
from rillcast_service.engine.layout.model import RepairKind, Role
from rillcast_service.engine.layout.polygons import multipolygon
from rillcast_service.engine.layout.readers.dxf.document import LIBRARY_ERRORS, opened
from rillcast_service.engine.layout.readers.dxf.joining import Chain, chains
from rillcast_service.engine.layout.readers.dxf.outlines import (
    DRAWN,
    Drawn,
    Line,
    boundaries,
    drawn,
    ocs_matrix,
    tilted,
    widened,
)
from rillcast_service.engine.layout.readers.dxf.units import mm_per_drawing_unit
from rillcast_service.engine.layout.sketch import NO_AREA, Shape, Sketch, SketchLayer
from rillcast_service.engine.layout.statements import Statement, understood
from rillcast_service.engine.layout.strokes import Pen, tapered

#: The application that extended data of Rillcast's own is registered under.
APPLICATION = "RILLCAST"

#: Kind → (what it is, how to mend it): what is seen and cannot be read.
_REFUSED = {
    **dict.fromkeys(
        ("TEXT", "MTEXT", "ATTRIB", "ARCALIGNEDTEXT", "RTEXT", "SHAPE"),
        ("text", "Explode the text into lines or outlines"),
    ),
    **dict.fromkeys(
        ("IMAGE", "WIPEOUT", "OLE2FRAME", "OLEFRAME", "PDFUNDERLAY", "DGNUNDERLAY", "DWFUNDERLAY"),
        ("a picture", "Trace it as closed polylines"),
    ),
    **dict.fromkeys(
        (
            "3DSOLID",
            "BODY",
            "REGION",
            "MESH",
            "SURFACE",
            "EXTRUDEDSURFACE",
            "LOFTEDSURFACE",
            "REVOLVEDSURFACE",
            "SWEPTSURFACE",
            "PLANESURFACE",
            "NURBSURFACE",
        ),
        ("a body or a surface", "Explode it, or draw its outline as closed polylines"),
    ),
    "MLINE": ("a multiline", "Explode it into polylines"),
    "HELIX": ("a curve in space", "Draw it flat"),
}

#: Kinds that are no shape of the chip, but tell people something or steer the program.
_LEFT_OUT = {
    **dict.fromkeys(
        (
            "DIMENSION",
            "ARC_DIMENSION",
            "LARGE_RADIAL_DIMENSION",
            "LEADER",
            "MULTILEADER",
            "MLEADER",
            "TOLERANCE",
            "ACAD_TABLE",
        ),
        "they are dimensions and notes",
    ),
    **dict.fromkeys(("XLINE", "RAY"), "they are construction lines without end"),
    **dict.fromkeys(("VIEWPORT", "LIGHT", "SUN", "CAMERA", "SECTION", "GEOPOSITIONMARKER"), "they are views"),
    "POINT": "a point has no area",
    "ATTDEF": "they are templates of texts",
}

_HIDDEN = "they are not visible"
_OFF = "their layer is switched off"
_FROZEN = "their layer is frozen"
_UNPLOTTED = "nothing on the layer Defpoints is ever plotted"

_BYBLOCK, _BYLAYER, _BLACK_OR_WHITE = 0, 256, 7

#: Corners of wide polylines are mitred up to this ratio of mitre to width (a corner of 29°), and bevelled
#: when they are sharper. Common practice of CAD programs, no source.
_MITRE_LIMIT = 4.0

#: A map whose tilt is smaller than this lies in the plan.
_FLAT = 1e-9

#: Bits of `hatch_style`. Source: DXF Reference, HATCH, code 75.
_OUTERMOST, _IGNORE_ISLANDS = 1, 2

_ON_NOTES = "or put it on a layer called notes, which is left out."


def fill(data: bytes, sketch: Sketch) -> None:
    """Read a DXF file into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable, LayoutUnitsMissing, LayoutInvalid, LayoutTooComplex: see `readers.read`.
    """
    document = opened(data, sketch)
    _Walk(document, mm_per_drawing_unit(document, sketch), sketch).run()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in the drawing the walk is: what the block references around pass on.

    Args:
        to_mm: the block's space to that of the layout in mm, shape (4, 4).
        layer: on which the block is placed; None outside of any.
        colour: of the block reference.
        depth: of nesting.
        frozen: whether the block reference lies on a frozen layer.
    """

    to_mm: Matrix
    layer: str | None = None
    colour: tuple[str, ...] = ()
    depth: int = 0
    frozen: bool = False


@dataclass(frozen=True, slots=True)
class _TableLayer:
    """What the drawing's table of layers says of one.

    Args:
        key: its name in the table.
        name: of the layer, for people.
        hidden: why it is not seen; None when it is.
        colour: of what lies on it.
        states: what Rillcast's extended data says.
    """

    key: str
    name: str
    hidden: str | None
    colour: tuple[str, ...]
    states: Statement


@dataclass(frozen=True, slots=True, eq=False)
class _Loose:
    """A line that is open, until it is known what it meets."""

    element: str
    points: Points


class _Walk:
    """One reading of one drawing."""

    def __init__(self, document: Drawing, unit_mm: float, sketch: Sketch) -> None:
        self.document = document
        self.sketch = sketch
        self.unit_mm = unit_mm
        self.flattening_mm = sketch.options.flattening_um / 1e3
        self.closing_mm = sketch.options.closing_um / 1e3
        self._table: dict[str, _TableLayer] = {}
        self._layers: dict[tuple[str, tuple[str, ...]], SketchLayer] = {}
        self._loose: dict[str, list[_Loose]] = {}
        self._sizes: dict[str, int] = {}
        # The last map of a plane at height 0, which most entities share with the one before.
        self._flat: tuple[Matrix, Matrix] | None = None

    def run(self) -> None:
        model = self.document.modelspace()
        self.sketch.tally.element(self._size(model, ()))
        scale = np.diag([self.unit_mm, self.unit_mm, self.unit_mm, 1.0])
        for entity in model:
            self._visit(entity, _Place(scale))
        for name, lines in self._loose.items():
            self._join(self.sketch.layers[name], lines)
        for layout in self.document.layouts:
            if not layout.is_modelspace:
                for entity in layout:
                    if entity.dxftype() != "VIEWPORT":
                        self.sketch.leave_out(_called(entity), "they lie in paper space, on a sheet to print")

    # --- how much there is ------------------------------------------------------------------------------

    def _size(self, entities: Any, around: tuple[str, ...]) -> int:
        """How many elements there are, references expanded; each reference is one itself."""
        self.sketch.tally.nesting(len(around))
        total = 0
        for entity in entities:
            total += 1
            if entity.dxftype() != "INSERT":
                continue
            times = _times(entity)
            total += len(entity.attribs) + times - 1
            block = _block(entity)
            if block is None:
                continue
            name = block.name
            if name in around:
                raise LayoutInvalid(
                    Fault(
                        f"Block {name!r} holds itself.",
                        "Remove the reference to the block from the block itself.",
                        where=_called(entity),
                    )
                )
            if name not in self._sizes:
                self._sizes[name] = self._size(block, (*around, name))
            total += times * self._sizes[name]
        return total

    # --- one entity -------------------------------------------------------------------------------------

    def _visit(self, entity: DXFEntity, place: _Place) -> None:
        kind, called = entity.dxftype(), _called(entity)
        if not isinstance(entity, DXFGraphic | DXFTagStorage):
            self.sketch.leave_out(called, "they are parts of the file, and no entities of a drawing")
            return
        # What the library does not know it keeps as tags.
        says = entity.graphic_properties() if isinstance(entity, DXFTagStorage) else entity.dxf
        named = says.get("layer", "0")
        table = self._table_layer(place.layer if named == "0" and place.layer is not None else named)
        hidden = table.hidden
        if says.get("invisible", 0):
            hidden = _HIDDEN
        elif place.frozen:
            hidden = _FROZEN
        if kind == "INSERT" and hidden in (None, _OFF):
            self._reference(entity, table, place, called)
        elif hidden is not None:
            self.sketch.leave_out(called, hidden)
        elif kind in _LEFT_OUT:
            self.sketch.leave_out(called, _LEFT_OUT[kind])
        else:
            self._shape(entity, kind, self._layer(table, _colours(says, table, place)), place, called)

    def _shape(self, entity: DXFEntity, kind: str, layer: SketchLayer, place: _Place, called: str) -> None:
        if layer.role is Role.IGNORED:
            layer.passed_over += 1
            return
        try:
            if kind in DRAWN:
                self._drawn(entity, drawn(entity), layer, place, called)  # type: ignore[arg-type]
            elif kind in ("HATCH", "MPOLYGON"):
                self._hatch(entity, layer, place, called)
            else:
                raise _unread(kind)
        except LayoutInvalid as error:
            self.sketch.refuse(layer, _placed_error(error, layer, called))
        except LIBRARY_ERRORS as error:
            self.sketch.refuse(layer, _damaged(error, layer, called))

    def _drawn(self, entity: DXFEntity, what: Drawn, layer: SketchLayer, place: _Place, called: str) -> None:
        if not what.lines:
            self.sketch.leave_out(called, NO_AREA)
            return
        to_mm = self._plan(place.to_mm, what, called)
        goes_around = layer.role in (Role.OUTLINE, Role.PORTS)
        if what.widths is not None and not goes_around:
            self._add(layer, Shape(called, self._band(what, to_mm, layer, called)), entity)
            return
        for path in what.lines:
            points = self._points(path, to_mm)
            is_closed = isinstance(path, Subpath) and path.closed
            if what.widths is not None and is_closed:
                self.sketch.note(
                    called,
                    what=f"layers.{layer.name}.width",
                    taken="width not counted",
                    why=f"on a layer with the role {layer.role} a closed line is the inside it goes around",
                    source="the middle of the line is the drawn size",
                )
            if is_closed or what.is_area:
                area = self.sketch.filled([points], "nonzero", layer=layer, element=called)
                self._add(layer, Shape(called, area, is_loop=not what.is_area), entity)
            elif len(points := without_repeats(points, closer_than=0.0)) > 1:
                self._loose.setdefault(layer.name, []).append(_Loose(called, points))
            else:
                self.sketch.leave_out(called, NO_AREA)

    def _hatch(self, entity: Any, layer: SketchLayer, place: _Place, called: str) -> None:
        """The area that the boundaries of a hatch enclose, islands left out as the hatch says."""
        paths = boundaries(entity)
        if not paths:
            self.sketch.leave_out(called, NO_AREA)
            return
        around = Drawn((), ocs_matrix(entity.dxf.extrusion), entity.dxf.elevation.z)
        to_mm = self._plan(place.to_mm, around, called)
        rings: list[Points] = []
        for path in paths:
            lines = [self._points(line, to_mm) for line in path]
            if len(path) == 1 and isinstance(path[0], Subpath) and path[0].closed:
                rings += lines
                continue
            lines = [points for points in lines if len(without_repeats(points, closer_than=0.0)) > 1]
            for chain in chains(lines, closing_mm=self.closing_mm, tally=self.sketch.tally):
                if not chain.is_loop:
                    x, y = chain.points[-1]
                    raise LayoutInvalid(
                        Fault(
                            f"The boundary of the hatch is open at ({x:.6g}, {y:.6g}) mm.",
                            "Draw the hatch anew with a closed boundary.",
                        )
                    )
                self._tell_bridged(chain, layer, called)
                rings.append(chain.points)
        if not getattr(entity.dxf, "solid_fill", 1):
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.fill",
                taken="a pattern counted as the whole area",
                why="the lines of a pattern show an area, and are not made",
                source="the boundary of the hatch",
            )
        self._add(layer, Shape(called, self._islands(rings, entity, layer, called)), entity)

    def _islands(self, rings: list[Points], entity: Any, layer: SketchLayer, called: str) -> MultiPolygon:
        style = entity.dxf.get("hatch_style", 0)
        area = self.sketch.filled(
            rings, "nonzero" if style == _IGNORE_ISLANDS else "evenodd", layer=layer, element=called
        )
        if style != _OUTERMOST or len(rings) < 3:
            return area
        # Only what lies between the outermost boundaries and the next ones is painted.
        insides = [Polygon(ring) for ring in rings if len(ring) > 2]
        within = [
            inside
            for inside in insides
            if any(
                other is not inside and other.area > inside.area and other.covers(inside) for other in insides
            )
        ]
        outermost = shapely.difference(shapely.union_all(insides), shapely.union_all(within))
        return multipolygon(shapely.intersection(area, outermost))

    def _band(self, what: Drawn, to_mm: Matrix, layer: SketchLayer, called: str) -> MultiPolygon:
        """What a polyline of some width covers."""
        (path,) = what.lines
        assert isinstance(path, Subpath)
        assert what.widths is not None
        tolerance = self._tolerance(to_mm)
        self._reach(path.hull, to_mm)
        self._reach(what.widths, to_mm)
        self.sketch.tally.vertex(path.vertex_count(tolerance=tolerance))
        points, widths = widened(what, tolerance=tolerance)
        closed = path.closed and len(points) > 2
        if layer.role is Role.CHANNELS and closed:
            self.sketch.note(
                called,
                what=f"layers.{layer.name}.fill",
                taken="closed polyline counted as a channel along it",
                why="it has a width; give it none if the channel is the inside",
                source="what is painted is made",
            )
        if len(points) < 2:
            return MultiPolygon()
        self.sketch.tally.crossing([np.vstack([points, points[:1]]) if closed else points], where=called)
        widths = widths[: len(points) if closed else len(points) - 1]
        pen = Pen(float(widths.max()), cap="butt", join="miter", miter_limit=_MITRE_LIMIT)
        band = tapered(points, closed=closed, widths=widths, pen=pen, tolerance=tolerance)
        placed = shapely.transform(band, lambda corners: apply(to_mm, corners))
        self.sketch.tally.vertex(int(shapely.get_num_coordinates(placed)))
        return multipolygon(placed)

    def _add(self, layer: SketchLayer, shape: Shape, entity: DXFEntity) -> None:
        """Put a shape on its layer, with what is said of it when it is a port."""
        says = _statement(entity, shape.element)
        if says.port is not None:
            shape = replace(shape, name=says.port, port_role=says.port_role)
        self.sketch.add(layer, shape)

    # --- places -----------------------------------------------------------------------------------------

    def _plan(self, to_mm: Matrix, what: Drawn, called: str) -> Matrix:
        """The map from an entity's plane to the layout, shape (3, 3), of one that lies flat."""
        is_plain = what.to_world is None and what.height == 0.0
        if is_plain and self._flat is not None and self._flat[0] is to_mm:
            return self._flat[1]
        with np.errstate(over="ignore", invalid="ignore"):
            whole = to_mm if what.to_world is None else to_mm @ what.to_world
            steep = np.abs(whole[2, :2]).max()
            size = np.abs(whole[:2, :2]).max()
            shift = whole[:2, 2] * what.height + whole[:2, 3]
            height = whole[2, 2] * what.height + whole[2, 3]
        if not steep <= _FLAT * size:
            raise tilted()
        if height != 0.0:
            self.sketch.note(
                called,
                what="shapes",
                taken="height not counted",
                why="the drawing is a plan, seen from above",
                source="depths are the layers' own",
            )
        plan = np.eye(3)
        plan[:2, :2], plan[:2, 2] = whole[:2, :2], shift
        if is_plain and height == 0.0:
            self._flat = to_mm, plan
        return plan

    def _tolerance(self, to_mm: Matrix) -> float:
        scale = largest_scale(to_mm)
        return self.flattening_mm / scale if scale > 0.0 else math.inf

    def _points(self, path: Line, to_mm: Matrix) -> Points:
        """A line as points in mm, counted and kept near the origin first."""
        tolerance = self._tolerance(to_mm)
        if isinstance(path, Subpath):
            placed = self._reach(path.hull, to_mm)
            if path.is_straight and len(placed) == 2:
                self.sketch.tally.vertex(2)
                return placed
            self.sketch.tally.vertex(path.vertex_count(tolerance=tolerance))
            return apply(to_mm, path.flatten(tolerance=tolerance))
        self._reach(path.control, to_mm)
        points = apply(to_mm, path.flatten(tolerance=tolerance, tally=self.sketch.tally))
        self.sketch.tally.vertex(len(points))
        return points

    def _reach(self, points: Points, to_mm: Matrix) -> Points:
        """Points in mm, which lie near the origin."""
        with np.errstate(over="ignore", invalid="ignore"):
            placed = apply(to_mm, points)
        if not float(np.abs(placed).max()) <= self.sketch.options.limits.extent_mm:
            if not np.isfinite(placed).all():
                raise LayoutInvalid(Fault("Its coordinates are not finite.", "Give finite numbers."))
            x, y = placed[np.abs(placed).max(axis=1).argmax()]
            self.sketch.tally.reach(placed, where=f"at ({x:.6g}, {y:.6g}) mm")
        return placed

    # --- lines that meet --------------------------------------------------------------------------------

    def _join(self, layer: SketchLayer, lines: list[_Loose]) -> None:
        """Make areas of the loops that the open lines of a layer form together."""
        lines = self._without_copies(layer, lines)
        found = chains([line.points for line in lines], closing_mm=self.closing_mm, tally=self.sketch.tally)
        open_ones: list[tuple[str, Points]] = []
        for chain in found:
            called = lines[chain.parts[0]].element
            if len(chain.parts) > 1:
                called += f" and {len(chain.parts) - 1} more"
            if not chain.is_loop:
                open_ones.append((called, chain.points))
                continue
            try:
                self._tell_bridged(chain, layer, called)
                area = self.sketch.filled([chain.points], "evenodd", layer=layer, element=called)
            except LayoutInvalid as error:
                self.sketch.refuse(layer, _placed_error(error, layer, called))
            else:
                self.sketch.add(layer, Shape(called, area, is_loop=True))
        if layer.role is Role.MARKS:
            for called, _ in open_ones:
                self.sketch.leave_out(called, "an open line without width has no area")
        elif open_ones:
            self.sketch.refuse(layer, self._open_lines(layer, open_ones))

    def _without_copies(self, layer: SketchLayer, lines: list[_Loose]) -> list[_Loose]:
        """Lines that are drawn twice, in either direction, once: copies would close to loops of no area."""
        if not self.sketch.options.mends(RepairKind.DUPLICATE):
            return lines
        kept: dict[bytes, _Loose] = {}
        for line in lines:
            rounded = np.round(line.points, 6) + 0.0
            key = min(rounded.tobytes(), rounded[::-1].tobytes())
            if kept.setdefault(key, line) is not line:
                self.sketch.repaired(
                    RepairKind.DUPLICATE,
                    f"{line.element}: a line that {kept[key].element} draws too was dropped",
                    layer=layer.name,
                    area_before_mm2=0.0,
                    after=MultiPolygon(),
                    place=Point(line.points[0]),
                )
        return list(kept.values())

    def _tell_bridged(self, chain: Chain, layer: SketchLayer, called: str) -> None:
        if chain.gap_mm > 0.0:
            self.sketch.repaired(
                RepairKind.UNCLOSED,
                f"{called}: ends of lines up to {chain.gap_mm * 1e3:.2g} µm apart were joined",
                layer=layer.name,
                area_before_mm2=0.0,
                after=multipolygon(shapely.make_valid(Polygon(chain.points))),
                place=Point(chain.gap_at),
            )

    def _open_lines(self, layer: SketchLayer, lines: Sequence[tuple[str, Points]]) -> LayoutInvalid:
        ends = "; ".join(
            f"{called} from ({points[0][0]:.6g}, {points[0][1]:.6g}) to "
            f"({points[-1][0]:.6g}, {points[-1][1]:.6g}) mm"
            for called, points in lines[:3]
        )
        more = f" and {len(lines) - 3} more" if len(lines) > 3 else ""
        either = (
            "Close the outline there" if layer.role in (Role.OUTLINE, Role.PORTS)
            else "Give the line its width (of a polyline), or close the outline there"
        )  # fmt: skip
        return LayoutInvalid(
            Fault(
                f"{len(lines)} open line{'s' * (len(lines) > 1)} without width "
                f"{'enclose' if len(lines) > 1 else 'encloses'} no area.",
                f"{either} (ends up to {self.sketch.options.closing_um:g} µm apart are joined), {_ON_NOTES}",
                where=f"layer {layer.name!r}, {ends}{more}",
            )
        )

    # --- layers, colours and blocks ---------------------------------------------------------------------

    def _table_layer(self, name: str) -> _TableLayer:
        key = name.lower()
        if key not in self._table:
            entry: Any = self.document.layers.get(name) if self.document.layers.has_entry(name) else None
            self._table[key] = _TableLayer(name, name, None, _rgb(None, _BLACK_OR_WHITE), Statement())
            if entry is not None:
                says = _statement(entry, f"layer {name!r}")
                hidden = _FROZEN if entry.is_frozen() else _OFF if entry.is_off() else None
                colour = _rgb(entry.dxf.get("true_color"), abs(entry.dxf.get("color", _BLACK_OR_WHITE)))
                self._table[key] = _TableLayer(name, says.layer or entry.dxf.name, hidden, colour, says)
            if key == "defpoints":
                self._table[key] = replace(self._table[key], hidden=_UNPLOTTED)
        return self._table[key]

    def _layer(self, table: _TableLayer, colours: tuple[str, ...]) -> SketchLayer:
        key = table.name, colours
        if key not in self._layers:
            by_colour = (self.sketch.colour_layer(colour, names=[table.name]) for colour in colours)
            layer = next((layer for layer in by_colour if layer is not None), None)
            if layer is None:
                named_role = self.sketch.named_role([table.name], table.states.role)
                role = None if named_role is None else named_role[1]
                layer = self.sketch.layer(table.name, role, table.states.depth_um, table.states.level)
            self._layers[key] = layer
        return self._layers[key]

    def _reference(self, entity: Any, table: _TableLayer, place: _Place, called: str) -> None:
        """What a block shows where it is placed."""
        colours = _colours(entity.dxf, table, place)
        block = _block(entity)
        inside = replace(
            place,
            layer=table.key,
            colour=colours,
            depth=place.depth + 1,
            frozen=table.hidden == _FROZEN,
        )
        self.sketch.tally.nesting(inside.depth)
        for attribute in entity.attribs:
            if not attribute.is_invisible:
                self._visit(attribute, inside)
        name = entity.dxf.get("name", "")
        if block is None or block.block.is_xref:
            why = "is kept in another file" if block is not None else "does not exist"
            remedy = (
                "Bind the reference, so that the drawing holds it." if block is not None else "Remove it."
            )
            layer = self._layer(table, colours)
            self.sketch.refuse(
                layer,
                LayoutInvalid(Fault(f"The block {name!r} {why}.", remedy, where=_where(layer, called))),
            )
            return
        if entity.has_extension_dict and XClip(entity).is_clipping_enabled:
            layer = self._layer(table, colours)
            self.sketch.refuse(
                layer,
                LayoutInvalid(
                    Fault(
                        f"The block {name!r} is shown in part, cut off by a clipping boundary.",
                        "Explode the block and trim its shapes.",
                        where=_where(layer, called),
                    )
                ),
            )
            return
        try:
            placements = _placements(entity)
        except LIBRARY_ERRORS as error:
            layer = self._layer(table, colours)
            self.sketch.refuse(layer, _damaged(error, layer, called))
            return
        for to_block in placements:
            with np.errstate(over="ignore", invalid="ignore"):
                there = replace(inside, to_mm=place.to_mm @ to_block)
            for child in block:
                self._visit(child, there)


def _block(reference: Any) -> Any:
    """The block that a reference places; None when there is none, or the reference names none."""
    return reference.block() if reference.dxf.get("name") else None


def _placements(entity: Any) -> list[Matrix]:
    """The map from a block to the space around, shape (4, 4), for each place of an array."""
    first = np.array(list(entity.matrix44()), dtype=np.float64).reshape(4, 4).T
    rows, columns = max(1, entity.dxf.row_count), max(1, entity.dxf.column_count)
    if rows * columns == 1:
        return [first]
    turn = math.radians(entity.dxf.rotation)
    cos, sin = math.cos(turn), math.sin(turn)
    to_world = ocs_matrix(entity.dxf.extrusion)
    placed = []
    for row in range(rows):
        for column in range(columns):
            x, y = column * entity.dxf.column_spacing, row * entity.dxf.row_spacing
            offset = np.array([cos * x - sin * y, sin * x + cos * y, 0.0])
            matrix = first.copy()
            matrix[:3, 3] += offset if to_world is None else to_world[:3, :3] @ offset
            placed.append(matrix)
    return placed


def _times(entity: Any) -> int:
    return max(1, int(entity.dxf.row_count)) * max(1, int(entity.dxf.column_count))


def _colours(says: Any, table: _TableLayer, place: _Place) -> tuple[str, ...]:
    """The colour that an entity says it is drawn in; both, where it is black or white as the paper is."""
    number, true_colour = says.get("color", _BYLAYER), says.get("true_color")
    if true_colour is not None:
        return _rgb(true_colour, number)
    if number == _BYLAYER:
        return table.colour
    if number == _BYBLOCK:
        return place.colour or _rgb(None, _BLACK_OR_WHITE)
    return _rgb(None, abs(number))


def _rgb(true_colour: int | None, number: int) -> tuple[str, ...]:
    if true_colour is not None:
        red, green, blue = int2rgb(true_colour & 0xFFFFFF)
    elif number == _BLACK_OR_WHITE or not 0 < number < _BYLAYER:
        return "#ffffff", "#000000"
    else:
        red, green, blue = aci2rgb(number)
    return (f"#{red:02x}{green:02x}{blue:02x}",)


def _statement(entity: DXFEntity, where: str) -> Statement:
    """What Rillcast's extended data says of an entity or a layer."""
    if not entity.has_xdata(APPLICATION):
        return Statement()
    text = "".join(str(tag.value) for tag in entity.get_xdata(APPLICATION) if tag.code == 1000)
    return understood(text, where=where) or Statement()


def _called(entity: DXFEntity) -> str:
    handle = entity.dxf.get("handle")
    return f"{entity.dxftype()} {handle}" if handle else entity.dxftype()


def _where(layer: SketchLayer, called: str) -> str:
    return f"layer {layer.name!r}, {called}"


def _unread(kind: str) -> LayoutInvalid:
    what, remedy = _REFUSED.get(kind, ("of a kind that is not read", "Explode it into polylines"))
    return LayoutInvalid(Fault(f"{kind} is {what}.", f"{remedy}, {_ON_NOTES}"))


def _placed_error(error: LayoutInvalid, layer: SketchLayer, called: str) -> LayoutInvalid:
    """An error with the element that it is about."""
    faults = (
        Fault(fault.message, fault.remedy, fault.pointer, fault.where or _where(layer, called))
        for fault in error.faults
    )
    return LayoutInvalid(*faults)


def _damaged(error: Exception, layer: SketchLayer, called: str) -> LayoutInvalid:
    return LayoutInvalid(
        Fault(
            f"The entity cannot be read: {str(error).strip().rstrip('.') or type(error).__name__}.",
            "Draw it anew, or remove it.",
            where=_where(layer, called),
        )
    )
