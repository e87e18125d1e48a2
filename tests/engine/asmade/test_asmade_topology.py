"""Shapes that are lost, run together or fall apart."""

from shapely import MultiPolygon, box

from rillcast_service.engine.asmade.topology import compare
from rillcast_service.engine.shapes import offset

_NARROW = box(0.0, 0.0, 10.0, 0.05)
_WIDE = box(0.0, 1.0, 10.0, 1.5)
_CLOSE_TO_WIDE = box(0.0, 1.55, 10.0, 2.0)


def test_a_channel_narrower_than_the_bleed_is_lost():
    change = compare(MultiPolygon([_NARROW, _WIDE]), offset(MultiPolygon([_NARROW, _WIDE]), -0.03))
    assert [shape.bounds for shape in change.lost] == [_NARROW.bounds]
    assert not change.merged
    assert not change.split


def test_channels_closer_than_the_bleed_run_together():
    drawn = MultiPolygon([_WIDE, _CLOSE_TO_WIDE])
    change = compare(drawn, offset(drawn, 0.03))
    assert len(change.merged) == 1
    assert not change.lost


def test_a_dumb_bell_with_a_thin_neck_falls_apart():
    bell = box(0, 0, 1, 1).union(box(0.9, 0.48, 3.1, 0.52)).union(box(3, 0, 4, 1))
    change = compare(MultiPolygon([bell]), offset(MultiPolygon([bell]), -0.03))
    assert len(change.split) == 1


def test_nothing_changes_when_nothing_moves():
    drawn = MultiPolygon([_WIDE, _NARROW])
    change = compare(drawn, offset(drawn, 0.0))
    assert (change.lost, change.merged, change.split) == ((), (), ())
