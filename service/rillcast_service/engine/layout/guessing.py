"""What a drawing does not say and its shapes suggest: roles of layers, told as guesses.

Only layers that neither the request nor the drawing nor the table of names gives a role are looked at, and
only what a person would say too is said of them: a plain closed outline around everything else is the chip's
edge, discs at the ends of channels are its ports, small lettering beside the channels is a mark, and what
then remains on one layer is the channels. A single layer that holds all of it is split. What could as well
be something else is refused, with the layers found and what to send.

Beside channels that are known by name, a layer of which nothing can be said is left out and told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NoReturn

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon, Polygon, affinity

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout import roles
from rillcast_service.engine.layout.discs import (
    Discs,
    Floats,
    Geometries,
    Ints,
    at_ends,
    concentric,
    discs_among,
)
from rillcast_service.engine.layout.model import Role

if TYPE_CHECKING:
    from rillcast_service.engine.layout.sketch import Shape, Sketch, SketchLayer

#: An edge lies around everything else when nothing reaches further out than this.
_EDGE_TOLERANCE_MM = 1e-3
#: A plain outline fills at least this share of its hull; one drawn as a line encloses at least this share.
_PLAIN, _FRAME = 0.8, 0.5
#: Shapes whose bounds are the same and whose areas differ by no more than this share are copies.
_SAME_AREA = 1e-3
#: More discs than this are no ports: no bench connects so many.
_MOST_PORTS = 500
#: The lines of letters are no wider than this share of their height.
_LETTER_LINE = 0.25
#: Letters of a row lie no further apart than this share of their height; areas differ in form when they
#: differ by this much. Fewer than so many are no row.
_SPACING, _SAME_FORM, _FEW = 0.6, 0.02, 3
#: More shapes than this are no lettering that is worth a look.
_MOST_LETTERS = 5000
#: So many layers are listed before "and N more".
_LISTED = 8

_WELLS_OR_CHAMBER = (
    "the discs could be wells on a chip, or ports of a chamber as large as the shape around them"
)

_SOURCE = "Rillcast's guess from the shapes drawn"
_OVERRIDE = "to change it, send the layer's role"


def guess_roles(sketch: Sketch) -> None:
    """Give layers whose name says nothing a role that their shapes suggest, or leave them out.

    Args:
        sketch: all that was read; its undecided layers get a role, and one that holds the whole drawing is
            split into channels, ports and outline.

    Raises:
        LayoutInvalid: no layer is known to hold the channels, and the shapes can be read in several ways.
        EngineError: a layer that counts holds what cannot be read.
    """
    undecided = [layer for layer in sketch.layers.values() if layer.role is None and layer.count]
    if undecided:
        for layer in sketch.layers.values():
            layer.unpack()
        _Guess(sketch, undecided).decide()
    for layer in sketch.layers.values():
        if layer.role is None:
            layer.role = Role.IGNORED
        elif layer.refused is not None and layer.role is not Role.IGNORED:
            raise layer.refused


class _Guess:
    """The undecided layers of one drawing, fewer as they are decided."""

    def __init__(self, sketch: Sketch, undecided: list[SketchLayer]) -> None:
        self.sketch = sketch
        self.undecided = undecided
        self.found = list(undecided)
        self.areas = {id(layer): _areas(layer.shapes) for layer in sketch.layers.values()}
        self.told = {layer.name: _told(layer, self.areas[id(layer)]) for layer in undecided}

    def decide(self) -> None:
        """Give every undecided layer a role of which its shapes leave no doubt."""
        known = bool(self._of_role(Role.CHANNELS))
        if known or len(self.undecided) > 1:
            self._guess_outline(channels_known=known)
        channels = self._of_role(Role.CHANNELS) if known else [self._guess_channels()]
        self._guess_ports(channels)
        if known:
            return
        if not self._of_role(Role.OUTLINE):
            self._split_outline(channels[0])
        if not self._of_role(Role.PORTS):
            self._split_ports(channels[0])
        self._split_marks(channels[0])
        self._guess_marks(channels[0])
        if self.undecided:
            self._refuse("other layers have shapes too, and nothing says what they are")

    def _of_role(self, role: Role) -> list[SketchLayer]:
        return [layer for layer in self.sketch.with_role(role) if layer.shapes or role is Role.CHANNELS]

    def _areas_of(self, layers: Sequence[SketchLayer]) -> Geometries:
        return np.concatenate([np.empty(0, dtype=object), *(self.areas[id(layer)] for layer in layers)])

    def _take(self, layer: SketchLayer, role: Role, why: str) -> None:
        layer.role = role
        self.undecided = [other for other in self.undecided if other is not layer]
        self.sketch.assume(f"roles.{layer.name}", role.value, f"{why}; {_OVERRIDE}", _SOURCE)

    def _guess_outline(self, *, channels_known: bool) -> None:
        """One undecided layer that is a plain edge around all others."""
        if self._of_role(Role.OUTLINE):
            return
        frames = self._frames(list(self.sketch.layers.values()))
        if len(frames) != 1:
            return
        (frame,) = frames
        if any(self._lie_at_ends(layer, self.areas[id(frame)]) for layer in self.undecided):
            return  # a plain channel with a hole at each end
        inner = self._frames([layer for layer in self.sketch.layers.values() if layer is not frame])
        if inner and channels_known:
            return
        if inner and len(self.undecided) > 1:
            self._refuse(f"{frame.name!r} and {inner[0].name!r} could both be the chip's edge")
        frame.shapes = [replace(shape, geometry=_middle(shape.geometry)) for shape in frame.shapes]
        self._take(frame, Role.OUTLINE, "its one shape is a plain edge around everything else")

    def _frames(self, layers: list[SketchLayer]) -> list[SketchLayer]:
        """Undecided layers out of some that hold all the others within one plain edge."""

        def others(layer: SketchLayer) -> Geometries:
            return self._areas_of([other for other in layers if other is not layer])

        one_shape = [
            layer
            for layer in layers
            if layer.role is None and layer.shapes and _are_copies(self.areas[id(layer)])
        ]
        return [layer for layer in one_shape if _holds(self.areas[id(layer)][0], others(layer))]

    def _guess_channels(self) -> SketchLayer:
        """The one undecided layer that can hold the channels."""
        outline_is_guessed = any(layer.role is Role.OUTLINE for layer in self.found)
        able = self.undecided
        if len(able) > 1:
            able = [layer for layer in able if not self._is_discs(layer) and not self._is_lettering(layer)]
        if len(able) != 1:
            self._refuse("more than one could" if able else "none has shapes like channels")
        (layer,) = able
        if outline_is_guessed and self._is_discs(layer):
            self._refuse(_WELLS_OR_CHAMBER)
        self._take(layer, Role.CHANNELS, "it is the one layer whose shapes can be channels")
        return layer

    def _guess_ports(self, channels: list[SketchLayer]) -> None:
        """One undecided layer of discs that lie at the ends of channels."""
        if self._of_role(Role.PORTS):
            return
        able = [layer for layer in self.undecided if self._lie_at_ends(layer, self._areas_of(channels))]
        if len(able) == 1:
            discs = discs_among(self.areas[id(able[0])])
            able[0].shapes = [_as_disc(shape, discs, i) for i, shape in enumerate(able[0].shapes)]
            self._take(able[0], Role.PORTS, "it holds discs that lie at the ends of channels")

    def _is_discs(self, layer: SketchLayer) -> bool:
        """Whether a layer holds nothing but discs that could be holes."""
        discs = discs_among(self.areas[id(layer)])
        return bool(discs.is_disc.all() and self._is_hole(discs).all())

    def _is_hole(self, discs: Discs) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        bore = self.sketch.options.guessed_bore
        return discs.is_disc & (discs.diameter >= bore.low) & (discs.diameter <= bore.high)

    def _lie_at_ends(self, layer: SketchLayer, channels: Geometries) -> bool:
        """Whether a layer holds nothing but discs that could be ports of the channels."""
        if not self._is_discs(layer) or not 2 <= len(layer.shapes) <= _MOST_PORTS:
            return False
        discs = discs_among(self.areas[id(layer)])
        touches, ends, room = at_ends(channels, discs.centre, discs.diameter / 2.0)
        ends &= discs.diameter >= room
        return bool(touches.all() and ends.sum() >= max(2, len(ends) / 2))

    def _is_lettering(self, layer: SketchLayer) -> bool:
        """Whether a layer holds small line-like figures that touch neither one another nor anything else."""
        shapes, lettering = self.areas[id(layer)], self.sketch.options.lettering
        if not 2 <= len(shapes) <= _MOST_LETTERS:
            return False
        box = _boxes(shapes, _touching(shapes))
        height = (box[:, 2:] - box[:, :2]).max(axis=1)
        line = 2.0 * float(shapely.area(shapes).sum()) / float(shapely.length(shapes).sum())
        small = len(height) >= 2 and height.max() <= lettering.high and np.median(height) >= lettering.low
        if not small or line > _LETTER_LINE * float(np.median(height)):
            return False
        others = [
            other
            for other in self.sketch.layers.values()
            if other is not layer and other.role is not Role.OUTLINE and other.shapes
        ]
        around = self._areas_of(others)
        return not shapely.STRtree(around).query(shapes, predicate="intersects").size

    def _guess_marks(self, channels: SketchLayer) -> None:
        for layer in self.undecided:
            if self._is_lettering(layer):
                why = f"it holds small lettering apart from the channels of {channels.name!r}"
                self._take(layer, Role.MARKS, why)

    def _split_outline(self, layer: SketchLayer) -> None:
        """Take a plain edge around everything else off the layer of channels."""
        edge = self._edge_on(layer)
        if 0 < len(edge) < len(layer.shapes):
            whole = self.areas[id(layer)][edge]
            taken = self._taken_off(layer, edge)
            inner = self._edge_on(layer) if len(layer.shapes) > 1 else edge[:0]
            if inner.size:
                both = f"{taken[0].element} and {layer.shapes[inner[0]].element}"
                self._refuse_split(layer, f"{both} could both be the chip's edge")
            if self._lie_at_ends(layer, whole):  # a plain channel with a hole at each end
                layer.shapes += taken
                self.areas[id(layer)] = _areas(layer.shapes)
                return
            if self._is_discs(layer):
                self._refuse_split(layer, _WELLS_OR_CHAMBER)
            edges = [replace(shape, geometry=_middle(shape.geometry)) for shape in taken]
            self._put(
                layer, Role.OUTLINE, edges, f"{taken[0].element} is a plain edge around everything else"
            )
        self._refuse_an_edge_among(layer)

    def _taken_off(self, layer: SketchLayer, index: Ints) -> list[Shape]:
        """The layer's shapes of those indices, which it no longer has."""
        taken = [layer.shapes[i] for i in index]
        gone = set(index.tolist())
        layer.shapes = [shape for i, shape in enumerate(layer.shapes) if i not in gone]
        self.areas[id(layer)] = _areas(layer.shapes)
        return taken

    def _edge_on(self, layer: SketchLayer) -> Ints:
        """Index of the layer's one shape, and of its copies, that holds everything else; empty if none."""
        areas = self.areas[id(layer)]
        others = self._areas_of([other for other in self.sketch.layers.values() if other is not layer])
        total = shapely.total_bounds(np.concatenate((areas, others)))
        reaches = np.all(np.abs(shapely.bounds(areas) - total) <= _EDGE_TOLERANCE_MM, axis=1)
        widest = np.flatnonzero(reaches)
        rest = np.concatenate((areas[~reaches], others))
        if not widest.size or not _are_copies(areas[widest]) or not _holds(areas[widest[0]], rest):
            return widest[:0]
        return widest

    def _refuse_an_edge_among(self, layer: SketchLayer) -> None:
        """Refuse channels under a plain shape that many of them lie in, but not all of the drawing."""
        areas = self.areas[id(layer)]
        largest = int(np.argmax(shapely.area(shapely.envelope(areas))))
        if len(areas) < _FEW or not _is_plain(areas[largest]):
            return
        edge = Polygon(areas[largest].geoms[0].exterior)
        others = np.delete(areas, largest)
        others = others[~discs_among(others).is_disc]  # which a chamber may well hold
        shapely.prepare(edge)
        held = np.count_nonzero(shapely.covers(edge, others))
        if held and held >= len(others) / 2:
            self._refuse_split(
                layer,
                f"{layer.shapes[largest].element} lies around {held} other shapes, but not around all: "
                "it could be the chip's edge or a chamber",
            )

    def _split_ports(self, layer: SketchLayer) -> None:
        """Take discs at the ends of channels for ports; they stay round ends of the channels too."""
        discs = discs_among(self.areas[id(layer)])
        at = np.flatnonzero(self._is_hole(discs))
        if not 0 < len(at) <= _MOST_PORTS or len(at) == len(layer.shapes):
            return
        at = concentric(discs, at=at)
        solid = _solid(self.areas[id(layer)], discs)
        _, ends, _ = at_ends(solid, discs.centre[at], discs.diameter[at] / 2.0)
        at = at[ends]
        if not at.size:
            return
        holes = [_as_disc(layer.shapes[i], discs, int(i)) for i in at]
        for i, hole in zip(at, holes, strict=True):
            layer.shapes[i] = hole
        why = f"{len(holes)} discs lie at ends of channels, whose round ends they stay"
        self._put(layer, Role.PORTS, holes, why)
        self.areas[id(layer)] = _areas(layer.shapes)

    def _split_marks(self, layer: SketchLayer) -> None:
        """Take lettering off the layer of channels: rows of small line-like figures of many forms."""
        areas = self.areas[id(layer)]
        if not _FEW < len(areas) <= _MOST_LETTERS:
            return
        figure = _touching(areas)
        box = _boxes(areas, figure)
        side = (box[:, 2:] - box[:, :2]).max(axis=1)
        small = side <= self.sketch.options.lettering.high
        small[figure[discs_among(areas).is_disc]] = False  # which are ports, pads and wells
        if small.all() or np.count_nonzero(small) < _FEW:
            return
        reach = side[:, None] * [-_SPACING, -_SPACING, _SPACING, _SPACING]
        row = np.full(len(small), -1)
        row[small] = _touching(shapely.box(*(box + reach)[small].T))
        area, length = (np.bincount(figure, of(areas)) for of in (shapely.area, shapely.length))
        hull = np.bincount(figure, shapely.area(shapely.convex_hull(areas)))
        for number in range(row.max() + 1):
            its = row == number
            bent = np.count_nonzero(area[its] < _PLAIN * hull[its])
            forms = len(set(np.round(np.log(area[its]) / _SAME_FORM).tolist()))
            line = 2.0 * area[its].sum() / length[its].sum()
            if (
                min(forms, its.sum()) < _FEW
                or 2 * bent < its.sum()
                or line > _LETTER_LINE * np.median(side[its])
            ):
                small[its] = False
        index = np.flatnonzero(small[figure])
        if index.size:
            taken = self._taken_off(layer, index)
            self._put(layer, Role.MARKS, taken, f"{len(taken)} small shapes in rows look like lettering")

    def _put(self, source: SketchLayer, role: Role, shapes: list[Shape], why: str) -> None:
        """Put shapes on a layer of their own."""
        number, name = 1, role.value
        while name in self.sketch.layers:
            number += 1
            name = f"{role.value} {number}"
        self.sketch.layer(name, role).shapes += shapes
        self.areas[id(self.sketch.layers[name])] = _areas(shapes)
        self.sketch.assume(
            f"roles.{name}",
            role.value,
            f"on layer {source.name!r}, {why}; "
            "to change it, draw what has another role on a layer of its own",
            _SOURCE,
        )

    def _refuse(self, why: str) -> NoReturn:
        suggested = ", ".join(f'"{layer.name}": "{self._likely(layer)}"' for layer in self.found[:_LISTED])
        raise LayoutInvalid(
            Fault(
                f"Nothing says which layer holds the channels, and {why}.",
                f"Send `roles` with the layout, such as {{{suggested}}}, or name the layers so "
                f"({roles.accepted_names()}).",
                pointer="#/roles",
                where="layers " + ", ".join(list(self.told.values())[:_LISTED]) + _more(len(self.told)),
            )
        )

    def _likely(self, layer: SketchLayer) -> Role:
        if layer.role is not None:
            return layer.role
        if any(layer is frame for frame in self._frames(list(self.sketch.layers.values()))):
            return Role.OUTLINE
        if self._is_discs(layer):
            return Role.PORTS
        return Role.MARKS if self._is_lettering(layer) else Role.CHANNELS

    def _refuse_split(self, layer: SketchLayer, why: str) -> NoReturn:
        colours = self.sketch.colours_met
        by_colour = f", or give roles by colour ({', '.join(colours[:_LISTED])})" if len(colours) > 1 else ""
        raise LayoutInvalid(
            Fault(
                f"Layer {layer.name!r} holds everything, and {why}.",
                f"Draw channels, ports and outline on layers of their own, named so "
                f"({roles.accepted_names()}){by_colour}.",
                pointer="#/roles",
                where=f"layer {self.told[layer.name]}",
            )
        )


def _areas(shapes: Sequence[Shape]) -> Geometries:
    areas = np.empty(len(shapes), dtype=object)
    areas[:] = [shape.geometry for shape in shapes]
    single = shapely.get_type_id(areas) == shapely.GeometryType.POLYGON
    areas[single] = shapely.multipolygons(areas[single][:, None])
    return areas


def _holds(shape: MultiPolygon, others: Geometries) -> bool:
    """Whether a shape is a plain closed outline, filled or drawn as a line, around all others."""
    if not len(others):
        return False
    boxes, (x_min, y_min, x_max, y_max) = shapely.total_bounds(others), shape.bounds
    reach = _EDGE_TOLERANCE_MM
    inside = x_min - reach <= boxes[0] and y_min - reach <= boxes[1]
    inside = inside and x_max + reach >= boxes[2] and y_max + reach >= boxes[3]
    if not inside or not _is_plain(shape):
        return False
    wide = Polygon(shape.geoms[0].exterior).buffer(_EDGE_TOLERANCE_MM)
    shapely.prepare(wide)
    return bool(shapely.covers(wide, others).all())


def _is_plain(shape: MultiPolygon) -> bool:
    """Whether a shape is one closed outline without bays, filled or drawn as a line."""
    if len(shape.geoms) != 1:
        return False
    edge = Polygon(shape.geoms[0].exterior)
    holes = [Polygon(hole) for hole in shape.geoms[0].interiors]
    is_full = not holes or (len(holes) == 1 and holes[0].area >= _FRAME * edge.area)
    return is_full and edge.area >= _PLAIN * edge.convex_hull.area


def _are_copies(shapes: Geometries) -> bool:
    """Whether shapes are one and the same, drawn several times."""
    boxes, areas = shapely.bounds(shapes), shapely.area(shapes)
    apart = np.ptp(boxes, axis=0).max()
    return bool(apart <= _EDGE_TOLERANCE_MM and np.ptp(areas) <= _SAME_AREA * areas.max())


def _middle(frame: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """The area within the middle of an edge that is drawn as a line; a filled one is its own area."""
    (part,) = shapely.get_parts(frame)
    if not part.interiors:
        return frame
    width = 2.0 * part.area / part.length
    return MultiPolygon([Polygon(part.exterior).buffer(-width / 2.0, join_style="mitre")])


def _as_disc(shape: Shape, discs: Discs, index: int) -> Shape:
    """A disc as it is; for one drawn as a line, the disc within the middle of the line."""
    (part,) = shapely.get_parts(shape.geometry)
    if not part.interiors:
        return shape
    edge = Polygon(part.exterior)
    share = float(discs.diameter[index]) / (2.0 * np.sqrt(edge.area / np.pi))
    disc = affinity.scale(edge, share, share, origin=tuple(discs.centre[index]))
    return replace(shape, geometry=MultiPolygon([disc]))


def _solid(areas: Geometries, discs: Discs) -> Geometries:
    """Areas in which circles drawn as lines are filled."""
    solid = areas.copy()
    for i in np.flatnonzero(discs.is_disc):
        if areas[i].geoms[0].interiors:
            solid[i] = MultiPolygon([Polygon(areas[i].geoms[0].exterior)])
    return solid


def _touching(areas: Geometries) -> Ints:
    """A number per area that is the same for areas that hang together."""
    one, other = shapely.STRtree(areas).query(areas, predicate="intersects")
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(areas), len(areas)))
    group: Ints = connected_components(links, directed=False)[1].astype(np.int64)
    return group


def _boxes(areas: Geometries, group: Ints) -> Floats:
    """Bounds of each group of areas, (groups, 4) mm."""
    bounds = shapely.bounds(areas)
    box = np.full((group.max() + 1, 4), np.inf)
    np.minimum.at(box[:, :2], group, bounds[:, :2])
    np.minimum.at(box[:, 2:], group, -bounds[:, 2:])
    box[:, 2:] *= -1.0
    return box


def _told(layer: SketchLayer, areas: Geometries) -> str:
    x_min, y_min, x_max, y_max = shapely.total_bounds(areas)
    count = len(areas)
    return (
        f"{layer.name!r} ({count} {'shape' if count == 1 else 'shapes'}, "
        f"{x_max - x_min:.4g} × {y_max - y_min:.4g} mm from ({x_min:.4g}, {y_min:.4g}) mm)"
    )


def _more(count: int) -> str:
    return f" and {count - _LISTED} more" if count > _LISTED else ""
