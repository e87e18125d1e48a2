"""The pictures: well-formed, to scale, complete, and legible without colour."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import pytest
from shapely import GeometryCollection, MultiPolygon, Point, box

from rillcast_service.documents.pictures import CHIP_FILL, REPAIRS_SHOWN, findings_picture, layout_picture
from rillcast_service.documents.signs import (
    CLOSED,
    LOST,
    MERGED,
    NARROWEST,
    REPAIR,
    SEVERITIES,
    SPLIT,
    VERDICTS,
    severity_icon,
)
from rillcast_service.documents.svg import PAPER, text_width
from rillcast_service.engine.layout.model import Layout, Repair, RepairKind, Role
from rillcast_service.engine.result import Handedness

SVG = "{http://www.w3.org/2000/svg}"


def _texts(svg: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def _points(d: str) -> Iterator[tuple[float, float]]:
    for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", d):
        yield float(x), float(y)


def _paths(svg: str, fill: str) -> list[Element]:
    return [path for path in ElementTree.fromstring(svg).iter(f"{SVG}path") if path.get("fill") == fill]


def test_the_layout_is_drawn_to_scale_with_its_scale_bar(layout):
    svg = layout_picture(layout)
    (chip,) = _paths(svg, "#fbfbf9")
    xs, ys = zip(*_points(chip.get("d")), strict=True)
    px_per_mm = (max(xs) - min(xs)) / 74.0  # the outline is 74 × 24 mm
    assert (max(ys) - min(ys)) / 24.0 == pytest.approx(px_per_mm, rel=1e-3)  # written to 0.01 px
    bar = next(path for path in ElementTree.fromstring(svg).iter(f"{SVG}path") if "v10" in path.get("d"))
    start, end = re.match(r"M([\d.]+) .*H([\d.]+)M", bar.get("d")).groups()
    assert (float(end) - float(start)) / px_per_mm == pytest.approx(10.0, rel=2e-3)  # written to 0.1 px
    assert "10\u00a0mm" in _texts(svg)


def test_up_on_the_chip_is_up_on_the_picture(layout):
    places = {
        element.text: float(element.get("y"))
        for element in ElementTree.fromstring(layout_picture(layout)).iter(f"{SVG}text")
    }
    assert places["sample (inlet)"] < places["reagent (inlet)"], "y = 18 mm lies above y = 8 mm"


def test_ports_are_named_and_channel_depth_is_told(layout):
    texts = _texts(layout_picture(layout))
    assert {"sample (inlet)", "reagent (inlet)", "waste (outlet)"} <= set(texts)
    assert any("150\u00a0µm deep" in line for line in texts)


def test_each_finding_has_a_number_a_word_and_its_message(layout, outline, cast_route):
    texts = _texts(findings_picture(layout, outline, cast_route))
    joined = " ".join(texts)
    for index, finding in enumerate(cast_route.findings, start=1):
        located = finding.where is not None
        # Once in the list, and once more on the chip when it has a place there.
        assert texts.count(str(index)) == 1 + located
        assert finding.severity.value in texts
        assert finding.message in joined
    assert "Whole chip." in joined


def test_a_sign_lies_near_its_place(layout, outline, cast_route):
    only = replace(cast_route, findings=(replace(cast_route.findings[2], where=Point(6, 8)),))
    svg = findings_picture(layout, outline, only)
    (dot,) = [c for c in ElementTree.fromstring(svg).iter(f"{SVG}circle") if c.get("r") == "2.6"]
    px_per_mm = (960 - 2 * 34) / 74
    assert float(dot.get("cx")) == pytest.approx(34 + (6 - 1) * px_per_mm, abs=0.02)


#: What the common forms of full colour blindness make of linear RGB: Machado, Oliveira and Fernandes 2009,
#: IEEE Trans. Vis. Comput. Graph. 15, 1291, table of severity 1.0 (from memory; each row keeps white).
EYES = {
    "usual": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


@pytest.mark.parametrize("eye", EYES)
def test_severities_differ_in_shape_word_and_lightness_not_in_colour_alone(eye):
    assert [sum(row) for row in EYES[eye]] == pytest.approx([1.0] * 3, abs=2e-6)
    signs = list(SEVERITIES.values())
    assert len({sign.corners for sign in signs}) == 3
    assert len({sign.word for sign in signs}) == 3
    assert len({sign.corners for sign in VERDICTS.values()}) == 3
    # WCAG 2.2, success criterion 1.4.11: what must be told apart in a graphic, at least 3 to 1
    for one, other in combinations(signs, 2):
        assert _contrast(one.fill, other.fill, eye) >= 3.0, f"{one.word} against {other.word}"
    for sign in (*signs, *VERDICTS.values(), REPAIR, LOST, MERGED, SPLIT, CLOSED, NARROWEST):
        for ground in (PAPER, CHIP_FILL):
            assert _contrast(sign.edge, ground, eye) >= 3.0, f"{sign.word} on {ground}"


def _contrast(one: str, other: str, eye: str = "usual") -> float:
    """Contrast ratio of two colours as an eye sees them, WCAG 2.2 definition (1.4.3)."""

    def luminance(colour: str) -> float:
        channels = (int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5))
        light = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        seen = (sum(a * b for a, b in zip(row, light, strict=True)) for row in EYES[eye])
        linear = [min(max(c, 0.0), 1.0) for c in seen]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("sign", [*SEVERITIES.values(), *VERDICTS.values()], ids=lambda sign: sign.word)
def test_numbers_on_signs_can_be_read(sign):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    assert _contrast(sign.fill, sign.ink) >= 4.5


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "a&b", '"/><image href="x"/>', "nul\x00", "ж" * 400]
)
def test_names_of_strangers_stay_text(layout, outline, cast_route, name):
    layers = tuple(replace(layer, name=name) for layer in layout.layers)
    ports = tuple(replace(port, name=name) for port in layout.ports)
    strange = replace(layout, name=name, layers=layers, ports=ports)
    finding = replace(cast_route.findings[0], message=name)
    svg = findings_picture(strange, outline, replace(cast_route, title=name, findings=(finding,)))
    kinds = {element.tag.removeprefix(SVG) for element in ElementTree.fromstring(svg).iter()}
    assert kinds <= {"svg", "title", "desc", "rect", "g", "text", "path", "line", "circle", "polygon"}


def test_a_picture_leaks_nothing_into_the_page_around_it(layout, outline, cast_route):
    svg = findings_picture(layout, outline, cast_route)
    for leak in ("<style", " id=", "url(", "href"):
        assert leak not in svg


def test_findings_without_an_outline_or_without_findings_are_drawn_too(layout, cast_route):
    bare = replace(layout, outline=None, layers=layout.with_role(Role.CHANNELS))
    svg = findings_picture(bare, None, replace(cast_route, findings=()))
    assert "No findings." in _texts(svg)


@pytest.mark.parametrize(
    "where", [GeometryCollection(), MultiPolygon(), GeometryCollection([Point(20, 10), box(30, 5, 31, 6)])]
)
def test_places_of_every_kind_are_taken(layout, outline, cast_route, where):
    finding = replace(cast_route.findings[0], where=where)
    svg = findings_picture(layout, outline, replace(cast_route, findings=(finding,)))
    assert ("Whole chip." in " ".join(_texts(svg))) is where.is_empty


def test_a_hundred_findings_are_drawn_within_the_picture(layout, outline, cast_route):
    findings = tuple(
        replace(cast_route.findings[0], where=Point(20 + index % 10, 8 + index // 10)) for index in range(100)
    )
    root = ElementTree.fromstring(findings_picture(layout, outline, replace(cast_route, findings=findings)))
    width, height = float(root.get("width")), float(root.get("height"))
    for element in root.iter(f"{SVG}text"):
        assert 0 <= float(element.get("x")) <= width
        assert 0 <= float(element.get("y")) <= height


def _sign_boxes(svg, below):
    """The signs and labels that stand on the drawing, as boxes."""
    root = ElementTree.fromstring(svg)
    for shape in (*root.iter(f"{SVG}polygon"), *root.iter(f"{SVG}circle")):
        if shape.tag == f"{SVG}polygon":
            xs, ys = zip(
                *(map(float, point.split(",")) for point in shape.get("points").split()), strict=True
            )
        elif shape.get("r") == "10.5":
            xs = float(shape.get("cx")) - 10.5, float(shape.get("cx")) + 10.5
            ys = float(shape.get("cy")) - 10.5, float(shape.get("cy")) + 10.5
        else:
            continue
        if max(ys) < below:
            yield box(min(xs), min(ys), max(xs), max(ys))
    for label in root.iter(f"{SVG}text"):
        if label.get("paint-order") and float(label.get("y")) < below:
            size = float(label.get("font-size"))
            half, x, y = text_width(label.text, size) / 2, float(label.get("x")), float(label.get("y"))
            yield box(x - half, y - 0.75 * size, x + half, y + 0.2 * size)


@pytest.mark.parametrize("spread_mm", [30.0, 1.0, 0.0])
def test_signs_of_sixty_findings_cover_no_other_sign_or_label(layout, outline, cast_route, spread_mm):
    # a comb of faults, all of them on one finger at worst
    kinds = [finding for finding in cast_route.findings if finding.where is not None]
    findings = tuple(
        replace(kinds[index % len(kinds)], where=Point(20 + spread_mm * index / 60, 8 + index % 3))
        for index in range(60)
    )
    svg = findings_picture(layout, outline, replace(cast_route, findings=findings))
    core = float(ElementTree.fromstring(svg).get("data-core").split()[1])
    bottom = core + float(ElementTree.fromstring(svg).get("data-core").split()[3])
    boxes = list(_sign_boxes(svg, bottom))
    assert len(boxes) == 60 + len(layout.ports)
    for one, other in combinations(boxes, 2):
        assert one.intersection(other).area == 0


def test_a_tall_narrow_layout_fits(layout, cast_route):
    channel = box(0, 0, 0.2, 120)
    tall = Layout(
        "tall", "svg", (replace(layout.channel_layers[0], geometry=MultiPolygon([channel])),), (), None, 1.0
    )
    root = ElementTree.fromstring(findings_picture(tall, None, cast_route))
    assert float(root.get("height")) < 1000


def test_an_icon_says_what_it_shows():
    icon = ElementTree.fromstring(severity_icon("blocker", "3"))
    assert icon.get("aria-label") == "blocker"
    assert [element.text for element in icon.iter(f"{SVG}text")] == ["3"]


def test_both_pictures_of_a_chip_say_which_side_is_seen(layout, outline, cast_route):
    def seen_from(side):
        handed = Handedness(side, (), {}, "bonded", "", ())
        return replace(cast_route, as_made=replace(cast_route.as_made, handedness=handed))

    for svg, words in (
        (layout_picture(layout), "As drawn: seen from the side that a quote names."),
        *(
            (
                findings_picture(layout, outline, seen_from(side)),
                f"As drawn, which is as seen from the {side} side.",
            )
            for side in ("lid", "body")
        ),
    ):
        (caption,) = [
            element for element in ElementTree.fromstring(svg).iter(f"{SVG}text") if element.text == words
        ]
        root = ElementTree.fromstring(svg)
        assert float(caption.get("y")) < float(root.get("height"))
        if core := root.get("data-core"):
            _, top, _, height = map(float, core.split())
            assert top < float(caption.get("y")) < top + height, "it stays where a document shows the picture"


REPAIRS = (
    Repair(
        RepairKind.SELF_CROSSING,
        "an outline that crosses itself was filled",
        "channels",
        20.0,
        13.0,
        4.1,
        4.3,
    ),
    Repair(RepairKind.GAP, "channels 3.2 µm apart were joined", "channels", 45.0, 13.0, 0.2, 0.21),
)


def test_each_repair_has_a_number_on_the_chip_and_a_line_below_it(layout):
    svg = layout_picture(replace(layout, repairs=REPAIRS))
    texts = _texts(svg)
    for index, repair in enumerate(REPAIRS, start=1):
        assert texts.count(str(index)) == 2
        assert repair.kind.value.replace("_", " ") in texts
        assert repair.what in " ".join(texts)
    assert "4.1\u00a0mm² became 4.3\u00a0mm²" in " ".join(texts)
    root = ElementTree.fromstring(svg)
    last = max(float(element.get("y")) for element in root.iter(f"{SVG}text"))
    assert last < float(root.get("height"))
    desc = root.findtext(f"{SVG}desc")
    assert desc.startswith("Mended: 1: self crossing")


def test_a_repair_lies_at_its_place(layout):
    root = ElementTree.fromstring(layout_picture(replace(layout, repairs=REPAIRS[:1])))
    (dot,) = [c for c in root.iter(f"{SVG}circle") if c.get("r") == "2.6"]
    px_per_mm = (960 - 2 * 34) / 74
    assert float(dot.get("cx")) == pytest.approx(34 + (20 - 1) * px_per_mm, abs=0.02)


def test_very_many_repairs_are_counted_beyond_those_that_are_shown(layout):
    svg = layout_picture(replace(layout, repairs=REPAIRS * 100))
    assert f"And {200 - REPAIRS_SHOWN} more." in _texts(svg)
    assert len(re.findall(r'r="2\.6"', svg)) == REPAIRS_SHOWN


def test_levels_marks_and_guessed_ports_differ_by_more_than_colour(layout):
    (channels,) = layout.channel_layers
    low = replace(channels, name="low", level=2, depth_um=90.0)
    ports = (replace(layout.ports[0], guessed=True), *layout.ports[1:])
    svg = layout_picture(replace(layout, layers=(*layout.layers, low), ports=ports))
    dashes = [path.get("stroke-dasharray") for path in ElementTree.fromstring(svg).iter(f"{SVG}path")]
    assert len({dash for dash in dashes if dash}) == 3
    texts = _texts(svg)
    assert "low, level 2, 90\u00a0µm deep" in texts
    assert {"marks", "ports", "guessed ports"} <= set(texts)
    assert f"{ports[0].name} ({ports[0].role.value}, guessed)" in texts


def test_what_passes_below_shows_its_dashed_edge_through_and_levels_are_labelled(layout):
    (channels,) = layout.channel_layers
    low = replace(channels, name="low", geometry=MultiPolygon([box(30, 2, 31, 24)]), level=2)
    svg = layout_picture(replace(layout, layers=(*layout.layers, low)))
    assert {"level 1", "level 2"} <= set(_texts(svg))
    paths = list(ElementTree.fromstring(svg).iter(f"{SVG}path"))
    dashed = [k for k, path in enumerate(paths) if path.get("stroke-dasharray") == "6 3"]
    top = next(k for k, path in enumerate(paths) if path.get("fill") == "#a9c8e6")
    assert dashed[0] < top < dashed[1], "filled below level 1, its edge once more above"
    assert paths[dashed[1]].get("fill") == "none"
    assert not any(line.startswith("level ") for line in _texts(layout_picture(layout)))
