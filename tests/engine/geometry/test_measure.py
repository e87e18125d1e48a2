"""Least widths and gaps against shapes whose answer is plain geometry."""

import math

import pytest
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all
from shapely.affinity import rotate, scale

from rillcast_service.engine.layout.measure import measure, narrow_gaps, narrow_spans

ANGLES = (0.0, 17.0, 45.0, 90.0, 133.0)


def _width(geometry):
    return measure(geometry).width.length_um


@pytest.mark.parametrize("angle", ANGLES)
def test_bar_is_as_wide_as_drawn_at_any_angle(angle):
    bar = rotate(box(0, 0, 5, 0.2), angle)
    assert _width(bar) == pytest.approx(200.0, abs=1e-6)
    assert measure(bar).gap is None


@pytest.mark.parametrize("angle", ANGLES)
def test_square_pocket_at_the_end_of_a_channel_gives_no_false_neck(angle):
    """The corners of a dead end come arbitrarily close to both walls, yet the channel is 200 µm wide."""
    channel = rotate(union_all([box(0, 0, 4, 0.2), box(4, -0.2, 4.6, 0.4)]), angle)
    assert _width(channel) == pytest.approx(200.0, abs=1e-6)
    assert narrow_spans(channel, below_um=199.0) == ()


def test_square_is_as_wide_as_its_side():
    assert _width(box(0, 0, 0.3, 0.3)) == pytest.approx(300.0, abs=1e-6)


def test_rounded_end_gives_no_alarm():
    channel = LineString([(0, 0), (5, 1)]).buffer(0.1, quad_segs=16)
    assert _width(channel) == pytest.approx(200.0, abs=1e-6)
    # the round cap is a polygon, whose flats lie up to 0.5 µm inside the circle
    assert narrow_spans(channel, below_um=199.0) == ()


def test_bent_channel_keeps_its_width_through_sharp_and_round_bends():
    for join in ("mitre", "round"):
        bend = LineString([(0, 0), (2, 0), (2, 2), (4, 2)]).buffer(0.1, cap_style="flat", join_style=join)
        assert _width(bend) == pytest.approx(200.0, abs=1e-6)


def test_annulus_is_as_wide_as_the_difference_of_its_radii():
    ring = Point(0, 0).buffer(1.0, quad_segs=64).difference(Point(0, 0).buffer(0.9, quad_segs=64))
    flats = math.cos(math.pi / 256)  # both circles are 256-gons, whose flats are parallel
    assert _width(ring) == pytest.approx(100.0 * flats, abs=1e-3)


def test_eccentric_annulus_is_narrowest_where_the_circles_come_closest():
    ring = Point(0, 0).buffer(1.0, quad_segs=64).difference(Point(0.05, 0).buffer(0.9, quad_segs=64))
    width = measure(ring).width
    assert width.length_um == pytest.approx(50.0, abs=0.3)
    assert width.centre.distance(Point(0.975, 0)) < 0.03


def test_dumb_bell_reports_its_neck_and_where_it_is():
    bell = union_all([box(0, 0, 1, 1), box(1, 0.45, 1.5, 0.55), box(1.5, 0, 2.5, 1)])
    found = measure(bell)
    assert found.width.length_um == pytest.approx(100.0, abs=1e-6)
    assert 1.0 <= found.width.centre.x <= 1.5
    assert found.gap.length_um == pytest.approx(500.0, abs=1e-6)
    assert len(narrow_spans(bell, below_um=150.0)) == 1


def test_hourglass_is_narrowest_between_its_two_points():
    glass = Polygon([(0, -1), (0, 1), (1, 0.05), (2, 1), (2, -1), (1, -0.05)])
    (neck,) = narrow_spans(glass, below_um=150.0)
    assert neck.length_um == pytest.approx(100.0, abs=1e-6)
    assert neck.centre.distance(Point(1, 0)) < 1e-9


def test_offset_points_are_measured_from_tip_to_tip():
    """Two corners that face each other at a slant: no wall's own perpendicular meets the other."""
    channel = Polygon([(0, 0), (1, 0.4), (2, 0), (3, 0), (3, 1), (1.95, 0.6), (1, 1), (0, 1)])
    tips = math.hypot(0.95, 0.2)
    # here the shortest way from (1.95, 0.6) is to the flank below it, not to the other tip
    below = Point(1.95, 0.6).distance(LineString([(1, 0.4), (2, 0)]))
    assert below < tips
    assert _width(channel) == pytest.approx(below * 1e3, abs=1e-6)


def test_slow_taper_is_as_wide_as_its_narrow_end():
    assert _width(Polygon([(0, -0.05), (5, -0.1), (5, 0.1), (0, 0.05)])) == pytest.approx(100.0, abs=0.1)


def test_sharp_wedge_has_no_neck_but_the_channel_it_ends_has():
    wedge = Polygon([(0, 0), (2, 0.3526), (2, -0.3526)])  # 20° at its tip
    channel = union_all([wedge, box(1.9, -0.1, 5, 0.1)])
    assert _width(channel) == pytest.approx(200.0, abs=1e-6)


@pytest.mark.parametrize("angle", ANGLES)
def test_knife_edge_of_wall_between_parting_branches_is_no_gap(angle):
    branches = rotate(
        union_all([LineString([(0, 0), (2, 0), (6, y)]).buffer(0.1, cap_style="flat") for y in (0.6, -0.6)]),
        angle,
    )
    assert measure(branches).gap is None
    assert narrow_gaps(branches, below_um=900.0) == ()


@pytest.mark.parametrize("angle", ANGLES)
def test_sharp_island_is_as_wide_as_its_largest_disc_not_as_its_points(angle):
    """Three channels that cross leave a needle of wall, 8° at its tip."""
    needle = Polygon([(0, 0), (4, 0.28), (4, -0.28)])
    gap = measure(rotate(box(-1, -2, 6, 2).difference(needle), angle)).gap
    # inscribed circle of the triangle: radius = 2 A / P
    assert gap.length_um == pytest.approx(4e3 * needle.area / needle.length, abs=1.0)


def test_island_with_a_knob_on_one_side_is_not_as_thin_as_its_point():
    """The knob juts in, but beyond it the walls run on into the sharp end."""
    points = [(1.65, 1.877), (1.65, 1.2), (1.6386, 1.1426), (1.6061, 1.0939), (1.5574, 1.0614), (1.5, 1.05)]
    island = Polygon([*points, (1.1447, 1.05), (2.3713, 0.7229)])
    gap = measure(box(0, 0, 4, 3).difference(island)).gap
    assert gap.length_um > 150.0
    assert narrow_gaps(box(0, 0, 4, 3).difference(island), below_um=150.0) == ()


@pytest.mark.parametrize("mirror", [1.0, -1.0])
def test_coarsely_rounded_end_gives_no_false_neck(mirror):
    """A cap of eight flats: the first pair leans in by 11°, yet the channel is 150 µm wide."""
    channel = scale(LineString([(0, 0), (3, 1.2)]).buffer(0.075, quad_segs=4), xfact=mirror, origin=(0, 0))
    assert _width(channel) == pytest.approx(150.0, abs=1e-3)


def test_channels_that_part_along_arcs_have_no_gap_at_the_cusp():
    rings = [
        Point(x, 0).buffer(2.1, quad_segs=64).difference(Point(x, 0).buffer(1.9, quad_segs=64))
        for x in (-2, 2)
    ]
    crossing = union_all(rings)
    assert narrow_gaps(crossing, below_um=300.0) == ()
    assert _width(crossing) == pytest.approx(200.0, abs=0.2)


def test_parallel_channels_that_converge_without_meeting_do_have_a_gap():
    pair = MultiPolygon(
        [Polygon([(0, 0), (5, 0.2), (5, 0.4), (0, 0.2)]), Polygon([(0, -0.2), (5, 0), (5, 0.17), (0, -0.05)])]
    )
    gap = measure(pair).gap
    # nearest at the far end: from the lower one's corner (5, 0.17) to the upper one's lower wall
    assert gap.length_um == pytest.approx(
        1e3 * Point(5, 0.17).distance(LineString([(0, 0), (5, 0.2)])), abs=1e-6
    )
    assert gap.centre.x > 4.9


def test_comb_has_one_gap_per_pair_of_teeth():
    teeth = [box(0.3 * k, 0.5, 0.3 * k + 0.2, 2.0) for k in range(16)]
    comb = union_all([box(0, 0, 5, 0.5), *teeth])
    found = measure(comb)
    assert found.width.length_um == pytest.approx(200.0, abs=1e-6)
    assert found.gap.length_um == pytest.approx(100.0, abs=1e-6)
    gaps = narrow_gaps(comb, below_um=150.0)
    assert len(gaps) == 15
    assert all(gap.length_um == pytest.approx(100.0, abs=1e-6) for gap in gaps)
    assert narrow_spans(comb, below_um=150.0) == ()


def test_serpentine_is_one_narrow_place_with_a_wall_between_every_two_legs():
    points = [(0.5 * (k // 2), 5.0 * (((k + 1) // 2) % 2)) for k in range(20)]
    serpentine = LineString(points).buffer(0.1, join_style="mitre", cap_style="flat")
    assert len(narrow_spans(serpentine, below_um=210.0)) == 1
    gaps = narrow_gaps(serpentine, below_um=310.0)
    assert len(gaps) == 9
    assert gaps[0].length_um == pytest.approx(300.0, abs=1e-6)


def test_corner_to_corner_gap():
    squares = MultiPolygon([box(0, 0, 1, 1), box(1.02, 1.03, 2, 2)])
    gap = measure(squares).gap
    assert gap.length_um == pytest.approx(1e3 * math.hypot(0.02, 0.03), abs=1e-6)
    assert gap.centre.distance(Point(1.01, 1.015)) < 1e-9


def test_every_post_that_nearly_touches_a_long_straight_wall_is_a_place_of_its_own():
    posts = union_all([Point(0.5 + k, 0.26).buffer(0.23) for k in range(9)])
    channel = box(0, 0, 10, 0.5).difference(posts)
    below_top = [span for span in narrow_spans(channel, below_um=50.0) if span.centre.y > 0.25]
    assert len(below_top) == 9
    assert all(span.length_um == pytest.approx(10.0, abs=1e-6) for span in below_top)


def test_pillars_count_with_their_own_width_and_the_channels_between_them():
    pillars = [Point(0.5 + 0.4 * i, 0.5 + 0.4 * j).buffer(0.1) for i in range(4) for j in range(4)]
    chamber = box(0, 0, 2.2, 2.2).difference(union_all(pillars))
    found = measure(chamber)
    assert found.width.length_um == pytest.approx(200.0, abs=1e-6)  # vertices of the 64-gons face each other
    assert found.gap.length_um == pytest.approx(200.0 * math.cos(math.pi / 64), abs=0.05)
    assert len(narrow_spans(chamber, below_um=250.0)) == 2 * 4 * 3
    assert len(narrow_gaps(chamber, below_um=250.0)) == 16


def test_shapes_without_facing_walls_are_as_wide_as_their_largest_disc():
    side = 1.0
    triangle = Polygon([(0, 0), (side, 0), (side / 2, side * math.sqrt(3) / 2)])
    assert _width(triangle) == pytest.approx(1e3 * side / math.sqrt(3), abs=1.0)
    assert _width(Point(0, 0).buffer(1.0)) == pytest.approx(2e3 * math.cos(math.pi / 64), abs=1.0)


def test_steps_of_a_nanometre_left_by_set_operations_are_no_features():
    jagged = Polygon([(0, 0), (2, 0), (2, 1e-7), (4, 1e-7), (4, 0.2), (0, 0.2)])
    assert _width(jagged) == pytest.approx(200.0, abs=1e-3)


def test_channels_that_touch_in_one_corner_leave_no_wall():
    squares = MultiPolygon([box(0, 0, 1, 1), box(1, 1, 2, 2)])
    assert measure(squares).gap.length_um == pytest.approx(0.0, abs=1e-3)


def test_nothing_drawn_measures_nothing():
    nothing = MultiPolygon()
    assert measure(nothing).width is None
    assert measure(nothing).gap is None
    assert narrow_spans(nothing, below_um=1e3) == ()


def test_the_limit_itself_is_not_below_the_limit():
    bar = box(0, 0, 5, 0.2)
    assert narrow_spans(bar, below_um=199.999) == ()
    assert len(narrow_spans(bar, below_um=200.001)) == 1


def test_lengths_scale_with_the_drawing():
    bell = union_all([box(0, 0, 1, 1), box(1, 0.45, 1.5, 0.55), box(1.5, 0, 2.5, 1)])
    assert _width(scale(bell, 0.01, 0.01)) == pytest.approx(1.0, abs=1e-6)
