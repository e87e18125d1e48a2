"""A straight channel on the grid against the exact series, at any angle and any ratio.

Reference: Boussinesq's series, Shah & London 1978 ch. VII. Two per cent is the promise; what the
scheme reaches is asserted as well, because a straight channel is solved exactly but for its ends.
"""

import math

import numpy as np
import pytest
from shapely import MultiPolygon, box
from shapely.affinity import rotate

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import duct
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

WIDTH_MM, VISCOSITY = 0.2, 1e-3
LENGTH_MM = 30 * WIDTH_MM


def _straight(depth_um, angle_deg, cells_across=8.0):
    """A channel whose ports hold it up to two lines `LENGTH_MM` apart."""

    def turned(geometry):
        return rotate(geometry, angle_deg, origin=(0.0, 0.0))

    w = WIDTH_MM
    channel = turned(box(-2 * w, -w / 2, LENGTH_MM + 2 * w, w / 2))
    left = turned(box(-3 * w, -w, 0.0, w))
    right = turned(box(LENGTH_MM, -w, LENGTH_MM + 3 * w, w))
    return solve(
        [MadeChannel("channels", MultiPolygon([channel]), Range.exact(depth_um))],
        [Port("in", PortRole.INLET, left, 0.5), Port("out", PortRole.OUTLET, right, 0.5)],
        viscosity_pa_s=VISCOSITY,
        density_kg_per_m3=1000.0,
        flow_ul_per_min=10.0,
        sampling=Sampling(cells_across=cells_across),
    )


def _exact(depth_um):
    return float(
        duct.resistance_pa_s_per_m3(
            width_m=WIDTH_MM * 1e-3,
            height_m=depth_um * 1e-6,
            length_m=LENGTH_MM * 1e-3,
            viscosity_pa_s=VISCOSITY,
        )
    )


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0])
@pytest.mark.parametrize("ratio", [0.5, 1, 2, 5, 10, 50])
def test_resistance_of_a_straight_channel(angle_deg, ratio):
    depth_um = 1e3 * WIDTH_MM / ratio
    found = _straight(depth_um, angle_deg)
    resistance = found.resistance_pa_s_per_m3[0][1]
    assert resistance == pytest.approx(_exact(depth_um), rel=0.02)
    assert resistance == pytest.approx(_exact(depth_um), rel=1e-4)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 45.0, 71.0])
def test_four_cells_across_are_enough_for_a_straight_channel(angle_deg):
    found = _straight(100.0, angle_deg, cells_across=4.0)
    assert found.resistance_pa_s_per_m3[0][1] == pytest.approx(_exact(100.0), rel=1e-3)


def test_reynolds_number_and_speed_of_a_straight_channel():
    found = _straight(100.0, 17.0)
    mean_speed = 10e-9 / 60.0 / (WIDTH_MM * 1e-3 * 100e-6)
    hydraulic_diameter = 2 * 0.2e-3 * 0.1e-3 / 0.3e-3
    assert found.reynolds == pytest.approx(1000.0 * mean_speed * hydraulic_diameter / VISCOSITY, rel=1e-3)
    middle = found.levels[0].fitted.grid.find(np.array([_at(LENGTH_MM / 2, 17.0)]))
    assert found.levels[0].speed_m_per_s[middle] == pytest.approx(mean_speed, rel=1e-3)


def test_pressure_falls_evenly_along_a_straight_channel():
    found = _straight(100.0, 17.0)
    shares = np.linspace(0.1, 0.9, 9)
    centre = found.levels[0].fitted.grid.centre_mm
    cells = found.levels[0].fitted.grid.find(np.array([_at(share * LENGTH_MM, 17.0) for share in shares]))
    angle = math.radians(17.0)
    along = centre[cells] @ np.array([math.cos(angle), math.sin(angle)])
    drop = found.operating.pressure_pa[0]
    assert found.levels[0].pressure_pa[cells] == pytest.approx(drop * (1 - along / LENGTH_MM), rel=1e-3)


def _at(along_mm, angle_deg):
    angle = math.radians(angle_deg)
    return along_mm * math.cos(angle), along_mm * math.sin(angle)
