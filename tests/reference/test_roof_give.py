"""The give of soft roofs: elasticity by hand, the published quartic, and an integration and a transient."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rillcast_service.engine.fluidics import duct, give
from rillcast_service.engine.fluidics.branches import Branch, Branches

WIDTH, DEPTH, LENGTH, VISCOSITY = 500e-6, 50e-6, 20e-3, 1e-3
PLANE = 2e6 / 0.75
FACES = [4e-3]


def _conducts(width=WIDTH, depth=DEPTH):
    return width * depth**3 * float(duct.shape_factor(depth / width)) / (12.0 * VISCOSITY)


def _chain(flow, *pieces):
    """Channels of (width, length) one after the other, rigid, from a given inflow to zero pressure."""
    drops = [flow * length / _conducts(width) for width, length in pieces]
    left = np.concatenate((np.cumsum(drops[::-1])[::-1], [0.0]))
    branches = tuple(
        Branch(k, k + 1, flow, float(left[k]), float(left[k + 1]), width, DEPTH, length, 1.0, 1, 0.0, 0.0)
        for k, (width, length) in enumerate(pieces)
    )
    entering = np.zeros(len(pieces) + 1)
    entering[0], entering[-1] = flow, -flow
    return Branches(branches, len(pieces) + 1, {0: 0, 1: len(pieces)}, entering)


def test_bulge_of_a_thick_roof_worked_out_by_hand():
    """100 kPa on a span of 1 mm of a half-space, E = 2 MPa, ν = 0.5: 37.5 µm in the middle (Sneddon's crack),
    π/4 of that on the mean: 29.5 µm."""
    bulge = give.bulge_m_per_pa(span_m=1e-3, thickness_m=[1.0], plane_pa=PLANE) * 100e3
    assert bulge == pytest.approx(29.45e-6, rel=1e-3)


def test_bulge_of_a_thin_roof_worked_out_by_hand():
    """Clamped strip, Timoshenko: middle p W⁴ (1 − ν²) / (32 E t³), 8/15 of it on the mean."""
    thin = give.bulge_m_per_pa(span_m=1e-3, thickness_m=[20e-6], plane_pa=PLANE)
    thick = give.bulge_m_per_pa(span_m=1e-3, thickness_m=[1.0], plane_pa=PLANE)
    by_hand = 8 / 15 * (1e-3) ** 4 / (32 * PLANE * (20e-6) ** 3)
    assert thin - thick == pytest.approx(by_hand, rel=1e-6)
    assert by_hand > 20 * thick


@pytest.mark.parametrize("bulging", [0.05, 0.5, 2.0])
def test_one_channel_is_the_published_quartic(bulging):
    """Gervais et al. 2006, Lab Chip 6, 500 (form from memory): Q = E h⁴ / (48 α μ L) ·
    ((1 + α p W / (E h))⁴ − 1) with the outlet at zero; here with the exact factor of the side walls in the
    rigid resistance."""
    rate = give.bulge_m_per_pa(span_m=WIDTH, thickness_m=FACES, plane_pa=PLANE) / DEPTH
    pressure = bulging / rate
    resistance = LENGTH / _conducts()
    flow = ((1.0 + bulging) ** 4 - 1.0) / (4.0 * rate) / resistance
    found = give.soften(_chain(flow, (WIDTH, LENGTH)), held_pa={1: 0.0}, thickness_m=FACES, plane_pa=PLANE)
    assert found.pressure_pa == pytest.approx(pressure, rel=1e-8)
    assert found.deeper_share == pytest.approx(bulging, rel=1e-8)
    assert found.flow_m3_per_s == pytest.approx(flow, rel=1e-8)


def test_a_channel_that_widens_against_an_integration_along_it():
    """dp/dx = −q / (conductance · (1 + a p / h)³), from the outlet upstream, by a general integrator."""
    flow = 2e-8
    pieces = [(300e-6, 10e-3), (1000e-6, 15e-3), (500e-6, 5e-3)]
    found = give.soften(_chain(flow, *pieces), held_pa={3: 0.0}, thickness_m=FACES, plane_pa=PLANE)
    pressure = 0.0
    for width, length in pieces[::-1]:
        rate = give.bulge_m_per_pa(span_m=width, thickness_m=FACES, plane_pa=PLANE) / DEPTH
        rises = solve_ivp(
            lambda _x, p, rate=rate, width=width: flow / _conducts(width) / (1.0 + rate * p) ** 3,
            (0.0, length),
            [pressure],
            rtol=1e-10,
            atol=1e-6,
        )
        pressure = float(rises.y[0, -1])
    assert found.pressure_pa == pytest.approx(pressure, rel=1e-6)


def test_stiff_walls_change_nothing():
    chain = _chain(1e-9, (WIDTH, LENGTH))
    found = give.soften(chain, held_pa={1: 0.0}, thickness_m=FACES, plane_pa=1e15)
    assert found.pressure_pa == pytest.approx(chain.branches[0].from_pa, rel=1e-6)
    assert found.extra_m3 < 1e-18


def test_at_a_given_pressure_more_flows_through_soft_walls():
    chain = _chain(1e-8, (WIDTH, LENGTH))
    pressure = chain.branches[0].from_pa
    found = give.soften(chain, held_pa={0: pressure, 1: 0.0}, thickness_m=FACES, plane_pa=PLANE)
    rate = give.bulge_m_per_pa(span_m=WIDTH, thickness_m=FACES, plane_pa=PLANE) / DEPTH
    more = ((1 + rate * pressure) ** 4 - 1) / (4 * rate * pressure)
    assert found.flow_m3_per_s == pytest.approx(1e-8 * more, rel=1e-8)


def test_settling_against_a_transient_of_the_whole_channel():
    """Small bulges: c ∂p/∂t = ∂²p/∂x² / r with the flow switched on at one end. Crank, The Mathematics
    of Diffusion, §4.5 (half of a slab with a constant flux):
    1 − p(0,t)/p∞ = (8/π²) Σ (2n+1)⁻² e^(−(2n+1)²π²T/4),
    T = t / (R C)."""
    flow = 1e-11
    found = give.soften(_chain(flow, (WIDTH, LENGTH)), held_pa={1: 0.0}, thickness_m=FACES, plane_pa=PLANE)
    compliance = WIDTH * LENGTH * give.bulge_m_per_pa(span_m=WIDTH, thickness_m=FACES, plane_pa=PLANE)
    scale = LENGTH / _conducts() * compliance

    def missing(time):
        odd = 2 * np.arange(40) + 1
        return 8 / math.pi**2 * float((np.exp(-(odd**2) * math.pi**2 * time / scale / 4) / odd**2).sum())

    exact = brentq(lambda time: missing(time) - 0.01, 1e-6 * scale, 10 * scale)
    # ours is on the long side, by no more than a third
    assert exact < found.settling_s < 1.35 * exact
