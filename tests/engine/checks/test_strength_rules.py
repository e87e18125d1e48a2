"""Roofs, cover, seals, bonds and hands."""

from dataclasses import replace

import pytest
from shapely import Point, box

from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.result import Severity, Verdict


def _with_chamber(diameter_mm: float):
    bar = box(5.0, 10.7, 65.0, 11.3)
    return bar.union(Point(35.0, 11.0).buffer(diameter_mm / 2.0, quad_segs=64))


@pytest.mark.parametrize(
    ("diameter_mm", "severity"),
    # 200 µm deep: 2 mm are 10 to 1, 4 mm are 20 to 1 (light bleed of the mould widens by 50 µm)
    [(1.8, None), (3.0, Severity.RISK), (5.0, Severity.BLOCKER)],
)
def test_a_silicone_roof_over_a_wide_shallow_chamber(chip, review_of, found, diameter_mm, severity):
    job = chip([_with_chamber(diameter_mm)], depth_um=200)
    findings = found(review_of(job, "cast_printed_mould"), "roof_sag")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert finding.measured == pytest.approx((diameter_mm + 0.05) / 0.2, rel=0.02)
        assert finding.where.contains(Point(35.0, 11.0))


def test_a_printed_roof_does_not_sag_like_silicone(chip, review_of, found):
    job = chip([_with_chamber(5.0)], depth_um=200)
    assert found(review_of(job, "printed_bonded_halves"), "roof_sag") == []


@pytest.mark.parametrize(
    ("thickness_mm", "severity"), [(0.9, Severity.BLOCKER), (2.9, Severity.RISK), (4.0, None)]
)
def test_silicone_left_over_the_channel(chip, review_of, found, thickness_mm, severity):
    job = chip([box(5.0, 10.7, 65.0, 11.3)], depth_um=200, thickness_mm=thickness_mm)
    findings = found(review_of(job, "cast_printed_mould"), "cover")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("depth_um", "severity"), [(50, Severity.BLOCKER), (150, Severity.RISK), (300, None)]
)
def test_a_resin_bond_squeezes_into_shallow_channels(chip, review_of, found, depth_um, severity):
    job = chip([box(5.0, 10.7, 65.0, 11.3)], depth_um=depth_um)
    findings = found(review_of(job, "printed_bonded_halves"), "seal_depth")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_a_flow_that_would_open_the_bond(chip, review_of, found):
    # 50 µm by 20 µm over 60 mm at 500 µL/min: megapascals
    job = chip([box(5.0, 10.9, 65.0, 11.1)], depth_um=20)
    job = replace(job, use=replace(job.use, flow_ul_per_min=500.0))
    analysis = review_of(job, "cast_wafer_mould")
    (bond,) = found(analysis, "bond_pressure")
    assert bond.severity is Severity.BLOCKER
    assert analysis.verdict is Verdict.NOT_MAKEABLE
    (hand,) = found(analysis, "hand_pressure")
    assert hand.severity is Severity.NOTE
    assert "pump" in hand.remedy


def test_a_gentle_flow_is_held_by_bond_and_hand(chip, review_of, found):
    analysis = review_of(chip([box(5.0, 10.7, 65.0, 11.3)], depth_um=150), "cast_wafer_mould")
    assert found(analysis, "bond_pressure") == []
    assert found(analysis, "hand_pressure") == []


def test_two_depths_on_a_wafer_are_two_films(chip, review_of, found):
    job = chip([box(5.0, 10.7, 65.0, 11.3)], depth_um=150)
    second = Layer("deep", Role.CHANNELS, job.layout.layers[0].geometry.buffer(-0.1), 100.0, 1)
    layout = replace(job.layout, layers=(*job.layout.layers, replace(second)))
    (finding,) = found(review_of(replace(job, layout=layout), "cast_wafer_mould"), "film_count")
    assert (finding.severity, finding.measured) == (Severity.RISK, 2.0)
    assert found(review_of(job, "cast_wafer_mould"), "film_count") == []
    assert found(review_of(replace(job, layout=layout), "cast_printed_mould"), "film_count") == []


def test_a_slender_ridge_on_a_printed_mould(chip, review_of, found):
    job = chip([box(5.0, 10.85, 65.0, 11.15)], depth_um=1000)
    (finding,) = found(review_of(job, "cast_printed_mould"), "ridge_height")
    # 1000 / 300 = 3.3: above what is safe, below the most
    assert finding.severity is Severity.RISK
    assert "334 µm" in finding.remedy


def test_every_place_that_is_too_wide_is_marked(chip, review_of, found):
    bar = box(5.0, 10.7, 65.0, 11.3)
    wells = [Point(x, 11.0).buffer(1.5, quad_segs=64) for x in (20.0, 35.0, 50.0)]
    shape = bar.union(wells[0]).union(wells[1]).union(wells[2])
    (finding,) = found(review_of(chip([shape], depth_um=200), "cast_printed_mould"), "roof_sag")
    assert "3 places" in finding.message
    assert len(finding.where.geoms) == 3
    assert all(finding.where.intersects(well) for well in wells)


def test_a_port_is_no_roof(chip, review_of, found):
    # pads of 2.4 mm, 1.5 mm of it punched away
    pads = [Point(x, 11.0).buffer(1.2, quad_segs=64) for x in (6.0, 64.0)]
    shape = box(5.0, 10.7, 65.0, 11.3).union(pads[0]).union(pads[1])
    assert found(review_of(chip([shape], depth_um=200), "cast_printed_mould"), "roof_sag") == []
