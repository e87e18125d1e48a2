"""DXF drawings as a whole: units, layers, colours, blocks, what is no shape, damaged files, writing."""

import io
import math
import time

import ezdxf
import pytest
from dxf_tags import (
    arc,
    at,
    bar,
    block,
    circle,
    drawing,
    entity,
    insert,
    layer,
    lines,
    polyline,
    tags,
)
from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import (
    LayoutInvalid,
    LayoutTooComplex,
    LayoutUnitsMissing,
    LayoutUnreadable,
)
from rillcast_service.engine.layout.curves import disc_ring
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.writers import written

DEFAULTS = load().defaults
DXF = "image/vnd.dxf"
BAR = bar(0, 0, 4, 1)


def reading(data, **options):
    given = ReadOptions.from_defaults(DEFAULTS, **options)
    return read(data, media_type=DXF, name="test", options=given)


def fault_of(kind, data, **options):
    with pytest.raises(kind) as caught:
        reading(data, **options)
    assert type(caught.value) is kind
    return caught.value.faults[0]


def areas(layout):
    return {layer.name: round(layer.geometry.area, 4) for layer in layout.layers if layer.geometry.area}


def reasons(layout):
    return [f"{assumption.value} because {assumption.why}" for assumption in layout.assumptions]


class TestUnits:
    # Source: DXF Reference, $INSUNITS; lengths: international yard and pound agreement (1959), SI prefixes.
    @pytest.mark.parametrize(
        ("code", "mm"),
        [
            (1, 25.4), (2, 304.8), (3, 1609344.0), (4, 1.0), (5, 10.0), (6, 1e3), (7, 1e6), (8, 25.4e-6),
            (9, 0.0254), (10, 914.4), (11, 1e-7), (12, 1e-6), (13, 1e-3), (14, 100.0), (15, 1e4), (16, 1e5),
            (17, 1e12), (18, 149597870700e3), (19, 9460730472580800e3), (20, 3.0856775814913673e19),
            (21, 1200 / 3937 * 1e3), (22, 100 / 3937 * 1e3), (23, 3600 / 3937 * 1e3),
            (24, 5280 * 1200 / 3937 * 1e3),
        ],
    )  # fmt: skip
    def test_every_unit_of_the_header(self, code, mm):
        found = reading(drawing(bar(0, 0, 8 / mm, 2 / mm), units=code))
        assert found.channel_layers[0].geometry.area == pytest.approx(16.0, rel=1e-6)

    @pytest.mark.parametrize("units", [0, None, 99, -1])
    def test_no_unit(self, units):
        fault = fault_of(LayoutUnitsMissing, drawing(BAR, units=units))
        assert "4 × 1 mm" in fault.message
        assert "inch" in fault.message
        assert ("has no $INSUNITS" in fault.message) is (units is None)

    @pytest.mark.parametrize(("code", "word"), [(0, "imperial"), (1, "metric")])
    def test_measurement_is_no_more_than_a_hint(self, code, word):
        header = tags((9, "$MEASUREMENT"), (70, code))
        assert word in fault_of(LayoutUnitsMissing, drawing(BAR, units=0, header=header)).message

    def test_the_request_names_the_unit(self):
        layout = reading(drawing(BAR, units=0), unit="cm")
        assert areas(layout) == {"channels": 400.0}
        assert any("the request's was taken" in reason for reason in reasons(layout))

    def test_the_drawing_goes_first(self):
        layout = reading(drawing(BAR), unit="in")
        assert areas(layout) == {"channels": 4.0}
        assert any("goes before" in reason for reason in reasons(layout))

    def test_a_wrong_unit_breaks_the_limit_of_size(self):
        assert "wafer" not in (fault := fault_of(LayoutTooComplex, drawing(BAR, units=6))).message
        assert "4000 mm" in fault.message
        assert "unit" in fault.remedy


class TestLayers:
    def test_names_tell_roles_and_off_and_frozen_layers_are_left_out(self):
        table = layer("spare", colour=-3) + layer("old", flags=1)
        shapes = BAR + circle((2, 5), 1, layer="spare") + circle((2, 9), 1, layer="old")
        layout = reading(drawing(shapes, bar(-1, -1, 9, 9, layer="outline"), layers=table))
        assert areas(layout) == {"channels": 4.0, "outline": 81.0}
        assert any("switched off" in reason for reason in reasons(layout))
        assert any("frozen" in reason for reason in reasons(layout))

    def test_what_is_invisible_or_never_plotted_is_left_out(self):
        shapes = circle((2, 5), 1, (60, 1)) + circle((2, 9), 1, layer="Defpoints")
        layout = reading(drawing(BAR, shapes))
        assert areas(layout) == {"channels": 4.0}
        assert len([reason for reason in reasons(layout) if "left out" in reason]) == 2

    def test_names_are_told_apart_as_the_format_does(self):
        layout = reading(drawing(BAR, bar(9, 0, 4, 1, layer="CHANNELS"), layers=layer("Channels")))
        assert areas(layout) == {"Channels": 8.0}

    def test_letters_written_by_number(self):
        # Source: DXF Reference, "Formatting of text": \U+nnnn is a letter by its Unicode number.
        layout = reading(drawing(bar(0, 0, 4, 1, layer="Kan\\U+00E4le")), roles={"Kanäle": "channels"})
        assert areas(layout) == {"Kanäle": 4.0}

    def test_ports(self):
        layout = reading(drawing(BAR, circle((0, 0.5), 0.75, layer="inlets")))
        (port,) = layout.ports
        assert port.bore_mm == pytest.approx(1.5, abs=2e-3)
        assert port.role is PortRole.INLET


class TestColours:
    RED = (62, 1)

    def test_by_index(self):
        layout = reading(drawing(BAR, bar(9, 0, 2, 1, self.RED, layer="x")), roles={"#ff0000": "channels"})
        assert areas(layout)["#ff0000"] == 2.0

    def test_by_true_colour(self):
        data = drawing(BAR, bar(9, 0, 2, 1, (420, 0x12AB9F), layer="x"))
        assert areas(reading(data, roles={"#12ab9f": "channels"}))["#12ab9f"] == 2.0

    @pytest.mark.parametrize(
        "row",
        [layer("x", colour=1), layer("x", colour=7, true_colour=0xFF0000)],
        ids=["index", "true colour"],
    )
    def test_by_layer(self, row):
        data = drawing(bar(0, 0, 2, 1, layer="x"), bar(9, 0, 1, 1, (62, 3), layer="x"), layers=row)
        assert areas(reading(data, roles={"#ff0000": "channels"}))["#ff0000"] == 2.0

    def test_by_block(self):
        inside = block("a", bar(0, 0, 2, 1, (62, 0), layer="x"))
        data = drawing(insert("a", (0, 0), self.RED, layer="y"), blocks=inside)
        assert areas(reading(data, roles={"#ff0000": "channels"})) == {"#ff0000": 2.0}

    @pytest.mark.parametrize("colour", ["#000000", "#ffffff"])
    def test_colour_7_is_black_and_white(self, colour):
        data = drawing(bar(0, 0, 2, 1, (62, 7), layer="x"))
        assert areas(reading(data, roles={colour: "channels"})) == {colour: 2.0}

    def test_the_name_of_the_layer_goes_first(self):
        data = drawing(BAR, bar(9, 0, 2, 1, self.RED, layer="rim"))
        layout = reading(data, roles={"#ff0000": "channels", "rim": "outline"})
        assert areas(layout) == {"channels": 4.0, "rim": 2.0}

    def test_a_colour_that_the_drawing_does_not_have(self):
        fault = fault_of(LayoutInvalid, drawing(BAR), roles={"#00ff00": "channels"})
        assert "#00ff00" in fault.message


class TestBlocks:
    ELL = block("ell", polyline((0, 0), (3, 0), (3, 1), (1, 1), (1, 2), (0, 2), layer="0"), base=(1, 0))

    def found(self, *pairs, place=(10.0, 20.0)):
        return reading(drawing(insert("ell", place, *pairs), blocks=self.ELL)).channel_layers[0].geometry

    def test_base_point_and_place(self):
        assert self.found().bounds == (9, 20, 12, 22)

    def test_turned_and_scaled(self):
        # Scaled first, then turned: the scaled x axis points up.
        found = self.found((41, 2.0), (42, 3.0), (50, 90.0))
        assert found.area == pytest.approx(4 * 6)
        assert found.bounds == pytest.approx((4, 18, 10, 24))

    def test_mirrored(self):
        found = self.found((41, -1.0))
        assert found.bounds == (8, 20, 11, 22)
        assert found.contains(Point(10.9, 21.5))

    def test_seen_from_below(self):
        assert self.found((210, 0.0), (220, 0.0), (230, -1.0)).bounds == (-12, 20, -9, 22)

    def test_array(self):
        found = self.found((70, 3), (71, 2), (44, 5.0), (45, 4.0))
        assert len(found.geoms) == 6
        assert found.area == pytest.approx(24)
        assert found.bounds == (9, 20, 22, 26)

    def test_turned_array_turns_its_grid(self):
        found = self.found((70, 3), (44, 5.0), (50, 90.0))
        assert found.bounds == pytest.approx((8, 19, 10, 32))

    def test_nested(self):
        outer = block(
            "outer", insert("ell", (1, 0), layer="0"), insert("ell", (1, 5), (50, 180.0), layer="0")
        )
        data = drawing(insert("outer", (0, 0), (41, 2.0), (42, 2.0)), blocks=self.ELL + outer)
        found = reading(data).channel_layers[0].geometry
        assert found.area == pytest.approx(2 * 4 * 4)

    def test_curves_in_an_enlarged_block_keep_the_flattening(self):
        data = drawing(
            insert("disc", (0, 0), (41, 1e3), (42, 1e3)), blocks=block("disc", circle((0, 0), 5e-3))
        )
        ring = reading(data).channel_layers[0].geometry.geoms[0].exterior
        strays = [abs(math.hypot(x, y) - 5) for x, y in ring.segmentize(0.01).coords]
        assert max(strays) <= 1e-3 + 2e-6

    def test_a_circle_in_a_stretched_block_is_an_ellipse(self):
        data = drawing(insert("disc", (0, 0), (41, 4.0)), blocks=block("disc", circle((0, 0), 1)))
        found = reading(data, flattening_um=0.1).channel_layers[0].geometry
        assert found.area == pytest.approx(4 * math.pi, abs=2e-3)

    def test_what_lies_on_other_layers_stays_there(self):
        inside = block("a", bar(0, 0, 2, 1, layer="0"), circle((5, 5), 1, layer="notes"))
        layout = reading(drawing(insert("a"), blocks=inside))
        assert areas(layout) == {"channels": 2.0}

    def test_a_block_on_a_frozen_layer_is_not_seen_and_on_one_that_is_off_it_is(self):
        inside = block("a", bar(0, 0, 2, 1))
        table = layer("spare", colour=-3) + layer("old", flags=1)
        placed = insert("a", (0, 9), layer="spare") + insert("a", (0, 20), layer="old")
        layout = reading(drawing(BAR, placed, blocks=inside, layers=table))
        assert areas(layout) == {"channels": 6.0}

    def test_arrays_are_counted_before_they_are_made(self):
        data = drawing(insert("ell", (0, 0), (70, 30000), (71, 30000), (44, 5.0)), blocks=self.ELL)
        assert "elements" in fault_of(LayoutTooComplex, data).message

    def test_a_block_in_itself(self):
        data = drawing(insert("a"), blocks=block("a", insert("b")) + block("b", insert("a")))
        assert "holds itself" in fault_of(LayoutInvalid, data).message

    def test_a_missing_block(self):
        assert "'gone' does not exist" in fault_of(LayoutInvalid, drawing(BAR, insert("gone"))).message

    def test_a_block_of_another_file(self):
        data = drawing(BAR, insert("x"), blocks=block("x", flags=4, path="other.dwg"))
        fault = fault_of(LayoutInvalid, data)
        assert "another file" in fault.message
        assert "Bind" in fault.remedy


class TestWhatIsNoShape:
    TEXT = entity("TEXT", *at((0, 0, 0)), (40, 1.0), (1, "inlet"))

    @pytest.mark.parametrize(
        ("kind", "words"),
        [
            ("TEXT", "text"),
            ("MTEXT", "text"),
            ("3DSOLID", "body"),
            ("REGION", "body"),
            ("MLINE", "multiline"),
            ("HELIX", "curve in space"),
            ("NEWKIND", "not read"),
        ],
    )
    def test_it_is_refused_by_name(self, kind, words):
        pairs = [*at((0, 0, 0)), (40, 1.0), (1, "inlet")] if "TEXT" in kind else []
        pairs = pairs or [(100, "AcDbSpline" if kind == "HELIX" else "AcDbModelerGeometry")]
        fault = fault_of(LayoutInvalid, drawing(BAR, entity(kind, *pairs)))
        assert fault.message.startswith(kind)
        assert words in fault.message
        assert "notes" in fault.remedy
        assert "layer 'channels'" in fault.where

    def test_pictures_and_bodies_that_a_library_writes(self):
        document = ezdxf.new("R2010", units=4)
        model = document.modelspace()
        picture = document.add_image_def("chip.png", (9, 9))
        made = [
            lambda: model.add_image(picture, (0, 0), (1, 1)),
            lambda: model.add_wipeout([(0, 0), (1, 1)]),
            lambda: mesh_of(model),
        ]
        for make, kind in zip(made, ("IMAGE", "WIPEOUT", "MESH"), strict=True):
            shape = make()
            shape.dxf.layer = "channels"
            fault = fault_of(LayoutInvalid, text_of(document))
            assert fault.message.startswith(f"{kind} is a ")
            assert f"{kind} {shape.dxf.handle}" in fault.where
            model.delete_entity(shape)

    def test_on_notes_it_is_left_out(self):
        layout = reading(drawing(BAR, self.TEXT.replace("channels", "notes")))
        assert areas(layout) == {"channels": 4.0}
        assert any(a.what == "roles.notes" and a.value == "ignored" for a in layout.assumptions)

    @pytest.mark.parametrize("kind", ["DIMENSION", "LEADER", "TOLERANCE", "XLINE", "RAY", "POINT", "ATTDEF"])
    def test_it_is_left_out_and_told(self, kind):
        layout = reading(drawing(BAR, entity(kind, (100, "AcDbLeader"), *at((0, 0, 0)), (2, "x"))))
        assert areas(layout) == {"channels": 4.0}
        assert any(kind in reason for reason in reasons(layout))

    def test_texts_of_a_block(self):
        attribute = entity("ATTRIB", *at((0, 0, 0)), (40, 1.0), (1, "A1"), (2, "NUMBER"), (70, 0))
        placed = insert("a", (0, 0), (66, 1)) + attribute + tags((0, "SEQEND"))
        fault = fault_of(LayoutInvalid, drawing(placed, blocks=block("a", bar(0, 0, 1, 1))))
        assert fault.message.startswith("ATTRIB")

    def test_mesh(self):
        mesh = entity("POLYLINE", (66, 1), (70, 16), (71, 2), (72, 2)) + tags((0, "SEQEND"))
        assert "mesh" in fault_of(LayoutInvalid, drawing(BAR, mesh)).message

    def test_paper_space(self):
        document = ezdxf.new(units=4)
        document.modelspace().add_lwpolyline([(0, 0), (4, 0), (4, 1)], close=True, dxfattribs={"layer": "ch"})
        document.paperspace().add_circle((0, 0), 1, dxfattribs={"layer": "ch"})
        layout = reading(text_of(document))
        assert areas(layout) == {"ch": 2.0}
        assert any("paper space" in reason for reason in reasons(layout))

    def test_a_drawing_of_nothing(self):
        assert "No layer holds channels" in fault_of(LayoutInvalid, drawing()).message

    def test_open_lines_name_layer_and_places(self):
        fault = fault_of(LayoutInvalid, drawing(lines((0, 0), (4, 0)), arc((9, 9), 1, 0, 90)))
        assert fault.message == "2 open lines without width enclose no area."
        assert "layer 'channels'" in fault.where
        assert "from (0, 0) to (4, 0)" in fault.where
        assert "from (10, 9) to (9, 10)" in fault.where


def text_of(document):
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode()


def mesh_of(model):
    mesh = model.add_mesh()
    with mesh.edit_data() as body:
        body.vertices, body.faces = [(0, 0, 0), (1, 0, 0), (0, 1, 0)], [(0, 1, 2)]
    return mesh


class TestFiles:
    @pytest.mark.parametrize("version", ["R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018"])
    @pytest.mark.parametrize("binary", [False, True], ids=["text", "binary"])
    def test_versions(self, version, binary):
        document = ezdxf.new(version, units=4)
        model = document.modelspace()
        model.add_circle((3, 4), 2, dxfattribs={"layer": "channels"})
        if version == "R12":
            document.header["$INSUNITS"] = 4
        stream = io.BytesIO()
        if binary:
            document.write(stream, fmt="bin")
        data = stream.getvalue() if binary else text_of(document)
        layout = reading(data, unit="mm" if version == "R12" else None, flattening_um=0.1)
        assert layout.channel_layers[0].geometry.area == pytest.approx(4 * math.pi, abs=1e-3)
        assert not any("recovered" in reason for reason in reasons(layout))

    @pytest.mark.parametrize("ends", ["\r\n", "\r"])
    def test_line_ends(self, ends):
        assert areas(reading(drawing(BAR).replace(b"\n", ends.encode()))) == {"channels": 4.0}

    def test_remarks_and_spaces_before_the_first_section(self):
        assert areas(reading(b"\xef\xbb\xbf999\nmade by hand\n  " + drawing(BAR))) == {"channels": 4.0}

    def test_without_an_end_the_drawing_is_read_and_that_is_told(self):
        whole = drawing(BAR)
        layout = reading(whole[: whole.rindex(b"0\nEOF")])
        assert areas(layout) == {"channels": 4.0}
        assert any("end is missing" in reason for reason in reasons(layout))

    def test_cut_off_within_the_drawing(self):
        whole = drawing(BAR, circle((9, 9), 1))
        fault = fault_of(LayoutUnreadable, whole[: whole.index(b"CIRCLE") + 30])
        assert "cut off" in fault.message
        assert "ENTITIES" in fault.message
        assert fault.where.startswith("after line")

    @pytest.mark.parametrize(
        ("sound", "damaged", "says"),
        [
            (b"10\n4\n", b"10\n4mm\n", '"4mm"'),
            (b"0\nENDSEC\n0\nSECTION\n2\nBLOCKS", b"0\nSECTION\n2\nBLOCKS", "ENDSEC"),
        ],
    )
    def test_a_damaged_file_is_recovered_and_told(self, sound, damaged, says):
        layout = reading(drawing(BAR).replace(sound, damaged))
        assert areas(layout) == {"channels": 4.0}
        (recovered,) = (a for a in layout.assumptions if a.value == "recovered from a damaged file")
        assert says in recovered.why

    def test_damaged_beyond_recovery(self):
        fault = fault_of(LayoutUnreadable, drawing(BAR, layers=layer("x")).replace(b"62\n7\n", b"62\nred\n"))
        assert "red" in fault.message
        assert "save it anew" in fault.remedy

    def test_no_dxf(self):
        assert "SECTION" in fault_of(LayoutUnreadable, b"0\nNOTHING\n0\nEOF\n").message

    def test_reading_grows_with_the_number_of_lines(self):
        # Loops of single lines are joined by end points, without looking at every pair.
        limits = Limits(elements_count=10**5)
        spent = []
        for across in (20, 80):
            squares = (
                lines((x, y), (x + 0.1, y), (x + 0.1, y + 0.1), (x, y + 0.1), (x, y))
                for x in range(20)
                for y in range(across)
            )
            data = drawing(*squares)
            tries = []
            for _ in range(3):
                began = time.process_time()
                layout = reading(data, limits=limits)
                tries.append(time.process_time() - began)
            spent.append(min(tries))  # the least disturbed
            assert layout.channel_layers[0].geometry.area == pytest.approx(20 * across * 0.01)
        assert spent[1] < 4 * 2.0 * spent[0]


class TestWriting:
    DISC = Polygon(disc_ring(5, 10, diameter_mm=1.5, flattening_um=1.0))
    LAYOUT = Layout(
        name="Straight",
        source_format="svg",
        layers=(
            Layer(
                "channels/top",
                Role.CHANNELS,
                MultiPolygon([box(5, 9.9, 25, 10.1), box(0, 0, 4, 4).difference(box(1, 1, 2, 2))]),
                depth_um=150.0,
                level=2,
            ),
            Layer("holes", Role.PORTS, MultiPolygon([DISC, box(24, 9, 26, 11)])),
        ),
        ports=(
            Port("sample", PortRole.INLET, DISC, 1.5),
            Port("waste", PortRole.OUTLET, box(24, 9, 26, 11), 2.256758),
        ),
        outline=box(0, 0, 30, 20),
        flattening_um=1.0,
    )

    def document(self):
        return ezdxf.read(io.StringIO(written(self.LAYOUT, media_type=DXF).decode()))

    def test_the_library_finds_nothing_to_mend(self):
        auditor = self.document().audit()
        assert (list(auditor.errors), list(auditor.fixes)) == ([], [])

    def test_millimetres(self):
        header = self.document().header
        assert (header["$INSUNITS"], header["$MEASUREMENT"]) == (4, 1)

    def test_closed_polylines_and_circles_on_named_layers(self):
        by_layer = {}
        for shape in self.document().modelspace():
            by_layer.setdefault(shape.dxf.layer, []).append(shape)
        assert {name: sorted(s.dxftype() for s in shapes) for name, shapes in by_layer.items()} == {
            "outline": ["LWPOLYLINE"],
            "channels_top": ["LWPOLYLINE"] * 3,
            "holes": ["CIRCLE", "LWPOLYLINE"],
        }
        assert all(line.closed for line in by_layer["channels_top"])
        (round_one,) = (shape for shape in by_layer["holes"] if shape.dxftype() == "CIRCLE")
        assert round_one.dxf.radius == pytest.approx(0.75, abs=1e-4)

    def test_the_same_layout_gives_the_same_bytes(self):
        first, second = (written(self.LAYOUT, media_type=DXF) for _ in range(2))
        assert first == second

    def test_read_again(self):
        layout = reading(written(self.LAYOUT, media_type=DXF))
        (channels,) = layout.channel_layers
        assert (channels.name, channels.depth_um, channels.level) == ("channels/top", 150.0, 2)
        assert channels.geometry.equals(self.LAYOUT.layers[0].geometry)
        assert layout.outline.equals(self.LAYOUT.outline)
        assert [(port.name, port.role) for port in layout.ports] == [
            ("sample", PortRole.INLET),
            ("waste", PortRole.OUTLET),
        ]

    def test_the_names_of_layers_stay_apart(self):
        names = ("a/b", "a:b", "A_B", "0", "Defpoints", "µ" * 300)
        layers = tuple(
            Layer(name, Role.CHANNELS, MultiPolygon([box(5 * at, 0, 5 * at + 4, 1)]), 100.0)
            for at, name in enumerate(names)
        )
        layout = Layout(
            name="names", source_format="svg", layers=layers, ports=(), outline=None, flattening_um=1.0
        )
        assert areas(reading(written(layout, media_type=DXF))) == dict.fromkeys(names, 4.0)
