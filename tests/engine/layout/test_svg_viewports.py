"""Drawings within the drawing, symbols with a view box, what lies outside them, and choices of contents.

Sheet of the tests: 76 × 26 mm, one user unit a millimetre, y pointing up in what comes out.
"""

import pytest

UNIT_SQUARE = '<rect width="10" height="10"/>'


@pytest.mark.parametrize(
    ("attributes", "bounds"),
    [
        ('x="3" y="4"', (3.0, 12.0, 13.0, 22.0)),
        # 10 × 10 units into 20 × 20.
        ('x="3" y="4" width="20" height="20" viewBox="0 0 10 10"', (3.0, 2.0, 23.0, 22.0)),
        # Into a frame of 40 × 20 it keeps its shape, in the middle or at a side.
        ('width="40" height="20" viewBox="0 0 10 10"', (10.0, 6.0, 30.0, 26.0)),
        ('width="40" height="20" viewBox="0 0 10 10" preserveAspectRatio="xMinYMin"', (0.0, 6.0, 20.0, 26.0)),
        (
            'width="40" height="20" viewBox="0 0 10 10" preserveAspectRatio="xMaxYMax"',
            (20.0, 6.0, 40.0, 26.0),
        ),
        ('width="40" height="20" viewBox="0 0 10 10" preserveAspectRatio="none"', (0.0, 6.0, 40.0, 26.0)),
        # Sliced, 40 × 40 of which the frame shows the upper, middle and lower 20.
        (
            'width="40" height="20" viewBox="0 0 10 10" preserveAspectRatio="xMidYMin slice"',
            (0.0, 6.0, 40.0, 26.0),
        ),
        ('width="50%" height="50%" viewBox="0 0 38 13"', (0.0, 16.0, 10.0, 26.0)),
        ('viewBox="-10 -10 76 26" transform="translate(1 2)"', (11.0, 4.0, 21.0, 14.0)),
        # Cut at the frame unless it says otherwise.
        ('width="4" height="5"', (0.0, 21.0, 4.0, 26.0)),
        ('width="4" height="5" overflow="visible"', (0.0, 16.0, 10.0, 26.0)),
        ('width="4" height="5" style="overflow:auto"', (0.0, 16.0, 10.0, 26.0)),
        ('width="4" height="5" style="overflow:scroll"', (0.0, 21.0, 4.0, 26.0)),
        ('width="1mm" height="26" viewBox="0 0 10 10"', (0.0, 11.1102, 3.7795, 14.8898)),
        ('style="width:20px;height:20px" viewBox="0 0 10 10"', (0.0, 6.0, 20.0, 26.0)),
    ],
)
def test_inner_drawings(read_channels, attributes, bounds):
    geometry = read_channels(f"<svg {attributes}>{UNIT_SQUARE}</svg>")
    assert geometry.bounds == pytest.approx(bounds, abs=1e-4)


@pytest.mark.parametrize(
    ("symbol", "use", "bounds"),
    [
        ("", 'x="3" y="4"', (3.0, 12.0, 13.0, 22.0)),
        ('viewBox="0 0 10 10"', 'x="3" y="4" width="20" height="20"', (3.0, 2.0, 23.0, 22.0)),
        ('viewBox="0 0 10 10" width="20" height="20"', "", (0.0, 6.0, 20.0, 26.0)),
        ('viewBox="0 0 10 10" width="20" height="20"', 'width="10" height="10"', (0.0, 16.0, 10.0, 26.0)),
        ('viewBox="0 0 5 5" width="5" height="5"', "", (0.0, 21.0, 5.0, 26.0)),
        ('viewBox="0 0 5 5" width="5" height="5" overflow="visible"', "", (0.0, 16.0, 10.0, 26.0)),
        (
            'viewBox="0 0 10 10" preserveAspectRatio="xMaxYMid"',
            'width="40" height="20" transform="translate(1)"',
            (21.0, 6.0, 41.0, 26.0),
        ),
    ],
)
@pytest.mark.parametrize("kind", ["symbol", "svg"])
def test_symbols_and_drawings_that_are_referred_to(read_channels, kind, symbol, use, bounds):
    shapes = f'<defs><{kind} id="s" {symbol}>{UNIT_SQUARE}</{kind}></defs><use href="#s" {use}/>'
    assert read_channels(shapes).bounds == pytest.approx(bounds, abs=1e-6)


def test_a_symbol_is_no_layer(read_svg):
    shapes = f'<defs><symbol id="outline">{UNIT_SQUARE}</symbol></defs><use id="a" href="#outline"/>'
    layout = read_svg(f'<g id="channels">{shapes}</g>')
    assert [(layer.name, layer.geometry.area) for layer in layout.layers] == [("channels", 100.0)]


def test_percentages_refer_to_the_nearest_drawing(read_channels):
    shapes = '<svg width="20" height="10" viewBox="0 0 4 2"><rect width="50%" height="100%"/></svg>'
    assert read_channels(shapes).bounds == (0.0, 16.0, 10.0, 26.0)


def test_what_is_cut_is_told(read_svg):
    layout = read_svg(f'<g id="channels"><svg width="4" height="5">{UNIT_SQUARE}</svg></g>')
    assert layout.channel_layers[0].geometry.area == 20.0
    assert [assumption.what for assumption in layout.assumptions] == ["layers.channels.clip"]


def test_an_inner_drawing_may_be_a_layer(read_svg):
    layout = read_svg(f'<g><svg id="channels" data-depth-um="80">{UNIT_SQUARE}</svg></g>')
    assert layout.channel_layers[0].depth_um == 80.0


def test_an_inner_drawing_without_size_is_left_out(read_svg):
    layout = read_svg(f'<g id="channels">{UNIT_SQUARE}<svg id="gone" width="0">{UNIT_SQUARE}</svg></g>')
    assert layout.channel_layers[0].shapes == 1
    assert layout.assumptions[0].value == "left out: <svg> 'gone'"


class TestChoices:
    """Source: SVG 2, §5.9."""

    @pytest.mark.parametrize(
        "first",
        [
            '<g systemLanguage="de"><rect width="9" height="9"/></g>',
            '<foreignObject requiredExtensions="http://example.org/"/>',
            "<!-- nothing -->",
            '<rect systemLanguage="" width="9" height="9"/>',
        ],
    )
    def test_the_first_that_is_for_everyone_is_taken(self, read_channels, first):
        shapes = f'<switch>{first}<rect width="2" height="3"/><rect width="7" height="7"/></switch>'
        assert read_channels(shapes).area == 6.0

    def test_english_is_taken_and_told(self, read_svg):
        layout = read_svg(
            '<g id="channels"><switch id="s"><rect systemLanguage="fr" width="1" height="1"/>'
            '<rect systemLanguage="de, en-GB" width="2" height="3"/><rect width="5" height="5"/></switch></g>'
        )
        assert layout.channel_layers[0].geometry.area == 6.0
        assert "'s'" in layout.assumptions[0].value

    def test_conditions_hold_outside_choices_too(self, read_svg):
        layout = read_svg(
            f'<g id="channels">{UNIT_SQUARE}'
            '<rect id="fr" systemLanguage="fr" x="20" width="1" height="1"/><switch id="s"/></g>'
        )
        assert layout.channel_layers[0].geometry.area == 100.0
        assert {assumption.value for assumption in layout.assumptions} == {
            "left out: <rect> 'fr'",
            "left out: <switch> 's'",
        }
