"""Straight channels on several levels against the exact series and the rules of circuits.

Reference: Boussinesq's series, Shah & London 1978 ch. VII; conductors between the same two nodes add
(Kirchhoff 1847). Levels meet in ports alone.
"""

import numpy as np
import pytest
from shapely import MultiPolygon, box

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

VISCOSITY = 1e-3
HALF_MM = 3.0
ALONG = box(-HALF_MM - 0.4, -0.1, HALF_MM + 0.4, 0.1)
ACROSS = box(-0.15, -HALF_MM - 0.4, 0.15, HALF_MM + 0.4)


def _made(shape, depth_um, level):
    return MadeChannel(f"level_{level}", MultiPolygon([shape]), Range.exact(depth_um), level)


def _port(name, role, *corners):
    return Port(name, role, box(*corners), 0.5)


WEST = _port("west", PortRole.INLET, -HALF_MM - 0.6, -0.2, -HALF_MM, 0.2)
EAST = _port("east", PortRole.OUTLET, HALF_MM, -0.2, HALF_MM + 0.6, 0.2)
SOUTH = _port("south", PortRole.INLET, -0.2, -HALF_MM - 0.6, 0.2, -HALF_MM)
NORTH = _port("north", PortRole.OUTLET, -0.2, HALF_MM, 0.2, HALF_MM + 0.6)


def _solve(channels, ports):
    return solve(channels, ports, viscosity_pa_s=VISCOSITY, density_kg_per_m3=1000.0, flow_ul_per_min=20.0)


def _exact(width_mm, depth_um):
    return float(
        duct.resistance_pa_s_per_m3(
            width_m=width_mm * 1e-3,
            height_m=depth_um * 1e-6,
            length_m=2.0 * HALF_MM * 1e-3,
            viscosity_pa_s=VISCOSITY,
        )
    )


def test_channels_that_cross_on_two_levels_are_two_ducts():
    found = _solve([_made(ALONG, 80.0, 1), _made(ACROSS, 120.0, 2)], (WEST, EAST, SOUTH, NORTH))
    resistance = found.resistance_pa_s_per_m3
    assert resistance[0][1] == pytest.approx(_exact(0.2, 80.0), rel=1e-3)
    assert resistance[2][3] == pytest.approx(_exact(0.3, 120.0), rel=1e-3)
    assert [resistance[a][b] for a in (0, 1) for b in (2, 3)] == [None] * 4
    along, across = sorted(found.cavities.cavities, key=lambda cavity: cavity.volume_ul)
    assert (along.ports, across.ports) == (("west", "east"), ("south", "north"))
    assert found.cavities.volume_ul == pytest.approx(ALONG.area * 0.08 + ACROSS.area * 0.12, rel=1e-6)
    assert found.operating.flow_m3_per_s == pytest.approx(np.array([1, -1, 1, -1]) * 10e-9 / 60, rel=1e-9)


def test_the_same_channels_on_one_level_are_joined():
    found = _solve([_made(ALONG, 80.0, 1), _made(ACROSS, 120.0, 1)], (WEST, EAST, SOUTH, NORTH))
    assert all(value is not None for row in found.resistance_pa_s_per_m3 for value in row)
    assert len(found.cavities.cavities) == 1
    # half of each arm lies between two neighbouring ports; the junction itself is a little wider
    halves = (_exact(0.2, 80.0) + _exact(0.3, 120.0)) / 2
    assert found.resistance_pa_s_per_m3[0][2] == pytest.approx(halves, rel=0.05)


def test_two_equal_ducts_between_the_same_ports_halve_the_resistance():
    one = _solve([_made(ALONG, 80.0, 1)], (WEST, EAST))
    two = _solve([_made(ALONG, 80.0, 1), _made(ALONG, 80.0, 2)], (WEST, EAST))
    alone, both = one.resistance_pa_s_per_m3[0][1], two.resistance_pa_s_per_m3[0][1]
    assert both == pytest.approx(alone / 2.0, rel=1e-9)
    assert two.operating.pressure_pa[0] == pytest.approx(one.operating.pressure_pa[0] / 2.0, rel=1e-9)
    assert two.reynolds == pytest.approx(one.reynolds / 2.0, rel=1e-6)
    (cavity,) = two.cavities.cavities
    assert cavity.volume_ul == pytest.approx(2.0 * one.cavities.volume_ul, rel=1e-12)


def test_unequal_ducts_between_the_same_ports_share_the_flow_as_their_conductances():
    found = _solve([_made(ALONG, 60.0, 1), _made(ALONG, 120.0, 2)], (WEST, EAST))
    conductance = 1.0 / _exact(0.2, 60.0) + 1.0 / _exact(0.2, 120.0)
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(1.0 / conductance, rel=1e-3)
    shallow, deep = (
        flow.speed_m_per_s[flow.fitted.grid.find(np.array([(0.0, 0.02)]))][0] for flow in found.levels
    )
    ratio = _exact(0.2, 60.0) * 60.0 / (_exact(0.2, 120.0) * 120.0)
    assert deep / shallow == pytest.approx(ratio, rel=0.01)


def test_a_port_joins_levels_in_series():
    """Along level 1 to a port in the middle, back on level 2: the lengths add."""
    west_half, middle = box(-HALF_MM - 0.4, -0.1, 0.4, 0.1), _port("mid", PortRole.VENT, 0, -0.2, 0.6, 0.2)
    east_half = box(0.2, -0.1, HALF_MM + 0.4, 0.1)
    found = _solve([_made(west_half, 80.0, 1), _made(east_half, 80.0, 2)], (WEST, EAST, middle))
    duct_mm = 2.0 * HALF_MM - 0.6  # within the port there is no resistance
    expected = _exact(0.2, 80.0) * duct_mm / (2.0 * HALF_MM)
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(expected, rel=1e-3)
