"""The grid: exact areas and openings, and the same parts and holes as the vectors."""

import math

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all
from shapely.affinity import rotate

from rillcast_service.engine.layout.grid import Sampling, TooFineForGrid, euler_characteristic, fit, sample
from rillcast_service.engine.layout.measure import measure

SHAPES = {
    "disc": Point(0.3, 0.7).buffer(1.0),
    "slanted bar": rotate(box(0, 0, 5, 0.2), 17),
    "annulus": Point(0, 0).buffer(1.0).difference(Point(0, 0).buffer(0.8)),
    "two parts": MultiPolygon([box(0, 0, 1, 1), rotate(box(2, 2, 3, 2.3), 31)]),
    "serpentine": LineString([(0, 0), (3, 0), (3, 1), (0, 1), (0, 2), (3, 2)]).buffer(0.1),
    "on the grid lines": box(0, 0, 1, 0.5),
}


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("pitch", [0.05, 0.0731])
def test_covered_area_is_the_polygons_area(shape, pitch):
    grid = sample(shape, pitch_mm=pitch)
    assert grid.area_mm2.sum() == pytest.approx(shape.area, rel=1e-9)
    assert grid.coverage.min() > 0.0
    assert grid.coverage.max() <= 1.0


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
def test_each_cell_and_face_agrees_with_set_operations(shape):
    grid = sample(shape, pitch_mm=0.0731)
    half = grid.pitch_mm / 2
    centre = grid.centre_mm
    step = max(1, len(grid.cell) // 40)
    for k in range(0, len(grid.cell), step):
        x, y = centre[k]
        cell = box(x - half, y - half, x + half, y + half)
        assert grid.coverage[k] == pytest.approx(cell.intersection(shape).area / grid.pitch_mm**2, abs=1e-9)
    for k in range(0, len(grid.face), step):
        x, y = centre[grid.face[k, 1]]
        if grid.upright[k]:
            face = LineString([(x - half, y - half), (x - half, y + half)])
        else:
            face = LineString([(x - half, y - half), (x + half, y - half)])
        assert grid.aperture[k] == pytest.approx(face.intersection(shape).length / grid.pitch_mm, abs=1e-9)


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
def test_open_faces_and_wall_close_every_cell(shape):
    """For a slanted flow along a straight wall the openings of a cell cancel: what makes pressure exact."""
    grid = sample(shape, pitch_mm=0.05)
    opening = np.zeros((len(grid.cell), 2))
    axis = np.where(grid.upright, 0, 1)
    np.add.at(opening, (grid.face[:, 0], axis), grid.aperture)
    np.add.at(opening, (grid.face[:, 1], axis), -grid.aperture)
    # what does not cancel is wall: none in full cells, and in all together a closed curve
    full = grid.coverage > 1.0 - 1e-12
    faces = np.bincount(grid.face.ravel(), minlength=len(grid.cell))
    assert np.abs(opening[full & (faces == 4)]).max(initial=0.0) < 1e-9
    assert np.abs(opening.sum(axis=0)).max() < 1e-6


def test_a_frame_gives_cells_that_correspond():
    whole, part = box(0, 0, 3, 1), box(1, 0.2, 2, 0.9)
    grid = sample(whole, pitch_mm=0.07)
    inner = sample(part, pitch_mm=0.07, frame=grid)
    assert np.isin(inner.cell, grid.cell).all()
    assert inner.area_mm2.sum() == pytest.approx(part.area, rel=1e-9)


def test_find_tells_cells_from_outside():
    grid = sample(box(0, 0, 1, 1), pitch_mm=0.1)
    inside, outside, far = grid.find(np.array([[0.51, 0.52], [1.5, 0.5], [1e3, -1e3]]))
    assert np.hypot(*(grid.centre_mm[inside] - (0.51, 0.52))) <= 0.1
    assert (outside, far) == (-1, -1)


@pytest.mark.parametrize(
    ("shape", "holes"),
    [
        (box(0, 0, 1, 1), [0]),
        (Point(0, 0).buffer(1.0).difference(Point(0, 0).buffer(0.8)), [1]),
        (MultiPolygon([box(0, 0, 1, 1), box(2, 0, 3, 1).difference(box(2.3, 0.3, 2.6, 0.6))]), [0, 1]),
    ],
    ids=["square", "annulus", "square and frame"],
)
def test_euler_characteristic_counts_holes(shape, holes):
    grid = sample(shape, pitch_mm=0.037)
    assert sorted(1 - euler_characteristic(shape, grid)) == holes


def test_eight_cells_across_the_narrowest_channel_by_default():
    bar = rotate(box(0, 0, 5, 0.2), 17)
    fitted = fit(bar, measure(bar))
    assert fitted.cells_across == pytest.approx(8.0)
    assert fitted.grid.pitch_mm == pytest.approx(0.025)
    assert fitted.notes == ()


def test_thin_wall_makes_the_grid_finer_than_the_channels_need():
    pair = MultiPolygon([box(0, 0, 3, 0.3), box(0, 0.32, 3, 0.62)])
    fitted = fit(pair, measure(pair))
    assert fitted.grid.pitch_mm == pytest.approx(0.01)
    assert fitted.grid.components().max() == 1


@pytest.mark.parametrize("angle", range(0, 180, 13))
def test_a_thin_slanted_wall_never_joins_two_channels(angle):
    pair = rotate(MultiPolygon([box(0, 0, 3, 0.3), box(0, 0.32, 3, 0.62)]), angle)
    assert fit(pair, measure(pair)).grid.components().max() == 1


@pytest.mark.parametrize("angle", range(0, 180, 13))
def test_branches_that_part_at_a_sharp_angle_need_no_finer_grid(angle):
    branches = rotate(
        union_all([LineString([(0, 0), (2, 0), (5, y)]).buffer(0.1) for y in (0.5, -0.5)]), angle
    )
    assert fit(branches, measure(branches)).cells_across == pytest.approx(8.0, rel=1e-6)


def test_budget_coarsens_the_grid_and_says_so():
    bar = box(0, 0, 5, 0.2)
    fitted = fit(bar, measure(bar), sampling=Sampling(cells_max=900))
    assert 4.0 <= fitted.cells_across < 8.0
    assert len(fitted.grid.cell) <= 900
    assert "instead of 8" in fitted.notes[0]


def test_too_fine_for_the_budget_names_the_narrowest_place():
    bell = union_all([box(0, 0, 10, 10), box(10, 4.99, 10.5, 5.01), box(10.5, 0, 20.5, 10)])
    with pytest.raises(TooFineForGrid) as caught:
        fit(bell, measure(bell), sampling=Sampling(cells_max=100_000))
    assert caught.value.place.length_um == pytest.approx(20.0, abs=1e-6)
    assert 10.0 <= caught.value.place.centre.x <= 10.5
    assert "20.0 µm" in caught.value.detail
    assert caught.value.faults[0].where.startswith("x = 10.")
    assert caught.value.cells_across < 4.0


def test_too_fine_a_wall_is_named_as_a_wall():
    pair = MultiPolygon([box(0, 0, 30, 0.5), box(0, 0.5005, 30, 1)])
    with pytest.raises(TooFineForGrid) as caught:
        fit(pair, measure(pair))
    assert "wall between channels" in caught.value.detail
    assert caught.value.place.length_um == pytest.approx(0.5, abs=1e-6)


def test_channels_that_touch_in_one_point_are_refused_not_merged():
    pair = MultiPolygon([Polygon([(0, 0), (1, 0), (0.5, 1)]), Polygon([(0, 2), (1, 2), (0.5, 1)])])
    with pytest.raises(TooFineForGrid) as caught:
        fit(pair, measure(pair))
    assert caught.value.place.centre.distance(Point(0.5, 1)) < 1e-3


def test_small_island_is_kept_as_a_hole():
    chamber = box(0, 0, 2, 2).difference(Point(1.013, 0.987).buffer(0.02))
    fitted = fit(chamber, measure(chamber))
    assert (1 - euler_characteristic(chamber, fitted.grid)).tolist() == [1]
    assert fitted.grid.pitch_mm <= 0.02
    assert math.isclose(fitted.grid.area_mm2.sum(), chamber.area, rel_tol=1e-9)
