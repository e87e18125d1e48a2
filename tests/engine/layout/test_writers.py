"""Writing layouts: what stands in the files, and that what a file cannot say is not lost silently."""

import io
import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from PIL import Image
from resvg_py import svg_to_bytes
from shapely import MultiPolygon, Polygon, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.curves import disc_ring
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import MEDIA_TYPES as READ
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.writers import MEDIA_TYPES, written

SVG = "{http://www.w3.org/2000/svg}"


def disc(x_mm, y_mm, diameter_mm):
    return Polygon(disc_ring(x_mm, y_mm, diameter_mm=diameter_mm, flattening_um=1.0))


CHANNEL = Layer("channels", Role.CHANNELS, MultiPolygon([box(5, 9.9, 25, 10.1)]), depth_um=150.0, level=2)
HOLES = Layer("holes", Role.PORTS, MultiPolygon([disc(5, 10, 1.5), box(24, 9, 26, 11)]))
PORTS = (
    Port("sample", PortRole.INLET, disc(5, 10, 1.5), 1.5),
    Port("waste", PortRole.OUTLET, box(24, 9, 26, 11), 2.256758),
)
CHIP = box(0, 0, 30, 20)
LAYOUT = Layout(
    name="Straight",
    source_format="geojson",
    layers=(CHANNEL, HOLES, Layer("edge", Role.OUTLINE, MultiPolygon([CHIP]))),
    ports=PORTS,
    outline=CHIP,
    flattening_um=1.0,
)


def drawing(layout):
    return ElementTree.fromstring(written(layout, media_type="image/svg+xml"))


def again(layout, media_type):
    data = written(layout, media_type=media_type)
    options = ReadOptions.from_defaults(load().defaults)
    return read(data, media_type=media_type, name="again", options=options)


def test_what_is_written_can_be_read():
    assert set(MEDIA_TYPES) <= set(READ)
    for media_type, form in MEDIA_TYPES.items():
        assert (form.name, form.title) == (READ[media_type].name, READ[media_type].title)
        assert form.suffix == READ[media_type].suffixes[0]


class TestSvg:
    def test_the_sheet_is_the_chip_in_millimetres(self):
        root = drawing(LAYOUT)
        assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("30mm", "20mm", "0 0 30 20")
        assert root.get("data-origin-x-mm") is None

    def test_groups_say_role_depth_and_level(self):
        groups = {group.get("data-name"): group for group in drawing(LAYOUT).iter(f"{SVG}g")}
        assert list(groups) == ["edge", "channels", "holes"]  # what is painted over what
        assert {name: group.get("data-role") for name, group in groups.items()} == {
            "edge": "outline",
            "channels": "channels",
            "holes": "ports",
        }
        assert (groups["channels"].get("data-depth-um"), groups["channels"].get("data-level")) == (
            "150.0",
            "2",
        )
        assert groups["holes"].get("data-level") is None

    def test_round_ports_are_circles_and_others_are_not(self):
        (circle,) = drawing(LAYOUT).iter(f"{SVG}circle")
        assert (circle.get("cx"), circle.get("cy"), circle.get("r")) == ("5", "10", "0.75")
        assert (circle.get("id"), circle.get("data-role")) == ("sample", "inlet")
        assert circle.findtext(f"{SVG}title") == "sample"
        paths = {path.get("id"): path for path in drawing(LAYOUT).iter(f"{SVG}path")}
        assert paths["waste"].get("data-role") == "outlet"

    def test_a_polygon_that_is_almost_round_stays_what_it_is(self):
        oval = Polygon([(x * 1.02, y) for x, y in disc(0, 0, 1.5).exterior.coords])
        port = Port("sample", PortRole.INLET, oval, 1.515)
        assert not list(drawing(replace(LAYOUT, ports=(port,))).iter(f"{SVG}circle"))

    @pytest.mark.parametrize("shift_mm", [-7.5, 500.0])
    def test_a_drawing_away_from_the_origin_says_where_its_sheet_lies(self, shift_mm):
        channel = replace(
            CHANNEL, geometry=MultiPolygon([box(shift_mm, shift_mm, shift_mm + 3, shift_mm + 2)])
        )
        layout = replace(LAYOUT, layers=(channel,), ports=(), outline=None)
        root = drawing(layout)
        assert root.get("viewBox") == "0 0 3 2"
        assert (root.get("data-origin-x-mm"), root.get("data-origin-y-mm")) == (f"{shift_mm:g}",) * 2
        assert again(layout, "image/svg+xml").layers[0].geometry.equals(channel.geometry)

    def test_names_that_are_no_ids_are_kept_beside_them(self):
        port = replace(PORTS[0], name='5 % <in> & "out"')
        root = drawing(replace(LAYOUT, ports=(port, PORTS[1])))
        (circle,) = root.iter(f"{SVG}circle")
        assert circle.get("id") is None
        assert circle.get("data-name") == port.name

    def test_ids_are_there_once(self):
        port = replace(PORTS[0], name="channels")
        ids = re.findall(
            rb' id="([^"]+)"', written(replace(LAYOUT, ports=(port, PORTS[1])), media_type="image/svg+xml")
        )
        assert len(ids) == len(set(ids))
        assert [
            back.name for back in again(replace(LAYOUT, ports=(port, PORTS[1])), "image/svg+xml").ports
        ] == [
            "channels",
            "waste",
        ]

    def test_characters_that_xml_cannot_hold_are_replaced(self):
        assert drawing(replace(LAYOUT, name="chip\x00\x1b")).findtext(f"{SVG}title") == "chip\ufffd\ufffd"

    def test_a_renderer_shows_the_holes(self):
        """Outside check: an independent renderer paints the pillar's place in the chip's colour."""
        pillar = box(10, 5, 20, 15).difference(disc(15, 10, 4))
        layout = replace(
            LAYOUT, layers=(replace(CHANNEL, geometry=MultiPolygon([pillar])), *LAYOUT.layers[2:]), ports=()
        )
        image = _pixels(written(layout, media_type="image/svg+xml"), width=300)
        assert image.getpixel((150, 100)) == (0xEC, 0xE9, 0xE2, 255)
        assert image.getpixel((110, 100)) == (0x3F, 0x73, 0xA5, 255)
        assert image.getpixel((20, 20)) == (0xEC, 0xE9, 0xE2, 255)


def _pixels(data, *, width):
    picture = svg_to_bytes(svg_string=data.decode(), width=width, dpi=96)
    return Image.open(io.BytesIO(bytes(picture))).convert("RGBA")


class TestGeoJson:
    def test_features_say_layer_role_depth_level_and_port(self):
        document = json.loads(written(LAYOUT, media_type="application/geo+json"))
        assert (document["type"], document["units"], document["name"]) == (
            "FeatureCollection",
            "mm",
            "Straight",
        )
        assert [feature["properties"] for feature in document["features"]] == [
            {"layer": "channels", "role": "channels", "depth_um": 150.0, "level": 2},
            {"layer": "holes", "role": "ports", "name": "sample", "port_role": "inlet", "bore_mm": 1.5},
            {"layer": "holes", "role": "ports", "name": "waste", "port_role": "outlet", "bore_mm": 2.256758},
            {"layer": "edge", "role": "outline"},
        ]

    def test_rings_turn_as_the_standard_says(self):
        """RFC 7946, §3.1.6: an exterior ring is counterclockwise, and holes are clockwise."""
        frame = MultiPolygon([box(0, 0, 9, 9).difference(box(3, 3, 6, 6))])
        document = json.loads(
            written(
                replace(LAYOUT, layers=(replace(CHANNEL, geometry=frame),)), media_type="application/geo+json"
            )
        )
        outer, hole = document["features"][0]["geometry"]["coordinates"]
        assert Polygon(outer).exterior.is_ccw
        assert not Polygon(hole).exterior.is_ccw


class TestWhatLiesOnNoLayer:
    """Ports of a request, guessed ones and an outline that no layer drew are in the file all the same."""

    @pytest.mark.parametrize("media_type", set(MEDIA_TYPES) - {"application/wkt"})
    def test_ports_and_outline_get_layers_of_their_own(self, media_type):
        back = again(replace(LAYOUT, layers=(CHANNEL,)), media_type)
        assert [(layer.name, layer.role) for layer in back.layers if layer.name != "channels"] == [
            ("outline", Role.OUTLINE),
            ("ports", Role.PORTS),
        ]
        assert {port.name: port.role for port in back.ports} == {port.name: port.role for port in PORTS}

    def test_their_layers_take_no_name_that_is_there(self):
        taken = replace(CHANNEL, name="ports")
        back = again(replace(LAYOUT, layers=(taken,), outline=None), "application/geo+json")
        assert [(layer.name, layer.role) for layer in back.layers] == [
            ("ports", Role.CHANNELS),
            ("ports 2", Role.PORTS),
        ]

    def test_a_ring_drawn_for_a_port_stays_a_ring(self):
        ring = disc(5, 10, 3).difference(disc(5, 10, 1.5))
        holes = replace(HOLES, geometry=MultiPolygon([ring]))
        port = Port("sample", PortRole.INLET, disc(5, 10, 3), 3.0)
        back = again(
            replace(LAYOUT, layers=(CHANNEL, holes), ports=(port,), outline=None), "application/geo+json"
        )
        assert back.layers[1].geometry.area == pytest.approx(ring.area, rel=1e-6)
        assert back.ports[0].bore_mm == pytest.approx(3.0, abs=1e-5)

    def test_layers_that_are_not_used_or_hold_nothing_are_left_out(self):
        layers = (
            CHANNEL,
            Layer("notes", Role.IGNORED, MultiPolygon(), shapes=3),
            Layer("marks", Role.MARKS, MultiPolygon()),
        )
        back = again(replace(LAYOUT, layers=layers, ports=(), outline=None), "image/svg+xml")
        assert [layer.name for layer in back.layers] == ["channels"]
