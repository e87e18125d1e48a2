"""A layout that is written and read again is the same: in every format, and from format to format."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Geometry, MultiPolygon, Polygon, affinity, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.curves import disc_ring
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.layout.options import MAX_LEVEL, ReadOptions
from rillcast_service.engine.layout.polygons import joined
from rillcast_service.engine.layout.ports import bore_mm
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.writers import MEDIA_TYPES, written

OPTIONS = ReadOptions.from_defaults(load().defaults)

#: Formats that hold shapes and nothing else.
BARE = {"application/wkt"}
WHOLE = sorted(set(MEDIA_TYPES) - BARE)

#: Coordinates are written to 1 nm, and rounded once more when a layer is joined.
RESOLUTION_MM = 2.0e-6
#: A round port is written as a circle where the format has one, and read as a polygon of the same area.
ROUND_MM = 2.0 * OPTIONS.flattening_um / 1e3

#: Shapes lie on a grid of this, so that nothing is so thin or so near that it would be mended.
STEP_MM = 0.1
CELL_MM = 4.0


# --- layouts ----------------------------------------------------------------------------------------

#: What people call layers and ports, in any script; what no file holds (control characters) left out.
names = (
    st.text(st.characters(exclude_categories=("Cc", "Cs", "Cn", "Zl", "Zp", "Co")), min_size=1, max_size=20)
    .map(str.strip)
    .filter(bool)
)


def on_grid(low: float, high: float) -> st.SearchStrategy[float]:
    """A length in whole steps."""
    return st.integers(round(low / STEP_MM), round(high / STEP_MM)).map(lambda steps: steps * STEP_MM)


@st.composite
def bars(draw: st.DrawFn) -> Polygon:
    """A straight piece of channel."""
    x, y = draw(on_grid(-20, 60)), draw(on_grid(-20, 60))
    return box(x, y, x + draw(on_grid(0.2, 20)), y + draw(on_grid(0.2, 20)))


@st.composite
def frames(draw: st.DrawFn) -> Polygon:
    """A chamber with a square or a round pillar in it."""
    x, y, side = draw(on_grid(-20, 60)), draw(on_grid(-20, 60)), draw(on_grid(2, 10))
    middle = x + side / 2, y + side / 2
    half = side / 4
    pillar = draw(
        st.sampled_from(
            [
                box(middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half),
                Polygon(disc_ring(*middle, diameter_mm=2 * half, flattening_um=OPTIONS.flattening_um)),
            ]
        )
    )
    return box(x, y, x + side, y + side).difference(pillar)


def turned(shapes: Iterable[Polygon], angle: float) -> MultiPolygon:
    """Shapes as a layer holds them, the drawing turned about its origin by an angle in degrees."""
    return joined([affinity.rotate(shape, angle, origin=(0, 0)) for shape in shapes])


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """A layout with one to three channel layers, and ports, outline and marks where it has them."""
    angle = draw(st.sampled_from([0.0, 0.0, 90.0]) | st.floats(10.0, 80.0))
    labels = iter(draw(st.lists(names, min_size=7, max_size=7, unique=True)))
    ports, pads = draw(some_ports(angle))
    layers = [
        Layer(
            name=next(labels),
            role=Role.CHANNELS,
            geometry=turned([*draw(st.lists(bars() | frames(), min_size=1, max_size=5)), *pads], angle),
            depth_um=draw(st.none() | st.floats(0.1, 20_000)),
            level=draw(st.integers(1, MAX_LEVEL)),
        )
        for _ in range(draw(st.integers(1, 3)))
    ]
    if ports:
        openings = joined([port.opening for port in ports])
        layers.append(Layer(next(labels), Role.PORTS, openings, shapes=len(ports)))
    if draw(st.booleans()):
        layers.append(Layer(next(labels), Role.MARKS, turned(draw(st.lists(bars(), min_size=1)), angle)))
    outline = None
    if draw(st.booleans()):
        (outline,) = turned([box(-25, -25, 85, 85)], angle).geoms
        layers.append(Layer(next(labels), Role.OUTLINE, MultiPolygon([outline])))
    if draw(st.booleans()):
        layers.append(Layer(next(labels), Role.IGNORED, MultiPolygon(), shapes=3))
    return Layout(
        name=draw(names),
        source_format="geojson",
        layers=tuple(draw(st.permutations(layers))),
        ports=ports,
        outline=outline,
        flattening_um=OPTIONS.flattening_um,
    )


@st.composite
def some_ports(draw: st.DrawFn, angle: float) -> tuple[tuple[Port, ...], list[Polygon]]:
    """Round and square ports, each in a cell of its own so that none overlap, and a channel pad each."""
    cells = draw(st.lists(st.tuples(st.integers(-5, 14), st.integers(-5, 14)), max_size=4, unique=True))
    labels = draw(st.lists(names, min_size=len(cells), max_size=len(cells), unique=True))
    ports, pads = [], []
    for (column, row), label in zip(cells, labels, strict=True):
        x, y, size = column * CELL_MM, row * CELL_MM, draw(on_grid(0.3, 3.0))
        pads.append(shape := box(x - size / 2, y - size / 2, x + size / 2, y + size / 2))
        if draw(st.booleans()):
            shape = Polygon(disc_ring(x, y, diameter_mm=size, flattening_um=OPTIONS.flattening_um))
        (opening,) = turned([shape], angle).geoms
        role = draw(st.sampled_from(list(PortRole)))
        ports.append(Port(name=label, role=role, opening=opening, bore_mm=bore_mm(opening)))
    return tuple(ports), pads


# --- the same ---------------------------------------------------------------------------------------


def again(layout: Layout, media_type: str) -> Layout:
    """A layout written and read, with no word about it from the reader's side."""
    data = written(layout, media_type=media_type)
    return read(data, media_type=media_type, name=layout.name, options=OPTIONS)


def same_shape(one: Geometry, other: Geometry, within_mm: float) -> None:
    """Every point of either edge near the other edge, and no more area than that between them."""
    assert shapely.hausdorff_distance(one.boundary, other.boundary) <= within_mm
    assert one.symmetric_difference(other).area <= within_mm * (one.length + other.length)


def about(layout: Layout) -> dict[str, Any]:
    """What the used layers say of themselves."""
    return {
        layer.name: (layer.role, layer.depth_um, layer.level)
        for layer in layout.layers
        if layer.role is not Role.IGNORED
    }


def same(one: Layout, other: Layout) -> None:
    """Layers, ports and outline are the same."""
    assert about(other) == about(one)
    geometries = {layer.name: layer.geometry for layer in other.layers}
    for layer in one.layers:
        if layer.role is not Role.IGNORED:
            ports = layer.role is Role.PORTS
            same_shape(layer.geometry, geometries[layer.name], ROUND_MM if ports else RESOLUTION_MM)
    assert {port.name: port.role for port in other.ports} == {port.name: port.role for port in one.ports}
    read_ports = {port.name: port for port in other.ports}
    for port in one.ports:
        back = read_ports[port.name]
        same_shape(port.opening, back.opening, ROUND_MM)
        assert math.isclose(back.bore_mm, port.bore_mm, abs_tol=4 * RESOLUTION_MM)
        assert port.centre.distance(back.centre) <= RESOLUTION_MM
    assert (other.outline is None) == (one.outline is None)
    if one.outline is not None and other.outline is not None:
        same_shape(one.outline, other.outline, RESOLUTION_MM)
    assert other.repairs == ()


# --- drawings in a hurry ----------------------------------------------------------------------------


def feature(layer: str, ring: list[tuple[float, float]]) -> dict[str, Any]:
    geometry = {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
    return {"type": "Feature", "properties": {"layer": layer}, "geometry": geometry}


@st.composite
def hasty_drawings(draw: st.DrawFn) -> bytes:
    """Bars, some of which cross themselves, are drawn twice, nearly meet, lie over others, or are hairs."""
    features = []
    for row in range(draw(st.integers(1, 4))):
        y, length = 5.0 * row, draw(on_grid(2, 20))
        bar = [(0.0, y), (length, y), (length, y + 0.4), (0.0, y + 0.4)]
        features.append(feature("channels", bar))
        match draw(st.sampled_from(["twice", "tie", "gap", "over", "hair", "plain"])):
            case "twice":
                features.append(feature("channels", bar))
            case "tie":
                tie = [(0.0, y + 1), (length, y + 3), (length, y + 1), (0.0, y + 3)]
                features.append(feature("channels", tie))
            case "gap":
                end = length + draw(st.integers(1, 4)) / 1e3
                features.append(
                    feature("channels", [(end, y), (end + 3, y), (end + 3, y + 0.4), (end, y + 0.4)])
                )
            case "over":
                features.append(feature("channels", [(1.0, y - 1), (1.4, y - 1), (1.4, y + 2), (1.0, y + 2)]))
            case "hair":
                top = y + 2.0
                features.append(
                    feature("channels", [(0.0, top), (length, top), (length, top + 3e-4), (0.0, top + 3e-4)])
                )
    collection = {"type": "FeatureCollection", "units": "mm", "features": features}
    return json.dumps(collection).encode()


calm = settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.mark.parametrize("media_type", WHOLE)
@calm
@given(layout=layouts())
def test_a_format_gives_back_what_was_written(media_type, layout):
    same(layout, again(layout, media_type))


@calm
@given(layout=layouts(), order=st.permutations(WHOLE))
def test_from_format_to_format_nothing_changes(layout, order):
    passed_on = layout
    for media_type in order:
        passed_on = again(passed_on, media_type)
    same(layout, passed_on)


@calm
@given(layout=layouts())
def test_bare_shapes_are_the_shapes_of_all_layers(layout):
    data = written(layout, media_type="application/wkt")
    options = replace(OPTIONS, roles={"wkt": "channels"}, leave=frozenset({"gap", "sliver"}))
    (back,) = read(data, media_type="application/wkt", name=layout.name, options=options).channel_layers
    same_shape(joined([layer.geometry for layer in layout.layers]), back.geometry, RESOLUTION_MM)


@calm
@given(data=hasty_drawings(), media_type=st.sampled_from(WHOLE))
def test_a_mended_drawing_needs_no_more_mending(data, media_type):
    mended = read(data, media_type="application/geo+json", name="chip", options=OPTIONS)
    same(mended, again(mended, media_type))


@pytest.mark.parametrize("media_type", MEDIA_TYPES)
@calm
@given(layout=layouts())
def test_the_same_layout_is_the_same_file(media_type, layout):
    assert written(layout, media_type=media_type) == written(layout, media_type=media_type)
