"""Uncured resin in enclosed channels: pushed out by hand, trapped, passed by; roofs without support."""

import pytest
from shapely import box

from rillcast_service.engine.result import Severity
from rillcast_service.engine.routes.registry import load_routes

#: 60 mm long, 1 mm wide, between ports at 6 and 64 mm.
BAR = box(5.0, 10.5, 65.0, 11.5)
RULES = ("clearing_time", "trapped_resin", "dead_end", "bypassed_resin", "roof_span")


def of_draining(analysis):
    return [finding for finding in analysis.findings if finding.rule in RULES]


def test_a_plain_channel_clears_without_a_finding_in_the_time_of_the_closed_form(chip, review_of):
    job = chip([BAR], depth_um=800)
    analysis = review_of(job, "printed_monolith", "flat")
    assert of_draining(analysis) == []
    told = analysis.draining
    (push,) = told.pushes
    assert {push.port_in, push.port_out} == {"in", "out"}
    # t = R V / (2 Δp) between the ports, by hand from the made section:
    # R = 12 μ L / (w h³ (1 − 0.63 h/w)) within 2 % for h/w below 0.8
    (channel,) = load_routes(job.catalogue)["printed_monolith"].as_made(job, analysis.variant).channels
    width = (channel.geometry.bounds[3] - channel.geometry.bounds[1]) * 1e-3
    depth = channel.depth_um.best * 1e-6
    length = (58.0 - 1.5) * 1e-3
    resistance = 12.0 * 0.2 * length / (width * depth**3 * (1.0 - 0.63 * depth / width))
    by_hand = resistance * width * depth * length / (2.0 * 300e3)  # 200 mPa·s, 300 kPa
    assert push.seconds.best == pytest.approx(by_hand, rel=0.04)
    # a hand gives 165.5 kPa at worst, the resin has 100 to 300 mPa·s; a Luer fitting is meant for 300 kPa
    assert push.seconds.low / push.seconds.best == pytest.approx(100 / 200)
    assert push.seconds.high / push.seconds.best == pytest.approx(300 / 200 * 300 / 165.5)
    assert told.minutes.best == pytest.approx(push.seconds.best / 60.0)
    assert (told.still_ul, told.bypassed_ul) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("viscosity", "severity"), [(200, None), (5e5, Severity.RISK), (5e6, Severity.BLOCKER)]
)
def test_a_thick_resin_in_a_long_fine_channel_takes_too_long(
    chip, review_of, found, with_values, viscosity, severity
):
    fine = box(5.0, 10.8, 65.0, 11.2)
    job = with_values(
        chip([fine], depth_um=500, bore_mm=0.4),
        "resin",
        viscosity_mpa_s={"value": viscosity, "low": viscosity, "high": viscosity},
    )
    findings = found(review_of(job, "printed_monolith", "flat"), "clearing_time")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity:
        assert findings[0].unit == "min"
        assert findings[0].measured > findings[0].limit_low
        assert "data sheet" in findings[0].remedy
        assert "'in'" in findings[0].message


@pytest.mark.parametrize(("ports", "openings"), [((("in", "inlet", 6, 11),), 1), ((), 0)])
def test_a_cavity_with_one_opening_or_none_traps_its_resin(chip, review_of, found, ports, openings):
    alone = box(20.0, 16.0, 30.0, 17.0)
    both = (("in", "inlet", 6, 11), ("out", "outlet", 64, 11))
    shapes, ports = ([BAR], ports) if openings else ([BAR, alone], both)
    (finding,) = found(
        review_of(chip(shapes, depth_um=800, ports=ports), "printed_monolith"), "trapped_resin"
    )
    assert (finding.severity, finding.measured, finding.limit) == (Severity.BLOCKER, openings, 2.0)
    assert finding.where.intersects(alone if not openings else BAR)


@pytest.mark.parametrize(
    ("length_mm", "severity"), [(0.8, None), (4.0, Severity.RISK), (9.0, Severity.BLOCKER)]
)
def test_a_dead_arm_keeps_its_resin_beyond_what_the_flow_reaches(chip, review_of, found, length_mm, severity):
    arm = box(30.0, 11.5, 31.0, 11.5 + length_mm)
    analysis = review_of(chip([BAR.union(arm)], depth_um=800), "printed_monolith", "flat")
    findings = found(analysis, "dead_end")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity:
        (finding,) = findings
        # speed falls by exp(−π x / w): one to two widths are flushed, the rest stays
        assert length_mm - 2.2 < finding.measured < length_mm - 0.9
        assert finding.where.bounds[3] == pytest.approx(11.5 + length_mm, abs=0.2)
        assert finding.where.bounds[1] > 12.2
        assert f"{analysis.draining.still_ul:.3g} µL" in finding.message


def test_the_same_arm_with_a_port_at_its_end_is_reached(chip, review_of, found):
    arm = box(30.0, 11.5, 31.0, 20.0)
    ports = (("in", "inlet", 6, 11), ("out", "outlet", 64, 11), ("side", "inlet", 30.5, 19))
    analysis = review_of(chip([BAR.union(arm)], depth_um=800, ports=ports), "printed_monolith", "flat")
    assert found(analysis, "dead_end") == []
    assert len(analysis.draining.pushes) == 2


def test_a_long_way_beside_a_short_one_is_passed_by(chip, review_of, found):
    # a loop: 58 mm straight, or about three times as far by way of a detour at the same section
    detour = box(10.0, 2.0, 11.0, 11.0).union(box(10.0, 2.0, 60.0, 3.0)).union(box(59.0, 2.0, 60.0, 11.0))
    short = box(5.0, 10.5, 65.0, 11.5)
    analysis = review_of(chip([short.union(detour)], depth_um=800), "printed_monolith", "flat")
    (finding,) = found(analysis, "bypassed_resin")
    assert finding.severity is Severity.RISK
    assert finding.where.intersects(box(30.0, 2.0, 40.0, 3.0))
    assert not finding.where.intersects(box(25.0, 10.6, 45.0, 11.4))
    # before and behind the loop late and early run side by side: what counts there is the early
    assert not finding.where.intersects(box(5.0, 10.0, 9.0, 12.0).union(box(61.0, 10.0, 65.0, 12.0)))
    assert "times as long" in finding.remedy


def test_two_equal_ways_are_cleared_together(chip, review_of, found):
    ring = box(10.0, 7.0, 60.0, 15.0).difference(box(11.0, 8.0, 59.0, 14.0))
    ends = box(5.0, 10.5, 10.5, 11.5).union(box(59.5, 10.5, 65.0, 11.5))
    analysis = review_of(chip([ring.union(ends)], depth_um=800), "printed_monolith", "flat")
    assert found(analysis, "bypassed_resin") == []


@pytest.mark.parametrize(
    ("width_mm", "severity"), [(3.5, None), (8.0, Severity.RISK), (14.0, Severity.BLOCKER)]
)
def test_a_roof_that_spans_too_far_needs_support_that_cannot_come_out(
    chip, review_of, found, width_mm, severity
):
    chamber = box(25.0, 11.0 - width_mm / 2, 45.0, 11.0 + width_mm / 2)
    job = chip([BAR.union(chamber)], depth_um=800)
    findings = found(review_of(job, "printed_monolith", "flat"), "roof_span")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    # the printer narrows the chamber by some tens of µm
    assert all(finding.measured == pytest.approx(width_mm, abs=0.15) for finding in findings)
    # standing upright its roof is as wide as it is deep
    assert found(review_of(job, "printed_monolith", "upright"), "roof_span") == []


def test_open_halves_hold_resin_only_where_resin_joins_them(chip, review_of):
    glued = review_of(chip([BAR]), "printed_bonded_halves")
    by_film = review_of(chip([BAR], bench={"uv_lamp": None}), "printed_bonded_halves")
    assert glued.draining is not None
    assert by_film.draining is None


def test_casts_have_no_resin_to_drain(chip, review_of):
    assert review_of(chip([BAR]), "cast_printed_mould").draining is None
