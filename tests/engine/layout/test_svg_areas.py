"""Areas of drawn shapes against closed forms. Tolerance: 0.1 %, the flattening's promise at 1 mm sizes."""

import math

import pytest
from shapely import Point, box

WITHIN = 1e-3


def close(value):
    return pytest.approx(value, rel=WITHIN)


@pytest.mark.parametrize(
    ("shape", "area_mm2"),
    [
        ('<rect x="1" y="2" width="10" height="3"/>', 30.0),
        ('<rect width="10" height="4" rx="1"/>', 40.0 - (4.0 - math.pi)),
        ('<rect width="10" height="4" ry="1"/>', 40.0 - (4.0 - math.pi)),
        ('<rect width="10" height="4" rx="2" ry="1"/>', 40.0 - (4.0 - math.pi) * 2.0),
        # Radii beyond half the side are cut to it: a stadium of 8 × 4 mm.
        ('<rect width="8" height="4" rx="9" ry="2"/>', math.pi * 4.0 * 2.0),
        ('<circle cx="5" cy="5" r="0.5"/>', math.pi * 0.25),
        ('<ellipse cx="5" cy="5" rx="3" ry="1"/>', math.pi * 3.0),
        ('<ellipse cx="5" cy="5" rx="2" ry="auto"/>', math.pi * 4.0),
        ('<polygon points="0,0 4,0 4,3"/>', 6.0),
        ('<polyline points="0 0 4 0 4 3"/>', 6.0),
        ('<path d="M1 1h4v3h-4z"/>', 12.0),
        ('<path d="M5 5 A2 2 0 0 1 9 5 A2 2 0 0 1 5 5Z"/>', math.pi * 4.0),
        # A half disc, its radius too small to span the chord and so scaled up to it.
        ('<path d="M5 5A.1 .1 0 0 1 9 5Z"/>', math.pi * 2.0),
        # A quarter turn the long way round: three quarters of a disc and the triangle at its centre.
        ('<path d="M5 3A2 2 0 1 1 3 5Z"/>', math.pi * 3.0 + 2.0),
        # Half-axes 2 and 1, tilted.
        ('<path d="M5 5a2 1 30 1 0 .1 0z"/>', math.pi * 2.0),
        # A parabola's segment is two thirds of its frame: ⅔ · 6 · 3 with its peak at half the control's.
        ('<path d="M0 0Q3 6 6 0Z"/>', 2.0 / 3.0 * 6.0 * 3.0),
        # A cubic with controls straight up: y = 12 t (1 − t), dx = 24 t (1 − t) dt, so 288 / 30.
        ('<path d="M0 0C0 4 4 4 4 0Z"/>', 9.6),
        # The smooth commands mirror the control: one arch above, one below, of equal area.
        ('<path d="M0 9Q2 13 4 9T8 9Z"/>', 2.0 * (2.0 / 3.0 * 4.0 * 2.0)),
    ],
)
def test_filled_shapes(read_channels, shape, area_mm2):
    assert read_channels(shape).area == close(area_mm2)


@pytest.mark.parametrize(
    ("shape", "pen", "area_mm2"),
    [
        ('<line x1="5" y1="5" x2="15" y2="5"/>', 'stroke-width="1"', 10.0),
        (
            '<line x1="5" y1="5" x2="15" y2="5"/>',
            'stroke-width="1" stroke-linecap="round"',
            10.0 + math.pi / 4.0,
        ),
        ('<line x1="5" y1="5" x2="15" y2="5"/>', 'stroke-width="1" stroke-linecap="square"', 11.0),
        # A right angle: the square at the corner is shared once; its outer quarter by the join.
        ('<path d="M5 5h10v10"/>', 'stroke-width="2"', 40.0 - 1.0 + 1.0),
        ('<path d="M5 5h10v10"/>', 'stroke-width="2" stroke-linejoin="bevel"', 40.0 - 1.0 + 0.5),
        ('<path d="M5 5h10v10"/>', 'stroke-width="2" stroke-linejoin="round"', 40.0 - 1.0 + math.pi / 4.0),
        # The mitre of a right angle is 1.41 widths long, so this limit bevels it.
        ('<path d="M5 5h10v10"/>', 'stroke-width="2" stroke-miterlimit="1.4"', 40.0 - 1.0 + 0.5),
        # A closed square: outer 12 × 12 less inner 8 × 8.
        ('<path d="M5 5h10v10h-10z"/>', 'stroke-width="2"', 144.0 - 64.0),
        ('<rect x="5" y="5" width="10" height="10"/>', 'stroke-width="2"', 144.0 - 64.0),
        ('<circle cx="10" cy="10" r="5"/>', 'stroke-width="2"', math.pi * (36.0 - 16.0)),
        # A half ring of middle radius 3: its length times its width.
        ('<path d="M5 10a3 3 0 0 1 6 0"/>', 'stroke-width=".2"', math.pi * 3.0 * 0.2),
        # A U of straight legs and a half turn, as serpentines are drawn.
        ('<path d="M5 15V8a.6.6 0 0 1 1.2 0V15"/>', 'stroke-width=".2"', (14.0 + math.pi * 0.6) * 0.2),
        # A point with round caps is a dot.
        ('<path d="M5 5h0"/>', 'stroke-width="2" stroke-linecap="round"', math.pi),
        ('<path d="M5 5z"/>', 'stroke-width="2" stroke-linecap="square"', 4.0),
        ('<line x1="5" y1="5" x2="15" y2="5"/>', 'stroke-width="1mm"', 10.0 * 96.0 / 25.4),
    ],
)
def test_lines_without_fill_have_their_strokes_width(read_channels, shape, pen, area_mm2):
    assert read_channels(shape, group=f'fill="none" stroke="black" {pen}').area == close(area_mm2)


def test_an_annulus_by_even_odd(read_channels):
    disc = "M{0} 10a{1} {1} 0 1 0 {2} 0a{1} {1} 0 1 0 -{2} 0z"
    data = disc.format(5, 5, 10) + disc.format(8, 2, 4)
    annulus = read_channels(f'<path fill-rule="evenodd" d="{data}"/>')
    assert annulus.area == close(math.pi * (25.0 - 4.0))
    assert len(annulus.geoms[0].interiors) == 1
    # Both circles turn the same way, so by the other rule nothing is cut out.
    assert read_channels(f'<path d="{data}"/>').area == close(math.pi * 25.0)


def test_a_hole_that_turns_the_other_way_is_cut_by_non_zero(read_channels):
    assert read_channels('<path d="M0 0h10v10h-10zM2 2v6h6v-6z"/>').area == close(100.0 - 36.0)


def test_a_five_pointed_star_by_both_rules(read_channels):
    tips = [(10 + 5 * math.sin(0.8 * math.pi * k), 10 - 5 * math.cos(0.8 * math.pi * k)) for k in range(5)]
    points = " ".join(f"{x:.12f},{y:.12f}" for x, y in tips)
    # Of a pentagram with tips on radius R: the pentagon inside has circumradius R / φ².
    golden = (1.0 + math.sqrt(5.0)) / 2.0
    inner = 2.5 * (5.0 / golden**2) ** 2 * math.sin(math.radians(72.0))
    whole = 10.0 * 0.5 * 5.0 * (5.0 / golden**2) * math.sin(math.radians(36.0))
    assert read_channels(f'<polygon points="{points}"/>').area == close(whole)
    assert read_channels(f'<polygon fill-rule="evenodd" points="{points}"/>').area == close(whole - inner)


def test_a_round_hole_keeps_its_bore_however_coarse_the_curve(read_svg):
    channel = '<g id="channels"><rect width="9" height="9"/></g>'
    body = channel + '<g id="ports"><circle id="a" cx="4" cy="4" r=".75"/></g>'
    for flattening_um in (0.1, 5.0, 50.0):
        assert read_svg(body, flattening_um=flattening_um).ports[0].bore_mm == pytest.approx(1.5, abs=1e-5)


@pytest.mark.parametrize("flattening_um", [0.1, 1.0, 20.0])
def test_no_point_of_a_curve_strays_further_than_asked(read_channels, flattening_um):
    rounded = read_channels('<path d="M5 13a8 8 0 0 1 16 0a8 8 0 0 1 -16 0z"/>', flattening_um=flattening_um)
    centre = Point(13.0, 13.0)
    nearest, farthest = centre.distance(rounded.boundary), centre.hausdorff_distance(rounded.boundary)
    # 2 nm for joining shapes on a grid of 1 nm.
    assert 8.0 - nearest <= flattening_um / 1e3 + 2e-6
    assert farthest <= 8.0 + 2e-6
    # Nor are there points without need: a chord could not be twice as long.
    assert len(rounded.geoms[0].exterior.coords) < 1.1 * math.pi / math.acos(1.0 - flattening_um / 8e3) + 2


def test_a_bend_is_as_wide_as_its_straights(read_channels):
    bend = read_channels(
        '<path d="M5 20V10a3 3 0 0 1 6 0V20"/>',
        group='fill="none" stroke="black" stroke-width=".2"',
        flattening_um=0.3,
    ).geoms[0]
    # The two walls lie 0.1 mm either side of the middle line, all the way round.
    for degrees in range(0, 181, 9):
        across = [
            Point(8.0 + r * math.cos(math.radians(degrees)), 16.0 + r * math.sin(math.radians(degrees)))
            for r in (2.9, 3.1)
        ]
        for point in across:
            assert bend.boundary.distance(point) < 0.6e-3  # two flattening distances


def test_shapes_that_touch_become_one(read_channels):
    channels = read_channels(
        '<rect x="1" y="1" width="10.1" height="1"/>'
        '<g transform="translate(11.1 0) scale(0.1)"><rect y="10" width="100" height="10"/></g>'
    )
    assert len(channels.geoms) == 1
    assert channels.area == pytest.approx(20.1, rel=1e-6)


def test_y_points_up_from_the_lower_left_of_the_sheet(read_channels):
    assert read_channels('<rect x="2" y="3" width="10" height="4"/>').equals(box(2.0, 19.0, 12.0, 23.0))


class TestTransforms:
    """Nested transforms compose from the outside in."""

    def test_nested_groups(self, read_channels):
        disc = '<g transform="rotate(30)"><g transform="scale(3 2)"><circle r="1"/></g></g>'
        geometry = read_channels(f'<g transform="translate(20 13)">{disc}</g>')
        assert geometry.area == close(math.pi * 6.0)
        assert geometry.centroid.distance(Point(20.0, 13.0)) < 1e-6
        # Turned clockwise as seen, since the drawing's y points down.
        assert geometry.bounds[2] - 20.0 == close(
            math.hypot(3 * math.cos(math.pi / 6), 2 * math.sin(math.pi / 6))
        )

    @pytest.mark.parametrize(
        ("transform", "bounds"),
        [
            ("translate(3)", (3.0, 25.0, 5.0, 26.0)),
            ("translate(3,4)", (3.0, 21.0, 5.0, 22.0)),
            ("scale(2)", (0.0, 24.0, 4.0, 26.0)),
            ("rotate(90 5 5)", (9.0, 24.0, 10.0, 26.0)),
            ("matrix(0 1 1 0 2 3)", (2.0, 21.0, 3.0, 23.0)),
            ("translate(1 1) scale(2 3)", (1.0, 22.0, 5.0, 25.0)),
            ("scale(2 3),translate(1 1)", (2.0, 20.0, 6.0, 23.0)),
            ("skewX(45)", (0.0, 25.0, 3.0, 26.0)),
            ("skewY(45)", (0.0, 23.0, 2.0, 26.0)),
        ],
    )
    def test_each_function(self, read_channels, transform, bounds):
        geometry = read_channels(f'<rect width="2" height="1" transform="{transform}"/>')
        assert geometry.bounds == pytest.approx(bounds, abs=2e-6)

    def test_a_pen_is_stretched_with_its_line(self, read_channels):
        flat = '<line x1="5" y1="5" x2="10" y2="5" stroke="black" {}/>'
        geometry = read_channels(flat.format('transform="scale(2 0.5)"'))
        assert geometry.bounds == pytest.approx((10.0, 23.25, 20.0, 23.75), abs=2e-6)

    def test_a_stroke_that_does_not_scale(self, read_channels):
        line = '<line x1="5" y1="5" x2="10" y2="5" stroke="black" vector-effect="non-scaling-stroke" {}/>'
        geometry = read_channels(line.format('transform="scale(2 0.5)"'))
        assert geometry.area == close(10.0 * 25.4 / 96.0)


@pytest.mark.parametrize("kind", ["use", "symbol"])
def test_references_are_followed(read_channels, kind):
    tag = "g" if kind == "use" else "symbol"
    shapes = (
        f'<defs><{tag} id="well"><rect width="2" height="1"/></{tag}></defs>'
        '<use href="#well" x="3" y="4"/>'
        '<use xmlns:l="http://www.w3.org/1999/xlink" l:href="#well" transform="scale(2)" x="10" y="1"/>'
    )
    geometry = read_channels(shapes)
    assert {part.bounds for part in geometry.geoms} == {(3.0, 21.0, 5.0, 22.0), (20.0, 22.0, 24.0, 24.0)}


def test_percentages_refer_to_the_view_box(read_channels):
    assert read_channels('<rect width="100%" height="50%"/>').bounds == (0.0, 13.0, 76.0, 26.0)
    # √((76² + 26²) / 2) · 10 %
    assert read_channels('<circle cx="50%" cy="50%" r="10%"/>').area == close(math.pi * 32.26)
