"""Openings, ports, outline, chemistry, heat and machines that the bench lacks."""

import pytest
from shapely import Point, box

from rillcast_service.catalogue.types import Fact
from rillcast_service.engine.result import Severity, Verdict

BAR = box(5.0, 10.5, 65.0, 11.5)


def test_a_cavity_without_a_port_is_a_blocker_with_its_place(chip, review_of, found):
    lonely = box(20.0, 16.0, 30.0, 17.0)
    (finding,) = found(review_of(chip([BAR, lonely]), "cast_printed_mould"), "unreachable_cavity")
    assert finding.severity is Severity.BLOCKER
    assert finding.measured == 0.0
    assert finding.where.intersects(lonely)
    assert not finding.where.intersects(BAR)


@pytest.mark.parametrize(
    ("ports", "lacking"),
    [
        ((("in", "inlet", 6, 11),), "outlet"),
        ((("out", "outlet", 64, 11),), "inlet"),
        ((("in", "inlet", 6, 11), ("also_in", "inlet", 64, 11)), "outlet"),
    ],
)
def test_a_cavity_needs_a_way_in_and_a_way_out(chip, review_of, found, ports, lacking):
    (finding,) = found(review_of(chip([BAR], ports=ports), "cast_printed_mould"), "unreachable_cavity")
    assert lacking in finding.message
    assert lacking in finding.remedy


def test_a_vent_is_a_way_out(chip, review_of, found):
    ports = (("in", "inlet", 6, 11), ("air", "vent", 64, 11))
    assert found(review_of(chip([BAR], ports=ports), "cast_printed_mould"), "unreachable_cavity") == []


def test_ports_too_near_the_edge_and_each_other(chip, review_of, found):
    near_edge = box(1.0, 10.5, 65.0, 11.5)
    ports = (("in", "inlet", 1.9, 11), ("out", "outlet", 64, 11), ("air", "vent", 62.0, 11))
    findings = found(review_of(chip([near_edge], ports=ports), "cast_printed_mould"), "port_clearance")
    edge = next(finding for finding in findings if "edge" in finding.message)
    assert (edge.severity, edge.measured) == (Severity.BLOCKER, pytest.approx(1.9, abs=1e-3))
    pair = next(finding for finding in findings if "'air'" in finding.message)
    # centres 2 mm apart, bores of 1.5 mm: 0.5 mm of wall
    assert pair.measured == pytest.approx(0.5, abs=2e-3)


def test_a_channel_outside_the_outline(chip, review_of, found):
    (finding,) = found(review_of(chip([box(5.0, 10.5, 75.0, 11.5)]), "cast_printed_mould"), "chip_outline")
    assert finding.severity is Severity.BLOCKER
    assert finding.measured == pytest.approx(5.0, abs=1e-3)  # 5 mm of a 1 mm wide channel


def test_land_around_channels(chip, review_of, found):
    close = box(5.0, 10.5, 69.5, 11.5)
    (finding,) = found(review_of(chip([close]), "cast_printed_mould"), "chip_outline")
    assert finding.measured == pytest.approx(0.5)
    assert finding.severity is Severity.BLOCKER


def test_a_chip_larger_than_plate_or_wafer(chip, review_of, found):
    large = box(0.0, 0.0, 140.0, 22.0)
    for route in ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves"):
        (finding,) = found(review_of(chip([BAR], outline=large), route), "build_area")
        assert finding.severity is Severity.BLOCKER
        assert finding.measured > finding.limit


def test_a_port_near_the_edge_takes_land_as_a_channel_does(chip, findings_of):
    # a hole of 4 mm whose centre is 2.5 mm from the edge leaves 0.5 mm
    ports = (("in", "inlet", 2.5, 11), ("out", "outlet", 60, 11))
    job = chip([box(2.4, 10.5, 65.0, 11.5)], ports=ports, bore_mm=4.0)
    (finding,) = findings_of(job, "printed_bonded_halves", "chip_outline")
    assert finding.measured == pytest.approx(0.5, abs=2e-3)
    assert "a port and the edge" in finding.message
    assert finding.where.distance(Point(0.25, 11)) < 0.01


@pytest.mark.parametrize(("width_mm", "noted"), [(40.0, False), (110.0, True)])
def test_a_part_that_fits_only_turned_is_told_so(chip, findings_of, with_values, width_mm, noted):
    # a plate whose longer side lies along y
    turned = chip([box(5.0, 10.5, 35.0, 11.5)], outline=box(0.0, 0.0, width_mm, 22.0))
    plate = {key: {"value": size, "low": size, "high": size} for key, size in (("x", 70.0), ("y", 120.0))}
    job = with_values(turned, "printer", build_x_mm=plate["x"], build_y_mm=plate["y"])
    findings = findings_of(job, "printed_bonded_halves", "build_area")
    assert [finding.severity for finding in findings] == ([Severity.NOTE] if noted else [])
    for finding in findings:
        assert "turned by 90°" in finding.message
        assert finding.measured == pytest.approx(width_mm)
        assert finding.limit < 70.0


def test_a_fresh_print_without_passivation_poisons_the_cure(chip, review_of, found):
    analysis = review_of(chip([BAR], bench={"passivation": None}), "cast_printed_mould")
    (finding,) = found(analysis, "cure_inhibition")
    assert finding.severity is Severity.BLOCKER
    assert analysis.verdict is Verdict.NOT_MAKEABLE


def test_with_passivation_it_is_a_note_that_names_the_source(chip, review_of, found):
    (finding,) = found(review_of(chip([BAR]), "cast_printed_mould"), "cure_inhibition")
    assert finding.severity is Severity.NOTE
    assert "witness" in finding.remedy
    assert finding.source


def test_a_resin_without_that_initiator_needs_no_passivation(chip, review_of, found, with_values):
    job = chip([BAR], bench={"passivation": None})
    harmless = with_values(job, "mould_resin", initiator=Fact("camphorquinone", "test"))
    assert found(review_of(harmless, "cast_printed_mould"), "cure_inhibition") == []


def test_an_oven_above_the_moulds_heat_deflection_temperature(chip, review_of, found, with_values):
    # the bake of the passivation recipe meets a resin that softens below it
    job = with_values(
        chip([BAR]), "mould_resin", hdt_c={"value": 50.0, "low": 45.0, "high": 55.0, "source": "test"}
    )
    findings = found(review_of(job, "cast_printed_mould"), "mould_softens")
    assert findings
    assert {finding.severity for finding in findings} <= {Severity.BLOCKER, Severity.RISK}
    assert all(finding.measured > finding.limit_low for finding in findings)


def test_no_plasma_means_another_bond_and_says_so(chip, review_of, found):
    (note,) = found(review_of(chip([BAR]), "cast_printed_mould"), "bench_lacks")
    assert (note.severity, "uncured silicone" in note.message) == (Severity.NOTE, True)
    with_plasma = chip([BAR], bench={"plasma": "benchtop_air"})
    assert found(review_of(with_plasma, "cast_printed_mould"), "bench_lacks") == []


def test_no_printer_goes_to_a_service_and_no_oven_blocks_a_cast(chip, review_of, found):
    outside = found(review_of(chip([BAR], bench={"printer": None}), "printed_monolith"), "bench_lacks")
    assert [finding.severity for finding in outside] == [Severity.NOTE]
    assert "service" in outside[0].message
    blocked = found(review_of(chip([BAR], bench={"oven": None}), "cast_printed_mould"), "bench_lacks")
    assert Severity.BLOCKER in {finding.severity for finding in blocked}
    assert all(finding.remedy for finding in blocked)


@pytest.mark.parametrize(
    ("length_mm", "fits"),
    # 90 mm are usable of the 100 mm wafer; the mould is 1.98 % larger than the chip, for a cure at 100 °C.
    # A channel 1 mm wide and 88 mm long spans sqrt(88² + 1²) · 1.0198 = 89.75 mm on it.
    [(88.0, True), (89.0, False)],
)
def test_channels_keep_from_the_wafers_rim_at_the_size_of_the_mould(chip, review_of, found, length_mm, fits):
    channel = box(2.0, 10.5, 2.0 + length_mm, 11.5)
    ports = (("in", "inlet", 6, 11), ("out", "outlet", length_mm - 2.0, 11))
    job = chip([channel], depth_um=150, outline=box(0.0, 5.0, length_mm + 4.0, 17.0), ports=ports)
    findings = found(review_of(job, "cast_wafer_mould", "fast_100c"), "build_area")
    assert (findings == []) is fits
