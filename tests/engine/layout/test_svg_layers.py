"""Layers, roles, depths and ports of SVG drawings."""

import math

import pytest
from shapely import Point

from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.model import PortRole, Role

CHANNEL = '<g id="channels"><rect x="5" y="5" width="20" height="1"/></g>'


def roles(layout):
    return {layer.name: layer.role for layer in layout.layers}


@pytest.mark.parametrize(
    "attributes",
    [
        'id="channels"',
        'id="Channels"',
        'id="g12" xmlns:e="http://editor.example" e:groupmode="layer" e:label="channels"',
        'id="layer1" data-name="Channels"',
        'id="g12" data-role="channels"',
        'data-role="channels"',
    ],
)
def test_a_group_is_a_channel_layer_by_any_of_its_names(read_svg, attributes):
    layout = read_svg(f'<g {attributes}><rect width="2" height="3"/></g>')
    assert [layer.role for layer in layout.layers] == [Role.CHANNELS]


def test_a_title_names_a_layer_too(read_svg):
    assert roles(read_svg('<g id="g1"><title>channels</title><rect width="2" height="3"/></g>')) == {
        "channels": Role.CHANNELS
    }


def test_the_innermost_group_that_tells_a_role_counts(read_svg):
    layout = read_svg(
        '<g id="chip"><rect width="70" height="20"/>'
        '<g id="g7"><g id="channels"><g id="left"><rect x="5" y="5" width="2" height="3"/></g></g></g></g>'
    )
    assert roles(layout) == {"chip": Role.OUTLINE, "channels": Role.CHANNELS}
    assert layout.outline is not None
    assert layout.outline.area == 1400.0


def test_groups_of_one_name_are_one_layer(read_svg):
    layout = read_svg(CHANNEL + '<g id="channels"><rect x="5" y="6" width="20" height="1"/></g>')
    (layer,) = layout.layers
    assert layer.geometry.area == pytest.approx(40.0)
    assert len(layer.geometry.geoms) == 1
    assert layer.shapes == 2


def test_shapes_outside_any_group_go_by_their_own_name(read_svg):
    layout = read_svg(
        '<rect id="channels" width="9" height="3"/><rect id="rect9" x="1" width="2" height="3"/>'
    )
    assert roles(layout) == {"channels": Role.CHANNELS, "loose shapes": Role.IGNORED}
    assert layout.assumptions[0].what == "roles.loose shapes"
    assert layout.layers[1].shapes == 1


def test_loose_shapes_alone_are_looked_at_like_a_layer(read_svg):
    body = '<rect width="40" height="20" fill="none" stroke="red"/><rect x="5" y="9" width="20" height="1"/>'
    given = read_svg(body.replace("red", "none"), roles={"loose shapes": "channels"})
    guessed = read_svg('<rect x="5" y="9" width="20" height="1"/>')
    assert given.channel_layers[0].geometry.equals(guessed.channel_layers[0].geometry)
    assert any("guess" in assumption.source for assumption in guessed.assumptions)


def test_a_fault_on_a_layer_counts_once_its_role_is_known(read_svg, refusal):
    dashed = '<g id="sketch"><path d="M5 5h9" fill="none" stroke="red" stroke-dasharray="1"/>{}</g>'
    marks = dashed.format('<rect x="30" width="2" height="3"/>')
    assert read_svg(CHANNEL + marks).channel_layers[0].geometry.area == pytest.approx(20.0)
    fault = refusal(LayoutInvalid, read_svg, CHANNEL + marks, roles={"sketch": "marks"})
    assert "stroke-dasharray" in fault.message
    assert "'sketch'" in fault.where
    # The only layer: its shapes make it the channels, and so its fault counts.
    assert "stroke-dasharray" in refusal(LayoutInvalid, read_svg, marks).message


def test_unmatched_layers_are_left_out_and_told(read_svg):
    layout = read_svg(CHANNEL + '<g id="sketches"><rect width="2" height="3"/><circle r="1"/></g>')
    assert roles(layout) == {"channels": Role.CHANNELS, "sketches": Role.IGNORED}
    assert layout.layers[1].geometry.is_empty
    assert layout.layers[1].shapes == 2
    (assumption,) = layout.assumptions
    assert assumption.what == "roles.sketches"
    assert assumption.value == "ignored"


def test_the_request_may_name_the_roles(read_svg):
    body = '<g id="Layer_1"><rect width="2" height="3"/></g><g id="channels"><circle cx="9" r="1"/></g>'
    layout = read_svg(body, roles={"layer 1": "channels", "channels": "ignored"})
    assert roles(layout) == {"Layer_1": Role.CHANNELS, "channels": Role.IGNORED}


def test_the_requests_roles_go_before_the_drawings(read_svg):
    layout = read_svg(
        CHANNEL + '<g id="wells" data-role="marks"><circle r="1"/></g>', roles={"wells": "channels"}
    )
    assert roles(layout)["wells"] is Role.CHANNELS


def test_roles_for_layers_that_are_not_there(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, CHANNEL, roles={"top/left": "marks"})
    assert fault.pointer == "#/roles/top~1left"
    assert "'channels'" in fault.remedy


def test_no_channel_layer_lists_what_was_found_and_what_is_accepted(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, '<g id="logo"><rect width="2" height="3"/></g>')
    assert "'logo'" in fault.message
    assert "channels, channel" in fault.remedy


def test_an_empty_channel_layer(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, '<g id="channels"/>')
    assert "'channels'" in fault.message


def test_a_channel_layer_of_lines_without_width(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, '<g id="channels"><path id="a" d="M0 0H9"/></g>')
    assert "enclose no area" in fault.message
    assert "'a'" in fault.message


class TestDepths:
    def test_stated_by_the_drawing(self, read_svg):
        layout = read_svg('<g id="channels" data-depth-um="150"><rect width="2" height="3"/></g>')
        assert layout.layers[0].depth_um == 150.0

    def test_none_when_nothing_states_it(self, read_svg):
        assert read_svg(CHANNEL).layers[0].depth_um is None

    def test_of_the_request_by_layer_and_for_all(self, read_svg):
        body = "".join(
            f'<g id="{name}" data-depth-um="90"><rect width="2" height="3"/></g>'
            for name in ("channels_deep", "channels_shallow")
        )
        layout = read_svg(body, depths_um={"channels": 50.0, "channels_deep": 200.0})
        assert [layer.depth_um for layer in layout.layers] == [200.0, 50.0]
        layout = read_svg(body, depths_um={"channels_deep": 200.0})
        assert [layer.depth_um for layer in layout.layers] == [200.0, 90.0]

    def test_of_the_request_for_a_layer_that_is_not_there(self, read_svg, refusal):
        fault = refusal(LayoutInvalid, read_svg, CHANNEL, depths_um={"wells": 50.0})
        assert fault.pointer == "#/depths_um/wells"

    @pytest.mark.parametrize("text", ["deep", "", "-5", "0", "nan", "inf"])
    def test_that_cannot_be(self, read_svg, refusal, text):
        body = f'<g id="channels" data-depth-um="{text}"><rect width="2" height="3"/></g>'
        fault = refusal(LayoutInvalid, read_svg, body)
        assert "data-depth-um" in fault.message
        assert "'channels'" in fault.where

    def test_that_contradict(self, read_svg, refusal):
        group = '<g id="channels" data-depth-um="{}"><rect width="2" height="3"/></g>'
        fault = refusal(LayoutInvalid, read_svg, group.format(90) + group.format(150))
        assert "90" in fault.message
        assert "150" in fault.message


class TestLevels:
    def test_stated_by_the_drawing_and_by_the_request(self, read_svg):
        body = CHANNEL + '<g id="channels_low" data-level="2"><rect width="2" height="3"/></g>'
        assert [layer.level for layer in read_svg(body).layers] == [1, 2]
        assert [layer.level for layer in read_svg(body, levels={"channels_low": 3}).layers] == [1, 3]

    @pytest.mark.parametrize("text", ["low", "0", "17", "1.5", "nan"])
    def test_that_cannot_be(self, read_svg, refusal, text):
        body = f'<g id="channels" data-level="{text}"><rect width="2" height="3"/></g>'
        fault = refusal(LayoutInvalid, read_svg, body)
        assert "data-level" in fault.message
        assert "'channels'" in fault.where


class TestOrigin:
    SHEET = 'width="76mm" height="26mm" viewBox="0 0 76 26" data-origin-x-mm="-5" data-origin-y-mm="100"'

    def test_stated_by_the_drawing(self, read_svg):
        layout = read_svg('<g id="channels"><rect width="2" height="3"/></g>', sheet=self.SHEET)
        assert layout.layers[0].geometry.bounds == (-5.0, 123.0, -3.0, 126.0)
        assert layout.assumptions == ()

    def test_that_cannot_be(self, read_svg, refusal):
        sheet = self.SHEET.replace("100", "far")
        fault = refusal(LayoutInvalid, read_svg, CHANNEL, sheet=sheet)
        assert "data-origin-y-mm" in fault.message


class TestPorts:
    def test_name_role_place_and_bore(self, read_svg):
        layout = read_svg(
            CHANNEL + '<g id="ports"><circle id="sample" cx="6" cy="5.5" r="0.75"/>'
            '<rect id="waste" x="23" y="4.5" width="2" height="2"/>'
            '<circle id="a" data-role="vent" cx="15" cy="5.5" r="0.5"/></g>'
        )
        sample, waste, vent = layout.ports
        assert (sample.name, sample.role) == ("sample", PortRole.INLET)
        assert sample.centre.distance(Point(6.0, 20.5)) < 1e-6
        assert sample.bore_mm == pytest.approx(1.5, abs=1e-5)
        # A square hole counts as the disc of its area: √(4 · 4 / π).
        assert (waste.name, waste.role) == ("waste", PortRole.OUTLET)
        assert waste.bore_mm == pytest.approx(4.0 / math.sqrt(math.pi), abs=1e-6)
        assert (vent.name, vent.role) == ("a", PortRole.VENT)
        # The roles that came from names are told; the stated one is not.
        assert {assumption.what for assumption in layout.assumptions} == {
            "ports.sample.role",
            "ports.waste.role",
        }

    def test_a_ring_drawn_around_a_hole_is_the_hole(self, read_svg):
        ring = '<circle id="p" cx="6" cy="5.5" r="0.75" fill="none" stroke="red" stroke-width="0.1"/>'
        (port,) = read_svg(CHANNEL + f'<g id="ports">{ring}</g>').ports
        assert port.bore_mm == pytest.approx(1.5, abs=1e-5)

    def test_the_layers_name_tells_the_role_when_the_ports_does_not(self, read_svg):
        layout = read_svg(
            CHANNEL + '<g id="outlets"><circle id="p1" cx="6" cy="5.5" r="0.75"/></g>'
            '<g id="inlets"><circle cx="20" cy="5.5" r="0.75"/></g>'
        )
        assert [(port.name, port.role) for port in layout.ports] == [
            ("p1", PortRole.OUTLET),
            ("port_2", PortRole.INLET),
        ]

    def test_names_are_made_unique(self, read_svg):
        hole = '<circle data-name="tube" cx="{}" cy="5.5" r="0.75"/>'
        layout = read_svg(CHANNEL + f'<g id="ports">{hole.format(6)}{hole.format(12)}{hole.format(20)}</g>')
        assert [port.name for port in layout.ports] == ["tube", "tube_2", "tube_3"]
        assert "ports.tube_2.name" in {assumption.what for assumption in layout.assumptions}

    def test_ports_that_overlap(self, read_svg, refusal):
        holes = '<circle id="a" cx="6" cy="5.5" r="0.75"/><circle id="b" cx="6" cy="5.5" r="0.5"/>'
        fault = refusal(LayoutInvalid, read_svg, CHANNEL + f'<g id="ports">{holes}</g>')
        assert "'a'" in fault.message
        assert "(6.00, 20.50) mm" in fault.where

    def test_a_role_that_is_none(self, read_svg, refusal):
        hole = '<circle id="a" data-role="drainpipe" cx="6" cy="5.5" r="0.75"/>'
        fault = refusal(LayoutInvalid, read_svg, CHANNEL + f'<g id="ports">{hole}</g>')
        assert "drainpipe" in fault.message
        assert "vent" in fault.remedy

    def test_an_open_line_is_no_hole(self, read_svg, refusal):
        line = '<path id="a" d="M1 1h3" fill="none" stroke="red"/>'
        fault = refusal(LayoutInvalid, read_svg, CHANNEL + f'<g id="ports">{line}</g>')
        assert "open line" in fault.message


class TestOutline:
    @pytest.mark.parametrize("paint", ['fill="none" stroke="red" stroke-width="3"', 'fill="grey"'])
    def test_drawn_as_a_line_or_filled_it_is_what_it_goes_around(self, read_svg, paint):
        layout = read_svg(CHANNEL + f'<g id="outline"><rect x="1" y="1" width="74" height="24" {paint}/></g>')
        assert layout.outline.bounds == (1.0, 1.0, 75.0, 25.0)

    def test_a_path_that_returns_to_its_start_is_closed(self, read_svg):
        path = '<path d="M1 1H75V25H1V1" fill="none" stroke="red"/>'
        assert read_svg(CHANNEL + f'<g id="outline">{path}</g>').outline.area == pytest.approx(74.0 * 24.0)

    def test_none(self, read_svg):
        assert read_svg(CHANNEL).outline is None

    def test_two_pieces(self, read_svg, refusal):
        pieces = '<rect width="30" height="24"/><rect x="40" width="30" height="24"/>'
        fault = refusal(LayoutInvalid, read_svg, CHANNEL + f'<g id="outline">{pieces}</g>')
        assert "2 separate pieces" in fault.message
        assert "(15.00, 14.00) mm" in fault.where

    def test_holes_in_it_are_told(self, read_svg):
        frame = '<path fill-rule="evenodd" d="M0 0H76V26H0ZM1 1H75V25H1Z"/>'
        layout = read_svg(CHANNEL + f'<g id="outline">{frame}</g>')
        assert layout.outline.area == pytest.approx(76.0 * 26.0)
        assert [assumption.what for assumption in layout.assumptions] == ["outline"]


def test_an_outline_that_crosses_itself_is_mended_and_told(read_svg):
    layout = read_svg('<g id="channels"><polygon id="tie" points="5,5 15,15 15,5 5,15"/></g>')
    (repair,) = layout.repairs
    assert "'tie'" in repair.what
    assert repair.layer == "channels"
    # Two triangles of 25 mm² each, whose signed areas cancel.
    assert repair.area_before_mm2 == pytest.approx(0.0, abs=1e-9)
    assert repair.area_after_mm2 == pytest.approx(50.0)
    assert layout.channel_layers[0].geometry.contains(Point(repair.x_mm, repair.y_mm))


def test_shapes_off_the_sheet_are_counted_and_told(read_svg):
    layout = read_svg('<g id="channels"><rect id="stray" x="80" y="5" width="2" height="3"/></g>')
    assert layout.channel_layers[0].geometry.area == pytest.approx(6.0)
    assert "'stray'" in layout.assumptions[0].value


def test_a_closed_line_in_a_channel_layer_is_a_channel_along_it_and_said_so(read_svg):
    layout = read_svg('<g id="channels" fill="none" stroke="red"><circle id="loop" cx="9" cy="9" r="5"/></g>')
    assert len(layout.channel_layers[0].geometry.geoms[0].interiors) == 1
    (assumption,) = layout.assumptions
    assert "'loop'" in assumption.value
    assert "fill it" in assumption.why


def test_drawings_need_no_namespace_and_foreign_elements_are_passed_over(read_svg):
    layout = read_svg(
        '<svg width="76mm" height="26mm" viewBox="0 0 76 26" xmlns:e="http://editor.example">'
        "<e:view zoom='3'/><metadata><e:rect/></metadata><!-- note -->" + CHANNEL + "</svg>"
    )
    assert roles(layout) == {"channels": Role.CHANNELS}


def test_a_public_svg_document_type_is_harmless(read_svg):
    doctype = (
        '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">'
    )
    body = f'<svg xmlns="http://www.w3.org/2000/svg" width="76mm" height="26mm">{CHANNEL}</svg>'
    assert roles(read_svg(f'<?xml version="1.0"?>{doctype}{body}')) == {"channels": Role.CHANNELS}


def test_many_notes_are_told_in_few_words(read_svg):
    ghosts = "".join(f'<rect id="r{i}" width="1" height="1" display="none"/>' for i in range(40))
    (assumption,) = read_svg(CHANNEL + f'<g id="marks">{ghosts}</g>').assumptions
    assert assumption.value.endswith("and 35 more")
