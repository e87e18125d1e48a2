"""Units in names: the longest ending wins, and the factor to SI is the right power of ten."""

import math

import pytest

from rillcast_service.catalogue.units import SUFFIXES, suffix_of, to_si, unit_of


@pytest.mark.parametrize(
    ("name", "unit", "one_in_si"),
    [
        ("width_um", "µm", 1e-6),
        ("area_cm2", "cm²", 1e-4),
        ("volume_ul", "µL", 1e-9),
        ("viscosity_mpa_s", "mPa·s", 1e-3),
        ("modulus_mpa", "MPa", 1e6),
        ("hand_force_n", "N", 1.0),
        ("pot_life_h", "h", 3600.0),
        ("lead_days", "d", 86400.0),
        # 1 mW/cm² = 1e-3 W / 1e-4 m²
        ("irradiance_mw_per_cm2", "mW/cm²", 10.0),
        ("critical_dose_mj_per_cm2", "mJ/cm²", 10.0),
        # 1 µL/min = 1e-9 m³ / 60 s
        ("flow_ul_per_min", "µL/min", 1e-9 / 60.0),
        ("ramp_c_per_min", "°C/min", 1 / 60.0),
        ("heat_capacity_j_per_kg_k", "J/(kg·K)", 1.0),
        ("surface_tension_mn_per_m", "mN/m", 1e-3),
        ("hdt_margin_k", "K", 1.0),
    ],
)
def test_unit_and_factor(name, unit, one_in_si):
    assert unit_of(name) == unit
    assert to_si(1.0, name) == pytest.approx(one_in_si, rel=1e-12)


def test_a_temperature_is_shifted_not_scaled():
    assert to_si(25.0, "temperature_c") == 298.15


@pytest.mark.parametrize("name", ["title", "mm", "flow_gal_per_min", "width_furlongs", ""])
def test_a_name_without_a_known_unit_has_none(name):
    assert suffix_of(name) is None
    assert unit_of(name) is None
    with pytest.raises(KeyError):
        to_si(1.0, name)


def test_every_suffix_is_found_behind_a_name():
    for suffix, (unit, factor) in SUFFIXES.items():
        assert suffix_of(f"thing_{suffix}") == suffix
        assert unit
        assert math.isfinite(factor)
        assert factor > 0
