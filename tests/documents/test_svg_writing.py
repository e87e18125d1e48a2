"""Writing SVG: escaping, text that fits, geometry in the right place."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box

from rillcast_service.documents.svg import (
    Scale,
    core_of,
    picture,
    shortened,
    tag,
    text,
    text_width,
    wrapped,
)

SCALE = Scale(px_per_mm=10.0, left_mm=1.0, top_mm=25.0, x_px=30.0, y_px=50.0)


@pytest.mark.parametrize(
    "hostile", ["<script>", "a & b", '" onload="x', "'", "nul \x00 esc \x1b", "half a pair \ud800", "]]>"]
)
def test_whatever_a_stranger_writes_stays_text(hostile):
    root = ElementTree.fromstring(picture(10, 10, [text(1, 1, hostile), tag("g", id=hostile)], title=hostile))
    assert [element.tag.rpartition("}")[2] for element in root] == ["title", "desc", "rect", "text", "g"]
    visible = hostile.replace("\x00", "\ufffd").replace("\x1b", "\ufffd").replace("\ud800", "\ufffd")
    assert root[0].text == root[3].text == visible
    assert root[4].get("id") == visible
    assert root.get("onload") is None


def test_attributes_that_are_none_are_left_out_and_numbers_are_short():
    assert str(tag("rect", x=1.0, y=2.3456, fill=None, stroke_width=0.5)) == (
        '<rect x="1" y="2.35" stroke-width="0.5"/>'
    )


def test_mm_with_y_up_become_px_with_y_down():
    # (1, 25) mm lands on (30, 50) px; 1 mm right and down is 10 px right and down.
    assert (SCALE.x(1.0), SCALE.y(25.0)) == (30.0, 50.0)
    assert (SCALE.x(2.0), SCALE.y(24.0)) == (40.0, 60.0)


def test_a_polygon_with_a_hole_is_one_path_with_two_closed_rings():
    ring = Polygon(box(1, 21, 5, 25).exterior.coords, [box(2, 22, 3, 23).exterior.coords])
    path = ElementTree.fromstring(SCALE.path(ring, fill="red"))
    assert path.get("d").count("Z") == 2
    assert path.get("fill-rule") == "evenodd"
    assert "M70 90" in path.get("d"), "the corner (5, 21) mm"


def test_every_part_of_a_collection_is_drawn_but_points_are_not():
    mixed = GeometryCollection(
        [MultiPolygon([box(1, 1, 2, 2), box(3, 3, 4, 4)]), LineString([(0, 0), (1, 1)]), Point(9, 9)]
    )
    assert SCALE.path(mixed).count("M") == 3
    assert SCALE.path(Point(1, 1)) == ""
    assert SCALE.path(Polygon()) == ""


def test_wrapped_text_fits_and_loses_nothing_when_there_is_room():
    content = "The ridge of the mixer is 200 µm wide, inside the spread of an uncalibrated printer."
    lines = wrapped(content, size=13, width=220, lines=9)
    assert " ".join(lines) == content
    assert all(text_width(line, 13) <= 220 for line in lines)


def test_text_that_is_too_long_ends_in_an_ellipsis():
    lines = wrapped("word " * 200, size=13, width=220, lines=2)
    assert len(lines) == 2
    assert lines[1].endswith("…")
    assert text_width(lines[1], 13) <= 220
    assert shortened("short", size=13, width=220) == "short"


def test_a_word_without_spaces_is_broken():
    lines = wrapped("W" * 300, size=13, width=220, lines=50)
    assert "".join(lines) == "W" * 300
    assert all(text_width(line, 13) <= 220 for line in lines)


def test_the_core_of_a_picture_is_the_picture_through_a_smaller_window():
    whole = picture(960, 500, [tag("g", "legend")], title="t", core=(54, 300))
    cut = core_of(whole)
    assert 'viewBox="0 54 960 246"' in cut
    assert 'viewBox="0 0 960 500"' not in cut
    assert "legend" in cut, "nothing is taken out, only out of sight"
    assert core_of(picture(10, 10, [], title="t")) == picture(10, 10, [], title="t")
