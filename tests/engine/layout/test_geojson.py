"""Layouts as GeoJSON: lengths instead of degrees, layers and ports by properties."""

import json
import math

import pytest
from shapely import Point, box

from rillcast_service.engine.errors import LayoutInvalid, LayoutTooComplex, LayoutUnreadable
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import PortRole, RepairKind, Role

SQUARE = [[[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]]


def feature(kind="Polygon", coordinates=SQUARE, **properties):
    return {
        "type": "Feature",
        "properties": {"layer": "channels", **properties},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def channels(layout):
    return layout.channel_layers[0].geometry


def test_a_whole_chip(read_geojson):
    layout = read_geojson(
        [
            feature(depth_um=150),
            feature(coordinates=[[[-1, -1], [11, -1], [11, 11], [-1, 11], [-1, -1]]], layer="outline"),
            feature("Point", [2, 2], layer="ports", name="sample", bore_mm=1.5),
            feature("Point", [8, 8], layer="ports", name="b", role="outlet", bore_um=1000),
            feature("Point", [8, 8], layer="dimensions"),
        ]
    )
    assert channels(layout).equals(box(0, 0, 10, 10))
    assert layout.channel_layers[0].depth_um == 150.0
    assert layout.outline.bounds == (-1.0, -1.0, 11.0, 11.0)
    assert [(port.name, port.role, port.bore_mm) for port in layout.ports] == [
        ("sample", PortRole.INLET, 1.5),
        ("b", PortRole.OUTLET, 1.0),
    ]
    assert layout.ports[1].centre.distance(Point(8, 8)) < 1e-9
    assert layout.layers[-1].role is Role.IGNORED
    assert layout.source_format == "geojson"


@pytest.mark.parametrize(
    ("units", "side_mm"), [("mm", 10.0), ("um", 0.01), ("µm", 0.01), ("cm", 100.0), ("in", 254.0)]
)
def test_units(read_geojson, units, side_mm):
    document = {"type": "FeatureCollection", "units": units, "features": [feature()]}
    layout = read_geojson(document)
    assert channels(layout).area == pytest.approx(side_mm**2, rel=1e-4)
    assert layout.assumptions == ()


def test_metres_beyond_the_limit(read_geojson, refusal):
    document = {"type": "FeatureCollection", "units": "m", "features": [feature()]}
    assert "10000 mm" in refusal(LayoutTooComplex, read_geojson, document).message


def test_without_units_mm_are_taken_and_told(read_geojson):
    document = {"type": "FeatureCollection", "features": [feature()]}
    layout = read_geojson(document)
    assert channels(layout).area == pytest.approx(100.0)
    assert [assumption.what for assumption in layout.assumptions] == ["unit"]
    assert channels(read_geojson(document, unit="cm")).area == pytest.approx(10_000.0)


def test_one_feature_is_enough(read_geojson):
    assert channels(read_geojson({**feature(), "units": "mm"})).area == pytest.approx(100.0)


@pytest.mark.parametrize("role_key", ["layer", "role"])
def test_a_layer_by_name_or_by_role(read_geojson, role_key):
    plain = feature()
    plain["properties"] = {role_key: "channels"}
    assert read_geojson([plain]).channel_layers[0].name == "channels"


def test_a_stated_role_goes_before_the_name(read_geojson):
    layout = read_geojson([feature(), feature(layer="Level 3", role="marks")])
    assert {layer.name: layer.role for layer in layout.layers} == {
        "channels": Role.CHANNELS,
        "Level 3": Role.MARKS,
    }


def test_the_request_may_name_the_roles(read_geojson):
    layout = read_geojson(
        [feature(layer="L1"), feature(layer="L2", role="channels")], roles={"L1": "channels", "L2": "marks"}
    )
    assert {layer.name: layer.role for layer in layout.layers} == {"L1": Role.CHANNELS, "L2": Role.MARKS}


class TestGeometries:
    def test_holes_and_multipolygons(self, read_geojson):
        hole = [[2, 2], [2, 8], [8, 8], [8, 2], [2, 2]]
        away = [[[20, 0], [21, 0], [21, 1], [20, 1], [20, 0]]]
        layout = read_geojson([feature("MultiPolygon", [[SQUARE[0], hole], away])])
        assert channels(layout).area == pytest.approx(100.0 - 36.0 + 1.0)

    @pytest.mark.parametrize("key", [{"width_mm": 0.2}, {"width_um": 200}])
    def test_lines_become_bands_with_flat_ends_and_round_corners(self, read_geojson, key):
        layout = read_geojson([feature("LineString", [[0, 0], [10, 0], [10, 10]], **key)])
        expected = 2 * 10 * 0.2 - 0.01 + math.pi / 4 * 0.01
        assert channels(layout).area == pytest.approx(expected, rel=1e-3)
        assert channels(layout).bounds == pytest.approx((0.0, -0.1, 10.1, 10.0), abs=1e-3)

    def test_several_lines(self, read_geojson):
        lines = [[[0, 0], [10, 0]], [[0, 5], [10, 5], [10, 5]]]
        assert channels(
            read_geojson([feature("MultiLineString", lines, width_mm=0.2)])
        ).area == pytest.approx(4.0)

    def test_a_closed_line_is_joined_at_its_ends(self, read_geojson):
        layout = read_geojson([feature("LineString", SQUARE[0], width_mm=1)])
        # 4 sides of 10 × 1, with each corner's inner quarter shared and its outer quarter round.
        assert channels(layout).area == pytest.approx(40.0 - 4 * 0.25 + math.pi * 0.25, rel=1e-3)

    def test_a_line_around_the_chip(self, read_geojson):
        layout = read_geojson([feature(), feature("LineString", SQUARE[0], layer="outline", width_mm=0.1)])
        assert layout.outline.area == pytest.approx(100.0)

    @pytest.mark.parametrize("gap", [0.0, 0.004])
    def test_a_line_around_the_chip_needs_no_width(self, read_geojson, gap):
        around = [*SQUARE[0][:-1], [0, gap]]
        layout = read_geojson([feature(), feature("LineString", around, layer="outline")])
        assert layout.outline.area == pytest.approx(100.0)
        assert len(layout.repairs) == (1 if gap else 0)

    def test_several_points(self, read_geojson):
        layout = read_geojson(
            [feature(), feature("MultiPoint", [[2, 2], [5, 5]], layer="ports", name="vent", bore_mm=1)]
        )
        assert [port.name for port in layout.ports] == ["vent", "vent_2"]
        assert {port.role for port in layout.ports} == {PortRole.VENT}

    def test_collections_within_collections(self, read_geojson):
        nested = feature()
        square, line = feature()["geometry"], feature("LineString", [[0, 20], [10, 20]])["geometry"]
        inner = {"type": "GeometryCollection", "geometries": [line]}
        nested["geometry"] = {"type": "GeometryCollection", "geometries": [square, inner]}
        nested["properties"]["width_mm"] = 1.0
        assert channels(read_geojson([nested])).area == pytest.approx(110.0)

    def test_a_flat_height_is_let_pass(self, read_geojson):
        flat = [[[x, y, 0] for x, y in SQUARE[0]]]
        assert channels(read_geojson([feature(coordinates=flat)])).area == pytest.approx(100.0)


class TestRepairs:
    def test_a_polygon_that_crosses_itself(self, read_geojson):
        tie = [[[0, 0], [10, 10], [10, 0], [0, 10], [0, 0]]]
        layout = read_geojson([feature(coordinates=tie, name="tie")])
        (repair,) = layout.repairs
        assert "tie" in repair.what
        assert repair.area_after_mm2 == pytest.approx(50.0)
        assert channels(layout).is_valid
        assert channels(layout).contains(Point(repair.x_mm, repair.y_mm))

    def test_a_ring_that_is_not_closed(self, read_geojson):
        layout = read_geojson([feature(coordinates=[SQUARE[0][:-1]])])
        assert channels(layout).area == pytest.approx(100.0)
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.UNCLOSED
        assert " 10 mm" in repair.what
        assert (repair.x_mm, repair.y_mm, repair.area_after_mm2) == (0.0, 0.0, pytest.approx(100.0))

    def test_a_ring_whose_ends_nearly_meet(self, read_geojson):
        coordinates = [[*SQUARE[0][:-1], [0.003, 0.004]]]
        layout = read_geojson([feature(coordinates=coordinates)])
        assert channels(layout).equals(box(0, 0, 10, 10))
        assert "0.005 mm" in layout.repairs[0].what

    @pytest.mark.parametrize("last", [[], [[0.003, 0.004]]])
    def test_rings_are_not_closed_when_that_is_switched_off(self, read_geojson, refusal, last):
        coordinates = [[*SQUARE[0][:-1], *last]]
        fault = refusal(LayoutInvalid, read_geojson, [feature(coordinates=coordinates)], leave={"unclosed"})
        assert "unclosed" in fault.remedy
        assert "(0, 0) mm" in fault.where

    def test_nothing_to_mend(self, read_geojson):
        assert read_geojson([feature()]).repairs == ()


UNREADABLE = {
    "empty": b"",
    "SVG": b"<svg/>",
    "cut off": b'{"type": "FeatureCollection", "features": [',
    "a list": b"[]",
    "a number": b"3",
    "not UTF-8": b'{"type": "\xff"}',
    "nested too deeply": b'{"a":' * 200_000,
    "lists nested too deeply": b'{"a":' + b"[" * 200_000,
    "a member twice": b'{"type": "FeatureCollection", "features": [], "features": []}',
    "a bare geometry": json.dumps(feature()["geometry"]).encode(),
    "no features": b'{"type": "FeatureCollection"}',
    "a number of too many digits": b'{"type": ' + b"1" * 5_000 + b"}",
}


@pytest.mark.parametrize("data", UNREADABLE.values(), ids=UNREADABLE)
def test_no_geojson(read_geojson, refusal, data):
    refusal(LayoutUnreadable, read_geojson, data)


def test_the_place_of_malformed_json(read_geojson, refusal):
    assert refusal(LayoutUnreadable, read_geojson, b'{\n "type" "x"}').where == "line 2, column 9"


def ring(*points):
    return [[*points, points[0]]]


PROPERTIES = "#/features/0/properties"
COORDINATES = "#/features/0/geometry/coordinates"
POSITION = f"{COORDINATES}/0/1"

UNUSABLE = {
    "no feature": ([3], "#/features/0"),
    "a geometry for a feature": ([feature()["geometry"]], "#/features/0"),
    "no geometry": ([{**feature(), "geometry": None}], "#/features/0/geometry"),
    "no layer": ([{**feature(), "properties": None}], PROPERTIES),
    "a layer without a name": ([feature(layer=" ")], PROPERTIES),
    "properties that are a list": ([{**feature(), "properties": [1]}], PROPERTIES),
    "an unknown kind": ([feature("Circle")], "#/features/0/geometry/type"),
    "a kind that is no word": ([feature(7)], "#/features/0/geometry/type"),
    "no coordinates": ([feature(coordinates=None)], COORDINATES),
    "no rings": ([feature(coordinates=[])], COORDINATES),
    "a ring of two": ([feature(coordinates=ring([0, 0], [1, 1]))], "#/features/0/geometry/coordinates/0"),
    "words for numbers": ([feature(coordinates=ring([0, 0], ["1", 0], [1, 1]))], POSITION),
    "true for a number": ([feature(coordinates=ring([0, 0], [True, 0], [1, 1]))], POSITION),
    "one number": ([feature(coordinates=ring([0, 0], [1], [1, 1]))], POSITION),
    "a height": ([feature(coordinates=ring([0, 0], [1, 0, 5], [1, 1]))], POSITION),
    "infinite": ([feature(coordinates=ring([0, 0], [10**400, 0], [1, 1]))], POSITION),
    "a line without width": ([feature("LineString", [[0, 0], [1, 1]])], PROPERTIES),
    "a line of two widths": ([feature("LineString", [[0, 0], [1, 1]], width_mm=1, width_um=1)], PROPERTIES),
    "a line of no width": ([feature("LineString", [[0, 0], [1, 1]], width_mm=0)], f"{PROPERTIES}/width_mm"),
    "a line of one point": ([feature("LineString", [[0, 0]], width_mm=1)], COORDINATES),
    "a point that is no port": ([feature("Point", [0, 0], bore_mm=1)], COORDINATES),
    "a port without bore": ([feature("Point", [0, 0], layer="ports")], PROPERTIES),
    "a bore in words": ([feature("Point", [0, 0], layer="ports", bore_mm="1")], f"{PROPERTIES}/bore_mm"),
    "an unknown role": ([feature("Point", [0, 0], layer="ports", role="x", bore_mm=1)], f"{PROPERTIES}/role"),
    "no depth": ([feature(depth_um=0)], f"{PROPERTIES}/depth_um"),
    "a depth in words": ([feature(depth_um="deep")], f"{PROPERTIES}/depth_um"),
    "an unknown unit": ({"type": "FeatureCollection", "units": "ell", "features": []}, "#/units"),
    "a unit that is no word": ({"type": "FeatureCollection", "units": 1, "features": []}, "#/units"),
    "degrees": ({"type": "FeatureCollection", "crs": {}, "features": []}, "#/crs"),
    "no channels": ([feature(layer="marks")], None),
    "no features at all": ([], None),
}  # fmt: skip


@pytest.mark.parametrize(("document", "pointer"), UNUSABLE.values(), ids=UNUSABLE)
def test_what_cannot_be_used_is_refused_with_its_place(read_geojson, refusal, document, pointer):
    assert refusal(LayoutInvalid, read_geojson, document).pointer == pointer


@pytest.mark.parametrize("constant", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_coordinates_that_are_no_numbers(read_geojson, refusal, constant):
    data = json.dumps({"type": "FeatureCollection", "features": [feature()]}).replace("10", constant, 1)
    fault = refusal(LayoutInvalid, read_geojson, data.encode())
    assert constant in fault.message or "finite" in fault.message


@pytest.mark.parametrize(
    "document",
    [
        [feature(coordinates=ring([0, 0], [10_000, 0], [0, 1]))],
        [feature(coordinates=ring([0, 0], [400, 0], [0, 1]))],
        [feature("Point", [0, 0], layer="ports", bore_mm=1e9)],
        [feature("LineString", [[0, 0], [1, 1]], width_mm=1e9)],
    ],
)
def test_beyond_the_extent(read_geojson, refusal, document):
    assert "300 mm" in refusal(LayoutTooComplex, read_geojson, document).message


@pytest.mark.parametrize("kind", ["Polygon", "LineString"])
def test_a_scribble(read_geojson, refusal, kind):
    points = [[i * 17 % 50 * 0.2, i * 29 % 53 * 0.2] for i in range(50)]
    coordinates = ring(*points) if kind == "Polygon" else points
    document = [feature(kind, coordinates, width_mm=0.1)]
    fault = refusal(LayoutTooComplex, read_geojson, document, limits=Limits(crossings_count=10))
    assert "crossings" in fault.message
    assert "feature 0" in fault.where


@pytest.mark.parametrize("limit", ["bytes_count", "elements_count", "vertices_count", "nesting_count"])
def test_beyond_a_count(read_geojson, refusal, limit):
    collection = {"type": "GeometryCollection", "geometries": []}
    for _ in range(5):
        collection = {"type": "GeometryCollection", "geometries": [collection]}
    document = [feature(), {**feature(), "geometry": collection}]
    fault = refusal(LayoutTooComplex, read_geojson, document, limits=Limits(**{limit: 4}))
    assert "limit is 4" in fault.message


def test_layers_by_number(read_geojson):
    layout = read_geojson([feature(layer=1), feature(layer=2)], roles={"1": "channels", "2": "marks"})
    assert {layer.name: layer.role for layer in layout.layers} == {"1": Role.CHANNELS, "2": Role.MARKS}


def test_roles_by_colour(read_geojson):
    red = feature(fill="#ff0000")
    blue = {**feature("Point", [2, 2], stroke="#0000ff", bore_mm=1)}
    del red["properties"]["layer"], blue["properties"]["layer"]
    layout = read_geojson([red, blue], roles={"#ff0000": "channels", "#0000ff": "ports"})
    assert {layer.name: layer.role for layer in layout.layers} == {
        "#ff0000": Role.CHANNELS,
        "#0000ff": Role.PORTS,
    }
    assert len(layout.ports) == 1


def test_what_is_wrong_on_a_layer_counts_when_the_layer_does(read_geojson, refusal):
    line = feature("LineString", [[0, 0], [1, 1]], layer="L")
    layout = read_geojson([feature(), line])
    assert layout.layers[1].role is Role.IGNORED
    fault = refusal(LayoutInvalid, read_geojson, [feature(layer="L"), line])
    assert fault.pointer == "#/features/1/properties"


def test_points_with_a_bore_on_a_layer_that_nothing_names(read_geojson):
    bar = [[[0, -0.2], [20, -0.2], [20, 0.2], [0, 0.2], [0, -0.2]]]
    holes = [feature("Point", [x, 0], layer="L", bore_mm=1.5) for x in (0, 20)]
    layout = read_geojson([feature(coordinates=bar), *holes])
    assert {layer.name: layer.role for layer in layout.layers} == {"channels": Role.CHANNELS, "L": Role.PORTS}


def test_a_layers_role_and_a_ports_role_stand_side_by_side(read_geojson):
    hole = feature("Point", [2, 2], layer="Drill", role="ports", port_role="outlet", bore_mm=1.5)
    layout = read_geojson([feature(), hole])
    assert [layer.role for layer in layout.layers] == [Role.CHANNELS, Role.PORTS]
    assert [port.role for port in layout.ports] == [PortRole.OUTLET]


def test_levels_of_layers(read_geojson):
    layout = read_geojson([feature(), feature(layer="channels_low", level=3)])
    assert [layer.level for layer in layout.layers] == [1, 3]


@pytest.mark.parametrize("level", [0, 17, 1.5, "2", True])
def test_a_level_that_cannot_be(read_geojson, refusal, level):
    fault = refusal(LayoutInvalid, read_geojson, [feature(level=level)])
    assert fault.pointer == "#/features/0/properties/level"


@pytest.mark.parametrize("port_role", ["drain pipe", None, "ports"])
def test_a_ports_role_that_cannot_be(read_geojson, refusal, port_role):
    hole = feature("Point", [2, 2], layer="ports", port_role=port_role, bore_mm=1.5)
    if port_role is None:
        assert read_geojson([feature(), hole]).ports[0].role is PortRole.INLET
        return
    fault = refusal(LayoutInvalid, read_geojson, [feature(), hole])
    assert fault.pointer == "#/features/1/properties/port_role"
