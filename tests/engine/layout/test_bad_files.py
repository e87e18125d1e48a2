"""Files that cannot be read: each is refused in words, with its place and a remedy, and quickly."""

import time

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid, LayoutTooComplex, LayoutUnreadable
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import MEDIA_TYPES, read

OPTIONS = ReadOptions.from_defaults(load().defaults)
CHANNEL = '<g id="channels"><rect x="5" y="5" width="20" height="1"/></g>'
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="76mm" height="26mm" viewBox="0 0 76 26">{}</svg>'


def with_entities(declarations, reference):
    return f"<!DOCTYPE svg [{declarations}]>" + SVG.format(f"<title>{reference}</title>" + CHANNEL)


LAUGHS = "".join(
    f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)

UNREADABLE = {
    "empty": b"",
    "only spaces": b" \n\t ",
    "picture": b"\x89PNG\r\n\x1a\n" + bytes(64),
    "page": b"%PDF-1.7\n",
    "archive": b"\x1f\x8b\x08\x00" + bytes(16),
    "GeoJSON": b'{"type": "FeatureCollection"}',
    "words": b"a drawing of a chip",
    "zero bytes": bytes(100),
    "not SVG": b"<html><body/></html>",
    "SVG of another namespace": b'<svg xmlns="http://example.org/other"/>',
    "unclosed": SVG.format("<g>").encode(),
    "two roots": SVG.format(CHANNEL).encode() * 2,
    "unknown encoding": b'<?xml version="1.0" encoding="klingon"?><svg/>',
    "wrong encoding": b'<?xml version="1.0" encoding="utf-8"?><svg id="\xff\xfe"/>',
    "undefined entity": SVG.format("<title>&nbsp;</title>").encode(),
    "entity expansion": with_entities(f'<!ENTITY a "ha">{LAUGHS}', "&i;").encode(),
    "quadratic expansion": with_entities(f'<!ENTITY a "{"ha" * 50_000}">', "&a;" * 5_000).encode(),
    "external entity": with_entities('<!ENTITY a SYSTEM "file:///etc/hostname">', "&a;").encode(),
    "parameter entity": with_entities('<!ENTITY % a SYSTEM "http://127.0.0.1:9/a.dtd"> %a;', "").encode(),
    "external document type": b'<!DOCTYPE svg SYSTEM "http://127.0.0.1:9/svg.dtd">'
    + SVG.format(CHANNEL).encode(),
    "entities behind a public document type": b'<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "x" '
    b'[<!ENTITY a "ha">]>' + SVG.format("<title>&a;</title>" + CHANNEL).encode(),
}


@pytest.mark.parametrize("data", UNREADABLE.values(), ids=UNREADABLE)
def test_no_svg(read_svg, refusal, data):
    began = time.process_time()
    refusal(LayoutUnreadable, read_svg, data)
    assert time.process_time() - began < 2.0


def test_the_place_of_malformed_xml(read_svg, refusal):
    fault = refusal(LayoutUnreadable, read_svg, b'<svg\n  width="1mm" height="1mm">\n  <g></svg>')
    assert fault.where == "line 3, column 8"


def test_a_file_of_another_kind_is_named(read_svg, refusal):
    assert "PNG" in refusal(LayoutUnreadable, read_svg, UNREADABLE["picture"]).message
    assert "GeoJSON" in refusal(LayoutUnreadable, read_svg, UNREADABLE["GeoJSON"]).message


@pytest.mark.parametrize("media_type", ["image/png", "", "text/plain; charset=utf-8"])
def test_a_media_type_without_reader(refusal, media_type):
    fault = refusal(LayoutUnreadable, read, b"x", media_type=media_type, name="x", options=OPTIONS)
    assert "image/svg+xml" in fault.remedy
    assert "application/geo+json" in fault.remedy


def test_parameters_and_case_of_a_media_type_do_not_matter():
    layout = read(
        SVG.format(CHANNEL).encode(),
        media_type="Image/SVG+XML; charset=utf-8",
        name="a chip",
        options=OPTIONS,
    )
    assert layout.name == "a chip"
    assert layout.source_format == "svg"


def test_every_format_goes_by_its_media_type():
    assert {media_type: form.name for media_type, form in MEDIA_TYPES.items()} == {
        "image/svg+xml": "svg",
        "image/vnd.dxf": "dxf",
        "application/geo+json": "geojson",
        "application/vnd.gdsii": "gdsii",
        "application/vnd.semi.oasis": "oasis",
        "application/wkt": "wkt",
    }


@pytest.mark.parametrize(
    ("shape", "says"),
    [
        ('<text id="label" x="1" y="1">NO3</text>', "text"),
        ('<image id="label" href="x.png" width="1" height="1"/>', "raster"),
        ('<foreignObject id="label"><p/></foreignObject>', "foreign"),
        ('<svg id="label" width="-1"><rect width="1" height="1"/></svg>', "below 0"),
        ('<svg id="label" viewBox="0 0 0 9"><rect width="1" height="1"/></svg>', "viewBox"),
        ('<symbol id="s" refX="1"/><use id="label" href="#s"/>', "refX"),
        ('<meshgradient id="label"/>', "meshgradient"),
        ('<use id="label" href="other.svg#a"/>', "other.svg#a"),
        ('<use id="label" href="#nowhere"/>', "#nowhere"),
        ('<use id="label"/>', "''"),
        ('<symbol id="s" viewBox="0 0 1"/><use id="label" href="#s"/>', "viewBox"),
        ('<path id="label" d="M0 0 L nan 1"/>', "nan"),
        ('<path id="label" d="M0 0 L 1e999 1 1 1"/>', "finite"),
        ('<path id="label" d="M0 0 H inf"/>', "inf"),
        ('<path id="label" d="L1 1"/>', "moveto"),
        ('<path id="label" d="M0 0 X 1 1"/>', "command"),
        ('<path id="label" d="M0 0 L 1"/>', "the end"),
        ('<path id="label" d="M0 0 A1 1 0 2 0 1 1"/>', "0 or 1"),
        ('<path id="label" d="M0 0 L 1 1 #"/>', "command"),
        ('<polygon id="label" points="0,0 1"/>', "odd count"),
        ('<polygon id="label" points="0,0 1,x"/>', "x"),
        ('<polygon id="label" points="0,0 1,0 infinity,1"/>', "infinity"),
        ('<rect id="label" width="-1" height="1"/>', "below 0"),
        ('<rect id="label" width="1em" height="1"/>', "1em"),
        ('<rect id="label" width="NaN" height="1"/>', "NaN"),
        ('<circle id="label" r="1e400"/>', "finite"),
        ('<circle id="label" r="-1"/>', "below 0"),
        ('<rect id="label" width="1" height="1" transform="turn(3)"/>', "turn(3)"),
        ('<rect id="label" width="1" height="1" transform="rotate(1 2)"/>', "rotate"),
        ('<rect id="label" width="1" height="1" transform="scale(x)"/>', "scale(x)"),
        ('<rect id="label" width="1" height="1" transform="scale(1e200) scale(1e200)"/>', "finite"),
        ('<rect id="label" width="1" height="1" transform="translate(1"/>', "translate"),
    ],
)
def test_an_element_that_cannot_be_used_is_named(read_svg, refusal, shape, says):
    fault = refusal(LayoutInvalid, read_svg, CHANNEL.replace("</g>", shape + "</g>"))
    assert says in fault.message
    assert "'channels'" in fault.where
    assert "'label'" in fault.where


def test_the_place_of_an_element_is_told_in_mm(read_svg, refusal):
    moved = '<g transform="translate(10 5)"><text id="t" x="1" y="2">NO3</text></g>'
    fault = refusal(LayoutInvalid, read_svg, CHANNEL + f'<g id="marks">{moved}</g>')
    assert fault.where == "layer 'marks', <text> 't' at (11, 19) mm"


def test_text_outside_the_layers_is_refused_too(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, CHANNEL + '<text id="name">NO3</text>')
    assert "outlines" in fault.remedy


def test_text_on_a_layer_of_notes_is_left_alone(read_svg):
    layout = read_svg(CHANNEL + '<g id="notes"><text>200 µm</text></g><text display="none">x</text>')
    assert layout.channel_layers[0].geometry.area == pytest.approx(20.0)


def test_a_reference_to_itself(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, '<g id="channels"><g id="a"><use id="u" href="#a"/></g></g>')
    assert "#a" in fault.message


class TestLimits:
    def test_10_m(self, read_svg, refusal):
        body = '<g id="channels"><rect width="10000" height="1"/></g>'
        fault = refusal(
            LayoutTooComplex, read_svg, body, sheet='width="10000mm" height="26mm" viewBox="0 0 10000 26"'
        )
        assert "10000 mm" in fault.message
        assert "300 mm" in fault.message
        assert "unit" in fault.remedy

    def test_shapes_too_far_apart(self, read_svg, refusal):
        stray = '<g id="marks"><rect x="399" width="2" height="2"/></g>'
        fault = refusal(LayoutTooComplex, read_svg, CHANNEL + stray)
        assert "396 mm" in fault.message
        assert "from (5, " in fault.where

    def test_a_large_sheet_with_a_small_chip_is_fine(self, read_svg):
        layout = read_svg(CHANNEL, sheet='width="1189mm" height="841mm" viewBox="0 0 1189 841"')
        assert layout.channel_layers[0].geometry.area == pytest.approx(20.0)

    def test_a_pen_wider_than_any_chip(self, read_svg, refusal):
        body = '<g id="channels"><path d="M0 0h1" fill="none" stroke="red" stroke-width="1e7"/></g>'
        refusal(LayoutTooComplex, read_svg, body)

    @pytest.mark.parametrize(
        ("limit", "body"),
        [
            ("bytes_count", CHANNEL),
            ("elements_count", CHANNEL),
            ("vertices_count", CHANNEL),
            ("nesting_count", "<g><g>" + CHANNEL + "</g></g>"),
            ("crossings_count", '<g id="channels"><path d="M0 6 9 6 1 0 5 9 8 0z"/></g>'),
        ],
    )
    def test_each_limit_names_itself_and_the_count(self, read_svg, refusal, limit, body):
        fault = refusal(LayoutTooComplex, read_svg, body, limits=Limits(**{limit: 2}))
        assert "limit is 2" in fault.message
        assert limit.removesuffix("_count") in fault.message

    def test_elements_nested_a_million_deep(self, read_svg, refusal):
        body = SVG.format("<g>" * 1_000_000).encode()
        assert "nesting" in refusal(LayoutTooComplex, read_svg, body).message

    def test_references_that_multiply(self, read_svg, refusal):
        layers = "".join(f'<g id="g{n + 1}">' + f'<use href="#g{n}"/>' * 10 + "</g>" for n in range(8))
        body = (
            f'<defs><rect id="g0" width="1" height="1"/>{layers}</defs><g id="channels"><use href="#g8"/></g>'
        )
        began = time.process_time()
        fault = refusal(LayoutTooComplex, read_svg, body, limits=Limits(elements_count=2_000))
        assert "references expanded" in fault.message
        assert time.process_time() - began < 5.0

    @pytest.mark.parametrize(
        ("body", "says"),
        [
            # References and clip paths one behind the other.
            (
                "".join(f'<clipPath id="c{n}" clip-path="url(#c{n + 1})"/>' for n in range(2000))
                + CHANNEL.replace("<g", '<g clip-path="url(#c0)"'),
                "nesting",
            ),
            (
                "".join(f'<use id="u{n}" href="#u{n + 1}"/>' for n in range(2000))
                + '<clipPath id="c" clipPathUnits="objectBoundingBox"><rect width="1" height="1"/></clipPath>'
                + CHANNEL.replace("</g>", '<use href="#u0" clip-path="url(#c)"/></g>'),
                "nesting",
            ),
            # Very many rules for very many elements.
            (
                "<style>" + "".join(f"[x{n}]{{fill:red}}" for n in range(3000)) + "</style>" + CHANNEL * 400,
                "tried",
            ),
        ],
    )
    def test_chains_and_rules_without_end(self, read_svg, refusal, body, says):
        began = time.process_time()
        assert says in refusal(LayoutTooComplex, read_svg, body).message
        assert time.process_time() - began < 10.0

    @pytest.mark.parametrize(
        "style",
        [
            "rect{fill:" + "(" * 100_000,
            "rect{" * 5_000,
            ":not(" * 3_000 + "rect" + ")" * 3_000 + "{fill:red}",
            "@media screen{" * 3_000,
            "* " * 20_000 + "rect{fill:red}",
        ],
    )
    def test_style_sheets_that_nest_without_end(self, read_svg, refusal, style):
        began = time.process_time()
        fault = refusal(LayoutInvalid, read_svg, f"<style>{style}</style>{CHANNEL}")
        assert "deep" in fault.message or "steps" in fault.message
        assert time.process_time() - began < 5.0

    def test_style_sheets_named_without_end(self, read_svg, refusal):
        began = time.process_time()
        refusal(LayoutUnreadable, read_svg, "<?xml-stylesheet " * 50_000 + SVG)
        assert time.process_time() - began < 2.0

    def test_brackets_without_end_and_paints_after_paints(self, read_svg, refusal):
        for paint in ("(" * 100_000, "url(#a) " * 5_000):
            body = CHANNEL.replace("<rect", f'<rect fill="{paint}"')
            assert "fill" in refusal(LayoutInvalid, read_svg, body).message

    def test_a_scribble_is_refused_before_it_is_worked_on(self, read_svg, refusal):
        # 1200 long chords to and fro over the sheet, which cross each other some 200 000 times.
        points = " ".join(f"{(i * 599) % 1200 * 0.05:.2f},{i * 7919 % 1201 * 0.02:.2f}" for i in range(1200))
        began = time.process_time()
        fault = refusal(LayoutTooComplex, read_svg, f'<g id="channels"><polygon points="{points}"/></g>')
        assert "crossings" in fault.message
        assert time.process_time() - began < 5.0


@pytest.mark.parametrize(
    ("options", "pointer"),
    [
        ({"roles": {"a": "plumbing"}}, "#/roles/a"),
        ({"depths_um": {"channels": 0.0}}, "#/depths_um/channels"),
        ({"depths_um": {"channels": float("nan")}}, "#/depths_um/channels"),
        ({"flattening_um": 0.0}, "#/flattening_um"),
        ({"flattening_um": float("inf")}, "#/flattening_um"),
    ],
)
def test_options_that_cannot_be(refusal, options, pointer):
    assert refusal(LayoutInvalid, ReadOptions.from_defaults, load().defaults, **options).pointer == pointer
