"""Branches of a chip as a circuit: shares and balanced widths against ducts by hand."""

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box, union_all

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.branches import branches_of
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.fluidics.streams import follow
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

INLET, OUTLET = PortRole.INLET, PortRole.OUTLET
DEPTH = 0.05


def _port(name, x, y, role=OUTLET):
    return Port(name, role, Point(x, y).buffer(0.25), 0.5)


def _layer(name, geometry, depth_mm):
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    return MadeChannel(name, MultiPolygon(list(parts)), Range.exact(1e3 * depth_mm))


def _branches(geometry, ports, *, deep=None):
    layers = [_layer("channels", geometry, DEPTH)]
    hydraulics = solve(
        layers if deep is None else [*layers, _layer("deep", deep, 0.4)],
        ports,
        viscosity_pa_s=1e-3,
        density_kg_per_m3=1e3,
        flow_ul_per_min=60.0,
        sampling=Sampling(cells_across=6.0),
    )
    return hydraulics, branches_of(hydraulics, follow(hydraulics))


#: Feeds and manifolds eight times as deep, which resist next to nothing.
FEEDS = union_all([box(-4, -0.2, 0, 0.2), box(0, -4, 2, 4), box(14, -4, 16, 4), box(16, -0.2, 20, 0.2)])


def _ladder(upper, lower):
    """Two channels 12 mm long from manifold to manifold."""
    return union_all([box(2, y - width / 2, 14, y + width / 2) for y, width in ((3, upper), (-3, lower))])


def _duct(width_mm, length_mm=12.0):
    return float(
        duct.resistance_pa_s_per_m3(
            width_m=width_mm * 1e-3, height_m=DEPTH * 1e-3, length_m=length_mm * 1e-3, viscosity_pa_s=1e-3
        )
    )


@pytest.fixture(scope="module")
def ladder():
    return _branches(_ladder(0.6, 0.2), [_port("in", -3.5, 0, INLET), _port("out", 19.5, 0)], deep=FEEDS)


def test_parallel_channels_share_by_their_resistances(ladder):
    _, branches = ladder
    (split,) = branches.splits()
    even = 1 / _duct(0.6) + 1 / _duct(0.2)
    assert split.shares == pytest.approx((1 / _duct(0.6) / even, 1 / _duct(0.2) / even), rel=0.03)
    wide, narrow = (branches.branches[k] for k in split.out)
    assert wide.width_m == pytest.approx(0.6e-3, rel=0.03)
    assert narrow.width_m == pytest.approx(0.2e-3, rel=0.03)
    assert wide.depth_m == pytest.approx(DEPTH * 1e-3)
    assert (wide.y_mm, narrow.y_mm) == (pytest.approx(3, abs=0.35), pytest.approx(-3, abs=0.15))
    assert 2 < wide.x_mm < 14
    # 12 mm, and a little of the manifolds
    assert wide.length_m == pytest.approx(12e-3, rel=0.06)


def test_flows_obey_kirchhoff_and_drops_the_pressures(ladder):
    hydraulics, branches = ladder
    whole = hydraulics.operating.flow_m3_per_s[0]
    net = np.zeros(branches.nodes)
    for branch in branches.branches:
        net[branch.begins] += branch.flow_m3_per_s
        net[branch.ends] -= branch.flow_m3_per_s
    assert np.allclose(net, branches.entering, atol=1e-8 * whole)
    resistance = np.array([branch.resistance_pa_s_per_m3 for branch in branches.branches])
    found = branches.flows(resistance)
    assert found == pytest.approx([branch.flow_m3_per_s for branch in branches.branches], rel=1e-6)
    source = branches.branches[0]
    assert source.from_pa == pytest.approx(hydraulics.operating.pressure_pa[0], rel=1e-9)


def test_the_balanced_width_is_that_of_the_channel_beside_it(ladder):
    _, branches = ladder
    (split,) = branches.splits()
    width = branches.balanced_width_m(split)
    assert width == pytest.approx(0.2e-3, rel=0.06)
    # and drawn so, the parts are even
    _, even = _branches(
        _ladder(width * 1e3, 0.2), [_port("in", -3.5, 0, INLET), _port("out", 19.5, 0)], deep=FEEDS
    )
    assert even.splits()[0].shares == pytest.approx((0.5, 0.5), abs=0.02)


def test_two_outlets_share_by_the_lengths_of_their_arms():
    """A T with arms of 4 and 12 mm: three parts to one."""
    tee = union_all([box(-5, -0.1, 0, 0.1), box(-0.1, -12, 0.1, 4)])
    _, branches = _branches(tee, [_port("in", -5, 0, INLET), _port("near", 0, 4), _port("far", 0, -12)])
    (split,) = branches.splits()
    assert split.shares == pytest.approx((0.75, 0.25), abs=0.01)
    ends = [branches.branches[k].ends for k in split.out]
    assert ends == [branches.port_node[1], branches.port_node[2]]


def test_a_lone_channel_and_a_dead_arm_part_nothing():
    arm = union_all([box(0, -0.1, 10, 0.1), box(4, 0, 4.2, 3)])
    _, branches = _branches(arm, [_port("in", 0, 0, INLET), _port("out", 10, 0)])
    assert branches.splits() == []
    assert sum(branch.flow_m3_per_s for branch in branches.branches) == pytest.approx(1e-9, rel=1e-6)
