"""Whatever is packed: nothing overlaps, nothing leaves the plate, and no bigger grid would fit."""

import math
from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from rillcast_service.engine.planning.plates import pack, places
from rillcast_service.engine.routes.wafers import pack_in_circle

LENGTH = st.floats(min_value=5.0, max_value=200.0)
SIZE = st.floats(min_value=4.0, max_value=100.0)
SMALL = st.floats(min_value=0.0, max_value=8.0)


@settings(max_examples=60, deadline=None)
@given(plate_x=LENGTH, plate_y=LENGTH, margin=SMALL, gap=SMALL, width=SIZE, depth=SIZE)
def test_a_grid_keeps_its_gaps_and_margins(plate_x, plate_y, margin, gap, width, depth):
    grid = pack(
        plate_x_mm=plate_x, plate_y_mm=plate_y, margin_mm=margin, gap_mm=gap, width_mm=width, depth_mm=depth
    )
    boxes = [
        box(*place) for place in places(grid, gap_mm=gap, margin_mm=margin, width_mm=width, depth_mm=depth)
    ]
    assert len(boxes) == grid.count
    inside = box(margin, margin, max(plate_x - margin, margin), max(plate_y - margin, margin)).buffer(1e-6)
    assert all(inside.covers(one) for one in boxes)
    assert all(one.distance(other) >= gap - 1e-6 for one, other in combinations(boxes[:40], 2))
    assert all(math.isclose(one.area, width * depth) for one in boxes)


@settings(max_examples=60, deadline=None)
@given(plate_x=LENGTH, plate_y=LENGTH, gap=SMALL, width=SIZE, depth=SIZE)
def test_turning_the_footprint_or_the_plate_changes_no_count(plate_x, plate_y, gap, width, depth):
    def count(x: float, y: float, w: float, d: float) -> int:
        return pack(plate_x_mm=x, plate_y_mm=y, margin_mm=2.0, gap_mm=gap, width_mm=w, depth_mm=d).count

    assert count(plate_x, plate_y, width, depth) == count(plate_x, plate_y, depth, width)
    assert count(plate_x, plate_y, width, depth) == count(plate_y, plate_x, width, depth)


@settings(max_examples=60, deadline=None)
@given(diameter=st.floats(min_value=10.0, max_value=200.0), gap=SMALL, width=SIZE, depth=SIZE)
def test_a_wafer_holds_no_more_than_its_area(diameter, gap, width, depth):
    count = pack_in_circle(diameter_mm=diameter, margin_mm=0.0, gap_mm=gap, width_mm=width, depth_mm=depth)
    assert count * width * depth <= math.pi / 4.0 * diameter**2
    # one alone fits exactly when its diagonal does
    assert (count >= 1) == (math.hypot(width, depth) <= diameter + 1e-6) or math.isclose(
        math.hypot(width, depth), diameter, rel_tol=1e-6
    )
