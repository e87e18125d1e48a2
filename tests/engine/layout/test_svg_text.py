"""Text in fonts that the drawing carries: areas and places of letters made of boxes, and what is refused."""

import base64
import contextlib
import io
import struct
from itertools import pairwise

import numpy as np
import pytest
import resvg_py
from box_font import AREAS, BOXES, UNITS_PER_EM, WIDTHS, built, draw, face, glyph_name, saved
from fontTools.fontBuilder import FontBuilder
from fontTools.misc.psCharStrings import T2CharString
from fontTools.pens.ttGlyphPen import TTGlyphPen
from PIL import Image
from shapely import MultiPolygon, box

from rillcast_service.engine.errors import LayoutInvalid, LayoutTooComplex
from rillcast_service.engine.layout.limits import Limits

SIZE = 2.0
PER_UNIT = SIZE / UNITS_PER_EM
BASE = 10.0  # y of the base line in the drawing, whose sheet is 26 mm high
PLAIN = 'x="5" y="10" font-family="Boxes" font-size="2"'

KERNED = "feature kern { pos A B -100; pos A g <0 20 40 0>; } kern;"
JOINED = "feature liga { sub A B by AB; } liga;"


@pytest.fixture(scope="module")
def boxes():
    """The style element that carries the plain font."""
    return face(saved(built()))


@pytest.fixture
def read_text(read_svg, boxes):
    """Reads text elements on a channel layer, in the font of boxes or another, and gives their area."""

    def reading(text, *, font=None, **options):
        layout = read_svg(f'{font or boxes}<g id="channels">{text}</g>', **options)
        return layout.channel_layers[0].geometry

    return reading


def set_in_boxes(*letters, size=SIZE):
    """Letters at given pen places (letter, x, y down) as an area on the sheet."""
    area = MultiPolygon()
    for letter, x, y in letters:
        for left, bottom, right, top in BOXES[letter]:
            part = box(*(np.array([min(left, right), bottom, max(left, right), top]) * size / UNITS_PER_EM))
            corners = np.array(part.bounds) + np.array([x, 26.0 - y, x, 26.0 - y])
            area = area.difference(box(*corners)) if left > right else area.union(box(*corners))
    return area


def assert_same(area, expected):
    assert area.symmetric_difference(expected).area == pytest.approx(0.0, abs=1e-5)
    assert area.area == pytest.approx(expected.area, rel=1e-5)


def one_after_another(text, x=5.0, y=BASE, size=SIZE, more=0.0):
    """Pen places of the letters of a text."""
    placed = []
    for letter in text:
        placed.append((letter, x, y))
        x += WIDTHS[letter] * size / UNITS_PER_EM + more
    return placed


@pytest.mark.parametrize("cubic", [False, True], ids=["TrueType", "CFF"])
@pytest.mark.parametrize("flavor", [None, "woff", "woff2"])
def test_every_container(read_text, flavor, cubic):
    font = face(saved(built(cubic=cubic), flavor), media=f"font/{flavor or 'otf'}")
    area = read_text(f"<text {PLAIN}>AB gO</text>", font=font)
    assert area.area == pytest.approx(sum(AREAS[letter] for letter in "ABgO") * PER_UNIT**2, rel=1e-6)
    assert_same(area, set_in_boxes(*one_after_another("AB gO")))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # Places of letters. Those of a part go before those around it.
        ('<text x="1 5 9" y="10" {}>ABg</text>', [("A", 1, 10), ("B", 5, 10), ("g", 9, 10)]),
        ('<text x="1,5" y="10 12" {}>ABg</text>', [("A", 1, 10), ("B", 5, 12), ("g", 5.9, 12)]),
        (
            '<text x="1 5 9" y="10" {}>A<tspan x="20" dy="1">B</tspan>g</text>',
            [("A", 1, 10), ("B", 20, 11), ("g", 9, 11)],
        ),
        (
            '<text x="1" y="10" dx="1 .5" dy="0 -1" {}>ABg</text>',
            [("A", 2, 10), ("B", 3.7, 9), ("g", 4.6, 9)],
        ),
        (
            '<text {}><tspan x="1" y="5">A</tspan> <tspan x="1" y="9">A</tspan></text>',
            [("A", 1, 5), ("A", 1, 9)],
        ),
        ('<text x="1" y="10" dx="1em" {}>A</text>', [("A", 3, 10)]),
        ('<text x="50%" y="10" {}>A</text>', [("A", 38, 10)]),
        # Anchors.
        ('<text x="20" y="10" text-anchor="end" {}>AB</text>', [("A", 17.9, 10), ("B", 19.1, 10)]),
        (
            '<text x="20" y="10" text-anchor="middle" dx="1" {}>AB</text>',
            [("A", 19.95, 10), ("B", 21.15, 10)],
        ),
        (
            '<text y="10" {}><tspan x="9" text-anchor="end">A</tspan><tspan x="20">B</tspan></text>',
            [("A", 7.8, 10), ("B", 20, 10)],
        ),
        # Distances.
        ('<text x="5" y="10" letter-spacing="1" {}>ABg</text>', one_after_another("ABg", more=1.0)),
        ('<text x="5" y="10" style="letter-spacing:0.5em" {}>ABg</text>', one_after_another("ABg", more=1.0)),
        ('<text x="5" y="10" word-spacing="1" {}>A B</text>', [("A", 5, 10), ("B", 7.8, 10)]),
        # White space.
        ('<text x="5" y="10" {}>\n  A\t\n  <tspan> B </tspan>  g  \n</text>', one_after_another("A B g")),
        ('<text x="5" y="10" xml:space="preserve" {}>  A  B</text>', one_after_another("  A  B")),
        ('<text x="5" y="10" style="white-space:pre" {}>A  B</text>', one_after_another("A  B")),
        ('<text x="20" y="10" text-anchor="end" {}> A <!-- x --> </text>', [("A", 18.8, 10)]),
        ('<text x="5" y="10" {}><title>AAA</title>B<desc>A</desc></text>', [("B", 5, 10)]),
        # Parts that are not displayed take no room, and such that are hidden do.
        ('<text x="5" y="10" {}><tspan display="none">A</tspan>B</text>', [("B", 5, 10)]),
        ('<text x="5" y="10" {}><tspan visibility="hidden">A</tspan>B</text>', [("B", 6.2, 10)]),
        ('<text x="5" y="10" {}><a href="#">A</a>B</text>', one_after_another("AB")),
        # The fill rule is no matter of letters: the hole of O runs the other way round.
        ('<text x="5" y="10" fill-rule="evenodd" {}>O</text>', [("O", 5, 10)]),
    ],
)
def test_where_letters_stand(read_text, text, expected):
    area = read_text(text.format('font-family="Boxes" font-size="2"'))
    assert_same(area, set_in_boxes(*expected))


@pytest.mark.parametrize(
    ("size", "user_units"),
    [
        ("3", 3.0),
        ("3px", 3.0),
        ("1pt", 4 / 3),
        ("1mm", 96 / 25.4),
        ("medium", 16.0),
        ("150%", 6.0),
        ("1.5em", 6.0),
    ],
)
def test_sizes(read_text, size, user_units):
    """The group's size is 4 user units, a millimetre each; a written unit counts at 96 to the inch."""
    area = read_text(
        f'<g font-size="4"><text font-family="Boxes" x="5" y="20" font-size="{size}">A</text></g>'
    )
    assert area.area == pytest.approx(AREAS["A"] * (user_units / UNITS_PER_EM) ** 2, rel=1e-5)


def test_sizes_within_sizes_are_taken_once(read_text):
    area = read_text(
        f'<g style="font-size:2em"><g font-size="50%"><text {PLAIN.replace("font-size", "data-s")}>'
        "<tspan>A</tspan></text></g></g>"
    )
    assert area.area == pytest.approx(AREAS["A"] * (16 / UNITS_PER_EM) ** 2, rel=1e-5)


def test_transforms_strokes_and_references(read_text):
    turned = read_text(f'<g transform="translate(30 0) rotate(90) scale(2 1)"><text {PLAIN}>A</text></g>')
    assert turned.area == pytest.approx(2.0 * AREAS["A"] * PER_UNIT**2)
    # The letter reaches from (5.2, 8.6) to (6, 10): turned, x is 30 - y and y is 2 x, down from 26.
    assert turned.bounds == pytest.approx((20.0, 26.0 - 12.0, 21.4, 26.0 - 10.4))
    drawn = read_text(f'<text {PLAIN} fill="none" stroke="black" stroke-width=".1">A</text>')
    assert drawn.area == pytest.approx(2.0 * (0.8 + 1.4) * 0.1, rel=1e-4)
    copied = read_text(f'<defs><text id="t" {PLAIN}>A</text></defs><use href="#t" x="3"/>')
    assert_same(copied, set_in_boxes(("A", 8, BASE)))


@pytest.mark.parametrize("cubic", [False, True])
def test_kerning_and_ligatures(read_text, cubic):
    font = face(saved(built(features=KERNED + JOINED, cubic=cubic)))
    # A and B are joined where nothing keeps them apart; A and g are kerned by 40, and A stands 20 higher.
    joined = read_text(f"<text {PLAIN}>AB</text>", font=font)
    assert_same(joined, set_in_boxes(("AB", 5, BASE)))
    apart = read_text(f'<text {PLAIN} letter-spacing="1">AB</text>', font=font)
    assert_same(apart, set_in_boxes(("A", 5, BASE), ("B", 5 + 0.5 * SIZE + 1, BASE)))
    across = read_text(f'<text {PLAIN}>A<tspan fill="red">g</tspan></text>', font=font)
    assert_same(across, set_in_boxes(("A", 5, BASE - 20 * PER_UNIT), ("g", 5 + 640 * PER_UNIT, BASE)))


def test_kerning_by_class_and_by_the_older_table(read_text):
    features = "@first = [A B]; @second = [g O]; feature kern { pos @first @second -50; } kern;"
    area = read_text(f"<text {PLAIN}>AgA</text>", font=face(saved(built(features=features))))
    expected = [("A", 5, BASE), ("g", 5 + 550 * PER_UNIT, BASE), ("A", 5 + 950 * PER_UNIT, BASE)]
    assert_same(area, set_in_boxes(*expected))
    older = built(change=lambda builder: builder.setupDummyDSIG())
    older["kern"] = kern_table({("A", "g"): -50})
    assert_same(read_text(f"<text {PLAIN}>AgA</text>", font=face(saved(older))), set_in_boxes(*expected))


def kern_table(pairs, coverage=1):
    from fontTools.ttLib import newTable
    from fontTools.ttLib.tables._k_e_r_n import KernTable_format_0

    table, part = newTable("kern"), KernTable_format_0()
    part.coverage, part.kernTable, part.tupleIndex, part.apple = coverage, pairs, None, False
    table.version, table.kernTables = 0, [part]
    return table


def test_the_face_that_is_asked_for(read_svg):
    """Faces of one family, told apart by the size of their only letter in use."""

    def of_height(height):
        def change(builder):
            pen = TTGlyphPen(None)
            draw(pen, ((100, 0, 500, height),))
            builder.font["glyf"]["A"] = pen.glyph()

        return saved(built(change=change))

    sheet = "".join(
        face(of_height(height), more=more)
        for height, more in [
            (100, ""),
            (200, "font-weight: bold;"),
            (300, "font-style: italic;"),
            (400, "font-weight: 900;"),
        ]
    )
    for more, height in [
        ("", 100),
        ('font-weight="500"', 100),
        ('font-weight="bold"', 200),
        ('font-weight="600"', 200),
        ('font-weight="800"', 400),
        ('font-weight="bolder"', 200),
        ('font-style="italic"', 300),
        ("style=\"font: italic 2px/1.2 'BOXES', serif\"", 300),
    ]:
        layout = read_svg(f'{sheet}<g id="channels"><text {PLAIN} {more}>A</text></g>')
        assert layout.channel_layers[0].geometry.area == pytest.approx(400 * height * PER_UNIT**2), more


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('<text x="5" y="10" font-family="Arial" font-size="2">A</text>', "'arial'"),
        ('<text x="5" y="10" font-family="Arial, \'Boxes\'" font-size="2">A</text>', "'arial'"),
        ('<text x="5" y="10" font-size="2">A</text>', "in which font"),
        (f"<text {PLAIN}>AZ</text>", "'Z' (U+005A)"),
        (f"<text {PLAIN}>A\u0301</text>", "U+0301"),
        (f"<text {PLAIN}>\u0645</text>", "U+0645"),
        (f'<text {PLAIN} font-weight="bold">A</text>', "bold"),
        (f'<text {PLAIN} font-style="italic">A</text>', "italic"),
        (f'<text {PLAIN} font-stretch="condensed">A</text>', "font-stretch"),
        (f'<text {PLAIN} rotate="10">A</text>', "rotate"),
        (f'<text {PLAIN} textLength="9">A</text>', "textLength"),
        (f'<text {PLAIN} writing-mode="tb">A</text>', "writing-mode"),
        (f'<text {PLAIN} direction="rtl">A</text>', "direction"),
        (f'<text {PLAIN} text-decoration="underline">A</text>', "text-decoration"),
        (f'<text {PLAIN} dominant-baseline="middle">A</text>', "dominant-baseline"),
        (f'<text {PLAIN}>A<tspan baseline-shift="super">B</tspan></text>', "baseline-shift"),
        (f'<text {PLAIN} style="font-variant-caps:small-caps">A</text>', "font-variant-caps"),
        (f"<text {PLAIN} style=\"font-feature-settings:'smcp'\">A</text>", "font-feature-settings"),
        (f'<text {PLAIN} text-transform="uppercase">A</text>', "text-transform"),
        (f'<text {PLAIN} style="white-space:pre">A\nB</text>', "line breaks"),
        (f'<text {PLAIN} text-anchor="end" letter-spacing="1">AB</text>', "letter-spacing"),
        (f'<text {PLAIN}>A<textPath href="#p">B</textPath></text>', "textPath"),
        (f'<text {PLAIN}><tref href="#p"/></text>', "tref"),
        ('<text x="5" y="10" font-family="Boxes" style="font-size:2rem">A</text>', "2rem"),
        ('<text x="5" y="10" style="font:caption" font-family="Boxes">A</text>', "caption"),
        ('<text x="5 q" y="10" font-family="Boxes" font-size="2">AB</text>', "'q'"),
    ],
)
def test_what_is_not_read_is_refused_by_name(read_text, refusal, text, says):
    fault = refusal(LayoutInvalid, read_text, text.replace("<text ", '<text id="label" '))
    assert says.lower() in fault.message.lower()
    assert "outlines" in fault.remedy
    assert fault.where.startswith("layer 'channels', <text> 'label'")


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("unicode-range: U+42-5A;", "not meant for"),
        ("size-adjust: 90%;", "size-adjust"),
        ("font-weight: 100 wide;", "font-weight"),
        ("font-stretch: 75%;", "font-stretch"),
    ],
)
def test_descriptors_that_change_letters(read_text, refusal, more, says):
    fault = refusal(LayoutInvalid, read_text, f"<text {PLAIN}>A</text>", font=face(saved(built()), more=more))
    assert says in fault.message


@pytest.mark.parametrize(
    ("features", "text"),
    [
        ("feature calt { sub A' B by g; } calt;", "AB"),
        ("feature ccmp { sub A by B g; } ccmp;", "A"),
        ("feature kern { script DFLT; pos one one -50; script latn; pos one one 20; } kern;", "11"),
    ],
)
def test_features_that_depend_on_what_is_around(read_text, refusal, features, text):
    font = face(saved(built(features=features)))
    assert (
        "which is not read"
        in refusal(LayoutInvalid, read_text, f"<text {PLAIN}>{text}</text>", font=font).message
    )
    assert read_text(f"<text {PLAIN}>g</text>", font=font).area == pytest.approx(AREAS["g"] * PER_UNIT**2)


def test_a_variable_font_counts_at_its_first_setting_alone(read_text, refusal):
    def change(builder):
        builder.setupFvar([("wght", 100, 400, 900, "Weight")], [])

    font = face(saved(built(change=change)), more="font-weight: 100 900;")
    assert_same(read_text(f"<text {PLAIN}>A</text>", font=font), set_in_boxes(("A", 5, BASE)))
    bold = f'<text {PLAIN} font-weight="700">A</text>'
    assert "variable font" in refusal(LayoutInvalid, read_text, bold, font=font).message


def test_text_on_notes_and_hidden_text_need_no_font(read_svg, boxes):
    other = '<text font-family="Other">A</text>'
    layout = read_svg(
        f'{boxes}<g id="channels"><rect width="3" height="2"/><text visibility="hidden">A</text></g>'
        f'<g id="notes">{other}</g><g display="none">{other}</g>'
    )
    assert layout.channel_layers[0].geometry.area == 6.0
    assert any("<text>" in each.value and "not visible" in each.why for each in layout.assumptions)


def test_a_renderer_draws_the_same(read_text, tmp_path):
    """Area and place against resvg, which is given the same font as a file."""
    data = saved(built(features=KERNED))
    (tmp_path / "boxes.ttf").write_bytes(data)
    sheet = 'width="76.2mm" height="25.4mm" viewBox="0 0 76.2 25.4"'  # whole pixels
    text = (
        '<text x="60" y="20" font-family="Boxes" font-size="9" text-anchor="end"'
        ' transform="rotate(-4 40 10)">'
        'ABg O<tspan dy="-2" font-size="6">AB</tspan></text>'
    )
    area = read_text(text, font=face(data), sheet=sheet)
    picture = resvg_py.svg_to_bytes(
        svg_string=f'<svg xmlns="http://www.w3.org/2000/svg" {sheet}>{text}</svg>',
        skip_system_fonts=True,
        font_files=[str(tmp_path / "boxes.ttf")],
        width=2880,
        dpi=96.0,
    )
    inked = np.asarray(Image.open(io.BytesIO(bytes(picture))).getchannel("A"), dtype=float) / 255.0
    pixel_mm = 76.2 / 2880
    assert area.area == pytest.approx(inked.sum() * pixel_mm**2, rel=2e-3)
    rows, columns = np.nonzero(inked > 0.5)
    edges = columns.min(), 960 - rows.max() - 1, columns.max() + 1, 960 - rows.min()
    assert area.bounds == pytest.approx(np.array(edges) * pixel_mm, abs=2 * pixel_mm)


class TestHostileFonts:
    @pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.3, 0.5, 0.9, 0.99])
    @pytest.mark.parametrize("flavor", [None, "woff", "woff2"])
    def test_cut_off(self, read_text, flavor, share):
        data = saved(built(features=KERNED + JOINED), flavor)
        with pytest.raises(LayoutInvalid, match="cannot be read"):
            read_text(f"<text {PLAIN}>AB</text>", font=face(data[: int(share * len(data))]))

    def test_noise(self, read_text):
        data = bytearray(saved(built(features=KERNED)))
        random = np.random.default_rng(7)
        for _ in range(60):
            noisy = bytearray(data)
            for at in random.integers(0, len(data), 12):
                noisy[at] = int(random.integers(256))
            with contextlib.suppress(LayoutInvalid, LayoutTooComplex):
                assert read_text(f"<text {PLAIN}>ABg</text>", font=face(bytes(noisy))).is_valid

    @pytest.mark.parametrize("times", [1, 30])
    def test_letters_made_of_themselves(self, read_text, refusal, times):
        def change(builder):
            pen = TTGlyphPen(dict.fromkeys(map(glyph_name, BOXES)))
            for _ in range(times):
                pen.addComponent("A", (1, 0, 0, 1, 0, 0))
            builder.font["glyf"]["A"] = pen.glyph()

        font = built()
        glyf = font["glyf"]
        change(FontBuilder(font=font))
        glyf["A"].xMin = glyf["A"].yMin = glyf["A"].xMax = glyf["A"].yMax = 0
        font.recalcBBoxes = False
        fault = refusal(LayoutTooComplex, read_text, f"<text {PLAIN}>A</text>", font=face(saved(font)))
        assert "nesting" in fault.message

    def test_a_million_parts(self, read_text, refusal):
        """Twenty parts of twenty parts, five deep."""

        def change(builder):
            chain = ["A", "B", "O", "g", "f", "i"]
            for name, part in pairwise(chain):
                pen = TTGlyphPen(dict.fromkeys(map(glyph_name, BOXES)))
                for at in range(20):
                    pen.addComponent(part, (1, 0, 0, 1, at, 0))
                builder.font["glyf"][name] = pen.glyph()

        font = built(change=change)
        font.recalcBBoxes = False
        for name in "ABOgf":
            glyph = font["glyf"][name]
            glyph.xMin = glyph.yMin = glyph.xMax = glyph.yMax = 0
        fault = refusal(
            LayoutTooComplex,
            read_text,
            f"<text {PLAIN}>A</text>",
            font=face(saved(font)),
            limits=Limits(elements_count=5_000),
        )
        assert "elements" in fault.message

    @pytest.mark.parametrize("lines", [10, 40])
    def test_subroutines_that_call_one_another(self, read_text, refusal, lines):
        font = built(cubic=True)
        top = font["CFF "].cff.topDictIndex[0]
        subrs = font["CFF "].cff.GlobalSubrs
        for index in range(9):
            call = [index + 1 - 107, "callgsubr"] if index < 8 else [1, 0, "rlineto"]
            subrs.append(T2CharString(program=[*call * lines, "return"]))
        font.recalcBBoxes = False
        top.CharStrings["A"].program = [0, 0, "rmoveto", -107, "callgsubr", "endchar"]
        limits = Limits(elements_count=5_000)
        refusal(LayoutTooComplex, read_text, f"<text {PLAIN}>A</text>", font=face(saved(font)), limits=limits)

    def test_zeros_that_unpack_without_end(self, read_text, refusal):
        for flavor, bomb in (("woff", woff_of_zeros), ("woff2", woff2_of_zeros)):
            fault = refusal(
                LayoutTooComplex,
                read_text,
                f"<text {PLAIN}>A</text>",
                font=face(bomb(100_000_000)),
                limits=Limits(bytes_count=10_000_000),
            )
            assert "bytes" in fault.message, flavor

    def test_more_than_it_states(self, read_text, refusal):
        for lying in (woff_of_zeros(5_000_000, stated=1000), woff2_of_zeros(5_000_000, stated=1000)):
            fault = refusal(LayoutInvalid, read_text, f"<text {PLAIN}>A</text>", font=face(lying))
            assert "cannot be read" in fault.message

    def test_more_letters_than_elements_are_allowed(self, read_text, refusal):
        refusal(LayoutTooComplex, read_text, f"<text {PLAIN}>{'A' * 60_000}</text>")


def woff_of_zeros(size, stated=None):
    """A WOFF file of one table of zeros."""
    import zlib

    packed = zlib.compress(bytes(size), 9)
    entry = struct.pack(">4sLLLL", b"glyf", 64, len(packed), stated or size, 0)
    head = struct.pack(">4s4sLHHLHH5L", b"wOFF", b"\0\1\0\0", 64 + len(packed), 1, 0, 0, 1, 0, *[0] * 5)
    return head + entry + packed


def woff2_of_zeros(size, stated=None):
    """A WOFF2 file of one table of zeros."""
    import brotli
    from fontTools.ttLib.woff2 import packBase128

    packed = brotli.compress(bytes(size), quality=1)
    entry = bytes([63]) + b"zero" + packBase128(stated or size)
    length = 48 + len(entry) + len(packed)
    head = struct.pack(">4s4sLHHLLHH5L", b"wOF2", b"\0\1\0\0", length, 1, 0, 0, len(packed), 1, 0, *[0] * 5)
    return head + entry + packed


def test_data_in_other_writing(read_text):
    """A source may list addresses that are not fetched, and write its data without base64."""
    data = saved(built())
    percents = "".join(f"%{byte:02x}" for byte in data)
    text = base64.b64encode(data).decode()
    for source in (
        f'local("Boxes"), url("boxes.eot"), url("data:font/ttf;base64,{text}") format("truetype")',
        f'url("data:font/ttf,{percents}")',
    ):
        font = f"<style>@font-face {{ font-family: Boxes; src: {source} }}</style>"
        assert_same(read_text(f"<text {PLAIN}>A</text>", font=font), set_in_boxes(("A", 5, BASE)))
