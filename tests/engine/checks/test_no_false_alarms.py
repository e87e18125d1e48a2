"""Shapes that every drawing has raise no alarm; a fault planted among them raises one, in its place."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all
from shapely.affinity import rotate, translate

from rillcast_service.engine.layout.measure import narrow_gaps, narrow_spans
from rillcast_service.engine.result import Severity

#: Cast on a printed mould with the default printer: 140 µm is the limit, and at 300 µm the doubt ends.
LIMIT_UM, SURE_UM = 140.0, 300.0
ROUTE = "cast_printed_mould"
WIDTH = 0.32
OUTLINE = box(0.0, 0.0, 70.0, 30.0)
PORTS = (("in", "inlet", 20, 15), ("out", "outlet", 50, 15))


def _channel(points, width=WIDTH, **style):
    return LineString(points).buffer(width / 2.0, **{"cap_style": "flat", "join_style": "round", **style})


def _polar(radius, degrees, x=35.0, y=15.0):
    return (x + radius * math.cos(math.radians(degrees)), y + radius * math.sin(math.radians(degrees)))


def _arc(radius, start, end, steps=60):
    return [_polar(radius, angle) for angle in np.linspace(start, end, steps)]


def _spline():
    t = np.linspace(0.0, 1.0, 80)[:, None]
    a, b, c, d = (np.array(point) for point in ((25, 12), (30, 24), (40, 6), (45, 18)))
    return (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d


def _serpentine(round_bends):
    points = [(26, 10)]
    for leg in range(6):
        y = 10.0 + 1.2 * leg
        points += [(44, y), (44, y + 1.2)] if leg % 2 == 0 else [(26, y), (26, y + 1.2)]
    return _channel(points, join_style="round" if round_bends else "mitre")


def _fillet_chamber():
    chamber = box(30, 12, 38, 18).buffer(-0.5).buffer(0.5, quad_segs=16)
    return union_all([chamber, box(26, 15 - WIDTH / 2, 42, 15 + WIDTH / 2)])


CURVES = {
    "rounded corner": _channel([(26, 10), (35, 10), (35, 20)]),
    "mitred corner": _channel([(26, 10), (35, 10), (35, 20)], join_style="mitre"),
    "bevelled corner": _channel([(26, 10), (35, 10), (35, 20)], join_style="bevel"),
    "arc": _channel(_arc(6.0, 0, 270)),
    "coarse arc": _channel(_arc(6.0, 0, 270, steps=14)),
    "spline": _channel(_spline()),
    "serpentine": _serpentine(round_bends=True),
    "square serpentine": _serpentine(round_bends=False),
    "spiral": _channel([_polar(1.0 + 0.004 * angle, angle) for angle in range(0, 1080, 6)]),
    "taper": Polygon([(26, 14.84), (26, 15.16), (44, 16.5), (44, 13.5)]),
    "convex tip": Polygon([(26, 14.84), (40, 14.84), (42, 15), (40, 15.16), (26, 15.16)]),
    "needle tip": union_all([_channel([(26, 15), (38, 15)]), Polygon([(38, 14.84), (44, 15), (38, 15.16)])]),
    "round end": _channel([(26, 15), (44, 15)], cap_style="round"),
    "chamber with fillets": _fillet_chamber(),
    "disc": Point(35, 15).buffer(2.0, quad_segs=64),
    "triangle": Polygon([(30, 12), (40, 12), (35, 20)]),
    "drop": union_all([Point(35, 15).buffer(1.0, quad_segs=32), Polygon([(35, 16), (35, 14), (40, 15)])]),
}


@pytest.mark.parametrize("turn", [0.0, 29.0, 45.0])
@pytest.mark.parametrize("name", CURVES)
def test_curves_corners_and_tips_are_no_narrow_places(name, turn):
    shape = rotate(CURVES[name], turn, origin=(35, 15))
    assert narrow_spans(shape, below_um=SURE_UM) == ()
    assert narrow_gaps(shape, below_um=SURE_UM) == ()


@pytest.mark.parametrize("name", CURVES)
def test_curves_corners_and_tips_give_no_finding_of_size(chip, findings_of, name):
    job = chip([CURVES[name]], depth_um=150, outline=OUTLINE, ports=PORTS)
    rules = ("channel_width", "channel_gap", "island_size", "mould_pits", "wall_slenderness", "lost_shape")
    assert findings_of(job, ROUTE, *rules) == []


@pytest.mark.parametrize("branches", [3, 4, 5])
@pytest.mark.parametrize("angle", [10, 15, 20, 30, 45, 60, 75, 90, 120, 150, 170])
def test_junctions_at_any_angle_are_no_narrow_places(branches, angle):
    """Y, T, X and stars: one arm at `angle` to the first, the others opposite."""
    ways = (0, angle, 180, 180 + angle, 262)[:branches]
    arms = [_channel([(35, 15), _polar(12.0, way)], cap_style="round") for way in ways]
    for turn in (0.0, 13.0):
        shape = rotate(union_all(arms), turn, origin=(35, 15))
        assert narrow_spans(shape, below_um=SURE_UM) == ()
        assert narrow_gaps(shape, below_um=SURE_UM) == ()


@pytest.mark.parametrize("angle", [0, 17, 45, 90])
@pytest.mark.parametrize("neck_um", [80, 120, 139])
def test_a_neck_is_found_where_it_is(chip, findings_of, angle, neck_um):
    half = neck_um / 2000.0
    # an hourglass in a channel 1 mm wide
    lower = [(26, 14.5), (33, 14.5), (35, 15 - half), (37, 14.5), (44, 14.5)]
    glass = Polygon([*lower, (44, 15.5), (37, 15.5), (35, 15 + half), (33, 15.5), (26, 15.5)])
    shape = rotate(glass, angle, origin=(30, 15))
    (known,) = rotate(Point(35, 15), angle, origin=(30, 15)).coords
    job = chip([shape], depth_um=100, outline=box(0, -20, 70, 50), ports=PORTS)
    (finding,) = findings_of(job, ROUTE, "channel_width")
    assert finding.severity is Severity.BLOCKER
    assert finding.measured == neck_um
    (chord,) = finding.where.geoms
    assert chord.centroid.distance(Point(known)) < neck_um / 1000.0
    assert chord.length == pytest.approx(neck_um / 1000.0, abs=1e-6)


def test_fifty_thin_fingers_are_one_finding_with_fifty_places(chip, findings_of):
    fingers = [box(20.0 + 0.6 * index, 14.0, 20.1 + 0.6 * index, 18.0) for index in range(50)]
    comb = union_all([box(19, 13, 51, 14.1), *fingers])
    (finding,) = findings_of(chip([comb], outline=OUTLINE, ports=PORTS), ROUTE, "channel_width")
    assert finding.measured == 100.0
    assert len(finding.where.geoms) == 50
    for finger in fingers:
        assert sum(chord.intersects(finger.buffer(1e-6)) for chord in finding.where.geoms) == 1


def test_fifty_thin_walls_are_one_finding_with_their_places(chip, findings_of):
    # 50 fingers 0.5 mm wide, 49 walls of 0.1 mm between them
    fingers = [box(20.0 + 0.6 * index, 14.0, 20.5 + 0.6 * index, 18.0) for index in range(50)]
    comb = union_all([box(19, 13, 51, 14.1), *fingers])
    (finding,) = findings_of(chip([comb], outline=OUTLINE, ports=PORTS), ROUTE, "channel_gap")
    assert finding.measured == 100.0
    assert len(finding.where.geoms) == 49


# Networks on a lattice: nodes 4 mm apart leave walls of more than 1 mm between the widest channels.
NODES = [(column, row) for column in range(4) for row in range(3)]
EDGES = [
    (one, other)
    for one in NODES
    for other in NODES
    if one < other and abs(one[0] - other[0]) + abs(one[1] - other[1]) == 1
]


@st.composite
def networks(draw):
    """Channels of 320 to 900 µm along edges of a shifted lattice, pads and a chamber on nodes; turned."""
    shift = st.floats(-0.5, 0.5)
    at = {node: (20 + 4 * node[0] + draw(shift), 8 + 4 * node[1] + draw(shift)) for node in NODES}
    chosen = draw(st.lists(st.sampled_from(EDGES), min_size=3, max_size=12, unique=True))
    widths = {edge: draw(st.floats(0.32, 0.9)) for edge in chosen}
    parts = [
        LineString([at[one], at[other]]).buffer(width / 2.0, quad_segs=8)
        for (one, other), width in widths.items()
    ]
    nodes = sorted({node for edge in chosen for node in edge})
    for node in draw(st.lists(st.sampled_from(nodes), max_size=4, unique=True)):
        parts.append(Point(at[node]).buffer(draw(st.floats(0.5, 0.9)), quad_segs=16))
    if draw(st.booleans()):
        chamber = box(-0.9, -0.6, 0.9, 0.6).buffer(-0.2).buffer(0.2, quad_segs=8)
        parts.append(translate(chamber, *at[draw(st.sampled_from(nodes))]))
    angle = draw(st.floats(0.0, 180.0))
    edge = draw(st.sampled_from(chosen))
    return union_all(parts), [at[node] for node in edge], widths[edge], angle


@settings(max_examples=60, deadline=None)
@given(networks())
def test_networks_of_wide_channels_have_no_narrow_place(network):
    shape, _, _, angle = network
    turned = rotate(shape, angle, origin=(26, 12))
    assert narrow_spans(turned, below_um=SURE_UM) == ()


@settings(max_examples=60, deadline=None)
@given(networks(), st.floats(60.0, 139.0))
def test_a_planted_neck_is_found_once_and_in_its_place(network, neck_um):
    shape, (one, other), width, angle = network
    half = neck_um / 2000.0
    middle = np.mean([one, other], axis=0)
    along = (np.array(other) - one) / np.hypot(*np.subtract(other, one))
    across = np.array([-along[1], along[0]])
    # from both walls a wedge is driven into the channel, so that `neck_um` are left between their tips
    wedges = [
        Polygon(
            [
                middle + side * half * across,
                middle + side * width * across + 0.4 * along,
                middle + side * width * across - 0.4 * along,
            ]
        )
        for side in (-1.0, 1.0)
    ]
    turned = rotate(shape.difference(union_all(wedges)), angle, origin=(26, 12))
    (span,) = narrow_spans(turned, below_um=SURE_UM)
    assert span.length_um == pytest.approx(neck_um, abs=0.5)
    known = rotate(Point(middle), angle, origin=(26, 12))
    assert span.centre.distance(known) < neck_um / 1000.0


def _exactly(findings, length_um, places=1):
    (finding,) = findings
    assert finding.measured == pytest.approx(length_um, abs=1.0)
    assert len(finding.where.geoms) == places
    for chord in finding.where.geoms:
        assert 1000.0 * chord.length == pytest.approx(length_um, abs=1.0)


BASE = box(19, 12, 51, 13)
OPENS = 18.0 * math.tan(math.radians(1.0))
EXACT = {
    # name: shape, rule, µm, places
    "bar": (box(26, 15, 44, 15.1234), "channel_width", 123.4, 1),
    # 120 µm at its blunt end, walls that open by 2°
    "wedge": (
        Polygon([(26, 14.94), (26, 15.06), (44, 15.06 + OPENS), (44, 14.94 - OPENS)]),
        "channel_width",
        120.0,
        1,
    ),
    "annulus": (
        Point(35, 15).buffer(3.0, quad_segs=256).difference(Point(35, 15).buffer(2.87, quad_segs=256)),
        "channel_width",
        130.0,
        1,
    ),
    "dumb-bell": (
        union_all([box(26, 13, 31, 17), box(31, 14.95, 39, 15.05), box(39, 13, 44, 17)]),
        "channel_width",
        100.0,
        1,
    ),
    "comb of fingers": (
        union_all([BASE, *(box(20 + 2 * index, 12.9, 20.09 + 2 * index, 18) for index in range(7))]),
        "channel_width",
        90.0,
        7,
    ),
    "bars side by side": (
        MultiPolygon([box(26, 14, 44, 15), box(26, 15.11, 44, 16)]),
        "channel_gap",
        110.0,
        1,
    ),
    "comb of walls": (
        union_all([BASE, *(box(20 + 1.1 * index, 12.9, 20.98 + 1.1 * index, 18) for index in range(8))]),
        "channel_gap",
        120.0,
        7,
    ),
    "ring around a ring": (
        MultiPolygon(
            [
                Point(35, 15).buffer(4.0, quad_segs=256).difference(Point(35, 15).buffer(3.0, quad_segs=256)),
                Point(35, 15).buffer(2.88, quad_segs=256),
            ]
        ),
        "channel_gap",
        120.0,
        1,
    ),
}


@pytest.mark.parametrize("angle", [0.0, 17.3, 45.0, 90.0])
@pytest.mark.parametrize("name", EXACT)
def test_constructed_shapes_are_measured_to_a_micrometre(chip, findings_of, name, angle):
    shape, rule, length_um, places = EXACT[name]
    turned = rotate(shape, angle, origin=(35, 15))
    job = chip(
        list(getattr(turned, "geoms", [turned])), depth_um=100, outline=box(0, -20, 70, 50), ports=PORTS
    )
    _exactly(findings_of(job, ROUTE, rule), length_um, places)
