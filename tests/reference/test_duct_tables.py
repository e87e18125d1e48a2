"""Rectangular ducts against published tables.

Sources: R. K. Shah, A. L. London, Laminar Flow Forced Convection in Ducts, Academic Press 1978, ch. VII;
F. M. White, Fluid Mechanics, table "laminar friction constants f Re for rectangular and triangular
ducts"; H. Bruus, Theoretical Microfluidics, Oxford 2008, §3.4 and its list of hydraulic resistances.
The books were not at hand; their figures are quoted from memory and agree with an independent
evaluation of the series.
"""

import math

import numpy as np
import pytest

from rillcast_service.engine.fluidics import duct


@pytest.mark.parametrize(
    ("ratio", "printed"),
    [
        (1 / 20, 89.91),
        (1 / 10, 84.68),
        (1 / 8, 82.34),
        (1 / 6, 78.81),
        (1 / 4, 72.93),
        (2 / 5, 65.47),
        (1 / 2, 62.19),
        (1.0, 56.91),
    ],
)
def test_darcy_friction_as_printed_by_white(ratio, printed):
    """Two printed decimals, so half a unit of the last one is the tolerance."""
    assert 4.0 * float(duct.fanning_friction_reynolds(ratio)) == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize(
    ("ratio", "printed"), [(1.0, 14.227), (0.5, 15.548), (0.25, 18.233), (0.125, 20.585)]
)
def test_fanning_friction_as_printed_by_shah_and_london(ratio, printed):
    assert float(duct.fanning_friction_reynolds(ratio)) == pytest.approx(printed, abs=0.00051)


def test_polynomial_of_shah_and_london_agrees_within_its_error():
    """f Re = 24 (1 - 1.3553 α + 1.9467 α² - 1.7012 α³ + 0.9564 α⁴ - 0.2537 α⁵), within 0.05 % (stated)."""
    alpha = np.linspace(0.01, 1.0, 100)
    polynomial = 24.0 * np.polyval([-0.2537, 0.9564, -1.7012, 1.9467, -1.3553, 1.0], alpha)
    assert duct.fanning_friction_reynolds(alpha) == pytest.approx(polynomial, rel=7e-4)


def test_flat_duct_becomes_two_plates():
    assert float(duct.fanning_friction_reynolds(1e-7)) == pytest.approx(24.0, rel=1e-6)
    assert float(duct.shape_factor(1e-7)) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(
    ("width_um", "height_um", "printed_1e11"),
    [(300, 100, 0.51), (100, 100, 2.84)],
    ids=["rectangle", "square"],
)
def test_resistances_listed_by_bruus(width_um, height_um, printed_1e11):
    """Water of 1 mPa·s, 1 mm long. The book rounds to two decimals, after the one-term formula for the
    rectangle (which is 0.1 % off)."""
    resistance = duct.resistance_pa_s_per_m3(
        width_m=width_um * 1e-6, height_m=height_um * 1e-6, length_m=1e-3, viscosity_pa_s=1e-3
    )
    assert float(resistance) / 1e11 == pytest.approx(printed_1e11, abs=0.0055)


def test_series_summed_as_printed():
    """The sum with its convergence sped up equals the sum term by term (10⁴ terms)."""
    n = 2 * np.arange(10_000) + 1
    for alpha in (1.0, 0.7, 0.3, 0.05):
        plain = 1.0 - 192.0 * alpha / math.pi**5 * np.sum(np.tanh(n * math.pi / (2 * alpha)) / n**5.0)
        assert float(duct.shape_factor(alpha)) == pytest.approx(plain, rel=1e-12)


def test_a_duct_on_its_side_is_the_same_duct():
    sizes = {"length_m": 0.01, "viscosity_pa_s": 1e-3}
    lying = duct.resistance_pa_s_per_m3(width_m=3e-4, height_m=1e-4, **sizes)
    standing = duct.resistance_pa_s_per_m3(width_m=1e-4, height_m=3e-4, **sizes)
    assert float(lying) == pytest.approx(float(standing), rel=1e-12)


def test_reynolds_number_by_hand():
    """10 µL/min of water at 20 °C through 200 × 100 µm: U = 8.33 mm/s, D_h = 133 µm, Re = 1.107."""
    speed = 10e-9 / 60.0 / (200e-6 * 100e-6)
    reynolds = duct.reynolds_number(
        speed_m_per_s=speed,
        hydraulic_diameter_m=duct.hydraulic_diameter_m(width_m=200e-6, height_m=100e-6),
        density_kg_per_m3=998.2,
        viscosity_pa_s=1.0016e-3,
    )
    assert float(reynolds) == pytest.approx(1.1073, rel=1e-3)
