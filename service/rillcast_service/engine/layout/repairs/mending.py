"""The order of repairs, once the whole drawing is known and every layer has its role.

A drawing askew is straightened, a turned layer turned back; then layer by layer shapes drawn twice are
dropped, what overlaps is merged, slivers are removed; last, plane by plane, gaps are bridged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Polygon

from rillcast_service.engine.layout.affine import Matrix, rotation
from rillcast_service.engine.layout.model import RepairKind, Role
from rillcast_service.engine.layout.polygons import JOIN_GRID_MM, on_grid
from rillcast_service.engine.layout.repairs.bridging import Plane
from rillcast_service.engine.layout.repairs.duplicates import first_alike
from rillcast_service.engine.layout.repairs.mends import Mend
from rillcast_service.engine.layout.repairs.merging import crossing_count, merged, united
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes, neighbours
from rillcast_service.engine.layout.repairs.slivers import without_hairs, without_shreds
from rillcast_service.engine.layout.repairs.tilt import tilt_of
from rillcast_service.engine.layout.repairs.turned import moved_by, turn_needed

if TYPE_CHECKING:
    from rillcast_service.engine.layout.sketch import Shape, Sketch, SketchLayer

#: Every shape may touch a few others, as in a drawing that was cut into pieces, before it counts as crossing.
_TOUCHES_EACH = 4


def mend(sketch: Sketch, levels: Mapping[str, int]) -> dict[str, Shapes]:
    """Mend what was drawn, and tell it.

    Args:
        sketch: all that was read; its shapes are moved where the drawing or a layer lies wrongly, and lose
            their twins.
        levels: of every channel layer by its name.

    Returns:
        For every layer in use the polygons that it consists of: valid, none over another.

    Raises:
        LayoutInvalid: something needs a repair that is switched off and cannot do without.
        LayoutTooComplex: the shapes cross too often.
    """
    used = [layer for layer in sketch.layers.values() if layer.role not in (None, Role.IGNORED)]
    for layer in used:
        _settle(layer)
    _straighten(sketch)
    _turn_back(sketch)
    pieces: dict[str, Shapes] = {}
    planes: dict[int, list[SketchLayer]] = {}
    for layer in used:
        _drop_twins(layer, sketch)
        if layer.role is Role.CHANNELS:
            planes.setdefault(levels[layer.name], []).append(layer)
        else:
            pieces |= _plane([layer], sketch)
    for layers in planes.values():
        pieces |= _plane(layers, sketch)
    return pieces


def _settle(layer: SketchLayer) -> None:
    """Put the shapes of a layer on the joining grid; those that were read many at once lie on it."""
    if not layer.shapes:
        return
    drawn = np.array([shape.geometry for shape in layer.shapes], dtype=object)
    placed = on_grid(drawn)
    moved = np.flatnonzero(~shapely.equals_identical(drawn, placed))
    invalid = moved[~shapely.is_valid(placed[moved])]
    placed[invalid] = shapely.set_precision(drawn[invalid], JOIN_GRID_MM)
    for index in moved:
        layer.shapes[index] = replace(layer.shapes[index], geometry=placed[index])


def _straighten(sketch: Sketch) -> None:
    outlines = sketch.with_role(Role.OUTLINE)
    if not sketch.options.mends(RepairKind.TILT) or not any(layer.count for layer in outlines):
        return
    (outline,) = united([np.concatenate([layer.geometries for layer in outlines])])
    if not isinstance(outline, Polygon):
        return
    outline = Polygon(outline.exterior)
    angle = tilt_of(
        outline,
        _shapes(sketch, Role.CHANNELS),
        most_deg=sketch.options.tilt_deg,
        least_mm=sketch.options.flattening_um / 1e3,
    )
    if angle == 0.0:
        return
    degrees, centre = float(np.degrees(angle)), outline.centroid
    for layer in sketch.layers.values():
        _move(layer, rotation(degrees, centre.x, centre.y))
    way = "anticlockwise" if degrees > 0.0 else "clockwise"
    what = f"the whole drawing was turned {way} by {abs(degrees):.3g}°, to lie along the axes"
    mend = Mend(RepairKind.TILT, what, centre.x, centre.y, outline.area, outline.area)
    sketch.tell(mend, outlines[0].name)


def _turn_back(sketch: Sketch) -> None:
    openings, channels = _shapes(sketch, Role.PORTS), _shapes(sketch, Role.CHANNELS)
    if not sketch.options.mends(RepairKind.TURNED_LAYER) or len(openings) == 0:
        return
    outline = _shapes(sketch, Role.OUTLINE)
    drawn = outline if len(outline) else np.concatenate([openings, channels])
    turn = turn_needed(
        openings,
        channels,
        shapely.box(*shapely.total_bounds(drawn)),
        slack_mm=max(sketch.options.gap_um / 1e3, JOIN_GRID_MM),
    )
    if turn is None:
        return
    for layer in sketch.with_role(Role.PORTS if turn.moves_ports else Role.CHANNELS):
        if layer.count:
            _move(layer, turn.to_place)
            area = float(shapely.area(layer.geometries).sum())
            place = shapely.get_parts(layer.geometries)[0]
            what = f"the layer was {turn.what}, so that every port meets a channel"
            sketch.tell(
                Mend.at(place, RepairKind.TURNED_LAYER, what, before_mm2=area, after_mm2=area), layer.name
            )


def _move(layer: SketchLayer, to_place: Matrix) -> None:
    if layer.shapes:
        placed = moved_by(to_place, np.array([shape.geometry for shape in layer.shapes], dtype=object))
        layer.shapes = [
            replace(shape, geometry=area) for shape, area in zip(layer.shapes, placed, strict=True)
        ]
    layer.batches = [replace(batch, polygons=moved_by(to_place, batch.polygons)) for batch in layer.batches]


def _shapes(sketch: Sketch, role: Role) -> Shapes:
    layers = sketch.with_role(role)
    return np.concatenate([np.empty(0, dtype=object), *(layer.geometries for layer in layers)])


def _drop_twins(layer: SketchLayer, sketch: Sketch) -> None:
    """Keep one of the shapes that are drawn several times at one place."""
    if not sketch.options.mends(RepairKind.DUPLICATE) or layer.count < 2:
        return
    shapes = layer.geometries
    firsts = first_alike(shapes)
    if layer.role is Role.PORTS:
        _share_names(layer.shapes, firsts)
    twins = np.flatnonzero(firsts != np.arange(len(shapes)))
    if len(twins) == 0:
        return
    kept, again = np.unique(firsts[twins], return_counts=True)
    for index, more in zip(kept, again, strict=True):
        area = float(shapes[index].area)
        what = f"{layer.element(index)} is drawn {more + 1} times at one place; one was kept"
        sketch.tell(
            Mend.at(shapes[index], RepairKind.DUPLICATE, what, before_mm2=area * (more + 1), after_mm2=area),
            layer.name,
        )
    layer.drop(twins)


def _share_names(ports: list[Shape], firsts: Indices) -> None:
    """Give a port what only its twin states; twins that state different things are two ports."""
    for index, shape in enumerate(ports):
        first = int(firsts[index])
        if first == index:
            continue
        twin = ports[first]
        if {shape.name, twin.name, None} == {shape.name, twin.name} or shape.name == twin.name:
            roles = {role for role in (shape.port_role, twin.port_role) if role is not None}
            if len(roles) <= 1:
                ports[first] = replace(
                    twin, name=twin.name or shape.name, port_role=twin.port_role or shape.port_role
                )
                continue
        firsts[index] = index


def _plane(layers: list[SketchLayer], sketch: Sketch) -> dict[str, Shapes]:
    """The pieces of the channel layers of one level, or of one other layer."""
    parts, owner = shapely.get_parts(
        np.concatenate([layer.geometries for layer in layers]), return_index=True
    )
    layer_of = np.repeat(np.arange(len(layers)), [layer.count for layer in layers])[owner]
    bridged = layers[0].role is Role.CHANNELS and sketch.options.mends(RepairKind.GAP)
    gap_mm = sketch.options.gap_um / 1e3 if bridged else 0.0
    limit = sketch.options.limits.crossings_count
    found = neighbours(parts, reach_mm=gap_mm, at_most=limit + _TOUCHES_EACH * len(parts))
    where = ", ".join(f"layer {layer.name!r}" for layer in layers)
    same_layer = layer_of[found.touching[:, 0]] == layer_of[found.touching[:, 1]]
    touching = found.touching[same_layer]
    crossings = crossing_count(parts, touching, stop_at=limit) if found.complete else len(found.touching)
    if crossings > limit:
        sketch.tally.crossed(crossings, where=where)
    pieces = []
    for number, layer in enumerate(layers):
        inside = np.flatnonzero(layer_of == number)
        pairs = np.searchsorted(inside, touching[layer_of[touching[:, 0]] == number])
        pieces.append(_pieces(layer, parts[inside], pairs, owner[inside], sketch))
    if bridged and gap_mm > 0.0:
        pieces = _bridged(layers, pieces, parts, found.close, sketch)
    return {layer.name: one for layer, one in zip(layers, pieces, strict=True)}


def _pieces(layer: SketchLayer, parts: Shapes, pairs: Indices, owner: Indices, sketch: Sketch) -> Shapes:
    """The parts of one layer, merged and without slivers."""
    start = owner[0] if len(owner) else 0

    def called(members: Indices) -> str:
        return layer.called(np.unique(owner[members] - start))

    one = merged(parts, pairs, called=called)
    told = list(one.mends)
    pieces = one.pieces
    sliver_mm = sketch.options.sliver_um / 1e3
    if sketch.options.mends(RepairKind.SLIVER) and sliver_mm > 0.0:
        pieces, hairs = without_hairs(pieces, sliver_mm=sliver_mm)
        pieces, shreds = without_shreds(pieces, sliver_mm=sliver_mm)
        told += hairs + shreds
    for mend in told:
        sketch.tell(mend, layer.name)
    return pieces


def _bridged(
    layers: list[SketchLayer], pieces: list[Shapes], parts: Shapes, close: Indices, sketch: Sketch
) -> list[Shapes]:
    """The pieces of one plane with the gaps between them bridged, and with those to the ports."""
    gap_mm = sketch.options.gap_um / 1e3
    plane = Plane(pieces)
    plane.bridge(parts, close, gap_mm=gap_mm)
    openings = _shapes(sketch, Role.PORTS)
    if len(openings):
        channels = shapely.STRtree(np.concatenate([*plane.pieces, _shapes(sketch, Role.CHANNELS)]))
        met = channels.query(openings, predicate="dwithin", distance=JOIN_GRID_MM)[0]
        missing = np.delete(openings, np.unique(met))
        holes = [Polygon(part.exterior) for part in shapely.get_parts(missing)]
        plane.reach(holes, gap_mm=gap_mm)
    for layer, mends in zip(layers, plane.mends, strict=True):
        for mend in mends:
            sketch.tell(mend, layer.name)
    if plane.left:
        sketch.assume(
            "gaps",
            f"{plane.left} places left as drawn",
            f"so many channels lie no more than {sketch.options.gap_um:g} µm apart that it is no slip",
            "a slip of the pen does not happen hundreds of times",
        )
    return plane.pieces
