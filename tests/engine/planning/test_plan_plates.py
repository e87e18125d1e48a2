"""Packing by hand arithmetic."""

import pytest

from rillcast_service.engine.planning.plates import fits_area, pack
from rillcast_service.engine.routes.wafers import pack_in_circle


@pytest.mark.parametrize(
    ("plate", "footprint", "columns", "rows", "turned"),
    [
        # 134 − 2·3 = 128 takes 1 × 70 (2 need 144); 75 − 6 = 69 takes 2 × 22 + 4 = 48, not 3 (74)
        ((134.0, 75.0), (70.0, 22.0), 1, 2, False),
        # turned, 128 takes 5 × 22 + 4 · 4 = 126, and 69 takes none of 70; shortened to 69 it takes one
        ((134.0, 75.0), (69.0, 22.0), 5, 1, True),
        # exactly filled: 3 × 40 + 2 × 4 = 128, and 69 for one
        ((134.0, 75.0), (40.0, 69.0), 3, 1, False),
        ((134.0, 75.0), (40.01, 69.0), 2, 1, False),
        # too long either way: 5 rows of none
        ((134.0, 75.0), (200.0, 10.0), 0, 5, False),
    ],
)
def test_grids_on_a_plate(plate, footprint, columns, rows, turned):
    grid = pack(
        plate_x_mm=plate[0],
        plate_y_mm=plate[1],
        margin_mm=3.0,
        gap_mm=4.0,
        width_mm=footprint[0],
        depth_mm=footprint[1],
    )
    assert (grid.columns, grid.rows, grid.turned) == (columns, rows, turned)
    assert grid.count == columns * rows


@pytest.mark.parametrize(
    ("diameter", "margin", "footprint", "count"),
    [
        # two rows of 26 with a gap of 2 reach 27 mm out, where the chord is 2√(50² − 27²) = 84.2 ≥ 76
        (100.0, 0.0, (76.0, 26.0), 2),
        # inside a 5 mm rim it is 2√(45² − 27²) = 72.0 < 76; one row reaches 13 mm: 2√(45² − 13²) = 86.2
        (100.0, 5.0, (76.0, 26.0), 1),
        # a square of 60 has a diagonal of 84.9 ≤ 90; one of 64 has 90.5
        (100.0, 5.0, (60.0, 60.0), 1),
        (100.0, 5.0, (64.0, 64.0), 0),
        # 10 mm squares without a rim: rows at 1–11, 13–23, 25–35, 37–47 mm from the middle take 8, 7, 6
        # and 3 (chords 97.5, 88.8, 71.4, 34.1; n needs 12 n − 2), twice: 48. An odd number of rows:
        # 5, 17, 29, 41 mm: 8 + 2 · (7 + 6 + 4) = 42, chords 99.5, 94.0, 81.5, 57.2
        (100.0, 0.0, (10.0, 10.0), 48),
        (10.0, 5.0, (1.0, 1.0), 0),
    ],
)
def test_rows_on_a_wafer(diameter, margin, footprint, count):
    found = pack_in_circle(
        diameter_mm=diameter, margin_mm=margin, gap_mm=2.0, width_mm=footprint[0], depth_mm=footprint[1]
    )
    assert found == count


@pytest.mark.parametrize(
    ("inset", "count"),
    [
        # corners of 90 × 26 lie √(45² + 13²) = 46.8 mm out: on the wafer, but not 5 mm inside its edge
        ((0.0, 0.0), 0),
        # what is drawn reaches √(44² + 12²) = 45.6, √(43² + 11²) = 44.4 mm
        ((1.0, 1.0), 0),
        ((2.0, 2.0), 1),
    ],
)
def test_on_a_wafer_what_is_drawn_keeps_from_the_rim(inset, count):
    for turned in (False, True):
        size, land = ((26.0, 90.0), inset[::-1]) if turned else ((90.0, 26.0), inset)
        found = pack_in_circle(
            diameter_mm=100.0,
            margin_mm=5.0,
            gap_mm=2.0,
            width_mm=size[0],
            depth_mm=size[1],
            inset_x_mm=land[0],
            inset_y_mm=land[1],
        )
        assert found == count


def test_however_far_inside_it_is_drawn_a_chip_lies_on_the_wafer():
    # corners of 100 × 10 at 50.2 mm
    assert (
        pack_in_circle(
            diameter_mm=100.0,
            margin_mm=5.0,
            gap_mm=2.0,
            width_mm=100.0,
            depth_mm=10.0,
            inset_x_mm=40.0,
            inset_y_mm=4.0,
        )
        == 0
    )


def test_a_floor_known_by_its_area_alone_is_taken_as_a_square():
    # 400 cm² is 200 × 200 mm: 2 × 80 + 5 = 165, and 6 × 28 + 5 · 5 = 193
    assert fits_area(area_cm2=400.0, width_mm=80.0, depth_mm=28.0, gap_mm=5.0) == 12
