"""Path data and transforms against another reader of them, and units against the standard's table.

The other reader is svgelements 1.9.6 (MIT licence), written independently of this one. Both are exact up to
rounding, so that curves must agree within the flattening distance and matrices within 1e-9.
"""

import math

import numpy as np
import pytest
import svgelements
from shapely import LineString, MultiLineString

from rillcast_service.engine.layout.lengths import MM_PER_UNIT
from rillcast_service.engine.layout.readers.svg.paths import parse_path
from rillcast_service.engine.layout.readers.svg.transforms import parse_transform

TOLERANCE = 1e-3

PATHS = [
    "M10 20 L30 40 50 60 h10 v-5 H3 V4 z",
    "m10 20 5 5 -3 4 z l4 4 m1 1 h3",
    "M100,200 C100,100 250,100 250,200 S400,300 400,200",
    "M200,300 Q400,50 600,300 T1000,300",
    "m0 0 c1 4 5 4 6 0 s5-4 6 0 q2 3 4 0 t4 0 t4 1",
    "M.5.5.7.9-.1-.2e1L1e1-1E-1",
    "M600,350 l 50,-25 a25,25 -30 0,1 50,-25 l 50,-25 a25,50 -30 0,1 50,-25",
    "M300,200 h-150 a150,150 0 1,0 150,-150 z",
    "M10 10A5 2 45 1 1 12 16A1 1 0 0 0 40 30",
    "M10 10a-5 2 405 0 1 12 6",
    "M1 1A0 5 0 0 1 9 9a3 0 0 1 0 2 2",
    "M5 5 A3 3 0 1 1 5.001 5",
    *(f"M 125,75 a100,50 0 {large},{sweep} 100,50" for large in (0, 1) for sweep in (0, 1)),
]


def theirs(data):
    """Lines densely along every drawn segment."""
    t = np.linspace(0.0, 1.0, 2_001)
    lines = []
    for segment in svgelements.Path(data):
        if isinstance(segment, svgelements.Move) or segment.start == segment.end:
            continue
        lines.append(LineString([(point.x, point.y) for point in map(segment.point, t)]))
    return MultiLineString(lines)


def ours(data):
    lines = []
    for subpath in parse_path(data):
        points = subpath.flatten(tolerance=TOLERANCE)
        if subpath.closed:
            points = np.vstack([points, points[:1]])
        if len(points) > 1:
            lines.append(LineString(points))
    return MultiLineString(lines)


@pytest.mark.parametrize("data", PATHS)
def test_paths(data):
    mine, other = ours(data), theirs(data)
    assert mine.hausdorff_distance(other) < TOLERANCE * 1.5 + other.length * 1e-4
    assert mine.length == pytest.approx(other.length, rel=1e-3)


@pytest.mark.parametrize(
    ("before", "smooth", "same"),
    [
        ("M0 0L5 5", "S3 4 9 0", "C5 5 3 4 9 0"),
        ("M0 0L5 5", "T9 0", "Q5 5 9 0"),
        ("M0 0C1 2 3 4 5 5", "T9 0", "Q5 5 9 0"),
        ("M0 0Q1 1 5 5", "S3 4 9 0", "C5 5 3 4 9 0"),
        ("M0 0C1 2 3 4 5 5", "S3 4 9 0", "C7 6 3 4 9 0"),
        ("M0 0Q1 1 5 5", "T9 0", "Q9 9 9 0"),
        ("M0 0Q1 1 5 5T6 6", "T9 0", "Q3 3 9 0"),
    ],
)
def test_a_smooth_curve_mirrors_only_a_curve_of_its_own_kind(before, smooth, same):
    """SVG 2, §9.3.6 and §9.3.7; else its control point is the current point. (svgelements mirrors any.)"""
    assert ours(before + smooth).equals_exact(ours(before + same), 1e-12)


@pytest.mark.parametrize(
    ("flags", "length"),
    [((0, 0), 121.110), ((0, 1), 121.110), ((1, 0), 363.312), ((1, 1), 363.312)],
)
def test_the_four_arcs_between_two_points(flags, length):
    """An ellipse of half-axes 100 and 50 has the circumference 484.4224: the arcs are a quarter and the rest.

    The chord (100, 50) is (1, 1) on the circle's scale, so the short arc is a quarter turn; circumference
    by the complete elliptic integral, 4 · 100 · E(0.75) with E(0.75) = 1.2110560 (Abramowitz and Stegun 1964,
    table 17.1).
    """
    large, sweep = flags
    assert ours(f"M125,75 a100,50 0 {large},{sweep} 100,50").length == pytest.approx(length, rel=1e-4)


@pytest.mark.parametrize(
    "text",
    [
        "translate(10)",
        "translate(10, -3.5)",
        "scale(2)",
        "scale(2 -3)",
        "rotate(33)",
        "rotate(33, 4, 5)",
        "skewX(20) skewY(-10)",
        "matrix(1 .5 -.5 2 3 4)",
        "translate(-10,-20) scale(2) rotate(45) translate(5,10)",
        " rotate( 10 ),scale(1e-1) ",
    ],
)
def test_transforms(text):
    other = svgelements.Matrix(text)
    expected = [[other.a, other.c, other.e], [other.b, other.d, other.f], [0.0, 0.0, 1.0]]
    assert parse_transform(text) == pytest.approx(np.array(expected), abs=1e-9)


def test_absolute_units():
    """CSS Values and Units Module Level 3, §5.2: 1 in is 2.54 cm, 96 px, 72 pt or 6 pc; 1 cm is 40 Q."""
    inch = MM_PER_UNIT["in"]
    assert inch == 25.4
    assert MM_PER_UNIT["cm"] == 10.0
    assert 96.0 * MM_PER_UNIT["px"] == pytest.approx(inch, rel=1e-15)
    assert 72.0 * MM_PER_UNIT["pt"] == pytest.approx(inch, rel=1e-15)
    assert 6.0 * MM_PER_UNIT["pc"] == pytest.approx(inch, rel=1e-15)
    assert 40.0 * MM_PER_UNIT["q"] == 10.0


@pytest.mark.parametrize("ratio", [1.0, 0.5, 0.1])
def test_an_ellipse_of_two_arcs_has_its_area(ratio):
    """Area π a b, within 4/3 of the flattening distance over the smaller radius of curvature."""
    (subpath,) = parse_path(f"M-1 0A1 {ratio} 0 0 1 1 0A1 {ratio} 0 0 1 -1 0Z")
    x, y = subpath.flatten(tolerance=1e-4).T
    area = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0
    assert area == pytest.approx(math.pi * ratio, rel=2e-4)
