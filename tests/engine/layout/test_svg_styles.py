"""What is painted: presentation attributes, style attributes, style sheets, inheritance, hidden things."""

import math

import pytest

from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.model import Role

LINE = '<path d="M5 5h10" {}/>'
BAND = 2.0  # a line of 10 mm, 0.2 mm wide


@pytest.mark.parametrize(
    "shape",
    [
        LINE.format('fill="none" stroke="black" stroke-width="0.2"'),
        LINE.format('style="fill:none;stroke:#000;stroke-width:0.2"'),
        LINE.format('style="FILL: none; stroke : red ; stroke-width:.2 ;"'),
        # A style attribute goes before a presentation attribute, and before a style sheet.
        LINE.format('stroke-width="9" style="fill:none;stroke:blue;stroke-width:.2"'),
        "<style>path{stroke-width:9}</style>" + LINE.format('style="fill:none;stroke:blue;stroke-width:.2"'),
        # A style sheet goes before a presentation attribute.
        "<style>.c{stroke-width:.2}</style>"
        + LINE.format('class="b c" fill="none" stroke="red" stroke-width="9"'),
        # The more special selector wins, whatever the order; important beats all.
        "<style>#p{stroke-width:.2} path.c{stroke-width:5} path{stroke-width:9}</style>"
        + LINE.format('id="p" class="c" fill="none" stroke="red"'),
        "<style>*{stroke-width:.2!important} #p{stroke-width:5}</style>"
        + LINE.format('id="p" fill="none" stroke="red" style="stroke-width:7"'),
        "<style>/* {} */ .a, .c { fill: none; stroke: red; stroke-width: .2 }</style>"
        + LINE.format('class="c"'),
        "<style>.c > path { font-size: 3px } .c{fill:none;stroke:red;stroke-width:.2}</style>"
        + LINE.format('class="c"'),
        # Inherited from groups.
        f'<g fill="none" style="stroke-width:.2"><g stroke="#123">{LINE.format("")}</g></g>',
        '<g fill="none" stroke="red" stroke-width=".2">' + LINE.format('stroke="inherit"') + "</g>",
    ],
)
def test_where_a_style_may_stand(read_channels, shape):
    assert read_channels(shape).area == pytest.approx(BAND, rel=1e-6)


@pytest.mark.parametrize(
    "selector",
    [
        "g > path", "g path", "[class~=c]", "[d^='M5']", "path:first-child", "rect + path", "rect ~ path",
        "path:nth-child(2n)", "path:not(.d)", "*|path", ":is(path, rect)", "PATH, path.c",
    ],
)  # fmt: skip
def test_selectors(read_channels, selector):
    first = "" if "first" in selector else '<rect display="none"/>'
    line = LINE.format('class="b c"')
    shapes = f"<g>{first}{line}</g>"
    sheet = f"<style>{selector} {{ fill: none; stroke: red; stroke-width: .2 }}</style>"
    assert read_channels(sheet + shapes).area == pytest.approx(BAND, rel=1e-6)


@pytest.mark.parametrize(
    "sheet",
    [
        "path{fill:none;stroke:red} path{stroke-width:9} path{stroke-width:.2}",
        # More special goes before later, classes before elements, ids before classes.
        "g path{fill:none;stroke:red;stroke-width:.2} path{stroke-width:9}",
        "path.c{fill:none;stroke:red;stroke-width:.2} g g path{stroke-width:9}",
        "#p{fill:none;stroke:red;stroke-width:.2} .c.c.c{stroke-width:9}",
        "path{fill:none;stroke:red;stroke-width:.2 !important} #p{stroke-width:9}",
        # What is no rule is passed over, as the standard says.
        "path{fill:none;stroke:red;stroke-width:.2;;nonsense;} path:hover{stroke-width:9}",
        "@media screen{path{fill:none;stroke:red;stroke-width:.2}}",
        "path{fill:none;stroke:red;stroke-width:.2} @media print{path{stroke-width:9}}",
        "@media only all{path{fill:none;stroke:red;stroke-width:.2}} @media not screen{path{stroke-width:9}}",
        "@charset 'utf-8'; @namespace url(http://www.w3.org/2000/svg);"
        "path{fill:none;stroke:red;stroke-width:.2} @keyframes a{from{stroke-width:9}}",
        "<![CDATA[ g > path { fill: none; stroke: red; stroke-width: .2 } ]]>",
        "path{color:red;fill:none;stroke:currentColor;stroke-width:.2}",
        "g{stroke-width:.2} path{fill:none;stroke:red;stroke-width:inherit}",
        "g{stroke-width:.2} path{fill:none;stroke:red;stroke-width:unset}",
    ],
)
def test_the_cascade(read_channels, sheet):
    shape = LINE.format('id="p" class="c"')
    geometry = read_channels(f"<style>{sheet}</style><g><g>{shape}</g></g>")
    assert geometry.area == pytest.approx(BAND, rel=1e-6)


def test_initial_is_the_standards_own_value(read_channels):
    line = LINE.format('stroke="red" fill="none" style="stroke-width:initial"')
    assert read_channels(f'<g stroke-width="7">{line}</g>').area == pytest.approx(10.0, rel=1e-6)


def test_an_important_declaration_of_a_style_attribute_is_the_strongest(read_channels):
    sheet = "<style>path{stroke-width:9 !important;fill:none;stroke:red}</style>"
    shape = LINE.format('style="stroke-width:.2!important"')
    assert read_channels(sheet + shape).area == pytest.approx(BAND, rel=1e-6)


def test_rules_for_print_are_left_out_and_told(read_svg):
    layout = read_svg(
        "<style media='print'>rect{display:none}</style>"
        "<style>@media print{rect{rx:9}}</style><g id='channels'><rect width='2' height='3'/></g>"
    )
    assert layout.channel_layers[0].geometry.area == 6.0
    assert [assumption.value for assumption in layout.assumptions] == ["rules for print left out"] * 2


@pytest.mark.parametrize(
    ("sheet", "says"),
    [
        ("@import url(https://example.org/a.css);", "https://example.org/a.css"),
        ("@media (min-width: 9px){path{fill:none}}", "min-width"),
        ("@supports (fill: red){path{fill:none}}", "@supports"),
        ("path:frobnicated{fill:none}", "frobnicated"),
        ("g{path{fill:none}}", "nests"),
    ],
)
def test_sheets_that_are_not_read(read_svg, refusal, sheet, says):
    body = f"<style>{sheet}</style><g id='channels'><rect width='2' height='3'/></g>"
    fault = refusal(LayoutInvalid, read_svg, body)
    assert says in fault.message
    assert fault.where == "<svg>"


def test_a_sheet_beside_the_drawing_is_refused(read_svg, refusal):
    sheet = '<?xml-stylesheet type="text/css" href="chip.css"?>'
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm"><g id="channels"/></svg>'
    fault = refusal(LayoutInvalid, read_svg, f'<?xml version="1.0"?>{sheet}{svg}')
    assert "chip.css" in fault.message


@pytest.mark.parametrize(
    ("shape", "bounds"),
    [
        ('<rect style="x:1px;y:2px;width:3px;height:4px" width="9"/>', (1.0, 20.0, 4.0, 24.0)),
        ('<path style="d:path(\'M1 2h3v4h-3z\')" d="M0 0h9v9h-9z"/>', (1.0, 20.0, 4.0, 24.0)),
        ('<circle style="cx:5px;cy:5px;r:5%" r="1"/>', None),
        ('<rect width="2" height="1" style="transform:translate(3px,4px)"/>', (3.0, 21.0, 5.0, 22.0)),
        ('<rect width="2" height="1" style="transform:none" transform="scale(2)"/>', (0.0, 25.0, 2.0, 26.0)),
        (
            '<rect width="2" height="1" style="transform:translateX(50%) translateY(50%)"/>',
            (38.0, 12.0, 40.0, 13.0),
        ),
        ('<rect width="2" height="1" style="transform:scale(2,3) scaleX(2)"/>', (0.0, 23.0, 8.0, 26.0)),
        ('<rect width="2" height="1" style="transform:matrix(0,1,1,0,2,3)"/>', (2.0, 21.0, 3.0, 23.0)),
        ('<rect width="2" height="1" style="transform:skewX(50grad)"/>', (0.0, 25.0, 3.0, 26.0)),
        (
            '<rect x="5" y="5" width="2" height="1" transform="rotate(90)" transform-origin="5 5"/>',
            (4.0, 19.0, 5.0, 21.0),
        ),
        (
            '<rect x="37" y="12" width="2" height="1"'
            ' style="transform-origin:center;transform:rotate(.25turn)"/>',
            (38.0, 12.0, 39.0, 14.0),
        ),
        (
            '<rect width="2" height="1"'
            ' style="transform-origin:bottom right;transform:rotate(3.14159265rad)"/>',
            (150.0, -26.0, 152.0, -25.0),
        ),
    ],
)
def test_geometry_in_styles(read_channels, shape, bounds):
    geometry = read_channels(shape)
    if bounds is None:  # 5 % of √((76² + 26²) / 2)
        assert geometry.area == pytest.approx(math.pi * 0.05**2 * 3226.0, rel=1e-3)
    else:
        assert geometry.bounds == pytest.approx(bounds, abs=2e-6)


def test_filled_is_the_default(read_channels):
    assert read_channels('<rect width="2" height="3"/>').area == 6.0


def test_a_shape_with_fill_and_stroke_ends_where_its_fill_ends(read_svg):
    layout = read_svg('<g id="channels"><rect id="r" width="2" height="3" stroke="red"/></g>')
    assert layout.channel_layers[0].geometry.area == 6.0
    (assumption,) = layout.assumptions
    assert assumption.what == "layers.channels.stroke"
    assert "'r'" in assumption.value


def test_white_is_a_colour_like_any_other_and_said_so(read_svg):
    layout = read_svg(
        '<g id="channels"><rect width="9" height="9"/><circle id="hole" cx="4" cy="4" r="1" fill="#FFF"/></g>'
    )
    assert layout.channel_layers[0].geometry.area == 81.0
    assert "'hole'" in layout.assumptions[0].value
    assert "no role" in layout.assumptions[0].source


@pytest.mark.parametrize(
    "hidden",
    [
        'display="none"',
        'style="display:none"',
        'visibility="hidden"',
        'opacity="0"',
        'fill-opacity="0"',
        'fill-opacity="0%"',
        'fill="none"',
        'fill="transparent"',
    ],
)
def test_what_is_not_seen_is_left_out_and_told(read_svg, hidden):
    layout = read_svg(
        '<g id="channels"><rect width="2" height="3"/>'
        f'<rect id="ghost" x="9" width="2" height="3" {hidden}/></g>'
    )
    assert layout.channel_layers[0].geometry.area == 6.0
    assert layout.channel_layers[0].shapes == 1
    (assumption,) = layout.assumptions
    assert assumption.value == "left out: <rect> 'ghost'"


def test_a_visible_shape_in_an_invisible_group_is_seen(read_channels):
    assert (
        read_channels('<g visibility="hidden"><rect width="2" height="3" visibility="visible"/></g>').area
        == 6.0
    )


def test_a_hidden_channel_layer_is_named_in_the_refusal(read_svg, refusal):
    fault = refusal(
        LayoutInvalid, read_svg, '<g id="channels" display="none"><rect width="2" height="3"/></g>'
    )
    assert "display: none" in fault.message
    assert "'channels'" in fault.message


@pytest.mark.parametrize(
    ("shape", "says"),
    [
        (LINE.format('fill="none" stroke="red" stroke-dasharray="1 1"'), "stroke-dasharray"),
        (LINE.format('fill="none" stroke="red" marker-end="url(#arrow)"'), "marker-end"),
        (LINE.format('fill="none" stroke="red" style="marker:url(#arrow)"'), "marker"),
        (LINE.format('fill="none" stroke="red" stroke-linejoin="arcs"'), "stroke-linejoin"),
        (LINE.format('fill="none" stroke="red" stroke-linecap="pointed"'), "stroke-linecap"),
        (LINE.format('fill="none" stroke="red" stroke-miterlimit="x"'), "stroke-miterlimit"),
        (LINE.format('fill="none" stroke="red" stroke-width="thick"'), "thick"),
        (LINE.format('fill="none" stroke="red" vector-effect="fixed-position"'), "vector-effect"),
        ('<rect id="p" width="1" height="1" clip-path="url(#c)"/>', "clip-path"),
        ('<g mask="url(#m)"><rect id="p" width="1" height="1"/></g>', "mask"),
        ('<rect id="p" width="1" height="1" filter="url(#f)"/>', "filter"),
        ('<rect id="p" width="1" height="1" style="transform:rotateX(9deg)"/>', "rotateX"),
        ('<rect id="p" width="1" height="1" style="rotate:9deg"/>', "rotate"),
        (
            '<rect width="1" height="1" transform="scale(2)" style="transform-box:fill-box"/>',
            "transform-box",
        ),
        ('<rect id="p" width="1" height="1" style="rx:calc(1px + 2px)"/>', "calc"),
        ('<rect id="p" width="1" height="1" style="fill:var(--c)"/>', "var(--c)"),
        ('<rect id="p" width="1" height="1" fill="blak"/>', "blak"),
        ('<rect id="p" width="1" height="1" fill="url(#nothing)"/>', "#nothing"),
        ('<pattern id="dots"/><rect id="p" width="1" height="1" fill="url(#dots)"/>', "pattern"),
        (LINE.format('fill="none" stroke="red" stroke-width="-1"'), "stroke-width"),
        ('<rect id="p" width="1" height="1" opacity="half"/>', "opacity"),
        ('<path d="M0 0H1V1" fill-rule="odd"/>', "fill-rule"),
        ('<g style="mask-image:url(#m)"><rect id="p" width="1" height="1"/></g>', "mask-image"),
        ('<g style="clip:rect(1px 1px 1px 1px)"><rect id="p" width="1" height="1"/></g>', "clip"),
        # Both a stroke and, for want of fill="none", a fill: a serpentine would become a blob.
        (LINE.format('d="M0 0h1v1" stroke="red"').replace('d="M5 5h10" ', ""), "fill"),
        ('<polyline points="0,0 1,0 1,1" stroke="red"/>', "fill"),
    ],
)
def test_what_would_change_the_shape_and_is_not_read_is_refused(read_svg, refusal, shape, says):
    fault = refusal(LayoutInvalid, read_svg, f'<g id="channels">{shape}</g>')
    assert says in fault.message
    assert fault.where


def test_dashes_of_no_length_are_a_solid_line(read_channels):
    line = LINE.format('fill="none" stroke="red" stroke-width=".2" stroke-dasharray="0, 0"')
    assert read_channels(line).area == pytest.approx(BAND, rel=1e-6)


def test_gradients_paint_like_colours_when_they_have_any(read_svg):
    layout = read_svg(
        '<linearGradient id="a"><stop stop-color="red"/></linearGradient>'
        '<linearGradient id="b" href="#a"/><radialGradient id="c"/>'
        '<g id="channels"><rect width="2" height="3" fill="url(#b)"/>'
        '<rect id="none" x="9" width="2" height="3" fill="url(#c)"/>'
        '<rect x="20" width="2" height="3" fill="url(#missing) red"/></g>'
    )
    assert layout.channel_layers[0].geometry.area == 12.0
    assert layout.assumptions[0].value == "left out: <rect> 'none'"


class TestColours:
    """Source: CSS Color Module Level 4: names §6.1, hexadecimal §5.2, rgb() §5.1, hsl() §7, hwb() §8."""

    @pytest.mark.parametrize(
        "colour",
        [
            "red", "RED", "#f00", "#ff0000", "#F00f", "rgb(255,0,0)", "rgb(100%, 0%, 0%)",
            "rgb(255 0 0 / 50%)", "rgba(255,0,0,.5)", "hsl(0,100%,50%)", "hsl(0deg 100% 50%)", "hwb(0 0% 0%)",
            "#ff0000 icc-color(press, 0, 1, 1, 0)", "currentColor",
        ],
    )  # fmt: skip
    def test_are_layers_that_a_request_names(self, read_svg, colour):
        layout = read_svg(
            f'<g color="red"><rect width="2" height="3" fill="{colour}"/>'
            '<rect width="50" height="20" fill="none" stroke="#00f"/></g>',
            roles={"#ff0000": "channels", "#0000ff": "outline"},
        )
        found = {layer.name: layer.role for layer in layout.layers if layer.shapes}
        assert found == {"#ff0000": Role.CHANNELS, "#0000ff": Role.OUTLINE}
        assert layout.channel_layers[0].geometry.area == 6.0
        assert layout.outline.area == 1000.0

    def test_of_a_line_are_those_of_its_stroke(self, read_svg):
        body = LINE.format('id="a" fill="none" stroke="lime" stroke-width=".2"')
        layout = read_svg(body, roles={"#00ff00": "channels"})
        assert layout.channel_layers[0].geometry.area == pytest.approx(BAND, rel=1e-6)

    def test_that_are_not_there(self, read_svg, refusal):
        body = '<rect id="a" width="2" height="3" fill="teal"/>'
        fault = refusal(LayoutInvalid, read_svg, body, roles={"#ff0000": "channels"})
        assert "#008080" in fault.remedy


def test_dashes_on_a_filled_shape_do_not_matter(read_channels):
    assert read_channels('<rect width="2" height="3" stroke="red" stroke-dasharray="1 1"/>').area == 6.0


def test_a_style_that_is_not_read_does_no_harm_on_an_ignored_layer(read_svg):
    layout = read_svg(
        '<g id="channels"><rect width="2" height="3"/></g>'
        '<g id="notes" clip-path="url(#c)"><path d="M0 0h9" stroke="red" stroke-dasharray="1"/></g>'
    )
    assert [layer.name for layer in layout.layers] == ["channels", "notes"]
