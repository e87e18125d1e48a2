"""Clip paths. Source: CSS Masking Module Level 1, §5 and §6."""

import math

import pytest

from rillcast_service.engine.errors import LayoutInvalid, LayoutTooComplex
from rillcast_service.engine.layout.limits import Limits

CLIP = '<clipPath id="c" {}>{}</clipPath>'
SQUARE = '<rect width="10" height="10" clip-path="url(#c)"/>'


@pytest.mark.parametrize(
    ("clip", "shape", "area_mm2"),
    [
        (CLIP.format("", '<rect width="4" height="3"/>'), SQUARE, 12.0),
        # Neither fill nor stroke of a clip matters, nor its opacity.
        (CLIP.format("", '<rect width="4" height="3" fill="none" opacity="0"/>'), SQUARE, 12.0),
        (
            CLIP.format("", '<rect width="4" height="3"/><circle cx="10" cy="10" r="4"/>'),
            SQUARE,
            12.0 + 4.0 * math.pi,
        ),
        # Overlapping shapes are one area.
        (CLIP.format("", '<rect width="4" height="3"/><rect width="3" height="4"/>'), SQUARE, 15.0),
        (CLIP.format("", '<path clip-rule="evenodd" d="M0 0h6v6h-6zM1 1h4v4h-4z"/>'), SQUARE, 20.0),
        (CLIP.format("", '<path fill-rule="evenodd" d="M0 0h6v6h-6zM1 1h4v4h-4z"/>'), SQUARE, 36.0),
        (CLIP.format('clip-rule="evenodd"', '<path d="M0 0h6v6h-6zM1 1h4v4h-4z"/>'), SQUARE, 20.0),
        (CLIP.format('transform="scale(2)"', '<rect width="4" height="3"/>'), SQUARE, 48.0),
        (CLIP.format("", '<rect width="4" height="3" transform="translate(8)"/>'), SQUARE, 6.0),
        # The clip is in the units of what it clips, its transform included.
        (
            CLIP.format("", '<rect width="4" height="3"/>'),
            SQUARE.replace("<rect", '<rect transform="scale(2)"'),
            48.0,
        ),
        (
            CLIP.format('clipPathUnits="objectBoundingBox"', '<rect width=".5" height="1"/>'),
            SQUARE.replace("<rect", '<rect x="20" y="5"'),
            50.0,
        ),
        (
            CLIP.format("", '<use href="#r" x="8"/>') + '<defs><rect id="r" width="4" height="3"/></defs>',
            SQUARE,
            6.0,
        ),
        # A clip of a clip, and a clipped shape within a clip.
        (
            CLIP.format('clip-path="url(#d)"', '<rect width="4" height="3"/>')
            + '<clipPath id="d"><rect width="1" height="9"/></clipPath>',
            SQUARE,
            3.0,
        ),
        (
            CLIP.format(
                "", '<rect width="4" height="3" clip-path="url(#d)"/><rect x="8" width="1" height="1"/>'
            )
            + '<clipPath id="d"><rect width="1" height="9"/></clipPath>',
            SQUARE,
            4.0,
        ),
        # Of groups, nested: what all of them leave.
        (
            CLIP.format("", '<rect width="4" height="3"/>')
            + '<clipPath id="d"><rect x="3" width="9" height="9"/></clipPath>',
            f'<g clip-path="url(#d)"><g>{SQUARE}</g></g>',
            3.0,
        ),
        (
            CLIP.format("", '<rect width="4" height="3"/>'),
            '<g style="clip-path: url(&quot;#c&quot;)"><path d="M0 1h9" fill="none" stroke="red"/></g>',
            4.0,
        ),
        # Shapes that are hidden clip nothing in.
        (
            CLIP.format("", '<rect width="4" height="3"/><rect width="9" height="9" display="none"/>'),
            SQUARE,
            12.0,
        ),
        (
            CLIP.format("", '<rect width="4" height="3"/><rect width="9" height="9" visibility="hidden"/>'),
            SQUARE,
            12.0,
        ),
        (CLIP.format("", '<rect width="50%" height="100%"/>'), SQUARE, 100.0),
    ],
)
def test_area_that_is_left(read_channels, clip, shape, area_mm2):
    assert read_channels(clip + shape).area == pytest.approx(area_mm2, rel=1e-3)


def test_a_transform_moves_a_clip_in_the_units_of_what_it_clips(read_channels):
    clip = CLIP.format(
        'clipPathUnits="objectBoundingBox" transform="translate(3)"', '<rect width=".5" height="1"/>'
    )
    shape = SQUARE.replace("<rect", '<rect x="20"')
    assert read_channels(clip + shape).bounds == pytest.approx((23.0, 16.0, 28.0, 26.0), abs=1e-6)


def test_a_clip_that_goes_by_the_size_of_a_group(read_channels):
    clip = CLIP.format('clipPathUnits="objectBoundingBox"', '<circle cx=".5" cy=".5" r=".5"/>')
    shapes = (
        '<g clip-path="url(#c)"><rect width="5" height="10"/>'
        '<g transform="translate(4 1)"><use href="#r" x="1" y="-1"/></g></g>'
        '<defs><rect id="r" width="5" height="5"/></defs>'
    )
    # Three quarters of the disc about (5, 5).
    assert read_channels(clip + shapes).area == pytest.approx(0.75 * math.pi * 25.0, rel=1e-3)


def test_a_clip_is_told_where_it_cuts_and_only_there(read_svg):
    body = (
        '<clipPath id="c"><rect width="50" height="5"/></clipPath><g id="channels" clip-path="url(#c)">{}</g>'
    )
    layout = read_svg(
        body.format('<rect id="a" width="2" height="9"/><rect id="b" x="9" width="2" height="2"/>')
    )
    assert layout.channel_layers[0].geometry.area == 14.0
    (assumption,) = layout.assumptions
    assert assumption.what == "layers.channels.clip"
    assert "'a'" in assumption.value
    assert "'b'" not in assumption.value


def test_shapes_that_are_clipped_away_are_told(read_svg):
    layout = read_svg(
        '<clipPath id="empty"/><g id="channels"><rect width="2" height="3"/>'
        '<rect id="gone" x="9" width="2" height="3" clip-path="url(#empty)"/></g>'
    )
    assert layout.channel_layers[0].geometry.area == 6.0
    assert "left out: <rect> 'gone'" in {assumption.value for assumption in layout.assumptions}


@pytest.mark.parametrize(
    ("clip", "says"),
    [
        ("", "'c'"),
        ('<rect id="c" width="9" height="9"/>', "'c'"),
        ('<clipPath id="c" clip-path="url(#c)"><rect width="9" height="9"/></clipPath>', "itself"),
        (
            '<clipPath id="c" clip-path="url(#d)"/><clipPath id="d" clip-path="url(#c)"/>',
            "itself",
        ),
        ('<clipPath id="c"><text>a</text></clipPath>', "text"),
        ('<clipPath id="c"><g><rect width="9" height="9"/></g></clipPath>', "<g>"),
        ('<clipPath id="c"><use href="#g"/></clipPath><defs><g id="g"/></defs>', "<g>"),
        ('<clipPath id="c"><rect width="9" height="9" clip-rule="odd"/></clipPath>', "clip-rule"),
    ],
)
def test_clips_that_cannot_be_used(read_svg, refusal, clip, says):
    fault = refusal(LayoutInvalid, read_svg, f'{clip}<g id="channels">{SQUARE}</g>')
    assert says in fault.message
    assert "'channels'" in fault.where


def test_a_clip_by_a_plain_shape_of_css_is_refused_by_name(read_svg, refusal):
    shape = '<g id="channels"><rect width="9" height="9" style="clip-path:circle(3px)"/></g>'
    assert "circle(3px)" in refusal(LayoutInvalid, read_svg, shape).message


def test_elements_of_clips_count_as_often_as_they_are_worked_out(read_svg, refusal):
    clip = f'<clipPath id="c">{"<rect/>" * 50}</clipPath><g id="channels"><rect width="9" height="1"/>'
    limits = Limits(elements_count=1000)
    # A clip in one place is worked out once for all that it clips.
    assert read_svg(f"{clip}{SQUARE * 50}</g>", limits=limits).channel_layers[0].shapes == 1
    moved = "".join(SQUARE.replace("<rect", f'<rect transform="translate({n})"') for n in range(50))
    fault = refusal(LayoutTooComplex, read_svg, f"{clip}{moved}</g>", limits=limits)
    assert "elements" in fault.message
