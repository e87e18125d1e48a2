"""Ports: pads and punches, channels beside them, fittings, Luer cones and the common grid."""

from dataclasses import replace

import pytest
from shapely import LineString, Point, box, union_all

from rillcast_service.engine.result import Severity

BAR = box(5.0, 10.7, 65.0, 11.3)
GRID = ("port_grid", "port_edge", "port_bore")


def _pads(diameter_mm):
    return union_all([BAR, *(Point(x, 11.0).buffer(diameter_mm / 2.0, quad_segs=64) for x in (6.0, 64.0))])


def _at(x, y=11.0):
    return (("in", "inlet", x, y), ("out", "outlet", 64, 11))


@pytest.mark.parametrize(("pad_mm", "noted"), [(2.0, False), (1.9, True), (1.0, True)])
def test_a_pad_takes_the_punch_and_its_placement(chip, findings_of, pad_mm, noted):
    # 1.5 mm of punch and 0.25 mm on every side
    findings = findings_of(chip([_pads(pad_mm)]), "cast_printed_mould", "port_pad")
    assert [finding.severity for finding in findings] == ([Severity.NOTE] if noted else [])
    for finding in findings:
        assert finding.measured == pytest.approx(pad_mm, abs=2e-3)
        assert "2 ports" in finding.message
        assert "2 mm across" in finding.remedy
    assert findings_of(chip([_pads(2.0)]), "cast_wafer_mould", "port_pad") == []


@pytest.mark.parametrize(
    ("beside_mm", "severity"),
    # half a punch reaches 0.75 mm: from 0.6 mm beside the channel 0.15 mm are left, less than a hand needs
    [(0.2, None), (0.4, Severity.RISK), (0.6, Severity.BLOCKER)],
)
def test_a_punch_that_may_miss_its_channel(chip, findings_of, beside_mm, severity):
    job = chip([BAR], ports=_at(20.0, 11.3 + beside_mm))
    findings = [
        item
        for item in findings_of(job, "cast_printed_mould", "port_pad")
        if item.severity is not Severity.NOTE
    ]
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert finding.measured == pytest.approx(0.75 - beside_mm, abs=1e-3)
        assert finding.where.contains(Point(20.0, 11.3 + beside_mm))


def test_a_punch_near_another_leg_of_its_own_channel(chip, findings_of):
    # one serpentine: the leg at y = 13 passes 0.5 mm beside the hole of 1.5 mm on the leg at y = 11
    line = LineString([(6, 11), (60, 11), (60, 13), (6, 13)])
    serpentine = line.buffer(0.2, cap_style="flat", join_style="mitre")
    ports = (("in", "inlet", 30, 11.55), ("out", "outlet", 7, 13))
    (finding,) = findings_of(chip([serpentine], ports=ports), "cast_printed_mould", "port_clearance")
    assert finding.measured == pytest.approx(12.8 - 11.55 - 0.75, abs=2e-3)
    assert finding.severity is Severity.BLOCKER
    assert finding.where.distance(Point(30, 12.55)) < 0.3


def test_a_port_over_the_end_of_its_channel_has_no_channel_beside_it(chip, findings_of):
    assert findings_of(chip([_pads(2.4)]), "cast_printed_mould", "port_clearance") == []


@pytest.mark.parametrize(
    ("pitch_mm", "severity"), [(2.4, Severity.BLOCKER), (3.0, Severity.RISK), (4.5, None)]
)
def test_fittings_need_room(chip, findings_of, pitch_mm, severity):
    ports = (("in", "inlet", 20, 11), ("in 2", "inlet", 20 + pitch_mm, 11), ("out", "outlet", 60, 11))
    findings = findings_of(chip([BAR], ports=ports, bore_mm=0.8), "cast_printed_mould", "connector_room")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert f"{round(4.5 - pitch_mm, 2):g} mm farther" in finding.remedy
        assert finding.where.length == pytest.approx(pitch_mm)


@pytest.mark.parametrize(("pitch_mm", "severity"), [(8.5, Severity.BLOCKER), (10, Severity.RISK), (12, None)])
def test_luer_hubs_need_more_and_a_cone_is_long(chip, findings_of, pitch_mm, severity):
    # ISO 80369-7: mouth of the female cone 4.27 to 4.315 mm, cones of 7.5 mm
    ports = (("in", "inlet", 20, 11), ("in 2", "inlet", 20 + pitch_mm, 11), ("out", "outlet", 60, 11))
    job = chip([BAR], ports=ports, bore_mm=4.3)
    findings = findings_of(job, "printed_monolith", "connector_room")
    assert [item.severity for item in findings if "hubs" in item.message] == ([severity] if severity else [])
    (short,) = [item for item in findings if "cone" in item.message]
    assert (short.severity, short.measured, short.limit) == (Severity.NOTE, 4.0, 7.5)
    thick = replace(job, chip=replace(job.chip, thickness_mm=8.0))
    assert not [
        item for item in findings_of(thick, "printed_monolith", "connector_room") if "cone" in item.message
    ]


def test_ports_on_the_grid_from_any_corner(chip, findings_of):
    # 70 × 22 mm: from the far corner x = 67 − 1.5 n; neither 63.25 nor 11.5 lies on the near corner's grid
    outline = box(0.0, 0.0, 70.25, 22.0)
    ports = (("in", "inlet", 8.75 + 1.5, 11.5 - 1.5), ("out", "outlet", 67.25 - 3.0, 10.0))
    job = chip([BAR], ports=ports, outline=outline, bore_mm=1.5)
    assert findings_of(job, "cast_printed_mould", *GRID) == []


def test_a_port_off_the_grid_is_told_how_to_move(chip, findings_of):
    ports = (("in", "inlet", 6.4, 10.5), ("out", "outlet", 63, 10.5))
    (finding,) = findings_of(chip([BAR], ports=ports), "cast_printed_mould", "port_grid")
    assert finding.severity is Severity.RISK
    assert finding.measured == pytest.approx(0.4, abs=1e-3)
    assert "'in' by (-0.40, +0.00) mm" in finding.remedy
    assert finding.where.contains(Point(6.4, 10.5))
    assert not finding.where.contains(Point(63, 10.5))


def test_ports_too_near_the_edge_for_the_guideline(chip, findings_of):
    ports = (("in", "inlet", 2.5, 11), ("out", "outlet", 63, 11))
    (finding,) = findings_of(chip([box(2, 10.7, 65, 11.3)], ports=ports), "cast_printed_mould", "port_edge")
    assert (finding.measured, finding.limit) == (2.5, 3.0)
    assert "0.5 mm inward" in finding.remedy


@pytest.mark.parametrize(
    ("pitch_mm", "bore_mm", "fits"),
    # design guideline v3.0: 0.4 < d < 0.7 at 1.5 mm, < 2.0 at 3 mm, < 3.5 at 4.5 mm and more
    [
        (1.5, 0.6, True),
        (1.5, 0.8, False),
        (3.0, 1.9, True),
        (3.0, 2.1, False),
        (4.5, 3.4, True),
        (9.0, 3.6, False),
    ],
)
def test_bores_by_pitch(chip, findings_of, pitch_mm, bore_mm, fits):
    ports = (("in", "inlet", 20, 11), ("out", "outlet", 20 + pitch_mm, 11))
    findings = findings_of(chip([BAR], ports=ports, bore_mm=bore_mm), "cast_printed_mould", "port_bore")
    assert len(findings) == (0 if fits else 2)


def test_the_grid_is_held_to_only_where_it_is_asked_for(chip, review_of):
    ports = (("in", "inlet", 6.4, 10.5), ("out", "outlet", 63, 10.5))
    job = chip([BAR], ports=ports)
    asked = replace(job, rule_sets=("interoperability",))
    rules = [{item.rule for item in review_of(one, "cast_printed_mould").findings} for one in (job, asked)]
    assert rules[1] - rules[0] == {"port_grid"}
