"""Soft roofs and walls against closed forms, handbook tables and numbers worked out apart."""

import numpy as np
import pytest
from scipy.special import ellipk, ellipkm1

from rillcast_service.engine.asmade.elasticity import (
    adhesion_span_m,
    plane_modulus_pa,
    plate_sag_m,
    roof_sag_m,
    sticking_height_m,
    thick_roof_sag_m,
    touching_span_m,
)

SOFT = plane_modulus_pa(modulus_pa=2e6, poisson_ratio=0.5)


def test_a_millimetre_of_thick_roof_under_one_bar():
    # p W (1 − ν²) / E = 1e5 · 1e-3 · 0.75 / 2e6, half-space with a free strip (Sneddon)
    assert thick_roof_sag_m(span_m=1e-3, pressure_pa=1e5, plane_pa=SOFT) == pytest.approx(37.5e-6)


def test_a_span_of_twenty_depths_touches_under_a_firm_thumb():
    # σ = E* h / W for a single gap (limit of Hui et al. 2002, Langmuir 18, 1394): 2.667 MPa / 20 = 133 kPa
    span = touching_span_m(
        depth_m=50e-6, length_to_width=1e3, thickness_m=1.0, pressure_pa=133.3e3, plane_pa=SOFT
    )
    assert span / 50e-6 == pytest.approx(20.0, rel=1e-3)


def test_the_single_gap_is_the_limit_of_a_row_of_gaps_far_apart():
    # Hui et al. 2002 (from memory), gap 2 w, land 2 a:
    # (4 σ w / (π E* h)) (1 + a/w) acosh(sec(π w / (2 (w + a)))) = 1
    w, a, h = 0.5e-3, 50e-3, 50e-6
    row = (
        (4.0 * w / (np.pi * SOFT * h)) * (1.0 + a / w) * np.arccosh(1.0 / np.cos(np.pi * w / (2.0 * (w + a))))
    )
    sigma = 1.0 / row
    assert thick_roof_sag_m(span_m=2.0 * w, pressure_pa=sigma, plane_pa=SOFT) == pytest.approx(h, rel=1e-3)


@pytest.mark.parametrize(
    ("sides", "coefficient"),
    # Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, table 35, clamped, ν = 0.3 (from memory)
    [(1.0, 0.00126), (1.2, 0.00172), (1.5, 0.00220), (2.0, 0.00254), (1e6, 1.0 / 384.0)],
)
def test_clamped_plates_bend_as_the_table_says(sides, coefficient):
    plane = plane_modulus_pa(modulus_pa=2e6, poisson_ratio=0.3)
    rigidity = plane * 1e-4**3 / 12.0
    sag = plate_sag_m(span_m=1e-3, length_m=sides * 1e-3, thickness_m=1e-4, pressure_pa=100.0, plane_pa=plane)
    # the formula fits the table to 7 %, on the safe side
    assert 0.99 < sag / (coefficient * 100.0 * 1e-3**4 / rigidity) < 1.07


def test_a_strip_is_the_closed_form_of_a_clamped_beam():
    # 5 mm of roof, 0.2 mm thin, under its own weight: ρ g t = 1030 · 9.81 · 2e-4 Pa; p W⁴ / (32 E* t³)
    load = 1030.0 * 9.81 * 2e-4
    by_hand = load * 5e-3**4 / (32.0 * SOFT * 2e-4**3)
    sag = plate_sag_m(span_m=5e-3, length_m=5.0, thickness_m=2e-4, pressure_pa=load, plane_pa=SOFT)
    assert sag == pytest.approx(by_hand, rel=1e-6)
    assert by_hand == pytest.approx(1.85e-6, rel=0.01)


def test_thick_and_thin_roofs_are_the_ends_of_one_formula():
    case = {"span_m": 1e-3, "length_m": 1.0, "pressure_pa": 1e4, "plane_pa": SOFT}
    thick = roof_sag_m(thickness_m=20e-3, **case)
    assert thick == pytest.approx(thick_roof_sag_m(span_m=1e-3, pressure_pa=1e4, plane_pa=SOFT), rel=1e-3)
    thin = roof_sag_m(thickness_m=20e-6, **case)
    assert thin == pytest.approx(plate_sag_m(thickness_m=20e-6, **case), rel=1e-2)


def test_a_roof_sticks_where_the_energy_of_a_stuck_strip_falls_below_zero():
    # U(c) = (E* h² / 2) K(k) / K(k') − 2 W c with k = c / a, complete elliptic integrals by scipy
    depth, work = 10e-6, 0.05
    half = adhesion_span_m(depth_m=depth, plane_pa=SOFT, adhesion_j_per_m2=work) / 2.0

    def least_energy(half_span):
        k = np.linspace(0.01, 0.999, 2000)
        bending = 0.5 * SOFT * depth**2 * ellipk(k**2) / ellipkm1(k**2)
        return (bending - 2.0 * work * k * half_span).min()

    assert least_energy(0.998 * half) > 0.0 > least_energy(1.002 * half)
    # 376 times the depth: adhesion alone holds down only very shallow roofs
    assert 2.0 * half / depth == pytest.approx(376.0, rel=0.01)


def test_two_walls_stick_when_adhesion_pays_for_bending_both_over_half_the_gap():
    # b = g = 20 µm, E = 2 MPa, W = 0.05 J/m²: (3 E* b³ g² / 4 W)^(1/4) = 106 µm
    height = sticking_height_m(thickness_m=20e-6, gap_m=20e-6, plane_pa=SOFT, adhesion_j_per_m2=0.05)
    assert height == pytest.approx(106e-6, rel=0.01)
    # and by energy: a cantilever of stuck end takes 6 E* I d² / s³ over its free length s, d = g / 2; what
    # two of them give back as the stuck part shortens is W: 2 · 18 E* I d² / s⁴ = W
    second_moment = 20e-6**3 / 12.0
    assert 36.0 * SOFT * second_moment * 10e-6**2 / height**4 == pytest.approx(0.05)
