"""Liquids from the catalogue, and what is said when a value is used outside its range."""

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Entry, Fact, MissingValue, Quantity
from rillcast_service.engine.fluidics import liquids


def _exact(value, unit):
    return Quantity(value=value, unit=unit, source="bench", low=value, high=value)


WATER = Entry("liquids", "water", "water", {"formula": Fact("iapws_water", "IAPWS")})
OIL = Entry(
    "liquids",
    "oil",
    "oil",
    {
        "viscosity_mpa_s": _exact(20.0, "mPa·s"),
        "density_g_per_ml": _exact(0.9, "g/mL"),
        "reference_c": _exact(25.0, "°C"),
    },
)
SYRUP = Entry(
    "liquids",
    "syrup",
    "syrup",
    {
        "viscosity_points": Fact(
            [{"temperature_c": 40, "viscosity_mpa_s": 2.0}, {"temperature_c": 10, "viscosity_mpa_s": 8.0}],
            "bench",
        )
    },
)


def test_water_goes_by_formula():
    assert liquids.viscosity_pa_s(WATER, 20.0) == pytest.approx(1.0016e-3, rel=1e-4)
    assert liquids.density_kg_per_m3(WATER, 20.0) == pytest.approx(998.2, rel=1e-4)
    assert liquids.notes(WATER, 20.0) == ()


@pytest.mark.parametrize(
    ("temperature_c", "count"), [(-30.0, 3), (-5.0, 2), (60.0, 1), (105.0, 2), (120.0, 3)]
)
def test_leaving_a_formulas_range_is_said(temperature_c, count):
    assert len(liquids.notes(WATER, temperature_c)) == count


def test_one_value_is_taken_at_any_temperature_with_a_note():
    assert liquids.viscosity_pa_s(OIL, 10.0) == pytest.approx(0.020)
    assert liquids.density_kg_per_m3(OIL, 10.0) == pytest.approx(900.0)
    assert liquids.notes(OIL, 25.5) == ()
    assert "25 °C" in liquids.notes(OIL, 10.0)[0]


def test_points_are_met_and_joined_by_a_straight_line_of_ln_mu_over_one_by_t():
    assert liquids.viscosity_pa_s(SYRUP, 10.0) == pytest.approx(8e-3)
    assert liquids.viscosity_pa_s(SYRUP, 40.0) == pytest.approx(2e-3)
    # 1/T half way between 1/283.15 and 1/313.15 is T = 297.39 K; ln μ half way is √(8·2) = 4
    halfway_c = 2.0 / (1 / 283.15 + 1 / 313.15) - 273.15
    assert liquids.viscosity_pa_s(SYRUP, halfway_c) == pytest.approx(4e-3, rel=1e-9)
    assert liquids.notes(SYRUP, 30.0) == ()


def test_beyond_the_points_the_curve_is_drawn_on_and_said():
    assert liquids.viscosity_pa_s(SYRUP, 5.0) > 8e-3
    assert "10 to 40 °C" in liquids.notes(SYRUP, 5.0)[0]


def test_a_liquid_without_a_viscosity_is_named():
    with pytest.raises(MissingValue, match="viscosity_mpa_s"):
        liquids.viscosity_pa_s(Entry("liquids", "mystery", "mystery"), 20.0)


def test_every_shipped_liquid_flows_at_room_temperature():
    for entry in load().of_kind("liquids"):
        assert 1e-4 < liquids.viscosity_pa_s(entry, 22.0) < 10.0
        assert 500.0 < liquids.density_kg_per_m3(entry, 22.0) < 3000.0
        # thinner when warmer
        assert liquids.viscosity_pa_s(entry, 30.0) <= liquids.viscosity_pa_s(entry, 20.0)
