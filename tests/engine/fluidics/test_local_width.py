"""Local width on the grid: exact in straight channels, of each channel its own."""

import numpy as np
import pytest
from shapely import Point, box, union_all
from shapely.affinity import rotate

from rillcast_service.engine.fluidics.local_width import local_width_mm
from rillcast_service.engine.layout.grid import sample
from rillcast_service.engine.layout.medial import boundary_of, inscribed_balls


def _widths(shape, *, pitch_mm, least_mm):
    grid = sample(shape, pitch_mm=pitch_mm)
    balls = inscribed_balls(boundary_of(shape), spacing_mm=least_mm / 4, cap_mm=100.0)
    return grid, local_width_mm(grid, balls)


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 63.0])
def test_every_cell_of_a_straight_channel_has_its_width(angle):
    bar = rotate(box(0, 0, 4, 0.2), angle, origin=(0, 0))
    grid, width = _widths(bar, pitch_mm=0.025, least_mm=0.2)
    turned = rotate(box(0.2, -1, 3.8, 1), angle, origin=(0, 0))
    away_from_ends = [turned.contains(Point(*centre)) for centre in grid.centre_mm]
    assert width[away_from_ends] == pytest.approx(0.2, rel=1e-3)


def test_wide_and_narrow_parts_keep_their_own_width():
    shape = union_all([box(0, 0, 3, 3), box(3, 1.45, 6, 1.55)])
    grid, width = _widths(shape, pitch_mm=0.025, least_mm=0.1)
    centre = grid.centre_mm
    narrow = (centre[:, 0] > 3.1) & (centre[:, 0] < 5.9)
    middle = np.hypot(centre[:, 0] - 1.5, centre[:, 1] - 1.5) < 1.2
    assert width[narrow] == pytest.approx(0.1, rel=1e-3)
    assert width[middle] == pytest.approx(3.0, rel=2e-3)


def test_no_cell_is_without_a_width():
    shape = union_all([box(0, 0, 1, 1), rotate(box(0.5, 0.45, 4, 0.55), 27, origin=(0.5, 0.5))])
    _, width = _widths(shape, pitch_mm=0.02, least_mm=0.1)
    assert width.min() > 0.0
    assert width.max() < 1.5


def test_disc_at_the_inner_corner_of_a_bend_counts():
    """In a right-angled bend the largest disc that touches the inner corner is 4 - 2√2 widths wide."""
    bend = union_all([box(0, 0, 3, 0.2), box(0, 0, 0.2, 3)])
    _, width = _widths(bend, pitch_mm=0.01, least_mm=0.2)
    # the fan of balls at the corner has one every 15°, so the widest is met to 1 %
    assert width.max() == pytest.approx(0.2 * (4.0 - 2.0 * 2.0**0.5), rel=0.01)
