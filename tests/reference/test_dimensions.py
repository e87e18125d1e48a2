"""Dimensions set by standards and published tables, against the numbers printed there."""

import math

import pytest

from rillcast_service.catalogue.loader import load

CATALOGUE = load()


def test_microscope_slide():
    # ISO 8037-1: 76 × 26 mm, 1.0 to 1.5 mm thick
    slide = CATALOGUE.get("standards", "microscope_slide")
    assert (slide.number("length_mm"), slide.number("width_mm")) == (76, 26)
    assert slide.quantity("thickness_mm").low == 1.0
    assert slide.quantity("thickness_mm").high == 1.5
    glass = CATALOGUE.get("consumables", "glass_slide")
    assert (glass.number("length_mm"), glass.number("width_mm")) == (76, 26)


def test_id_1_card():
    # ISO/IEC 7810 ID-1: 85.60 × 53.98 mm, 3.370 × 2.125 in to the third decimal; 0.68 to 0.84 mm thick
    card = CATALOGUE.get("standards", "id_1_card")
    assert (card.number("length_mm"), card.number("width_mm")) == (85.60, 53.98)
    assert card.number("length_mm") / 25.4 == pytest.approx(3.370, abs=5e-4)
    assert card.number("width_mm") / 25.4 == pytest.approx(2.125, abs=5e-4)
    assert (card.quantity("thickness_mm").low, card.quantity("thickness_mm").high) == (0.68, 0.84)
    corner = card.quantity("corner_radius_mm")
    assert (corner.low, corner.value, corner.high) == (2.88, 3.18, 3.48)


def test_microplate_footprint():
    # ANSI/SLAS 1-2004: 127.76 × 85.48 mm
    plate = CATALOGUE.get("standards", "plate_footprint")
    assert (plate.number("length_mm"), plate.number("width_mm")) == (127.76, 85.48)


def test_luer_half_angle_is_not_the_full_angle():
    # 6 % on the diameter (ISO 80369-7) is 3 % on the radius; models that take 3.4° a side are a known slip
    cone = CATALOGUE.get("standards", "luer_6_percent")
    half_angle = math.degrees(math.atan(cone.number("taper_percent") / 100.0 / 2.0))
    assert half_angle == pytest.approx(1.718, abs=5e-4)
    # given to four decimals
    assert cone.number("half_angle_deg") == pytest.approx(half_angle, abs=5e-5)


def test_luer_bore_and_rated_pressure():
    # female opening 4.270 to 4.315 mm (ISO 594-1); 300 kPa (ISO 80369-7:2021, scope)
    cone = CATALOGUE.get("standards", "luer_6_percent")
    bore = cone.quantity("female_bore_mm")
    assert (bore.low, bore.high) == (4.270, 4.315)
    assert cone.quantity("male_tip_mm").low == 3.925
    assert cone.number("rated_pressure_kpa") == 300


@pytest.mark.parametrize(
    ("gauge", "outer_inch", "inner_inch", "outer_tolerance_mm"),
    [
        # hypodermic needle gauge chart, regular wall, in inches as printed there
        (14, 0.083, 0.063, 0.025),
        (15, 0.072, 0.054, 0.013),
        (16, 0.065, 0.047, 0.013),
        (17, 0.058, 0.042, 0.013),
        (18, 0.050, 0.033, 0.013),
        (19, 0.042, 0.027, 0.013),
        (20, 0.03575, 0.02375, 0.0064),
        (21, 0.03225, 0.02025, 0.0064),
        (22, 0.02825, 0.01625, 0.0064),
        (23, 0.02525, 0.01325, 0.0064),
        (24, 0.02225, 0.01225, 0.0064),
        (25, 0.02025, 0.01025, 0.0064),
        (26, 0.01825, 0.01025, 0.0064),
        (27, 0.01625, 0.00825, 0.0064),
        (28, 0.01425, 0.00725, 0.0064),
        (30, 0.01225, 0.00625, 0.0064),
    ],
)
def test_needle(gauge, outer_inch, inner_inch, outer_tolerance_mm):
    needle = CATALOGUE.get("tubing", f"needle_{gauge}g")
    outer, inner = needle.quantity("outer_mm"), needle.quantity("inner_mm")
    # millimetres are printed to three decimals (four below 1 mm outside)
    assert outer.value == pytest.approx(outer_inch * 25.4, abs=6e-4)
    assert inner.value == pytest.approx(inner_inch * 25.4, abs=6e-4)
    assert outer.high - outer.value == pytest.approx(outer_tolerance_mm, abs=1e-9)
    assert needle.number("gauge_count") == gauge


@pytest.mark.parametrize(
    ("volume_ml", "mean_psi", "deviation_psi"),
    [(1, 363, 197), (3, 177, 96), (5, 73, 40), (10, 53, 29), (20, 32, 18), (60, 19, 12)],
)
def test_hand_pressure(volume_ml, mean_psi, deviation_psi):
    # Hayward et al. 2011, Scand. J. Rheumatol. 40, 379, mean ± SD in psi; 1 psi = 6.894757 kPa
    syringe = CATALOGUE.get("syringes", f"luer_{volume_ml}ml")
    pressure = syringe.quantity("hand_pressure_kpa")
    assert pressure.value == pytest.approx(mean_psi * 6.894757, abs=0.06)
    assert pressure.low == pytest.approx((mean_psi - deviation_psi) * 6.894757, abs=0.06)
    assert pressure.high == pytest.approx((mean_psi + deviation_psi) * 6.894757, abs=0.06)
    # F = p π d²/4, rounded to 0.1 N
    area_m2 = math.pi / 4.0 * (syringe.number("bore_mm") * 1e-3) ** 2
    assert syringe.number("hand_force_n") == pytest.approx(pressure.value * 1e3 * area_m2, abs=0.06)


def test_a_hand_pushes_every_syringe_with_a_like_force():
    # across a 20-fold range of pressures the force stays between 44 and 74 N
    forces = [entry.number("hand_force_n") for entry in CATALOGUE.of_kind("syringes")]
    assert min(forces) > 44
    assert max(forces) < 74


def test_a_syringe_holds_its_volume_in_a_barrel_of_plausible_length():
    for entry in CATALOGUE.of_kind("syringes"):
        length_mm = entry.number("volume_ml") * 1e3 / (math.pi / 4.0 * entry.number("bore_mm") ** 2)
        assert 40 < length_mm < 120, entry.name
