"""A layout in the making: readers add what they find, and the layout comes out checked and merged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Point, Polygon

from rillcast_service.engine.errors import EngineError, Fault, LayoutInvalid
from rillcast_service.engine.layout import roles
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.guessing import guess_roles
from rillcast_service.engine.layout.limits import Tally
from rillcast_service.engine.layout.model import (
    Assumption,
    Layer,
    Layout,
    Port,
    PortRole,
    Repair,
    RepairKind,
    Role,
)
from rillcast_service.engine.layout.nesting import nested
from rillcast_service.engine.layout.options import ReadOptions, escaped
from rillcast_service.engine.layout.polygons import (
    GRID_DIGITS,
    JOIN_GRID_MM,
    FillRule,
    enclosed_area,
    filled,
    is_plain,
    joined,
    on_grid,
    parted,
    ring_of,
    rings_of,
)
from rillcast_service.engine.layout.ports import bore_mm, guessed_ports, guessed_role, role_from_name
from rillcast_service.engine.layout.repairs.mending import mend
from rillcast_service.engine.layout.repairs.mends import Mend, listed

#: A shape smaller than this is a slip of the pen: a square of 0.1 µm.
SPECK_MM2 = 1e-8

LEFT_OUT = "left out"
NO_AREA = "they enclose no area"

#: How many names of left-out elements are listed before "and N more".
NAMES_LISTED = 5


@dataclass(frozen=True, slots=True)
class Shape:
    """One shape of the drawing, in mm.

    Args:
        element: what it is called in messages.
        geometry: its area, valid.
        name: for a port; None when the drawing names none.
        port_role: for a port, as the drawing states it; None when it does not.
        is_loop: whether it is the inside of a closed line, into which a closed line within it cuts a hole.
    """

    element: str
    geometry: Polygon | MultiPolygon
    name: str | None = None
    port_role: PortRole | None = None
    is_loop: bool = False


@dataclass(frozen=True, slots=True)
class ShapeBatch:
    """Very many plain shapes of one kind, in mm.

    Args:
        element: what each of them is called in messages.
        polygons: valid ones, object array of shape (n,).
    """

    element: str
    polygons: NDArray[np.object_]


@dataclass(slots=True)
class SketchLayer:
    """One layer of the drawing while its shapes are being read.

    Args:
        name: as in the file.
        role: None while nothing tells it; it is guessed when the whole drawing is known.
        depth_um, level: as the drawing states them, if it does.
        shapes: read so far, of every role but `ignored`.
        batches: shapes that were read many at once; they come after `shapes`.
        passed_over: shapes of an ignored layer, which are not read.
        refused: what cannot be read on a layer whose role is not known yet; it counts once the layer does.
    """

    name: str
    role: Role | None
    depth_um: float | None = None
    level: int | None = None
    shapes: list[Shape] = field(default_factory=list)
    batches: list[ShapeBatch] = field(default_factory=list)
    passed_over: int = 0
    refused: EngineError | None = None

    @property
    def geometries(self) -> NDArray[np.object_]:
        """The area of every shape, object array of shape (n,): `shapes` first, then the batches."""
        own = np.empty(len(self.shapes), dtype=object)
        own[:] = [shape.geometry for shape in self.shapes]
        return np.concatenate([own, *(batch.polygons for batch in self.batches)])

    @property
    def count(self) -> int:
        """How many shapes it holds."""
        return len(self.shapes) + sum(len(batch.polygons) for batch in self.batches)

    def element(self, index: int) -> str:
        """What a shape is called in messages.

        Args:
            index: of the shape, as in `geometries`.
        """
        if index < len(self.shapes):
            return self.shapes[index].element
        ends = len(self.shapes) + np.cumsum([len(batch.polygons) for batch in self.batches])
        return self.batches[int(np.searchsorted(ends, index, side="right"))].element

    def called(self, indices: Sequence[int] | NDArray[np.intp]) -> str:
        """A list of shapes for a message, no longer than one can read.

        Args:
            indices: of the shapes, as in `geometries`.
        """
        names = dict.fromkeys(self.element(int(index)) for index in indices[:NAMES_LISTED])
        return _listed([*names, *[""] * max(0, len(indices) - NAMES_LISTED)], shown=len(names))

    def drop(self, indices: NDArray[np.intp]) -> None:
        """Take shapes away.

        Args:
            indices: of the shapes, as in `geometries`, in ascending order.
        """
        first, batches = len(self.shapes), self.batches
        gone = set(indices[indices < first].tolist())
        self.shapes = [shape for index, shape in enumerate(self.shapes) if index not in gone]
        self.batches = []
        for batch in batches:
            end = first + len(batch.polygons)
            inside = indices[(indices >= first) & (indices < end)] - first
            self.batches.append(ShapeBatch(batch.element, np.delete(batch.polygons, inside)))
            first = end

    def unpack(self) -> None:
        """Make a shape of each that was read with many others, for what looks at them one by one."""
        for batch in self.batches:
            areas = batch.polygons.copy()
            # A polygon that was mended may have come apart.
            single = shapely.get_type_id(areas) == shapely.GeometryType.POLYGON
            areas[single] = shapely.multipolygons(areas[single][:, None])
            self.shapes += [Shape(batch.element, area) for area in areas]
        self.batches.clear()


class Sketch:
    """What a reader has found so far.

    Args:
        name: of the layout, for people.
        source_format: `svg`, `geojson` …
        options: as given with the file.
    """

    def __init__(self, *, name: str, source_format: str, options: ReadOptions) -> None:
        self.name = name
        self.source_format = source_format
        self.options = options
        self.tally = Tally(options.limits)
        self.layers: dict[str, SketchLayer] = {}
        self._given_roles = options.roles_by_plain_name
        self._met_roles: set[str] = set()
        self._colours: dict[str, None] = {}
        self._assumptions: list[Assumption] = []
        self._repairs: list[Repair] = []
        self._notes: dict[tuple[str, str, str, str], list[str]] = {}

    def named_role(self, names: Sequence[str], stated: Role | None = None) -> tuple[str, Role] | None:
        """Which of a layer's names tells its role, and the role.

        The request's roles go first, then the role that the drawing states, then the table of names.

        Args:
            names: what the layer is called, the name made for people first.
            stated: by the drawing itself.

        Returns:
            Name and role; None when nothing tells.
        """
        for name in names:
            for key in roles.request_keys(name):
                if key in self._given_roles:
                    self._met_roles.add(key)
                    return name, self._given_roles[key]
        if stated is not None:
            return (names[0] if names else stated.value), stated
        by_table = ((name, roles.role_of(name)) for name in names)
        return next(((name, role) for name, role in by_table if role is not None), None)

    def colour_layer(self, colour: str | None, *, names: Sequence[str] = ()) -> SketchLayer | None:
        """The layer that the request makes of all that has a colour.

        Args:
            colour: that a shape is filled or drawn with, as `#ff0000`; None when it has none.
            names: of the layer that the shape lies on; a role that the request gives to one of them goes
                before that of the colour.

        Returns:
            A layer of the colour's name; None when the request does not name the colour.
        """
        if colour is None:
            return None
        key = roles.plain(colour)
        self._colours[key] = None
        if key not in self._given_roles or any(
            other in self._given_roles for name in names for other in roles.request_keys(name)
        ):
            return None
        return self.layer(key, self._given_roles[key])

    def layer(
        self, name: str, role: Role | None, depth_um: float | None = None, level: int | None = None
    ) -> SketchLayer:
        """The layer of that name, made on first use.

        Args:
            name: as in the file.
            role: None for a layer whose name says nothing; its role is guessed at the end, or it is left out.
            depth_um, level: as the drawing states them, if it does.

        Raises:
            LayoutInvalid: the drawing states two depths, levels or roles for one layer.
        """
        known = self.layers.setdefault(name, SketchLayer(name, role, depth_um, level))
        if known.role is None:
            known.role = role
        if role is not None and role is not known.role:
            raise LayoutInvalid(
                Fault(
                    f"Layer {name!r} is given two roles, {known.role} and {role}.",
                    "Give the layers different names.",
                    where=f"layer {name!r}",
                )
            )
        if depth_um is not None:
            if known.depth_um not in (None, depth_um):
                raise LayoutInvalid(
                    Fault(
                        f"Layer {name!r} has two depths, {known.depth_um:g} µm and {depth_um:g} µm.",
                        "Put channels of each depth on a layer of their own, such as channels_deep.",
                        where=f"layer {name!r}",
                    )
                )
            known.depth_um = depth_um
        if level is not None:
            if known.level not in (None, level):
                raise LayoutInvalid(
                    Fault(
                        f"Layer {name!r} has two levels, {known.level} and {level}.",
                        "Put channels of each level on a layer of their own.",
                        where=f"layer {name!r}",
                    )
                )
            known.level = level
        return known

    def add(self, layer: SketchLayer, shape: Shape) -> None:
        """Put a shape on a layer; one without area is left out and told."""
        if layer.role is Role.IGNORED:
            layer.passed_over += 1
        elif shape.geometry.area < SPECK_MM2:
            self.leave_out(shape.element, NO_AREA)
        else:
            layer.shapes.append(shape)

    def add_many(
        self, layer: SketchLayer, polygons: NDArray[np.object_], element: str, rule: FillRule = "nonzero"
    ) -> None:
        """Put very many plain shapes on a layer, at no cost of Python's for each of them.

        Those that cross themselves are filled by the rule and told. Those that only touch themselves, as
        a hole that is cut in along a line does, enclose the same area by any rule: nothing is told then.

        Args:
            layer: that they lie on.
            polygons: shapely polygons in mm, object array of shape (n,); they need not be valid.
            element: what one of them is called in messages.
            rule: by which those that cross themselves are filled.

        Raises:
            LayoutInvalid: one crosses itself, and such repairs are switched off.
            LayoutTooComplex: one crosses itself too often.
        """
        if layer.role is Role.IGNORED:
            layer.passed_over += len(polygons)
            return
        kept = on_grid(polygons)
        doubtful = np.flatnonzero(~shapely.is_valid(kept))
        rings = {index: rings_of(kept[index]) for index in doubtful}
        for lines in rings.values():
            self.tally.crossing(lines, where=f"layer {layer.name!r}, {element}")
        kept[doubtful], sure = parted(kept[doubtful])
        for index in doubtful[~sure]:
            lines = [ring[:-1] for ring in rings[index]]
            kept[index] = self.filled(lines, rule, layer=layer, element=element)
        is_speck = shapely.area(kept) < SPECK_MM2
        for _ in range(int(np.count_nonzero(is_speck))):
            self.leave_out(element, NO_AREA)
        if not np.all(is_speck):
            layer.batches.append(ShapeBatch(element, shapely.get_parts(kept[~is_speck])))

    def refuse(self, layer: SketchLayer, error: EngineError) -> None:
        """Refuse what cannot be read on a layer, unless the layer is not used.

        Args:
            layer: whose role decides: an ignored one may hold anything, and of an undecided one the
                error waits until its role is known.
            error: what is wrong.

        Raises:
            EngineError: the error, when the layer counts.
        """
        if layer.role is None:
            layer.refused = layer.refused or error
        elif layer.role is not Role.IGNORED:
            raise error

    def filled(
        self, rings: Sequence[Points], rule: FillRule, *, layer: SketchLayer, element: str
    ) -> MultiPolygon:
        """The area that rings enclose, mended and told where they cross or touch themselves.

        Args:
            rings: in mm, each of shape (n, 2), closed from its last point to its first.
            rule: how nested and crossing rings are filled.
            layer, element: which they belong to.

        Raises:
            LayoutInvalid: a ring crosses itself, and such repairs are switched off.
            LayoutTooComplex: too many crossings.
        """
        if len(rings) == 1 and len(rings[0]) >= 3:  # as most are
            polygon = shapely.polygons(rings[0].round(GRID_DIGITS))
            if polygon.is_valid:
                return shapely.multipolygons([polygon])
        plain = all(len(ring) < 3 or is_plain(ring) for ring in rings)
        if len(rings) > 1 or not plain:
            self.tally.crossing([np.vstack([ring, ring[:1]]) for ring in rings], where=element)
        area = filled(rings, rule)
        if area.area > 0.0 and not plain:
            self.repaired(
                RepairKind.SELF_CROSSING,
                f"{element}: an outline that crosses or touches itself was filled by the rule {rule}",
                layer=layer.name,
                area_before_mm2=enclosed_area(rings),
                after=area,
            )
        return area

    def closed(self, points: Points, *, layer: SketchLayer, element: str) -> Points | None:
        """A line as the ring that it was meant to be, told where its ends had to be joined.

        Args:
            points: in mm, shape (n, 2).
            layer, element: which it belongs to.

        Returns:
            Shape (m, 2), the first point not repeated; None for a line whose ends lie further apart than
            `closing_um`, or that goes around nothing.

        Raises:
            LayoutInvalid: the ends nearly meet, and such repairs are switched off.
        """
        ring = ring_of(points, closing_mm=self.options.closing_um / 1e3)
        if ring is None:
            return None
        apart_mm = float(np.hypot(*(points[-1] - points[0])))
        if apart_mm > JOIN_GRID_MM:
            self.repaired(
                RepairKind.UNCLOSED,
                f"{element}: its ends, {apart_mm * 1e3:.2g} µm apart, were joined",
                layer=layer.name,
                area_before_mm2=0.0,
                after=filled([ring], "nonzero"),
                place=Point(points[0]),
            )
        return ring

    def assume(self, what: str, value: str, why: str, source: str) -> None:
        """Report a default that was used."""
        self._assumptions.append(Assumption(what=what, value=value, why=why, source=source))

    def note(self, element: str, *, what: str, taken: str, why: str, source: str) -> None:
        """Report how an element was taken; elements that were taken alike are reported together."""
        self._notes.setdefault((what, taken, why, source), []).append(element)

    def leave_out(self, element: str, why: str) -> None:
        """Report a shape that the drawing holds and the layout does not."""
        self.note(element, what="shapes", taken=LEFT_OUT, why=why, source="what is not seen is not made")

    def repaired(
        self,
        kind: RepairKind,
        what: str,
        *,
        layer: str,
        area_before_mm2: float,
        after: MultiPolygon,
        place: Point | None = None,
    ) -> None:
        """Report a shape that was mended, with its place and area.

        Args:
            kind: of the repair.
            what: in words, without its full stop.
            layer: name of the layer.
            area_before_mm2: of the shape as drawn.
            after: the shape as mended, mm.
            place: where; somewhere within the mended shape when not given.

        Raises:
            LayoutInvalid: repairs of this kind are switched off.
        """
        if place is None:
            place = after.representative_point() if not after.is_empty else Point(0.0, 0.0)
        self.tell(Mend(kind, what, place.x, place.y, area_before_mm2, after.area), layer)

    def tell(self, mend: Mend, layer: str) -> None:
        """Report a repair.

        Args:
            mend: what was mended.
            layer: name of the layer.

        Raises:
            LayoutInvalid: repairs of this kind are switched off.
        """
        if not self.options.mends(mend.kind):
            raise LayoutInvalid(
                Fault(
                    f"The drawing needs a repair that is switched off: {mend.what}.",
                    f"Mend the drawing there, or allow repairs of the kind {mend.kind.value}.",
                    where=f"layer {layer!r} at ({mend.x_mm:.4g}, {mend.y_mm:.4g}) mm",
                )
            )
        self._repairs.append(mend.on(layer))

    def layout(self) -> Layout:
        """The finished layout.

        Raises:
            LayoutInvalid: no channels, an outline in pieces, ports that overlap, or options about
                layers that the file does not have.
            LayoutTooComplex: the shapes together are larger than the limit.
        """
        self._check_roles()
        guess_roles(self)
        self._nest_loops()
        self._check_channels()
        self._check_channel_options()
        self._check_extent()
        drawn = {layer.name: layer.count for layer in self.layers.values()}
        levels = {layer.name: self._level(layer) for layer in self.with_role(Role.CHANNELS)}
        pieces = mend(self, levels)
        ports = self._ports()
        layers = tuple(
            self._finished(layer, drawn[layer.name], pieces.get(layer.name)) for layer in self.layers.values()
        )
        self._check_left(layers)
        outline = self._outline([layer.geometry for layer in layers if layer.role is Role.OUTLINE])
        ports = ports or self._guessed_ports(layers)
        for (what, taken, why, source), elements in self._notes.items():
            self.assume(what, f"{taken}: {_listed(elements)}", why, source)
        return Layout(
            name=self.name,
            source_format=self.source_format,
            layers=layers,
            ports=ports,
            outline=outline,
            flattening_um=self.options.flattening_um,
            repairs=listed(self._repairs),
            assumptions=tuple(self._assumptions),
        )

    @property
    def colours_met(self) -> list[str]:
        """The colours that `colour_layer` was asked about."""
        return list(self._colours)

    def with_role(self, role: Role) -> list[SketchLayer]:
        return [layer for layer in self.layers.values() if layer.role is role]

    def _found(self) -> str:
        return _listed([repr(name) for name in self.layers]) or "none"

    def _check_roles(self) -> None:
        known = self._met_roles.union(self._colours, *map(roles.request_keys, self.layers))
        faults = [
            Fault(
                f"The file has no colour {name!r}." if is_colour else f"The file has no layer {name!r}.",
                f"Name one of the colours found: {_listed(self.colours_met) or 'none'}."
                if is_colour
                else f"Name one of the layers found: {self._found()}.",
                pointer=f"#/roles/{escaped(name)}",
            )
            for name, is_colour in ((name, name.startswith("#")) for name in self.options.roles)
            if roles.plain(name) not in known
        ]
        if faults:
            raise LayoutInvalid(*faults)

    def _nest_loops(self) -> None:
        """Cut holes where closed lines of one layer lie in one another; a disc that is a port cuts none."""
        openings = {id(shape.geometry) for layer in self.with_role(Role.PORTS) for shape in layer.shapes}
        for layer in self.layers.values():
            is_used = layer.role is not None and layer.role is not Role.IGNORED
            stays = layer.role is Role.CHANNELS
            loops = [
                index
                for index, shape in enumerate(layer.shapes)
                if is_used and shape.is_loop and not (stays and id(shape.geometry) in openings)
            ]
            if len(loops) < 2:
                continue
            inside = np.empty(len(loops), dtype=object)
            inside[:] = [layer.shapes[index].geometry for index in loops]
            apart = nested(inside, tally=self.tally, where=f"layer {layer.name!r}")
            for at, area in zip(apart.solid, apart.areas, strict=True):
                layer.shapes[loops[at]] = replace(layer.shapes[loops[at]], geometry=area)
            for at in apart.holes:
                self.note(
                    layer.shapes[loops[at]].element,
                    what=f"layers.{layer.name}.holes",
                    taken="hole",
                    why="a closed line within another one cuts a hole into its area",
                    source="the even-odd rule",
                )
            holes = {loops[at] for at in apart.holes}
            layer.shapes = [shape for index, shape in enumerate(layer.shapes) if index not in holes]

    def _check_channel_options(self) -> None:
        names = (layer.name for layer in self.with_role(Role.CHANNELS))
        channels = {"channels"}.union(*map(roles.request_keys, names))
        faults = [
            Fault(
                f"The file has no channel layer {name!r} to give a depth to.",
                f"Name one of the layers found ({self._found()}), or `channels` for every channel layer.",
                pointer=f"#/depths_um/{escaped(name)}",
            )
            for name in self.options.depths_um
            if roles.plain(name) not in channels
        ]
        faults += [
            Fault(
                f"The file has no channel layer {name!r} to give a level to.",
                f"Name one of the layers found: {self._found()}.",
                pointer=f"#/levels/{escaped(name)}",
            )
            for name in self.options.levels
            if roles.plain(name) not in channels
        ]
        if faults:
            raise LayoutInvalid(*faults)

    def _check_channels(self) -> None:
        channels = self.with_role(Role.CHANNELS)
        if any(layer.count for layer in channels):
            return
        if channels:
            message = f"No shape on the channel layer {channels[0].name!r} is drawn so that it has an area"
        else:
            message = f"No layer holds channels; layers found: {self._found()}"
        hidden = "; ".join(
            f"left out because {why}: {_listed(elements)}"
            for (_, taken, why, _), elements in self._notes.items()
            if taken == LEFT_OUT
        )
        raise LayoutInvalid(
            Fault(
                message + (f" ({hidden})" if hidden else "") + ".",
                f"Name the layer that holds the channels so ({roles.accepted_names()}), "
                "or give its role with the request.",
            )
        )

    def _check_left(self, layers: Sequence[Layer]) -> None:
        """Refuse channels of which mending has left nothing."""
        channels = [layer for layer in layers if layer.role is Role.CHANNELS]
        if all(layer.geometry.is_empty for layer in channels):
            raise LayoutInvalid(
                Fault(
                    f"All that is drawn of the channels is thinner than {self.options.sliver_um:g} µm.",
                    "Check the drawing's unit, or allow thinner shapes (sliver_um).",
                    where=f"layer {channels[0].name!r}",
                )
            )

    def _check_extent(self) -> None:
        shapes = [layer.geometries for layer in self.layers.values()]
        x_min, y_min, x_max, y_max = shapely.total_bounds(np.concatenate(shapes))
        extent_mm = float(max(x_max - x_min, y_max - y_min))
        self.tally.extent(
            extent_mm, where=f"from ({x_min:.4g}, {y_min:.4g}) to ({x_max:.4g}, {y_max:.4g}) mm"
        )

    def _finished(self, layer: SketchLayer, drawn: int, pieces: NDArray[np.object_] | None) -> Layer:
        """A layer of so many drawn shapes that came out as some pieces; None for one that is not used."""
        if pieces is None:
            left_out = layer.passed_over + drawn
            self.assume(
                f"roles.{layer.name}",
                "ignored",
                f"{left_out} shapes left out; the layer's name stands for no other role",
                "Rillcast's table of layer names",
            )
            return Layer(name=layer.name, role=Role.IGNORED, geometry=MultiPolygon(), shapes=left_out)
        assert layer.role is not None
        channels = layer.role is Role.CHANNELS
        return Layer(
            name=layer.name,
            role=layer.role,
            # Their order does not depend on that of the drawing.
            geometry=shapely.normalize(shapely.multipolygons(pieces)),
            depth_um=self._depth(layer),
            shapes=drawn,
            level=self._level(layer) if channels else 1,
        )

    def _depth(self, layer: SketchLayer) -> float | None:
        """By the layer's own name, else for all channels, else as the drawing states it.

        Marks are as deep as the drawing states, and nothing else has a depth.
        """
        if layer.role is not Role.CHANNELS:
            return layer.depth_um if layer.role is Role.MARKS else None
        given = {roles.plain(name): depth for name, depth in self.options.depths_um.items()}
        keys = (*roles.request_keys(layer.name), "channels")
        return next((given[key] for key in keys if key in given), layer.depth_um)

    def _level(self, layer: SketchLayer) -> int:
        """As asked, else as the drawing states it, else the plane next to the lid."""
        asked = {roles.plain(name): level for name, level in self.options.levels.items()}
        keys = roles.request_keys(layer.name)
        return next((asked[key] for key in keys if key in asked), layer.level or 1)

    def _ports(self) -> tuple[Port, ...]:
        ports: list[Port] = []
        taken: dict[str, int] = {}
        for layer in self.with_role(Role.PORTS):
            batched = (Shape(b.element, polygon) for b in layer.batches for polygon in b.polygons)
            for shape in (*layer.shapes, *batched):
                for opening in shapely.get_parts(shape.geometry):
                    hole = Polygon(opening.exterior)
                    name = self._unique_name(shape.name or f"port_{len(ports) + 1}", taken)
                    role = shape.port_role or role_from_name(name, layer.name)
                    if shape.port_role is None:
                        guess = guessed_role(name, role)
                        self.assume(guess.what, guess.value, guess.why, guess.source)
                    ports.append(Port(name=name, role=role, opening=hole, bore_mm=bore_mm(hole)))
        _refuse_overlaps(ports)
        return tuple(ports)

    def _guessed_ports(self, layers: Sequence[Layer]) -> tuple[Port, ...]:
        """Ports at round pads, told as guesses, for a drawing that has none."""
        planes: dict[int, list[MultiPolygon]] = {}
        for layer in layers:
            if layer.role is Role.CHANNELS:
                planes.setdefault(layer.level, []).append(layer.geometry)
        ports, assumptions = guessed_ports(
            [joined(parts) if len(parts) > 1 else parts[0] for parts in planes.values()],
            bore=self.options.guessed_bore,
            pad_margin=self.options.pad_margin,
            flattening_um=self.options.flattening_um,
        )
        self._assumptions += assumptions
        return tuple(ports)

    def _unique_name(self, name: str, taken: dict[str, int]) -> str:
        """The name, numbered when it is taken; `taken` holds the last number of each."""
        unique = name
        while unique in taken:
            taken[name] += 1
            unique = f"{name}_{taken[name]}"
        if unique != name:
            self.assume(
                f"ports.{unique}.name",
                unique,
                f"another port is called {name!r} too",
                "ports are told apart by name",
            )
        taken[unique] = 1
        return unique

    def _outline(self, areas: Sequence[MultiPolygon]) -> Polygon | None:
        if not any(area.area for area in areas):
            return None
        pieces = joined(areas).geoms
        if len(pieces) > 1:
            places = ", ".join(f"({piece.centroid.x:.2f}, {piece.centroid.y:.2f}) mm" for piece in pieces)
            raise LayoutInvalid(
                Fault(
                    f"The outline is in {len(pieces)} separate pieces.",
                    "Draw one closed outline: one chip a drawing.",
                    where=f"pieces about {places}",
                )
            )
        if pieces[0].interiors:
            self.assume(
                "outline",
                "outer edge only",
                f"the outline has {len(pieces[0].interiors)} holes in it; holes through the chip are ports",
                "an outline is the chip's edge",
            )
        return Polygon(pieces[0].exterior)


def _refuse_overlaps(ports: Sequence[Port]) -> None:
    holes = [port.opening for port in ports]
    tree = shapely.STRtree(holes)
    for index, port in enumerate(ports):
        for other in sorted(tree.query(port.opening, predicate="intersects")):
            if other != index and port.opening.intersection(holes[other]).area > SPECK_MM2:
                raise LayoutInvalid(
                    Fault(
                        f"Ports {port.name!r} and {ports[other].name!r} overlap.",
                        "Draw one shape a port; put rings and centre marks on a layer called notes.",
                        where=f"at ({port.centre.x:.2f}, {port.centre.y:.2f}) mm",
                    )
                )


def _listed(elements: list[str], shown: int = NAMES_LISTED) -> str:
    more = len(elements) - shown
    return ", ".join(elements[:shown]) + (f" and {more} more" if more > 0 else "")
