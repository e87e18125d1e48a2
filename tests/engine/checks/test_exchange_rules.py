"""The rule about places that lag behind the stream, and how a quote tells the exchange of the liquid."""

import pytest
from shapely import Point, box

from rillcast_service.engine.result import Severity

#: 60 mm long, 1 mm wide, between ports at 6 and 64 mm.
BAR = box(5.0, 10.5, 65.0, 11.5)


def arm(length_mm):
    return box(30.0, 11.0, 31.0, 11.5 + length_mm)


def test_a_plain_channel_has_no_dead_arm_and_its_outlet_the_age_of_volume_over_flow(chip, review_of, found):
    analysis = review_of(chip([BAR], depth_um=400), "cast_printed_mould", "flat")
    assert found(analysis, "dead_arm") == []
    told = analysis.fluidics.exchange
    (outlet,) = told.outlets
    # 50 µL/min through what lies between the ports
    assert outlet.mean_age_s == pytest.approx(told.exchanged_ul / 50.0 * 60.0, rel=1e-6)
    assert told.exchanged_ul == pytest.approx(0.4 * 1.0 * 56.5, rel=0.1)
    assert outlet.mean_age_s < outlet.t95_s < outlet.t99_s
    assert [place.kind for place in told.slowest] == ["stream"]
    assert told.unreached_ul == 0.0
    assert told.volume_ul == pytest.approx(50.0 / 60.0 * told.t99_s)


@pytest.mark.parametrize(("length_mm", "severity"), [(0.3, None), (1.9, Severity.NOTE), (6.0, Severity.RISK)])
def test_a_dead_arm_is_told_by_how_far_it_lags(chip, review_of, found, length_mm, severity):
    analysis = review_of(chip([BAR.union(arm(length_mm))], depth_um=400), "cast_printed_mould", "flat")
    findings = found(analysis, "dead_arm")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity is None:
        return
    (finding,) = findings
    outlet = analysis.fluidics.exchange.outlets[0]
    slowest = analysis.fluidics.exchange.slowest[0]
    # as deep as wide it is a pocket
    assert slowest.kind == ("dead_arm" if severity is Severity.RISK else "side")
    assert finding.measured == pytest.approx(slowest.t95_s / outlet.t95_s, abs=0.06)
    assert finding.where.distance(Point(30.5, 11.5 + length_mm)) < 0.1
    assert "Or rinse for" in finding.remedy
    assert ("Shorten the arm by" in finding.remedy) == (severity is Severity.RISK)
    # for a dead arm twice the flow does little, and the finding says so
    assert (slowest.doubled_t95_s > 0.8 * slowest.t95_s) == (severity is Severity.RISK)
    assert slowest.diffusing_s == pytest.approx((slowest.reach_mm * 1e-3) ** 2 / (2.0 * 4e-10))


def test_what_is_told_to_be_left_of_the_arm_passes(chip, review_of, found):
    (finding,) = found(
        review_of(chip([BAR.union(arm(6.0))], depth_um=400), "cast_printed_mould", "flat"), "dead_arm"
    )
    shorter = 6.0 - float(finding.remedy.split("by ")[1].split(" mm")[0])
    assert 0.5 < shorter < 3.0
    assert (
        found(
            review_of(chip([BAR.union(arm(shorter))], depth_um=400), "cast_printed_mould", "flat"), "dead_arm"
        )
        == []
    )
