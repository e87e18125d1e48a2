"""Exposure on pixels: coverage, the erf profile of an edge, and what must hold for any drawing."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate, translate

from rillcast_service.engine.asmade.pixels import Light, PixelGrid, lit_pixels, outline
from rillcast_service.engine.layout.grid import coverage
from rillcast_service.engine.layout.measure import measure

PITCH = 0.035
GRID = PixelGrid(PITCH, PITCH)
LIGHT = Light(bleed_mm=0.025, spread_mm=0.022)
FINE = 1e-5

BAR = box(-3.0, -0.35, 3.0, 0.35)
WEDGE = Polygon([(0, 0), (6, 0.2), (6, 1.4)])
RING = Point(0, 0).buffer(2.0, quad_segs=64).difference(Point(0, 0).buffer(1.5, quad_segs=64))
BELL = shapely.union_all([box(0, 0, 1, 1), box(0.9, 0.44, 3.1, 0.56), box(3, 0, 4, 1)])
COMB = shapely.union_all([box(0, 0, 6, 0.5), *(box(0.4 * k, 0.4, 0.4 * k + 0.2, 3.0) for k in range(15))])
SHAPES = {"bar": BAR, "wedge": WEDGE, "ring": RING, "bell": BELL, "comb": COMB}


def _of(shape) -> MultiPolygon:
    return shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape])


def _made(shape, *, grid=GRID, light=LIGHT, solid=True, tolerance_mm=FINE) -> MultiPolygon:
    return outline(_of(shape), grid, light, solid=solid, tolerance_mm=tolerance_mm)


@pytest.mark.parametrize("degrees", [0, 7, 17, 45])
@pytest.mark.parametrize("name", SHAPES)
def test_coverage_adds_up_to_the_exact_area(name, degrees):
    shape = rotate(SHAPES[name], degrees, origin=(0, 0))
    column, row, share = coverage(shape, origin_mm=(0.013, -0.4), pitch_mm=(0.035, 0.05))
    assert share.sum() * 0.035 * 0.05 == pytest.approx(shape.area, rel=1e-9)
    # and of single pixels: against the clipping of a general library
    for index in range(0, len(share), max(1, len(share) // 50)):
        x, y = 0.013 + 0.035 * column[index], -0.4 + 0.05 * row[index]
        clipped = shapely.intersection(shape, box(x, y, x + 0.035, y + 0.05))
        assert share[index] * 0.035 * 0.05 == pytest.approx(clipped.area, abs=1e-12)


@pytest.mark.parametrize("degrees", [0, 7, 17, 45])
@pytest.mark.parametrize("name", SHAPES)
def test_sharp_light_on_ever_finer_pixels_comes_down_to_what_was_drawn(name, degrees):
    shape = rotate(SHAPES[name], degrees, origin=(0, 0))
    for pitch in (0.02, 0.01, 0.005):
        made = _made(shape, grid=PixelGrid(pitch, pitch), light=Light(0.0, 0.0), tolerance_mm=0.1 * pitch)
        assert made.is_valid
        # an edge lies up to half a pixel (on a diagonal 0.35) to either side; tips end a little earlier
        assert made.symmetric_difference(shape).area < 0.55 * pitch * shape.length


@pytest.mark.parametrize("degrees", [0, 7, 17, 45])
@pytest.mark.parametrize("name", ["bar", "ring", "bell", "comb"])
def test_widths_and_gaps_on_fine_pixels_are_the_drawn_ones(name, degrees):
    shape = rotate(SHAPES[name], degrees, origin=(0, 0))
    made = _made(shape, grid=PixelGrid(0.01, 0.01, 255), light=Light(0.0, 0.008), tolerance_mm=1e-4)
    for what in ("width", "gap"):
        drawn, printed = _measured(shape, what), _measured(made, what)
        assert (drawn is None) == (printed is None)
        assert drawn is None or printed == pytest.approx(drawn, abs=1.0)


def _measured(shape, what: str) -> float | None:
    span = getattr(measure(_of(shape)), what)
    return span.length_um if span else None


@pytest.mark.parametrize("solid", [True, False])
@pytest.mark.parametrize("pixels", [2, 3, 4, 8, 40])
def test_a_bar_on_whole_pixels_against_the_closed_form(pixels, solid):
    """Light across a bar of width w: (erf((x + w/2)/√2σ) - erf((x - w/2)/√2σ))/2, a Gaussian's integral."""
    width, spread = pixels * PITCH, LIGHT.spread_mm
    threshold = 0.5 * (1.0 - erf(LIGHT.bleed_mm / (math.sqrt(2.0) * spread)))
    level = threshold if solid else 1.0 - threshold

    def over(x: float) -> float:
        scale = math.sqrt(2.0) * spread
        return 0.5 * (erf((x + width / 2.0) / scale) - erf((x - width / 2.0) / scale)) - level

    made = _made(box(0.0, 0.0, 200 * PITCH, width), solid=solid)
    if over(0.0) < 0.0:
        assert made.is_empty
        return
    half = brentq(over, 0.0, width)
    middle = made.intersection(LineString([(3.5, -1.0), (3.5, 2.0)]))
    assert middle.length == pytest.approx(2.0 * half, abs=1e-6 if half > 0.01 else 1e-4)
    _, y0, _, y1 = made.bounds
    assert (y0 + y1) / 2.0 == pytest.approx(width / 2.0, abs=1e-6)


@pytest.mark.parametrize("solid", [True, False])
def test_a_wide_bar_moves_by_the_bleed_on_each_side(solid):
    made = _made(box(0.0, 0.0, 200 * PITCH, 20 * PITCH), solid=solid)
    sign = 1.0 if solid else -1.0
    expected = (-sign * 0.025, -sign * 0.025, 7.0 + sign * 0.025, 0.7 + sign * 0.025)
    assert made.bounds == pytest.approx(expected, abs=1e-6)
    # straight edges stay two points: the rest are the corners
    (bar,) = _made(box(0.0, 0.0, 7.0, 0.7), solid=solid, tolerance_mm=0.05 * PITCH).geoms
    assert len(bar.exterior.coords) < 40


@pytest.mark.parametrize("degrees", [7, 17, 45, 83])
@pytest.mark.parametrize("solid", [True, False])
def test_a_turned_bar_comes_out_straight_to_half_a_pixel(degrees, solid):
    made = _made(rotate(BAR, degrees, origin=(0, 0)), solid=solid)
    level = rotate(made, -degrees, origin=(0, 0))
    sign = 1.0 if solid else -1.0
    upper = shapely.get_coordinates(level.intersection(box(-2.5, 0.0, 2.5, 1.0)).boundary)
    upper = upper[(upper[:, 1] > 0.2) & (np.abs(upper[:, 0]) < 2.4), 1]
    off = upper - (0.35 + sign * 0.025)
    assert np.abs(off).max() < PITCH / 2.0
    # on a diagonal the steps of the pixels are smoothed away by the light
    if degrees == 45:
        assert np.ptp(off) < 0.02 * PITCH
    # all of a diagonal edge can lie to one side of the drawn one, at other angles the steps even out
    area = (6.0 + sign * 0.05) * (0.7 + sign * 0.05)
    assert made.area == pytest.approx(area, rel=0.01 if degrees != 45 else 6.0 * PITCH / 2.0**0.5 / area)


@pytest.mark.parametrize("degrees", [7, 17, 45])
def test_greys_straighten_a_turned_bar(degrees):
    turned = rotate(BAR, degrees, origin=(0, 0))
    light = Light(bleed_mm=0.0, spread_mm=0.022)

    def off(levels: int) -> float:
        made = _made(turned, grid=PixelGrid(PITCH, PITCH, grey_levels=levels), light=light)
        middle = box(-2.5, -1.0, 2.5, 1.0)
        return (
            rotate(made, -degrees, origin=(0, 0))
            .intersection(middle)
            .hausdorff_distance(BAR.intersection(middle))
        )

    assert off(255) < 0.05 * PITCH
    assert off(255) <= off(4) + 1e-6 <= off(1) + 2e-6


def test_the_drawing_turned_on_the_raster_is_the_raster_turned_under_the_drawing():
    grid = PixelGrid(PITCH, PITCH, corner_mm=(0.3, -0.2), turned_deg=17.0)
    made = _made(COMB, grid=grid)
    corner = Point(0.3, -0.2)
    other = rotate(
        _made(rotate(COMB, 17.0, origin=corner), grid=PixelGrid(PITCH, PITCH, corner_mm=(0.3, -0.2))),
        -17.0,
        origin=corner,
    )
    assert made.symmetric_difference(other).area < 1e-6


def test_teeth_closer_than_the_light_run_together_and_thin_ones_vanish():
    teeth = MultiPolygon([box(0.0, 0.0, 2.0, 0.14), box(0.0, 0.175, 2.0, 0.315)])
    assert len(_made(teeth, solid=True).geoms) == 1
    assert len(_made(teeth, solid=False).geoms) == 2
    thin = MultiPolygon([box(0.0, 0.0, 2.0, PITCH)])
    assert _made(thin, solid=False).is_empty
    assert not _made(thin, solid=True).is_empty


def test_less_than_half_a_pixel_is_not_lit():
    thin = MultiPolygon([box(0.0, 0.0, 2.1, 0.4 * PITCH)])
    assert not len(lit_pixels(thin, GRID, solid=True)[0])
    assert _made(thin).is_empty
    assert lit_pixels(thin, PixelGrid(PITCH, PITCH, 255), solid=True)[2] == pytest.approx(102 / 255)


def test_nothing_drawn_gives_nothing():
    assert _made(MultiPolygon()).is_empty


@st.composite
def drawings(draw) -> MultiPolygon:
    count = draw(st.integers(1, 3))
    bars = []
    for _ in range(count):
        x, y = draw(st.floats(0.0, 1.5)), draw(st.floats(0.0, 1.5))
        length, width = draw(st.floats(0.1, 1.5)), draw(st.floats(0.03, 0.4))
        bars.append(rotate(box(x, y, x + length, y + width), draw(st.floats(0.0, 180.0))))
    return _of(shapely.union_all(bars))


@settings(max_examples=25, deadline=None)
@given(drawings(), st.integers(-40, 40), st.integers(-40, 40), st.booleans(), st.sampled_from([1, 7, 255]))
def test_moved_by_whole_pixels_the_result_moves_with_it(drawing, columns, rows, solid, levels):
    grid = PixelGrid(PITCH, 0.05, grey_levels=levels)
    step = (columns * PITCH, rows * 0.05)
    made = _made(drawing, grid=grid, solid=solid, tolerance_mm=0.0)
    moved = _made(translate(drawing, *step), grid=grid, solid=solid, tolerance_mm=0.0)
    assert moved.symmetric_difference(translate(made, *step)).area < 1e-8


@settings(max_examples=25, deadline=None)
@given(drawings(), st.floats(1e-4, 0.1), st.booleans(), st.sampled_from([1, 7, 255]))
def test_widening_a_drawing_never_narrows_what_comes_out(drawing, wider, solid, levels):
    grid = PixelGrid(PITCH, PITCH, grey_levels=levels)
    made = _made(drawing, grid=grid, solid=solid)
    more = _made(_of(drawing.buffer(wider, join_style="mitre")), grid=grid, solid=solid)
    assert made.is_valid
    assert more.is_valid
    assert made.difference(more.buffer(2e-4)).area < 1e-9


@settings(max_examples=20, deadline=None)
@given(drawings())
def test_without_bleed_and_between_two_pixels_both_polarities_agree(drawing):
    """What is cured and what is left open share their outline when light and dark are alike."""
    light = Light(bleed_mm=0.0, spread_mm=0.022)
    grid = PixelGrid(PITCH, PITCH, corner_mm=(0.00123, 0.00217), grey_levels=255)
    ridge, channel = (_made(drawing, grid=grid, light=light, solid=solid) for solid in (True, False))
    assert ridge.symmetric_difference(channel).area < 2e-3 * drawing.length * PITCH
