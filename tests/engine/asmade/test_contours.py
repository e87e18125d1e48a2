"""Contours of a field on tiles, against scikit-image and against the field's own values."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter
from shapely import Polygon
from skimage.measure import find_contours

from rillcast_service.engine.asmade.contours import enclosed, rings, segments

SIZE = 96


def _field(seed: int) -> np.ndarray:
    noise = gaussian_filter(np.random.default_rng(seed).normal(size=(SIZE, SIZE)), 3.0)
    noise[[0, -1]] = noise[:, [0, -1]] = -1.0
    return noise


def _contours(values: np.ndarray, level: float, tile: int) -> tuple[np.ndarray, np.ndarray]:
    """Points (column, row) and starts of rings, from tiles of a field, straight between lattice points."""
    cells = values.shape[0] - 1
    count = cells // tile
    tiles = np.array(
        [
            values[r * tile : (r + 1) * tile + 1, c * tile : (c + 1) * tile + 1]
            for r in range(count)
            for c in range(count)
        ]
    )
    rows, columns = np.divmod(np.arange(count * count), count)
    found = segments(tiles, level, tile_row=rows, tile_column=columns, stride=cells + 1)
    low = tiles[found.tile, found.row, found.column]
    high = tiles[found.tile, found.row + found.upright, found.column + 1 - found.upright]
    share = (level - low) / (high - low)
    points = np.column_stack(
        (
            columns[found.tile] * tile + found.column + np.where(found.upright == 0, share, 0.0),
            rows[found.tile] * tile + found.row + np.where(found.upright == 1, share, 0.0),
        )
    )
    order, starts = rings(found.begin, found.end)
    return points[order], starts


@pytest.mark.parametrize("tile", [95, 19, 5])
@pytest.mark.parametrize("seed", range(4))
def test_the_same_points_as_scikit_image(seed, tile):
    values = _field(seed)
    level = 0.02
    points, starts = _contours(values, level, tile)
    theirs = find_contours(values, level)
    # a contour of theirs closes by repeating its first point
    expected = np.concatenate([line[:-1, ::-1] for line in theirs])
    assert len(points) == len(expected)
    ours, known = (array[np.lexsort(array.T)] for array in (points.round(9), expected.round(9)))
    np.testing.assert_allclose(ours, known, atol=2e-9)
    if not _saddles(values, level):
        assert len(starts) == len(theirs)


def _saddles(values: np.ndarray, level: float) -> bool:
    inside = values >= level
    a, b, c, d = inside[:-1, :-1], inside[:-1, 1:], inside[1:, 1:], inside[1:, :-1]
    return bool(((a == c) & (b == d) & (a != b)).any())


@pytest.mark.parametrize("seed", range(4))
def test_areas_hold_just_the_lattice_points_above_the_level(seed):
    values = _field(seed)
    points, starts = _contours(values, 0.02, 19)
    areas = enclosed(points, starts, tolerance=0.0, straight=8.0, least_area=0.0)
    assert areas.is_valid
    column, row = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    inside = shapely.contains_xy(areas, column.ravel(), row.ravel()).reshape(SIZE, SIZE)
    np.testing.assert_array_equal(inside, values > 0.02)


@pytest.mark.parametrize("seed", range(4))
def test_a_simpler_outline_stays_within_its_tolerance(seed):
    points, starts = _contours(_field(seed), 0.02, 19)
    full = enclosed(points, starts, tolerance=0.0, straight=8.0, least_area=0.0)
    simple = enclosed(points, starts, tolerance=0.1, straight=8.0, least_area=0.0)
    assert simple.is_valid
    assert shapely.get_num_coordinates(simple) < 0.6 * shapely.get_num_coordinates(full)
    assert simple.boundary.hausdorff_distance(full.boundary) <= 0.1 + 1e-9


def test_islands_in_a_hole_are_areas_of_their_own():
    def ring(radius: float, turn: int) -> np.ndarray:
        angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)[::turn]
        return radius * np.column_stack((np.cos(angle), np.sin(angle)))

    points = np.concatenate((ring(10.0, 1), ring(8.0, -1), ring(3.0, 1), ring(1.0, -1)))
    areas = enclosed(points, np.arange(4) * 40, tolerance=0.0, straight=50.0, least_area=0.0)
    assert sorted(len(part.interiors) for part in areas.geoms) == [1, 1]
    assert areas.area == pytest.approx(Polygon(ring(1.0, 1)).area * (100.0 - 64.0 + 9.0 - 1.0))


def test_long_straight_edges_keep_their_place_to_rounding():
    # a bar with ends a little off square: within the tolerance, but the long edges must not tilt for it
    points = np.array(
        [[0.0, 0.0], [50.0, 0.0], [100.0, 0.0], [100.05, 2.5], [100.0, 5.0], [0.0, 5.0], [-0.05, 2.5]]
    )
    (bar,) = enclosed(points, np.array([0]), tolerance=0.1, straight=8.0, least_area=0.0).geoms
    assert bar.equals(Polygon([(0, 0), (100, 0), (100, 5), (0, 5)]))


def test_nothing_gives_nothing():
    nothing = np.zeros(0, dtype=np.int64)
    order, starts = rings(nothing, nothing)
    assert not len(order)
    assert enclosed(np.zeros((0, 2)), starts, tolerance=0.1, straight=8.0, least_area=0.0).is_empty
