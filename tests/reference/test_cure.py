"""Cure, shrinkage and warming up of silicone, against data-sheet points, hand arithmetic and exact series."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Entry, Fact, Quantity
from rillcast_service.engine.curing import (
    CureProgramme,
    OutsideCureData,
    cure_fraction,
    cure_programmes,
    cure_range_c,
    cure_time_h,
    oven_warm_up_min,
    shrinkage_percent,
    usable_cure_temperature_c,
    warm_up_min,
)

CATALOGUE = load()
PDMS = CATALOGUE.get("silicones", "general_purpose_10_1")
FAST = CATALOGUE.get("silicones", "fast_cure_9_1")

temperatures_c = st.floats(25.0, 150.0)


def exact(value: float, unit: str) -> Quantity:
    return Quantity(value, unit, "hand-made", value, value)


def silicone(**values: Quantity | Fact) -> Entry:
    return Entry("silicones", "hand_made", "hand-made", {**PDMS.values, **values})


# --- cure time


@pytest.mark.parametrize(
    ("temperature_c", "time_h"), [(25, 48.0), (100, 35 / 60), (125, 20 / 60), (150, 10 / 60)]
)
def test_data_sheet_points_are_met_exactly(temperature_c, time_h):
    # two-part 10:1 PDMS, maker's data sheet as remembered: 48 h, 35 min, 20 min, 10 min
    assert cure_time_h(PDMS, temperature_c) == pytest.approx(time_h, rel=1e-12)


@pytest.mark.parametrize(
    ("temperature_c", "time_h"),
    # derived: one Arrhenius line between the points at 25 and 100 °C, printed to two or three digits
    [(40, 16.8), (50, 8.8), (60, 4.8), (65, 3.6), (70, 2.7), (75, 2.05), (80, 1.57), (90, 57 / 60)],
)
def test_between_points(temperature_c, time_h):
    # the table is rounded, its values at most 1.5 % off
    assert cure_time_h(PDMS, temperature_c) == pytest.approx(time_h, rel=0.015)


@pytest.mark.parametrize(
    ("cool_c", "hot_c", "kj_per_mol"), [(30, 90, 54.4), (25, 100, 54.4), (100, 150, 32.9)]
)
def test_activation_energy_of_each_segment(cool_c, hot_c, kj_per_mol):
    # Ea = R ln(t1/t2) / (1/T1 − 1/T2); 54.4 kJ/mol below 100 °C. Above it the sheet's three points give
    # 32.9 kJ/mol end to end.
    ratio = math.log(cure_time_h(PDMS, cool_c) / cure_time_h(PDMS, hot_c))
    energy = 8.314462618e-3 * ratio / (1 / (cool_c + 273.15) - 1 / (hot_c + 273.15))
    assert energy == pytest.approx(kj_per_mol, abs=0.05)


@pytest.mark.parametrize("temperature_c", [24.999, 150.001, -300.0, math.nan, math.inf])
def test_nothing_is_assumed_outside_the_data_sheet(temperature_c):
    with pytest.raises(OutsideCureData, match="from 25 to 150 °C"):
        cure_time_h(PDMS, temperature_c)


@given(cool_c=temperatures_c, hot_c=temperatures_c)
def test_hotter_never_takes_longer(cool_c, hot_c):
    if cool_c <= hot_c:
        assert cure_time_h(PDMS, hot_c) <= cure_time_h(PDMS, cool_c) * (1 + 1e-12)


def test_points_may_stand_in_any_order():
    points = PDMS.fact("cure_points")
    turned = silicone(cure_points=Fact(points[::-1], "hand-made"))
    assert cure_time_h(turned, 65) == cure_time_h(PDMS, 65)


# --- equivalent cure


def test_one_full_cure_counts_as_one():
    assert cure_fraction(PDMS, [(100, 35 / 60)]) == pytest.approx(1.0, rel=1e-12)


def test_parts_of_a_programme_add_up():
    # half of 48 h at 25 °C, a quarter of 35 min at 100 °C, and half of 10 min at 150 °C
    programme = [(25, 24.0), (100, 35 / 60 / 4), (150, 5 / 60)]
    assert cure_fraction(PDMS, programme) == pytest.approx(0.5 + 0.25 + 0.5, rel=1e-12)
    assert cure_fraction(PDMS, programme[::-1]) == pytest.approx(1.25, rel=1e-12)


def test_bench_practice_reaches_a_full_cure():
    # common practice: 65 °C for 4 h, 80 °C for 2 h, 70 °C for at least 4 h
    for programme in ([(65, 4.0)], [(80, 2.0)], [(70, 4.0)]):
        assert 1.0 < cure_fraction(PDMS, programme) < 1.6


def test_an_empty_programme_cures_nothing_and_time_cannot_run_back():
    assert cure_fraction(PDMS, []) == 0.0
    with pytest.raises(ValueError, match="65 °C"):
        cure_fraction(PDMS, [(65, -1.0)])
    with pytest.raises(OutsideCureData):
        cure_fraction(PDMS, [(20, 100.0)])


# --- shrinkage


@pytest.mark.parametrize(("temperature_c", "percent"), [(65, 1.06), (80, 1.52), (100, 1.94)])
def test_measured_shrinkage(temperature_c, percent):
    # Lee & Lee 2008, Microsyst. Technol. 14, 205 (digits from memory)
    shrinkage = shrinkage_percent(PDMS, temperature_c)
    assert shrinkage.best == pytest.approx(percent, rel=1e-12)
    # Madsen et al. 2014, J. Micromech. Microeng. 24, 127002: under 0.2 % is left after correction
    assert shrinkage.high - shrinkage.best == pytest.approx(0.2)
    assert shrinkage.best - shrinkage.low == pytest.approx(0.2)


@pytest.mark.parametrize("temperature_c", [40, 50, 60, 65, 75, 80, 90, 100])
def test_shrinkage_is_thermal_contraction(temperature_c):
    # physical check: s = α (T − 25 °C) with α = 2.6 to 2.8e-4 per K, read as ±8 % around 2.7e-4
    assert shrinkage_percent(PDMS, temperature_c).best == pytest.approx(
        2.7e-2 * (temperature_c - 25.0), rel=0.08
    )


def test_shrinkage_is_never_negative_and_refused_outside_its_points():
    assert (shrinkage_percent(PDMS, 25).low, shrinkage_percent(PDMS, 25).best) == (0.0, 0.0)
    for temperature_c in (24.9, 100.1, math.nan):
        with pytest.raises(OutsideCureData, match="shrinkage"):
            shrinkage_percent(PDMS, temperature_c)


# --- warming up


def cold_face_lag(fourier: float, terms: int = 200) -> float:
    """θ at the insulated face of a slab heated from the other: all terms (Carslaw & Jaeger, ch. 3)."""
    return sum(
        4.0 / math.pi * (-1) ** n / (2 * n + 1) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 * fourier / 4.0)
        for n in range(terms)
    )


def test_the_exact_series_at_a_known_point():
    # J. Crank, The Mathematics of Diffusion, ch. 4: 5 % is left at the closed end at Dt/L² = 1.31203
    assert cold_face_lag(1.31203) == pytest.approx(0.05, rel=1e-5)


@pytest.mark.parametrize("warm_percent", [50.0, 90.0, 95.0, 99.0])
@pytest.mark.parametrize("thickness_mm", [1.0, 4.0, 10.0])
def test_warm_up_against_the_exact_series(warm_percent, thickness_mm):
    slab = silicone(
        conductivity_w_per_m_k=exact(0.2, "W/(m·K)"),
        heat_capacity_j_per_kg_k=exact(1500.0, "J/(kg·K)"),
        density_g_per_ml=exact(1.0, "g/mL"),
        warm_up_percent=exact(warm_percent, "%"),
    )
    # α = 0.2 / (1000 · 1500) m²/s
    fourier = warm_up_min(slab, thickness_mm) * 60.0 * (0.2 / 1.5e6) / (thickness_mm * 1e-3) ** 2
    # the one term that is used leaves out a second one of (1/3) exp(−9 π² Fo/4): under 2e-4 at half warm
    assert cold_face_lag(fourier) == pytest.approx(
        1.0 - warm_percent / 100.0, rel=1e-3 if warm_percent < 90 else 1e-7
    )


@pytest.mark.parametrize(("conductivity", "minutes"), [(0.16, 20.5), (0.27, 12.2)])
def test_a_10_mm_slab_takes_12_to_20_minutes(conductivity, minutes):
    # t = 1.31203 H² ρ c/k with ρ = 1030 kg/m³, c = 1460 J/(kg·K), by hand
    slab = silicone(
        conductivity_w_per_m_k=exact(conductivity, "W/(m·K)"),
        heat_capacity_j_per_kg_k=exact(1460.0, "J/(kg·K)"),
        density_g_per_ml=exact(1.03, "g/mL"),
    )
    assert warm_up_min(slab, 10.0) == pytest.approx(minutes, abs=0.1)


def test_twice_as_thick_warms_four_times_as_long():
    assert warm_up_min(PDMS, 8.0) == pytest.approx(4.0 * warm_up_min(PDMS, 4.0), rel=1e-12)


@pytest.mark.parametrize("thickness_mm", [0.0, -1.0, math.nan])
def test_a_slab_has_a_thickness(thickness_mm):
    with pytest.raises(ValueError, match="thick"):
        warm_up_min(PDMS, thickness_mm)


OVEN = CATALOGUE.get("ovens", "bench_oven_30l")


def oven(**values: Quantity) -> Entry:
    return Entry("ovens", "hand_made", "hand-made", {**OVEN.values, **values})


def test_warm_up_in_an_oven_by_hand():
    # 4 mm of silicone 1030 · 1460 · 0.004 = 6015 J/(m² K), 3 mm of resin 1180 · 1500 · 0.003 = 5310; over
    # both faces at 15 W/(m² K) τ = 11325/30 = 377.5 s; 95 % after 3 τ (2.996) = 18.85 min; from 22 to 65 °C
    # at 4 °C/min 10.75 min
    time = oven_warm_up_min(PDMS, OVEN, temperature_c=65, thickness_mm=4.0, mould_j_per_m2_k=5310.0)
    assert time.best == pytest.approx(18.85 + 10.75, abs=0.02)
    # 25 W/(m² K) and 6 °C/min; 10 W/(m² K) and 2 °C/min
    assert time.low == pytest.approx(18.85 * 15 / 25 + 43 / 6, abs=0.02)
    assert time.high == pytest.approx(18.85 * 15 / 10 + 43 / 2, abs=0.02)


def test_lumped_capacitance_against_the_exact_plane_wall():
    # Incropera & DeWitt, table 5.1: at Bi = 0.15 (half thickness) ζ₁ = 0.3779 and C₁ = 1.0237, so the middle
    # of a wall keeps 5 % of the step at Fo = ln(1.0237/0.05)/0.3779². Lumped capacitance leaves the gradient
    # in the wall out: 5.6 % short there, hence 7 %.
    half_mm = 2.0
    film = 0.15 * PDMS.number("conductivity_w_per_m_k") / (half_mm * 1e-3)
    fast = oven(film_w_per_m2_k=exact(film, "W/(m²·K)"), room_c=exact(65.0, "°C"))
    lumped_min = oven_warm_up_min(PDMS, fast, temperature_c=65, thickness_mm=2 * half_mm).best
    capacity = PDMS.number("density_g_per_ml") * 1e3 * PDMS.number("heat_capacity_j_per_kg_k")
    diffusivity = PDMS.number("conductivity_w_per_m_k") / capacity
    exact_min = math.log(1.0237 / 0.05) / 0.3779**2 * (half_mm * 1e-3) ** 2 / diffusivity / 60.0
    assert lumped_min == pytest.approx(exact_min, rel=0.07)
    assert lumped_min < exact_min


def test_where_the_air_is_fast_the_slab_itself_rules():
    wind = oven(film_w_per_m2_k=exact(1e6, "W/(m²·K)"), room_c=exact(65.0, "°C"))
    assert oven_warm_up_min(PDMS, wind, temperature_c=65, thickness_mm=10.0).best == pytest.approx(
        warm_up_min(PDMS, 10.0)
    )


# --- what mould and oven allow


def test_the_coolest_limit_counts():
    oven = CATALOGUE.get("ovens", "bench_oven_30l")  # 220 °C
    cabinet = CATALOGUE.get("ovens", "drying_cabinet_75c")  # 75 °C
    grey = CATALOGUE.get("resins", "grey_mould")  # 75 °C, kept 10 K away from
    hot = CATALOGUE.get("resins", "high_temperature_mould")  # 150 °C, likewise
    wafer = CATALOGUE.get("moulds", "wafer_film_mask")  # 150 °C
    assert usable_cure_temperature_c(oven=oven, mould_resin=grey) == 65
    assert usable_cure_temperature_c(oven=oven, mould_resin=hot) == 140
    assert usable_cure_temperature_c(oven=cabinet, mould_resin=hot) == 75
    assert usable_cure_temperature_c(oven=oven, mould=wafer) == 150
    assert usable_cure_temperature_c() == math.inf


@pytest.mark.parametrize(
    ("limit_c", "names"),
    [
        (150, ["fast_100c", "slow_65c"]),
        (100, ["fast_100c", "slow_65c"]),
        (80.7, ["fast_80c", "slow_65c"]),
        (75, ["fast_75c", "slow_65c"]),
        (65, ["fast_65c", "slow_45c"]),
        (55, ["fast_55c", "slow_45c"]),
        (50, ["fast_50c"]),
        (25, ["fast_25c"]),
        (24.9, []),
        (-10, []),
    ],
)
def test_programmes_under_a_limit(limit_c, names):
    assert [programme.name for programme in cure_programmes(PDMS, limit_c)] == names


def test_a_programme_is_one_full_cure():
    fast, slow = cure_programmes(PDMS, 150)
    assert fast == CureProgramme("fast_100c", 100.0, pytest.approx(35 / 60))
    for programme in (fast, slow):
        assert cure_fraction(PDMS, [programme[1:]]) == pytest.approx(1.0)


@given(limit_c=st.floats(-50.0, 300.0))
def test_no_programme_is_above_the_limit_or_outside_the_data(limit_c):
    for entry in (PDMS, FAST):
        coolest_c, hottest_c = cure_range_c(entry)
        for programme in cure_programmes(entry, limit_c):
            assert coolest_c <= programme.temperature_c <= min(limit_c, hottest_c)
            assert programme.time_h > 0
            shrinkage_percent(entry, programme.temperature_c)


def test_without_a_limit_the_fastest_cure_is_the_silicones_own():
    assert [programme.name for programme in cure_programmes(PDMS, math.inf)] == ["fast_100c", "slow_65c"]


def test_the_fast_silicone_cures_faster_at_every_temperature():
    for temperature_c in range(25, 101, 5):
        assert cure_time_h(FAST, temperature_c) < cure_time_h(PDMS, temperature_c)
