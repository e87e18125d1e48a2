"""Areas and volumes of shapes with a closed formula, on vectors and through the grid.

Circles are polygons of 512 corners, whose area falls short of the circle's by 2.5e-5; 0.1 % is the
promise.
"""

import math

import pytest
from shapely import LineString, MultiPolygon, Point, Polygon, union_all

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.cavities import find_cavities
from rillcast_service.engine.layout.grid import sample
from rillcast_service.engine.ranges import Range

DEPTH_UM = 150.0


def _disc(radius):
    return Point(0.123, -0.456).buffer(radius, quad_segs=128)


def _serpentine():
    """Ten legs of 8 mm joined by half circles of 0.5 mm mean radius, 0.2 mm wide: w × centre line."""
    pieces = []
    for k in range(10):
        pieces.append(LineString([(k, 0), (k, 8)]).buffer(0.1, cap_style="flat"))
        if k < 9:
            up = k % 2 == 0
            start, end = (0, math.pi) if up else (math.pi, 2 * math.pi)
            angles = [start + (end - start) * n / 256 for n in range(257)]
            centre = (k + 0.5, 8.0 if up else 0.0)
            outer = [(centre[0] + 0.6 * math.cos(a), centre[1] + 0.6 * math.sin(a)) for a in angles]
            inner = [(centre[0] + 0.4 * math.cos(a), centre[1] + 0.4 * math.sin(a)) for a in reversed(angles)]
            pieces.append(Polygon(outer + inner))
    return union_all(pieces, grid_size=1e-7)


SHAPES = {
    "disc": (_disc(2.0), math.pi * 4.0),
    "annulus": (_disc(2.0).difference(_disc(1.2)), math.pi * (4.0 - 1.44)),
    "serpentine": (_serpentine(), 0.2 * (80.0 + 9 * math.pi * 0.5)),
}


@pytest.mark.parametrize(("shape", "area_mm2"), SHAPES.values(), ids=SHAPES)
def test_volume_from_vectors(shape, area_mm2):
    parts = [shape] if shape.geom_type == "Polygon" else list(shape.geoms)
    made = MadeChannel("channels", MultiPolygon(parts), Range.exact(DEPTH_UM))
    (cavity,) = find_cavities([made], []).cavities
    assert cavity.area_mm2 == pytest.approx(area_mm2, rel=1e-3)
    assert cavity.volume_ul == pytest.approx(area_mm2 * DEPTH_UM * 1e-3, rel=1e-3)


@pytest.mark.parametrize(("shape", "area_mm2"), SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("pitch_mm", [0.1, 0.025])
def test_area_through_the_grid(shape, area_mm2, pitch_mm):
    assert sample(shape, pitch_mm=pitch_mm).area_mm2.sum() == pytest.approx(area_mm2, rel=1e-3)
