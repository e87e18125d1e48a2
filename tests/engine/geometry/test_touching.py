"""What growing balls meet, against distances that a geometry library measures and against plain geometry."""

import math

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all
from shapely.affinity import rotate

from rillcast_service.engine.layout.medial import boundary_of, inscribed_balls

PILLARS = [Point(0.5 + 0.7 * i, 0.5 + 0.6 * j).buffer(0.15, quad_segs=8) for i in range(6) for j in range(5)]
SHAPES = {
    "pillars": box(0, 0, 5, 4).difference(union_all(PILLARS)),
    "zigzag": LineString([(0.8 * k, 3.0 * (k % 2)) for k in range(9)]).buffer(0.12, join_style="mitre"),
    "rings": MultiPolygon(
        [Point(3 * k, 0).buffer(1.3).difference(Point(3 * k, 0.2).buffer(0.9)) for k in (0, 1)]
    ),
    "points": Polygon([(0, 0), (1, 0.4), (2, 0), (3, 0), (3, 1), (1.95, 0.6), (1, 1), (0, 1)]),
}


@pytest.mark.parametrize("complement", [False, True])
@pytest.mark.parametrize("name", SHAPES)
def test_every_ball_is_empty_and_touches_where_it_says(name, complement):
    shape = rotate(SHAPES[name], 21.0, origin=(0, 0))
    boundary = boundary_of(shape, complement=complement)
    cap = 1.5
    balls = inscribed_balls(boundary, spacing_mm=0.07, cap_mm=cap)
    walls = shapely.boundary(shape)
    shapely.prepare(walls)
    clear = shapely.distance(walls, shapely.points(balls.centre))
    assert clear == pytest.approx(balls.radius, rel=1e-8, abs=1e-12)
    met = balls.touch_edge >= 0
    assert met.any()
    assert np.hypot(*(balls.touch - balls.centre)[met].T) == pytest.approx(
        balls.radius[met], rel=1e-8, abs=1e-12
    )
    on_edge = boundary.start[balls.touch_edge] + (
        (balls.touch_along * boundary.length[balls.touch_edge])[:, None]
        * boundary.direction[balls.touch_edge]
    )
    assert balls.touch[met] == pytest.approx(on_edge[met], abs=1e-12)
    assert balls.radius[~met] == pytest.approx(cap / 2)


def test_ball_between_walls_that_open_by_an_angle():
    """At the distance s from the tip of a wedge of the angle θ the ball has the radius s tan(θ/2)."""
    theta = math.radians(24.0)
    wedge = Polygon([(0, 0), (10, 0), (10 * math.cos(theta), 10 * math.sin(theta))])
    boundary = boundary_of(wedge)
    balls = inscribed_balls(boundary, spacing_mm=0.25, cap_mm=10.0)
    floor = (np.abs(balls.foot[:, 1]) < 1e-12) & (balls.foot[:, 0] < 6.0) & (balls.foot[:, 0] > 0.0)
    assert floor.sum() >= 20
    assert balls.radius[floor] == pytest.approx(balls.foot[floor, 0] * math.tan(theta / 2), rel=1e-12)


def test_ball_that_a_corner_stops():
    """A ball on the floor beside a corner at (a, b) above it: r = (a² + b²) / 2b."""
    room = Polygon([(-9, 0), (9, 0), (9, 9), (0.2, 9), (0, 0.5), (-0.2, 9), (-9, 9)])
    balls = inscribed_balls(boundary_of(room), spacing_mm=0.1, cap_mm=4.0)
    floor = (np.abs(balls.foot[:, 1]) < 1e-12) & (np.abs(balls.foot[:, 0]) < 0.45)
    a = balls.foot[floor, 0]
    assert balls.radius[floor] == pytest.approx((a**2 + 0.25) / 1.0, rel=1e-12)
    assert balls.touch[floor] == pytest.approx(np.tile([0.0, 0.5], (floor.sum(), 1)), abs=1e-12)


def test_of_all_that_a_ball_meets_at_once_the_farthest_counts():
    """The ball in a regular polygon touches every side: it lies across, not in the corner beside its foot."""
    balls = inscribed_balls(boundary_of(Point(0, 0).buffer(0.5, quad_segs=16)), spacing_mm=0.5, cap_mm=3.0)
    assert balls.radius == pytest.approx(0.5 * math.cos(math.pi / 64), rel=1e-9)
    assert balls.separation_deg == pytest.approx(180.0, abs=1e-3)
