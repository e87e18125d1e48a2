"""Shallow flow against exact solutions of potential flow.

In channels much wider than deep, thin-gap flow is a potential flow (Hele-Shaw): electrical results
for sheets apply.
"""

import math

import numpy as np
import pytest
from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

DEPTH_UM, VISCOSITY = 1.0, 1e-3
SHEET = 12.0 * VISCOSITY / (DEPTH_UM * 1e-6) ** 3  # Pa·s/m³ per square


def _resistance(geometry, openings, cells_across):
    ports = [
        Port(f"p{k}", PortRole.INLET if k == 0 else PortRole.OUTLET, opening, 10.0)
        for k, opening in enumerate(openings)
    ]
    found = solve(
        [MadeChannel("channels", MultiPolygon([geometry]), Range.exact(DEPTH_UM))],
        ports,
        viscosity_pa_s=VISCOSITY,
        density_kg_per_m3=1000.0,
        flow_ul_per_min=1.0,
        sampling=Sampling(cells_across=cells_across),
    )
    return found.resistance_pa_s_per_m3[0][1]


def _corner_squares(cells_across):
    """Squares that the corner of an L-shaped channel 1 mm wide counts, arms of 3 squares taken off."""
    bend = Polygon([(0, 0), (6, 0), (6, 1), (1, 1), (1, 6), (0, 6)])
    ends = [box(4, -1, 7, 2), box(-1, 4, 2, 7)]
    # the local width enters through F(h/w) only: here h/w = 1/1000, F = 0.99937
    return _resistance(bend, ends, cells_across) / SHEET * (1.0 - 0.63 * 1e-3) - 6.0


def test_right_angled_corner_counts_056_squares():
    """1 - (2/π) ln 2 = 0.558729, by conformal map; tabulated as 0.559 for thin-film resistors by
    P. M. Hall 1968, Thin Solid Films 1, 277-295 (quoted from memory). 1 % of a square is allowed: the
    flow is singular at the inner corner."""
    assert _corner_squares(32.0) == pytest.approx(1.0 - 2.0 / math.pi * math.log(2.0), abs=0.01)


def test_error_at_the_corner_falls_with_the_pitch_as_theory_says():
    """The singularity r^(2/3) of a 270° corner limits a uniform grid to the order 4/3."""
    cells = np.array([8.0, 16.0, 32.0, 64.0])
    exact = 1.0 - 2.0 / math.pi * math.log(2.0)
    errors = np.array([abs(_corner_squares(across) - exact) for across in cells])
    order = -np.polyfit(np.log(cells), np.log(errors), 1)[0]
    assert order == pytest.approx(4.0 / 3.0, abs=0.25)
    assert errors[0] < 0.05


def test_radial_flow_follows_the_logarithm():
    """Δp = 12 μ Q ln(r₂/r₁) / (2π h³) between two circles."""
    inner, outer = 0.5, 4.0
    disc = Point(0, 0).buffer(6.0, quad_segs=64)
    rim = Point(0, 0).buffer(8.0, quad_segs=128).difference(Point(0, 0).buffer(outer, quad_segs=128))
    found = _resistance(disc, [Point(0, 0).buffer(inner, quad_segs=64), rim], 240.0)
    assert found == pytest.approx(SHEET * math.log(outer / inner) / (2.0 * math.pi), rel=5e-3)


def test_error_of_radial_flow_falls_at_least_linearly():
    inner, outer = 0.5, 2.0
    exact = SHEET * math.log(outer / inner) / (2.0 * math.pi)
    disc = Point(0, 0).buffer(3.0, quad_segs=128)
    rim = Point(0, 0).buffer(4.0, quad_segs=256).difference(Point(0, 0).buffer(outer, quad_segs=256))
    hole = Point(0, 0).buffer(inner, quad_segs=256)
    cells = np.array([40.0, 80.0, 160.0])
    errors = [abs(_resistance(disc, [hole, rim], across) / exact - 1.0) for across in cells]
    order = -np.polyfit(np.log(cells), np.log(errors), 1)[0]
    assert order > 0.9
    assert errors[-1] < 0.005
