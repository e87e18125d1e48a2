"""Channel networks on the grid against circuit arithmetic with the exact series for each arm.

Arms are at least 30 widths long, so that what junctions and bends add (some tenths of a width each)
stays within the 2 % that are allowed. Kirchhoff's laws are the reference, with Boussinesq's series.
"""

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, union_all

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

W, DEPTH_UM, VISCOSITY = 0.1, 50.0, 1e-3


def _arm(points, width=W):
    return LineString(points).buffer(width / 2, cap_style="square", join_style="mitre")


def _resistance(length_mm, width_mm=W, depth_um=DEPTH_UM):
    return float(
        duct.resistance_pa_s_per_m3(
            width_m=width_mm * 1e-3,
            height_m=depth_um * 1e-6,
            length_m=length_mm * 1e-3,
            viscosity_pa_s=VISCOSITY,
        )
    )


def _solve(channels, ports):
    return solve(channels, ports, viscosity_pa_s=VISCOSITY, density_kg_per_m3=1000.0, flow_ul_per_min=1.0)


def _made(*arms, depth_um=DEPTH_UM, layer="channels"):
    merged = union_all(arms)
    parts = merged.geoms if isinstance(merged, MultiPolygon) else [merged]
    return MadeChannel(layer, MultiPolygon(list(parts)), Range.exact(depth_um))


def _port(name, x, y, role=PortRole.OUTLET):
    return Port(name, role, Point(x, y).buffer(W / 2, cap_style="square"), W)


def test_two_widths_in_series():
    channel = _made(_arm([(0, 0), (3, 0)]), _arm([(3, 0), (9, 0)], width=2 * W))
    found = _solve([channel], [_port("a", 0, 0, PortRole.INLET), _port("b", 9, 0)])
    # from the edge of port a (half a width in) to the step at x = 3 - W, and on to the edge of port b
    expected = _resistance(3 - W - W / 2) + _resistance(6 + W - W / 2, width_mm=2 * W)
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(expected, rel=0.02)


def test_two_depths_in_series():
    shallow, deep = _made(_arm([(0, 0), (3, 0)])), _made(_arm([(3, 0), (9, 0)]), depth_um=100.0, layer="deep")
    found = _solve([shallow, deep], [_port("a", 0, 0, PortRole.INLET), _port("b", 9, 0)])
    expected = _resistance(3 - W) + _resistance(6, depth_um=100.0)  # the deep layer starts at 3 - W / 2
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(expected, rel=0.02)


def test_two_arms_in_parallel():
    ring = _made(
        _arm([(0, 0), (1, 0)]),
        _arm([(1, 0), (1, 3), (7, 3), (7, 0)]),
        _arm([(1, 0), (1, -1), (7, -1), (7, 0)]),
        _arm([(7, 0), (8, 0)]),
    )
    found = _solve([ring], [_port("a", 0, 0, PortRole.INLET), _port("b", 8, 0)])
    # an arm runs from edge to edge of the junctions, and each of its two corners saves 0.44 widths
    upper, lower = _resistance(12 - W - 0.88 * W), _resistance(8 - W - 0.88 * W)
    expected = 2 * _resistance(1 - W) + upper * lower / (upper + lower)
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(expected, rel=0.02)


def test_bridge_of_five_arms():
    """Four arms of a lozenge and one across, no two alike, ports at all four corners."""
    corners = {"west": (0, 0), "north": (6, 4), "south": (6, -5), "east": (14, 0)}
    pairs = [("west", "north"), ("west", "south"), ("north", "south"), ("north", "east"), ("south", "east")]
    widths = [0.1, 0.14, 0.1, 0.12, 0.1]
    arms = [_arm([corners[a], corners[b]], width) for (a, b), width in zip(pairs, widths, strict=True)]
    names = list(corners)
    ports = [
        Port(
            name,
            PortRole.INLET if name == "west" else PortRole.OUTLET,
            Point(*corners[name]).buffer(0.15),
            0.3,
        )
        for name in names
    ]
    found = _solve([_made(*arms)], ports)

    conductance = np.zeros((4, 4))
    for (a, b), width in zip(pairs, widths, strict=True):
        length = Point(*corners[a]).distance(Point(*corners[b])) - 2 * 0.15  # between the ports' edges
        i, j = names.index(a), names.index(b)
        g = 1.0 / _resistance(length, width_mm=width)
        conductance[[i, j], [j, i]] -= g
        conductance[[i, j], [i, j]] += g
    inverse = np.linalg.pinv(conductance)
    for i in range(4):
        for j in range(4):
            expected = inverse[i, i] + inverse[j, j] - 2 * inverse[i, j]
            assert found.resistance_pa_s_per_m3[i][j] == pytest.approx(expected, rel=0.02, abs=1.0)


def test_flow_splits_as_the_arms_conduct():
    tee = _made(_arm([(0, 0), (4, 0)]), _arm([(4, 0), (4, 5)]), _arm([(4, 0), (4, -3.5)]))
    found = _solve([tee], [_port("in", 0, 0, PortRole.INLET), _port("long", 4, 5), _port("short", 4, -3.5)])
    into, long, short = found.operating.flow_m3_per_s
    assert into == pytest.approx(1e-9 / 60.0, rel=1e-12)
    # the arms run from the junction's edge to the port's edge: lengths minus one width
    assert short / long == pytest.approx((5 - W) / (3.5 - W), rel=0.02)
    assert abs(into + long + short) < 1e-10 * into
