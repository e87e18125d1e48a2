"""What the chip is made of against the liquid, the warmth of its use, and lots past their date."""

from dataclasses import replace

import pytest
from shapely import box

from rillcast_service.catalogue.types import Entry, Fact
from rillcast_service.engine.result import Severity

BAR = box(5.0, 10.5, 65.0, 11.5)
BLOCKER, RISK, NOTE = Severity.BLOCKER, Severity.RISK, Severity.NOTE


def _used(job, *, liquid=None, **use):
    if liquid is not None:
        use["liquid"] = job.catalogue.get("liquids", liquid)
    return replace(job, use=replace(job.use, **use))


@pytest.mark.parametrize(
    ("liquid", "severity"),
    # Lee, Park & Whitesides 2003, Anal. Chem. 75, 6544 (the abstract was read): water is among the solvents
    # that swell silicone least, and apolar ones swell it most; table 1 from memory: ethanol 1.04, isopropanol
    # 1.09, toluene 1.31, hexanes 1.35
    [
        ("water", None), ("glycerol_water_50", None), ("ethanol", None),
        ("isopropanol", RISK), ("acetone", RISK), ("toluene", BLOCKER), ("hexane", BLOCKER),
    ],
)  # fmt: skip
@pytest.mark.parametrize("route", ["cast_printed_mould", "cast_wafer_mould"])
def test_silicone_swells_in_apolar_solvents(chip, review_of, found, liquid, severity, route):
    findings = found(review_of(_used(chip([BAR], depth_um=150), liquid=liquid), route), "liquid_attacks")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity:
        assert findings[0].measured > findings[0].limit_low
        assert "Lee" in findings[0].message


@pytest.mark.parametrize(
    ("liquid", "severity"),
    [
        ("water", None), ("hexane", None), ("ethanol", RISK), ("isopropanol", RISK),
        ("toluene", BLOCKER), ("acetone", BLOCKER),
    ],
)  # fmt: skip
def test_acrylate_stands_alcohols_for_hours_and_ketones_for_minutes(chip, review_of, found, liquid, severity):
    job = _used(chip([BAR], depth_um=800), liquid=liquid)
    findings = found(review_of(job, "printed_monolith"), "liquid_attacks")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_a_liquid_that_nobody_tried_is_a_note(chip, review_of, found):
    job = _used(chip([BAR], depth_um=800), liquid="uncured_resin")
    for route in ("printed_monolith", "cast_printed_mould"):
        (finding,) = found(review_of(job, route), "liquid_attacks")
        assert finding.severity is NOTE
        assert "test piece" in finding.remedy


# the clear resin deflects at 65 °C, 60 to 75
@pytest.mark.parametrize(
    ("temperature_c", "severity"), [(60, None), (63, RISK), (66, BLOCKER), (95, BLOCKER)]
)
def test_a_printed_chip_that_is_used_too_warm(chip, review_of, found, temperature_c, severity):
    job = _used(chip([BAR], depth_um=800), temperature_c=float(temperature_c))
    for route in ("printed_monolith", "printed_bonded_halves"):
        findings = found(review_of(job, route), "use_temperature")
        assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert found(review_of(job, "cast_printed_mould"), "use_temperature") == []


def _lot(name, kind, material, expires, lot="A1"):
    facts = {"kind": kind, "name": material, "expires": expires, "lot": lot}
    values = {key: Fact(value, "bench") for key, value in facts.items()}
    return Entry(kind="stock", name=name, title=f"shelf {name}", values=values, origin="bench")


def _stocked(job, *lots):
    return replace(job, catalogue=job.catalogue.with_bench(lots))


def test_an_expired_lot_of_a_used_material_is_a_risk_with_a_test_piece(chip, review_of, found):
    # the job starts on Monday, 2027-03-01
    job = _stocked(chip([BAR], depth_um=800), _lot("old", "resins", "clear_standard", "2027-02-01", "R7"))
    (finding,) = found(review_of(job, "printed_monolith"), "expired_lot")
    assert (finding.severity, finding.measured, finding.unit) == (RISK, 28.0, "d")
    assert "R7" in finding.message
    assert "test piece" in finding.remedy
    # a wafer cast uses no resin
    assert found(review_of(job, "cast_wafer_mould"), "expired_lot") == []


def test_with_a_fresh_lot_beside_it_it_is_a_note_that_names_that_one(chip, review_of, found):
    old = _lot("old", "silicones", "general_purpose_10_1", "2027-02-28")
    fresh = _lot("fresh", "silicones", "general_purpose_10_1", "2027-12-31")
    (finding,) = found(review_of(_stocked(chip([BAR]), old, fresh), "cast_printed_mould"), "expired_lot")
    assert finding.severity is NOTE
    assert "shelf fresh" in finding.remedy


@pytest.mark.parametrize(
    ("kind", "material", "expires", "findings"),
    [
        ("resins", "clear_standard", "2027-03-01", 0),  # good to the end of its day
        ("resins", "clear_standard", "2027-02-28", 1),
        ("consumables", "isopropanol", "2026-12-31", 1),
        ("resins", "grey_mould", "2026-12-31", 0),  # not what this route prints with
    ],
)
def test_only_used_materials_past_their_date_count(chip, review_of, found, kind, material, expires, findings):
    job = _stocked(chip([BAR], depth_um=800), _lot("lot", kind, material, expires))
    assert len(found(review_of(job, "printed_monolith"), "expired_lot")) == findings


def test_a_resin_whose_initiator_nobody_knows_is_passivated_like_a_poison(
    chip, review_of, found, with_values
):
    # Venzac et al. 2021, Anal. Chem. 93, 7180: most of 16 commercial resins inhibit the cure untreated
    for passivation, severity in (("uv_and_bake", NOTE), (None, BLOCKER)):
        job = chip([BAR], bench={"passivation": passivation})
        job = with_values(job, "mould_resin", initiator=Fact("unknown", "bench"))
        (finding,) = found(review_of(job, "cast_printed_mould"), "cure_inhibition")
        assert finding.severity is severity
