"""The picture of a correction: well formed, every place numbered and in view, each before and after."""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree

import pytest
from shapely import LineString, MultiPolygon, Point, box, union_all

from rillcast_service.documents.correction_picture import PLACES_SHOWN, correction_picture
from rillcast_service.documents.signs import REPAIR
from rillcast_service.engine.corrections.model import Change, Corrected, Decision
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.shapes import polygons

SVG = "{http://www.w3.org/2000/svg}"
OUTLINE = box(0, 0, 40, 20)
PADS = (Point(5, 10).buffer(1.25), Point(35, 10).buffer(1.25))
LABEL = box(10, 15, 12, 16)


def layout(*channels, label=LABEL, outline=OUTLINE, name="chip") -> Layout:
    return Layout(
        name,
        "svg",
        (
            Layer("channels", Role.CHANNELS, polygons(union_all([*PADS, *channels])), depth_um=150.0),
            Layer("labels", Role.MARKS, MultiPolygon([label])),
        ),
        (Port("sample", PortRole.INLET, Point(5, 10).buffer(0.75), 1.5),),
        outline,
        flattening_um=1.0,
    )


NECKED = (box(5, 9.75, 15, 10.25), box(15, 9.95, 17, 10.05), box(17, 9.75, 35, 10.25))
WIDENED = (*NECKED, box(15, 9.85, 17, 10.15))


def change(what, where, level=1):
    at = where.representative_point()
    return Change("channel_width", what, level, at.x, at.y, 100.0, 300.0, "µm", 20.0, 20.4, where)


def decision(where):
    return Decision("channel_gap", "What gives way?", ("Move it.",), 20.0, 10.0, 200.0, 300.0, "µm", where)


def answer(after, changes=(), decisions=()):
    return Corrected(after, tuple(changes), tuple(decisions), (), (), ())


def elements(svg, name):
    return list(ElementTree.fromstring(svg).iter(SVG + name))


def texts(svg):
    return [element.text or "" for element in elements(svg, "text")]


LARGER = box(9, 14.5, 13, 16.5)
CHANGES = (
    change("Channel widened", union_all(WIDENED).difference(union_all(NECKED))),
    change("Writing enlarged", LARGER.symmetric_difference(box(10, 15, 12, 15.5)), level=None),
)


def test_every_place_has_its_number_on_the_chip_and_beside_its_row():
    svg = correction_picture(
        layout(*NECKED),
        answer(layout(*WIDENED, label=LARGER), CHANGES, [decision(LineString([(20, 10), (20, 10.2)]))]),
    )
    told = Counter(texts(svg))
    assert [told[number] for number in ("1", "2", "3", "4")] == [2, 2, 2, 0]
    # a change before and after, a place to decide on only as it is
    assert (told["before"], told["after"]) == (3, 2)
    assert "2 places changed, 1 place left for a decision" in told


def test_before_and_after_are_both_drawn_and_what_changed_over_the_latter():
    svg = correction_picture(layout(*NECKED), answer(layout(*WIDENED), CHANGES[:1]))
    # the chip; the neck as it was; the neck as it is, and what was added to it
    channels = [path.get("d") for path in elements(svg, "path") if path.get("fill") == "#a9c8e6"]
    assert len(channels) == 3
    assert channels[1] != channels[2]
    (added,) = [path for path in elements(svg, "path") if path.get("stroke") == REPAIR.edge]
    # both strips, above and below the old neck, filled and with a firm edge
    assert added.get("d").count("M") == 2
    assert added.get("stroke-dasharray") is None


def test_what_was_taken_away_has_a_broken_edge_beside_what_was_added():
    # a pad that moved by half a millimetre: a crescent of each
    old, new = (Point(x, 5).buffer(1.25) for x in (35.0, 35.5))
    moved = change("Port moved", old.symmetric_difference(new))
    svg = correction_picture(layout(*NECKED, old), answer(layout(*NECKED, new), [moved]))
    changed = [path for path in elements(svg, "path") if path.get("stroke") == REPAIR.edge]
    assert [path.get("stroke-dasharray") for path in changed] == ["5 3", None]


@pytest.mark.parametrize("outline", [OUTLINE, None])
@pytest.mark.parametrize("count", [0, 1, PLACES_SHOWN + 3])
def test_nothing_stands_off_the_page_and_what_is_not_shown_is_counted(outline, count):
    before, after = (layout(*shapes, outline=outline, name="a & <b>" * 20) for shapes in (NECKED, WIDENED))
    svg = correction_picture(before, answer(after, CHANGES[:1] * count))
    root = ElementTree.fromstring(svg)
    width, height = float(root.get("width")), float(root.get("height"))
    for element in root.iter(f"{SVG}text"):
        assert 0 <= float(element.get("x")) <= width
        assert 0 <= float(element.get("y")) <= height
    for frame in root.iter(f"{SVG}rect"):
        assert float(frame.get("x", 0)) + float(frame.get("width")) <= width
        assert float(frame.get("y", 0)) + float(frame.get("height")) <= height
    more = "And 3 more that have no picture of their own."
    assert (more in texts(svg)) == (count > PLACES_SHOWN)
