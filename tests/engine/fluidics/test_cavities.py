"""Which channels hang together, and which ports reach them."""

import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.cavities import find_cavities
from rillcast_service.engine.fluidics.depths import plan_of
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range


def _made(*boxes, depth_um=100.0, layer="channels", level=1):
    shapes = MultiPolygon([box(*corners) for corners in boxes])
    return MadeChannel(layer, shapes, Range.exact(depth_um), level)


def _port(name, x, y, role=PortRole.INLET, radius=0.4):
    return Port(name, role, Point(x, y).buffer(radius), 2 * radius)


def test_separate_channels_are_separate_cavities_with_their_own_ports():
    found = find_cavities(
        [_made((0, 0, 10, 1), (0, 3, 4, 4))],
        [_port("in", 0.5, 0.5), _port("out", 9.5, 0.5, PortRole.OUTLET), _port("blind", 0.5, 3.5)],
    )
    large, small = found.cavities
    assert (large.ports, small.ports) == (("in", "out"), ("blind",))
    assert (large.volume_ul, small.volume_ul) == (pytest.approx(1.0), pytest.approx(0.4))
    assert large.flows_through
    assert (small.has_inlet, small.has_outlet) == (True, False)
    assert found.reached_fraction == pytest.approx(1.0 / 1.4)
    assert found.detached_ports == ()


def test_layers_that_share_an_edge_are_one_cavity():
    found = find_cavities([_made((0, 0, 1, 1)), _made((1, 0, 2, 1), depth_um=50.0, layer="shallow")], [])
    assert len(found.cavities) == 1
    assert found.volume_ul == pytest.approx(0.1 + 0.05)


def test_layers_touch_in_spite_of_rounding():
    found = find_cavities([_made((0, 0, 1, 1)), _made((1 + 1e-10, 0, 2, 1), layer="other")], [])
    assert len(found.cavities) == 1


def test_a_gap_of_a_tenth_of_a_micrometre_is_a_wall():
    found = find_cavities([_made((0, 0, 1, 1)), _made((1.0001, 0, 2, 1), layer="other")], [])
    assert len(found.cavities) == 2


def test_the_deeper_layer_counts_where_layers_overlap():
    found = find_cavities([_made((0, 0, 3, 1)), _made((1, 0, 2, 1), depth_um=300.0, layer="pit")], [])
    assert found.volume_ul == pytest.approx(2 * 0.1 + 1 * 0.3)
    assert found.cavities[0].area_mm2 == pytest.approx(3.0)


def test_a_port_joins_the_channels_that_open_into_it():
    channels = [_made((0, 0, 2, 0.2), (2.5, 0, 5, 0.2))]
    bridge = Port("bridge", PortRole.VENT, box(1.9, -0.2, 2.6, 0.4), 0.7)
    assert len(find_cavities(channels, []).cavities) == 2
    (joined,) = find_cavities(channels, [bridge]).cavities
    assert joined.ports == ("bridge",)
    assert joined.volume_ul == pytest.approx(0.2 * 0.1 * 4.5)
    assert not joined.has_inlet


def test_a_port_off_the_channels_is_detached_and_one_that_just_touches_is_not():
    channels = [_made((0, 0, 2, 1))]
    touching = Port("touching", PortRole.INLET, box(2, 0, 3, 1), 1.0)
    found = find_cavities(channels, [touching, _port("off", 5, 5)])
    assert found.detached_ports == ("off",)
    assert found.cavities[0].ports == ("touching",)


def test_a_channel_without_depth_holds_nothing_and_its_port_is_detached():
    closed = MadeChannel("roof", MultiPolygon([box(5, 0, 6, 1)]), Range(-20.0, 0.0, 30.0))
    found = find_cavities([_made((0, 0, 1, 1)), closed], [_port("in", 5.5, 0.5)])
    assert len(found.cavities) == 1
    assert found.detached_ports == ("in",)
    assert plan_of([closed]).closed_layers == ("roof",)


def test_nothing_open_reaches_nothing():
    found = find_cavities([], [_port("in", 0, 0)])
    assert found.cavities == ()
    assert found.reached_fraction == 0.0
    assert found.detached_ports == ("in",)


def test_an_island_takes_its_volume_away():
    ring = Point(0, 0).buffer(2.0).difference(Point(0, 0).buffer(1.0))
    found = find_cavities([MadeChannel("ring", MultiPolygon([ring]), Range.exact(200.0))], [])
    assert found.volume_ul == pytest.approx(ring.area * 0.2)


def test_levels_that_cross_are_two_cavities_and_a_port_through_both_joins_them():
    channels = [_made((0, 0, 10, 1)), _made((4, -3, 5, 3), depth_um=200.0, layer="low", level=2)]
    apart = find_cavities(channels, [])
    assert [cavity.volume_ul for cavity in apart.cavities] == pytest.approx([1.2, 1.0])
    assert [list(cavity.levels) for cavity in apart.cavities] == [[2], [1]]

    (joined,) = find_cavities(channels, [_port("through", 4.5, 0.5)]).cavities
    assert joined.volume_ul == pytest.approx(2.2), "both channels count where they cross"
    assert joined.area_mm2 == pytest.approx(16.0)
    assert list(joined.levels) == [1, 2]
    assert joined.geometry.area == pytest.approx(15.0), "from above the crossing shows once"
    assert joined.ports == ("through",)


def test_a_port_over_one_level_alone_reaches_that_level_alone():
    channels = [_made((0, 0, 10, 1)), _made((4, -3, 5, 3), layer="low", level=2)]
    found = find_cavities(channels, [_port("top", 1, 0.5), _port("low", 4.5, -2.5, PortRole.OUTLET)])
    assert sorted(cavity.ports for cavity in found.cavities) == [("low",), ("top",)]
    assert found.reached_fraction == 0.0
