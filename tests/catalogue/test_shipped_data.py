"""The tables that ship: complete, sourced, in order, and consistent with one another."""

import math
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from rillcast_service.catalogue.kinds import load_kinds
from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import KINDS, Fact, Price, Quantity
from rillcast_service.catalogue.units import unit_of

CATALOGUE = load()
VALUES = [(entry, key, value) for entry in CATALOGUE.entries.values() for key, value in entry.values.items()]

#: Keys that the engine reads, by kind.
NEEDED = {
    "printers": """pixel_x_um pixel_y_um build_x_mm build_y_mm build_z_mm layer_um base_layers_count
        base_exposure_s move_s wavelength_nm intensity_mw_per_cm2 plate_margin_mm plate_gap_mm setup_min
        edge_bleed_um light_spread_um grey_levels_count repeatability_um purchase life_h power_w film
        film_life_h screen screen_life_h calibrated vat_minimum_ml""",
    "resins": """density_liquid_g_per_ml density_cured_g_per_ml viscosity_mpa_s penetration_depth_um
        critical_dose_mj_per_cm2 exposure_s hdt_c initiator clear film_um waste_percent contact_angle_deg
        price""",
    "silicones": """mix_ratio density_g_per_ml viscosity_mpa_s pot_life_h cure_points
        sheet_times_include_heating shrinkage_points conductivity_w_per_m_k heat_capacity_j_per_kg_k
        modulus_mpa contact_angle_deg cup_loss_percent catalyst price""",
    "moulds": """max_height_um sidewall_bias_um height_tolerance_percent min_feature_um max_aspect_ratio
        diameter_mm life_casts_count supplier""",
    "ovens": "min_c max_c shelf_area_cm2 shelves_count ramp_c_per_min power_w purchase life_h",
    "uv_lamps": "wavelength_nm irradiance_mw_per_cm2 area_cm2 power_w purchase life_h",
    "vacuum_chambers": "floor_area_cm2 volume_ml purchase life_h",
    "plasma": "tray_area_cm2 purchase life_h power_w",
    "syringes": "volume_ml bore_mm hand_force_n",
    "tubing": "inner_mm outer_mm",
    "liquids": "viscosity_mpa_s density_g_per_ml",
    "consumables": "price",
    "suppliers": "price minimum_charge lead_days",
    "calendars": "timezone hours holidays",
    "recipes": "purpose",
}


@pytest.mark.parametrize("kind", NEEDED)
def test_every_entry_has_what_the_engine_reads(kind):
    entries = list(CATALOGUE.of_kind(kind))
    assert entries
    for entry in entries:
        assert set(NEEDED[kind].split()) <= set(entry.values), entry.name


def test_every_kind_but_stock_ships_with_entries():
    assert [kind for kind in KINDS if not CATALOGUE.names(kind)] == ["stock"]


def test_enough_to_choose_from():
    assert {CATALOGUE.get("printers", name).number("pixel_x_um") for name in CATALOGUE.names("printers")} == {
        22.0,
        35.0,
        50.0,
    }
    assert len(CATALOGUE.names("resins")) >= 3
    assert len(CATALOGUE.names("silicones")) >= 2
    assert len(CATALOGUE.names("ovens")) >= 2
    assert {entry.number("volume_ml") for entry in CATALOGUE.of_kind("syringes")} == {1, 3, 5, 10, 20, 60}


def test_every_value_names_its_source():
    assert [
        f"{entry.kind}/{entry.name}/{key}" for entry, key, value in VALUES if not value.source.strip()
    ] == []


def test_every_number_is_in_the_unit_of_its_key_and_within_its_range():
    for entry, key, value in VALUES:
        if isinstance(value, Quantity):
            assert value.unit == unit_of(key), f"{entry.kind}/{entry.name}/{key}"
            assert -math.inf < value.low <= value.value <= value.high < math.inf


def test_every_price_is_dated_in_euro_and_in_order():
    for entry, key, value in VALUES:
        if isinstance(value, Price):
            where = f"{entry.kind}/{entry.name}/{key}"
            assert 0 < value.low <= value.amount <= value.high, where
            assert value.currency == "EUR", where
            assert date(2026, 1, 1) <= date.fromisoformat(value.as_of) <= date(2026, 12, 31), where


def test_a_key_has_the_same_form_in_every_entry_of_a_kind():
    forms: dict[tuple[str, str], set[type]] = {}
    for entry, key, value in VALUES:
        form = type(value.value) if isinstance(value, Fact) else type(value)
        forms.setdefault((entry.kind, key), set()).add(form)
    assert {where: found for where, found in forms.items() if len(found) > 1} == {}


def test_every_described_key_is_used_by_a_shipped_entry():
    unused = {
        f"{kind.name}/{key}"
        for kind in load_kinds().values()
        for key in kind.keys
        if CATALOGUE.names(kind.name) and not any(entry.has(key) for entry in CATALOGUE.of_kind(kind.name))
    }
    assert unused == set()


@pytest.mark.parametrize("resin", CATALOGUE.names("resins"))
@pytest.mark.parametrize("printer", CATALOGUE.names("printers"))
def test_every_printer_cures_every_resin_through_its_layer(printer, resin):
    # working curve, Jacobs 1992: Cd = Dp ln(E/Ec); a layer holds to the last one only when Cd > layer
    machine, liquid = CATALOGUE.get("printers", printer), CATALOGUE.get("resins", resin)
    dose = machine.number("intensity_mw_per_cm2") * liquid.number("exposure_s")
    depth_um = liquid.number("penetration_depth_um") * math.log(
        dose / liquid.number("critical_dose_mj_per_cm2")
    )
    assert machine.number("layer_um") < depth_um < 5.0 * machine.number("layer_um")


@pytest.mark.parametrize("resin", CATALOGUE.names("resins"))
def test_light_constants_span_the_published_scatter(resin):
    # Kolibaba et al. 2024, Addit. Manuf. 84, 104082: Dp up to 7 times, Ec up to 70 times between laboratories
    entry = CATALOGUE.get("resins", resin)
    for key, factor in (("penetration_depth_um", 7.0), ("critical_dose_mj_per_cm2", 70.0)):
        value = entry.quantity(key)
        # four decimals are kept in the data
        assert value.high / value.low == pytest.approx(factor, rel=1e-3)
        assert math.sqrt(value.low * value.high) == pytest.approx(value.value, rel=1e-3)
        assert "Kolibaba" in value.source


def test_uncalibrated_is_the_shipped_state_of_every_printer():
    assert not any(entry.fact("calibrated") for entry in CATALOGUE.of_kind("printers"))


def test_the_default_passivation_bakes_no_hotter_than_the_default_mould_resin_bears():
    resin = CATALOGUE.get("resins", CATALOGUE.defaults["mould_resin"].value)
    recipe = CATALOGUE.get("recipes", CATALOGUE.defaults["passivation"].value)
    assert recipe.number("bake_c") <= resin.number("hdt_c") - resin.number("hdt_margin_k")
    assert recipe.number("bake_c") <= resin.quantity("hdt_c").low
    assert resin.fact("initiator") in recipe.fact("inhibits_without")


def test_the_default_post_cure_light_is_that_of_the_passivation_recipe():
    lamp = CATALOGUE.get("uv_lamps", CATALOGUE.defaults["uv_lamp"].value)
    light = CATALOGUE.get("recipes", CATALOGUE.defaults["passivation"].value).quantity("uv_wavelength_nm")
    assert light.low <= lamp.number("wavelength_nm") <= light.high


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("printer", "printers"),
        ("resin", "resins"),
        ("mould_resin", "resins"),
        ("silicone", "silicones"),
        ("mould", "moulds"),
        ("oven", "ovens"),
        ("uv_lamp", "uv_lamps"),
        ("vacuum_chamber", "vacuum_chambers"),
        ("syringe", "syringes"),
        ("calendar", "calendars"),
        ("passivation", "recipes"),
        ("liquid", "liquids"),
    ],
)
def test_default_names_an_entry(key, kind):
    assert CATALOGUE.get(kind, CATALOGUE.defaults[key].value)


def test_the_default_bench_has_no_plasma_cleaner_but_the_catalogue_has():
    assert CATALOGUE.defaults["plasma"].value == ""
    assert CATALOGUE.names("plasma")


def test_every_default_says_why():
    assert [key for key, value in CATALOGUE.defaults.items() if not value.note or not value.source] == []


def test_recipes_that_passivate_are_complete():
    recipes = [entry for entry in CATALOGUE.of_kind("recipes") if entry.fact("purpose") == "passivation"]
    assert len(recipes) >= 2
    for recipe in recipes:
        for key in ("wash_min", "uv_dose_mj_per_cm2", "uv_wavelength_nm", "bake_c", "bake_h"):
            assert recipe.number(key) > 0
        assert "Venzac" in recipe.source_of("purpose")


def test_each_way_of_bonding_has_a_strength():
    recipes = {entry.name for entry in CATALOGUE.of_kind("recipes") if entry.fact("purpose") == "bonding"}
    assert {"bond_plasma", "bond_uncured_silicone", "bond_resin_interlayer"} <= recipes
    # Keçili & Tekin 2020, Biomicrofluidics (abstract): 9.1 bar
    assert CATALOGUE.get("recipes", "bond_resin_interlayer").number("bond_strength_kpa") == 910


def _easter(year: int) -> date:
    """Easter Sunday by the anonymous Gregorian computus (J. Meeus, Astronomical Algorithms, ch. 8)."""
    a, b, c = year % 19, year // 100, year % 100
    d, e = divmod(b, 4)
    g = (b - (b + 8) // 25 + 1) // 3
    h = (19 * a + b - d - g + 15) % 30
    i, k = divmod(c, 4)
    m = (32 + 2 * e + 2 * i - h - k) % 7
    n = (a + 11 * h + 22 * m) // 451
    month, day = divmod(h + m - 7 * n + 114, 31)
    return date(year, month, day + 1)


def test_holidays_of_the_default_calendar():
    calendar = CATALOGUE.get("calendars", CATALOGUE.defaults["calendar"].value)
    ZoneInfo(calendar.fact("timezone"))
    holidays = {date.fromisoformat(day) for day in calendar.fact("holidays")}
    expected = set()
    for year in range(2026, 2031):
        expected |= {date(year, *day) for day in ((1, 1), (5, 1), (10, 3), (12, 25), (12, 26))}
        # Good Friday, Easter Monday, Ascension, Whit Monday
        expected |= {date.fromordinal(_easter(year).toordinal() + shift) for shift in (-2, 1, 39, 50)}
    assert holidays == expected


def test_the_default_week_has_forty_hours():
    hours = CATALOGUE.get("calendars", CATALOGUE.defaults["calendar"].value).fact("hours")
    assert set(hours) == {"monday", "tuesday", "wednesday", "thursday", "friday"}
    assert all(span == ["09:00", "17:00"] for span in hours.values())
