"""What is painted: presentation attributes, style attributes, style sheets, inheritance, hidden things."""

import pytest

from rillcast_service.engine.errors import LayoutInvalid

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
    assert "colours are not read" in layout.assumptions[0].source


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
        ('<rect id="p" width="1" height="1" style="transform:rotate(9deg)"/>', "transform"),
        ('<rect id="p" width="1" height="1" style="rx:9"/>', "rx"),
        ('<rect id="p" width="1" height="1" opacity="half"/>', "opacity"),
        ('<path d="M0 0H1V1" fill-rule="odd"/>', "fill-rule"),
        ("<style>g > path{fill:none}</style><path d='M0 0H1V1'/>", "g > path"),
        ("<style>@media print{path{fill:none}}</style><path d='M0 0H1V1'/>", "at-rules"),
        # Both a stroke and, for want of fill="none", a fill: a serpentine would become a blob.
        (LINE.format('d="M0 0h1v1" stroke="red"').replace('d="M5 5h10" ', ""), "fill"),
        ('<polyline points="0,0 1,0 1,1" stroke="red"/>', "fill"),
    ],
)
def test_what_would_change_the_shape_and_is_not_read_is_refused(read_svg, refusal, shape, says):
    fault = refusal(LayoutInvalid, read_svg, f'<g id="channels">{shape}</g>')
    assert says in fault.message
    assert fault.where


def test_dashes_on_a_filled_shape_do_not_matter(read_channels):
    assert read_channels('<rect width="2" height="3" stroke="red" stroke-dasharray="1 1"/>').area == 6.0


def test_a_style_that_is_not_read_does_no_harm_on_an_ignored_layer(read_svg):
    layout = read_svg(
        '<g id="channels"><rect width="2" height="3"/></g>'
        '<g id="notes" clip-path="url(#c)"><path d="M0 0h9" stroke="red" stroke-dasharray="1"/></g>'
    )
    assert [layer.name for layer in layout.layers] == ["channels", "notes"]
