"""Medial balls against hand geometry."""

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box
from shapely.affinity import rotate

from rillcast_service.engine.layout.medial import boundary_of, inscribed_balls


def test_balls_of_a_bar_touch_both_long_walls_or_two_at_a_corner():
    boundary = boundary_of(rotate(box(0, 0, 4, 0.5), 30, origin=(0, 0)))
    balls = inscribed_balls(boundary, spacing_mm=0.05, cap_mm=10.0)
    centre = balls.centre @ np.array(
        [[np.cos(np.pi / 6), -np.sin(np.pi / 6)], [np.sin(np.pi / 6), np.cos(np.pi / 6)]]
    )
    to_walls = np.minimum.reduce([centre[:, 0], 4 - centre[:, 0], centre[:, 1], 0.5 - centre[:, 1]])
    # every ball is empty and touches: its radius is the distance of its centre from the walls
    assert balls.radius == pytest.approx(to_walls, rel=1e-6)
    assert balls.radius.max() == pytest.approx(0.25, rel=1e-6)


def test_balls_are_the_same_whatever_the_spacing():
    boundary = boundary_of(box(0, 0, 4, 0.5).difference(Point(2, 0.2).buffer(0.1)))
    coarse = inscribed_balls(boundary, spacing_mm=1.0, cap_mm=10.0)
    fine = inscribed_balls(boundary, spacing_mm=1.0 / 3.0, cap_mm=10.0)
    compared = 0
    for foot, radius in zip(coarse.foot, coarse.radius, strict=True):
        same = np.flatnonzero(np.hypot(*(fine.foot - foot).T) < 1e-12)
        if same.size:
            assert np.abs(fine.radius[same] - radius).min() < 1e-6 * radius
            compared += 1
    assert compared >= len(boundary.length)


def test_seen_from_outside_the_walls_are_the_region():
    pair = MultiPolygon([box(0, 0, 1, 1), box(1.3, 0, 2, 1)])
    boundary = boundary_of(pair, complement=True)
    balls = inscribed_balls(boundary, spacing_mm=0.1, cap_mm=0.8)
    facing = balls.separation_deg > 179.0
    assert 2.0 * balls.radius[facing] == pytest.approx(0.3, rel=1e-9)


def test_capped_balls_say_that_they_met_nothing():
    balls = inscribed_balls(boundary_of(box(0, 0, 10, 10)), spacing_mm=1.0, cap_mm=1.0)
    in_the_middle = np.abs(balls.foot - 5.0).min(axis=1) < 2.0
    assert (balls.touch_edge[in_the_middle] == -1).all()
    assert balls.radius[in_the_middle] == pytest.approx(0.5)


def test_points_along_a_ring_wrap_around():
    boundary = boundary_of(box(0, 0, 2, 1))
    ring = np.zeros(3, dtype=np.int64)
    start = boundary.start[0]
    points = boundary.point_at(ring, np.array([0.0, 6.0, -6.0]))
    assert points == pytest.approx(np.tile(start, (3, 1)))


def test_no_boundary_without_polygons():
    assert boundary_of(MultiPolygon()) is None
