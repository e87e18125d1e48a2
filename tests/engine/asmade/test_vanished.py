"""What is gone from wall to wall, on shapes whose answer is plain from their measures."""

from __future__ import annotations

import pytest
from shapely import MultiPolygon, Point, box, union_all
from shapely.affinity import rotate

from rillcast_service.engine.asmade.vanished import lost_stretches, lost_walls, strip_mm
from rillcast_service.engine.shapes import offset, polygons

STEP = 0.025


def _made(drawn, step_mm):
    return offset(drawn, step_mm)


@pytest.mark.parametrize("turn_deg", [0, 17, 45])
def test_a_neck_thinner_than_both_steps_is_lost_and_a_wider_one_is_not(turn_deg):
    def dumb_bell(width_mm):
        pads = Point(0, 0).buffer(1), Point(8, 0).buffer(1)
        return polygons(
            rotate(union_all([*pads, box(0, -width_mm / 2, 8, width_mm / 2)]), turn_deg, origin=(0, 0))
        )

    thin, wide = dumb_bell(0.04), dumb_bell(0.06)
    (gone,) = lost_stretches(thin, _made(thin, -STEP), step_mm=STEP)
    part = gone.part
    assert gone.ends == 2
    length, width = strip_mm(part)
    assert width == pytest.approx(0.04, abs=0.001)
    assert length == pytest.approx(6.0, abs=0.1)  # 8 mm between centres, less two radii
    assert lost_stretches(wide, _made(wide, -STEP), step_mm=STEP) == ()


def test_an_island_and_a_wall_are_lost_where_edges_grow_over_them():
    channel = box(0, 0, 10, 1).difference(Point(3, 0.5).buffer(0.02)).difference(Point(6, 0.5).buffer(0.2))
    drawn = polygons(union_all([channel, box(0, 1.03, 10, 2)]))
    gone = lost_walls(drawn, _made(drawn, STEP), step_mm=STEP)
    island, wall = sorted((one.part for one in gone), key=lambda part: part.area)
    assert island.centroid.distance(Point(3, 0.5)) < 1e-6
    length, width = strip_mm(wall)
    assert (length, width) == (pytest.approx(10, abs=0.1), pytest.approx(0.03, abs=0.001))
    assert lost_walls(drawn, _made(drawn, 0.01), step_mm=0.01) == ()


def test_rounded_corners_and_even_narrowing_are_no_loss():
    drawn = MultiPolygon([box(0, 0, 5, 5).difference(box(2, 2, 5, 3))])
    for step in (-STEP, STEP):
        made = _made(drawn, step)
        assert lost_stretches(drawn, made, step_mm=STEP) == ()
        assert lost_walls(drawn, made, step_mm=STEP) == ()
    # a roof that takes 0.3 mm from one side of a channel of 0.8 mm leaves a channel
    roofed = MultiPolygon([box(0, 0, 20, 0.5)])
    assert lost_stretches(MultiPolygon([box(0, 0, 20, 0.8)]), roofed, step_mm=STEP) == ()


def test_what_is_wholly_gone_is_lost_as_a_whole():
    drawn = MultiPolygon([box(0, 0, 0.04, 0.04), box(1, 0, 2, 1)])
    (gone,) = lost_stretches(drawn, _made(drawn, -STEP), step_mm=STEP)
    part = gone.part
    assert gone.ends == 0
    assert part.equals(drawn.geoms[0])
    everything = lost_stretches(drawn, MultiPolygon(), step_mm=STEP)
    assert MultiPolygon([one.part for one in everything]).equals(drawn)


@pytest.mark.parametrize(("length", "width"), [(12.0, 0.025), (1.0, 0.4), (0.3, 0.3)])
def test_a_strip_has_the_measures_of_its_rectangle(length, width):
    assert strip_mm(box(0, 0, length, width)) == pytest.approx((length, width), abs=1e-7)


@pytest.mark.parametrize("hair_mm", [2e-5, 5e-5, 9e-5, 1e-3])
def test_a_hair_along_one_wall_is_no_loss(hair_mm):
    # edges of a T move by the step and a hair more: both sides of the hair lie on one wall
    bar, stem = box(6.0, 9.75, 34.0, 10.25), box(19.85, 10.0, 20.15, 14.0)
    drawn = polygons(union_all([bar, stem]))
    made = offset(drawn, STEP + 1e-4 + hair_mm)
    assert lost_walls(drawn, made, step_mm=STEP) == ()
