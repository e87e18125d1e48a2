"""Shapes that are lost, run together or fall apart."""

import math

import pytest
from shapely import MultiPolygon, Polygon, box, union_all
from shapely.affinity import rotate

from rillcast_service.engine.asmade.topology import TopologyChange, compare
from rillcast_service.engine.asmade.vanished import strip_mm
from rillcast_service.engine.shapes import offset, polygons

_NARROW = box(0.0, 0.0, 10.0, 0.05)
_WIDE = box(0.0, 1.0, 10.0, 1.5)
_CLOSE_TO_WIDE = box(0.0, 1.55, 10.0, 2.0)


REACH_UM = 60.0


def _compared(*shapes, by_mm: float):
    drawn = polygons(union_all(list(shapes)))
    return compare(drawn, offset(drawn, by_mm), reach_um=REACH_UM, step_um=abs(by_mm) * 1e3)


def test_a_channel_narrower_than_the_bleed_is_lost():
    change = _compared(_NARROW, _WIDE, by_mm=-0.03)
    assert [shape.bounds for shape in change.lost] == [_NARROW.bounds]
    assert (change.islands, change.merged, change.split) == ((), (), ())


def test_channels_closer_than_the_bleed_run_together_where_the_wall_opens():
    change = _compared(_WIDE, _CLOSE_TO_WIDE, by_mm=0.03)
    (wall,) = change.merged
    assert strip_mm(wall) == (pytest.approx(10.0, abs=0.1), pytest.approx(0.05, abs=1e-3))
    assert wall.bounds[1::2] == pytest.approx((1.5, 1.55), abs=1e-3)
    assert (change.lost, change.islands, change.split) == ((), (), ())


def test_a_dumb_bell_is_cut_in_its_thin_neck():
    bell = box(0, 0, 1, 1).union(box(0.9, 0.48, 3.1, 0.52)).union(box(3, 0, 4, 1))
    (neck,) = _compared(bell, by_mm=-0.03).split
    assert strip_mm(neck) == (pytest.approx(2.0, abs=0.1), pytest.approx(0.04, abs=1e-3))
    assert 1.0 <= neck.centroid.x <= 3.0


def test_a_wall_of_one_channel_that_opens_has_its_place():
    # a hairpin whose arms come 40 µm close at one spot: what was one notch becomes a hole and a notch
    arms = box(0, 0, 10, 1).union(box(9, 0, 10, 3)).union(box(0, 2, 10, 3))
    hairpin = arms.union(Polygon([(4, 1), (5, 1.96), (6, 1)]))
    change = _compared(hairpin, by_mm=0.03)
    (chord,) = change.merged
    assert chord.length == pytest.approx(0.04)
    assert (chord.centroid.x, chord.centroid.y) == (pytest.approx(5.0), pytest.approx(1.98))
    assert (change.lost, change.islands, change.split) == ((), (), ())


def test_a_thin_pillar_vanishes_and_a_stout_one_stays():
    chamber = box(0, 0, 10, 10).difference(box(2, 2, 2.05, 2.05)).difference(box(5, 5, 6, 6))
    change = _compared(chamber, by_mm=0.03)
    (island,) = change.islands
    assert island.bounds == pytest.approx((2, 2, 2.05, 2.05))
    assert (change.lost, change.merged, change.split) == ((), (), ())


def test_two_pillars_whose_channel_between_closes_cut_it():
    chamber = box(0, 0, 10, 10).difference(box(2, 2, 4, 4)).difference(box(4.05, 2, 6, 4))
    (stretch,) = _compared(chamber, by_mm=-0.03).split
    assert strip_mm(stretch) == (pytest.approx(2.0, abs=0.1), pytest.approx(0.05, abs=2e-3))
    assert stretch.centroid.x == pytest.approx(4.025)


def test_a_loop_that_is_cut_once_hangs_together_and_is_told():
    loop = box(0, 0, 10, 10).difference(box(1, 1, 9, 9)).difference(box(4, 0, 6, 0.96))
    (stretch,) = _compared(loop, by_mm=-0.03).split
    assert strip_mm(stretch) == (pytest.approx(2.0, abs=0.1), pytest.approx(0.04, abs=2e-3))
    assert 4.0 <= stretch.centroid.x <= 6.0


def test_a_finger_lost_from_a_comb_is_told_though_the_comb_hangs_together():
    # five fingers of 2 mm, the third too narrow
    widths = [0.3, 0.3, 0.05, 0.3, 0.3]
    comb = [box(x, 1.0, x + width, 3.0) for x, width in zip(range(1, 6), widths, strict=True)]
    change = _compared(box(0.0, 0.0, 7.0, 1.0), *comb, by_mm=-0.03)
    (finger,) = change.arms
    assert strip_mm(finger) == (pytest.approx(2.0, abs=0.06), pytest.approx(0.05, abs=2e-3))
    assert (finger.bounds[0], finger.bounds[2]) == pytest.approx((3.0, 3.05))
    assert (change.lost, change.islands, change.merged, change.split) == ((), (), (), ())


def test_a_slit_between_two_fingers_that_fills_is_where_they_run_together():
    comb = box(1.0, 1.0, 1.5, 3.0), box(1.55, 1.0, 2.0, 3.0), box(3.0, 1.0, 3.5, 3.0)
    change = _compared(box(0.0, 0.0, 7.0, 1.0), *comb, by_mm=0.03)
    (slit,) = change.merged
    assert (slit.bounds[0], slit.bounds[2]) == pytest.approx((1.5, 1.55))
    assert (change.lost, change.arms, change.islands, change.split) == ((), (), (), ())


@pytest.mark.parametrize("by_mm", [-0.03, 0.03])
@pytest.mark.parametrize("angle_deg", [6.0, 12.0, 30.0, 60.0])
def test_channels_that_meet_in_a_point_and_points_of_channels_are_no_loss(angle_deg, by_mm):
    # a Y whose wall runs into a point, and a triangle
    arms = [rotate(box(0.0, -0.2, 10.0, 0.2), side * angle_deg / 2.0, origin=(0, 0)) for side in (-1, 1)]
    fork = union_all([box(-5.0, -0.2, 0.0, 0.2), *arms, box(9.0, -4.0, 11.0, 4.0)])
    tip = Polygon([(20.0, 0.0), (30.0, 0.0), (30.0, 10.0 * math.tan(math.radians(angle_deg)))])
    assert _compared(fork, tip, by_mm=by_mm) == TopologyChange()


def test_a_sharp_tip_that_comes_off_is_no_cut():
    needle = Polygon([(0, 0), (10, 0.0), (0, 1)])
    crumb = box(9.9, 0.0, 9.91, 0.001)
    drawn = MultiPolygon([needle])
    made = polygons(needle.intersection(box(0, 0, 9.8, 1)).union(crumb))
    assert len(made.geoms) == 2
    assert compare(drawn, made, reach_um=REACH_UM).split == ()


def test_nothing_changes_when_nothing_moves():
    assert _compared(_WIDE, _NARROW, by_mm=0.0) == TopologyChange()
