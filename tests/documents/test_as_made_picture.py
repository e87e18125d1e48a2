"""The picture of what comes out: drawn and made to scale, changes by shape, word and number, insets."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from shapely import LineString, MultiPolygon, Point, box, union_all

from rillcast_service.documents.as_made_picture import as_made_picture
from rillcast_service.documents.signs import CLOSED, LOST, MERGED, NARROWEST, SEVERITIES, SPLIT
from rillcast_service.engine.asmade.model import AsMade, MadeChannel, MadeMarks
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import AsMadeSummary
from rillcast_service.engine.shapes import offset, polygons

SVG = "{http://www.w3.org/2000/svg}"
KINDS = {"svg", "title", "desc", "rect", "g", "text", "path", "line", "circle", "polygon"}


CHIP = box(0, 0, 40, 20)
DEPTH = Range(190, 200, 210)


def _layout(*shapes, outline=CHIP, name="channels"):
    layer = Layer(name, Role.CHANNELS, polygons(union_all(shapes)), depth_um=200.0)
    ports = (Port("sample", PortRole.INLET, Point(5, 10).buffer(0.75), 1.5),)
    return Layout("chip", "svg", (layer,), ports, outline, flattening_um=1.0)


def _made(layout, step_um, depth_um=DEPTH):
    channels = tuple(
        MadeChannel(layer.name, offset(layer.geometry, step_um / 1000.0), depth_um, layer.level)
        for layer in layout.channel_layers
    )
    change = Range.exact(2.0 * step_um)
    return AsMade(channels=channels, width_change_um=change, calibrated=False)


@pytest.fixture
def drawn_as(cast_route):
    """`drawn_as(layout, as_made)`: the picture."""

    def draw(layout, as_made):
        depths = {channel.layer: channel.depth_um for channel in as_made.channels}
        summary = AsMadeSummary(Range(100, 150, 180), None, {}, depths, as_made.width_change_um, 0, 0)
        return as_made_picture(layout, layout.outline, replace(cast_route, as_made=summary), as_made)

    return draw


def _texts(svg):
    return [element.text or "" for element in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def _insets(svg):
    frames = [rect for rect in ElementTree.fromstring(svg).iter(f"{SVG}rect") if rect.get("height") == "170"]
    return len(frames) // 2  # paper and frame of each


PADS = (Point(5, 10).buffer(1), Point(35, 10).buffer(1))


def test_a_lost_neck_is_told_by_shape_word_and_number_and_magnified(drawn_as):
    layout = _layout(*PADS, box(5, 9.98, 35, 10.02))
    svg = drawn_as(layout, _made(layout, -25.0))
    texts = _texts(svg)
    assert SPLIT.word in texts
    assert any("interrupted over 28" in line and "40\u00a0µm wide" in line for line in texts)
    number = texts[texts.index(SPLIT.word) - 1]
    assert texts.count(number) == 3, "on the chip, on the magnified place and in the list"
    assert "Magnified" in texts


@pytest.mark.parametrize(("apart_mm", "told"), [(0.0, False), (-0.02, True)])
def test_marks_that_touch_in_a_corner_part_there_and_those_that_overlap_are_interrupted(
    drawn_as, apart_mm, told
):
    layout = _layout(*PADS, box(5, 9.9, 35, 10.1))
    modules = polygons(union_all([box(10, 4, 11, 5), box(11 + apart_mm, 5 + apart_mm, 12, 6)]))
    layout = replace(layout, layers=(*layout.layers, Layer("code", Role.MARKS, modules, depth_um=150.0)))
    made = _made(layout, -25.0)
    made = replace(made, marks=(MadeMarks("code", offset(modules, -0.025), DEPTH),))
    assert (SPLIT.word in _texts(drawn_as(layout, made))) is told


def test_walls_that_open_and_islands_that_vanish_are_told_apart(drawn_as):
    plate = box(4, 9, 36, 11).difference(Point(20, 10).buffer(0.02))
    layout = _layout(plate, box(4, 11.03, 36, 12))
    texts = _texts(drawn_as(layout, _made(layout, 25.0)))
    assert MERGED.word in texts
    assert any("drawn 30\u00a0µm apart run together over 32" in line for line in texts)
    assert any("An island in a channel" in line for line in texts)


def test_a_closed_layer_is_said_to_close_and_has_no_width_worth_magnifying(drawn_as):
    layout = _layout(*PADS, box(5, 9.9, 35, 10.1))
    svg = drawn_as(layout, _made(layout, -10.0, Range(-90, -20, 40)))
    texts = _texts(svg)
    assert CLOSED.word in texts
    assert any("200\u00a0µm drawn → 0\u00a0µm made (0 to 40)" in line for line in texts)
    assert NARROWEST.word not in texts
    assert _insets(svg) == 0


def test_the_narrowest_place_says_what_was_drawn_there(drawn_as):
    # a bar of 300 µm at 30°, which comes out 250 µm wide everywhere
    bar = LineString([(8, 4), (32, 4 + 24 * 3**-0.5)]).buffer(0.15, cap_style="flat")
    ends = [Point(*bar_end).buffer(1.2) for bar_end in ((8, 4), (32, 4 + 24 * 3**-0.5))]
    layout = _layout(bar, *ends)
    (said,) = [
        line for line in _texts(drawn_as(layout, _made(layout, -25.0))) if line.startswith("Channel: ")
    ]
    assert said.startswith("Channel: 300\u00a0µm drawn → 150\u00a0µm made (100 to 180)")


def test_twenty_micrometres_are_in_the_vectors_at_chip_size(drawn_as):
    layout = _layout(box(5, 9.9, 35, 10.1), outline=box(0, 0, 85.6, 53.98))
    svg = drawn_as(layout, _made(layout, 10.0))
    px_per_mm = (960 - 2 * 34) / 85.6
    px_per_mm = min(px_per_mm, (620 - 2 * 34) / 53.98)
    heights = []
    for path in ElementTree.fromstring(svg).iter(f"{SVG}path"):
        if path.get("vector-effect") == "non-scaling-stroke":
            ys = [float(y) for _, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.get("d"))]
            heights.append((max(ys) - min(ys)) / px_per_mm * 1000.0)
    assert any(height == pytest.approx(200.0, abs=0.5) for height in heights), "as drawn"
    assert any(height == pytest.approx(220.0, abs=0.5) for height in heights), "as made"


def test_a_change_that_has_no_number_is_counted(drawn_as):
    fingers = [box(5 + index, 5, 5.03 + index, 15) for index in range(20)]
    layout = _layout(*fingers)
    texts = _texts(drawn_as(layout, _made(layout, -25.0)))
    assert texts.count(LOST.word) == 12
    assert "And 8 more lost." in texts


@pytest.mark.parametrize(
    "layout",
    [
        _layout(*PADS, box(5, 9.9, 35, 10.1), outline=None),
        _layout(box(0.4, 0.95, 1.6, 1.05), Point(0.4, 1).buffer(0.3), outline=box(0, 0, 2, 2)),
        _layout(*PADS, box(5, 9.9, 35, 10.1), outline=box(0, 0, 85.6, 53.98), name="n" * 300),
        _layout(box(0, 0, 0.2, 120), outline=None),
    ],
    ids=["no outline", "2 mm", "card and long name", "tall"],
)
@pytest.mark.parametrize("step_um", [-60.0, -25.0, 0.0, 25.0])
def test_nothing_stands_off_the_page(drawn_as, layout, step_um):
    layout = replace(layout, ports=())
    root = ElementTree.fromstring(drawn_as(layout, _made(layout, step_um)))
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= KINDS
    width, height = float(root.get("width")), float(root.get("height"))
    for element in root.iter(f"{SVG}text"):
        assert 0 <= float(element.get("x")) <= width
        assert 0 <= float(element.get("y")) <= height
    _, top, _, core = map(float, root.get("data-core").split())
    assert 0 <= top < top + core <= height


def test_levels_are_named_and_compared_each_with_its_own(drawn_as):
    upper = _layout(box(4, 9.8, 36, 10.2))
    low = replace(upper.layers[0], name="low", geometry=MultiPolygon([box(19.98, 2, 20.02, 18)]), level=2)
    layout = replace(upper, layers=(*upper.layers, low))
    texts = _texts(drawn_as(layout, _made(layout, -25.0)))
    assert {"level 1", "level 2"} <= set(texts)
    assert any("A channel on level 2 40\u00a0µm wide" in line for line in texts)


def test_what_happens_and_how_bad_it_is_have_different_shapes():
    kinds = [LOST, MERGED, SPLIT, CLOSED, *SEVERITIES.values()]
    assert len({kind.corners for kind in kinds}) == len(kinds)
    assert len({kind.word for kind in kinds}) == len(kinds)
