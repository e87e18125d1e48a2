"""What the review says of ports that cannot run, needles, purging by hand and standing liquid."""

from dataclasses import replace

import pytest
from shapely import Point, box, union_all

from rillcast_service.engine.job import LinePart, Readout
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Severity

STRAIGHT = [box(5, 10.75, 65, 11.25)]


def _with_use(job, **changes):
    return replace(job, use=replace(job.use, **changes))


def test_ports_that_cannot_run_are_a_risk_at_their_place(chip, review_of, found):
    job = chip(STRAIGHT)
    ports = tuple(replace(port, closed=True) for port in job.layout.ports)
    job = replace(job, layout=replace(job.layout, ports=ports))
    (finding,) = found(review_of(job, "cast_wafer_mould"), "operating_point")
    assert finding.severity is Severity.RISK
    assert "closed" in finding.message
    assert "Open an inlet" in finding.remedy
    assert all(finding.where.contains(port.centre) for port in ports)


def test_ports_that_run_are_not_spoken_of(chip, review_of, found):
    assert not found(review_of(chip(STRAIGHT), "cast_wafer_mould"), "operating_point")


def test_an_opening_narrower_than_a_cell_is_a_note_with_the_width_it_needs(chip, review_of, found):
    job = chip([box(5, 5, 65, 17)], bore_mm=0.02)
    (finding,) = found(review_of(job, "cast_wafer_mould"), "operating_point")
    assert finding.severity is Severity.NOTE
    assert "smaller than a grid cell" in finding.message
    assert "µm" in finding.remedy
    assert finding.where.intersects(Point(6, 11))


def test_a_needle_that_takes_more_than_fittings_hold_is_a_risk_with_the_flow_that_goes(
    chip, review_of, found
):
    """30G needle bored 0.05 mm, 20 mm: 128 μ L / (π d⁴) · 50 µL/min = 104 kPa a needle, four of them."""
    parts = (LinePart("fine needle", Range.exact(0.05), 20.0),) * 4
    job = _with_use(chip(STRAIGHT), lines={"in": parts})
    analysis = review_of(job, "cast_wafer_mould")
    (finding,) = found(analysis, "connector_pressure")
    assert finding.severity is Severity.RISK
    assert finding.measured == pytest.approx(analysis.fluidics.path.source_kpa, abs=0.1)
    assert finding.measured > 300.0 > analysis.fluidics.pressure_kpa
    assert finding.limit == 300.0
    # the remedy holds: at the flow that it names the limit is kept
    flow = float(finding.remedy.split(" µL/min")[0].split()[-1])
    again = review_of(_with_use(job, flow_ul_per_min=flow * 0.999), "cast_wafer_mould")
    assert not found(again, "connector_pressure")
    assert not found(review_of(chip(STRAIGHT), "cast_wafer_mould"), "connector_pressure")


def test_a_hand_that_purges_harder_than_the_bond_holds_is_told_the_time_to_take(chip, review_of, found):
    job = _with_use(chip(STRAIGHT, bench={"syringe": "luer_1ml", "plasma": "benchtop_air"}), purge_ml=5.0)
    analysis = review_of(job, "cast_wafer_mould")
    purge = analysis.fluidics.purge
    # the fitting is meant for 300 kPa, whatever the hand gives
    assert purge.pressure_kpa == Range(300.0, 300.0, 300.0)
    assert purge.fillings == 5
    assert purge.seconds.best == pytest.approx(
        5e-6 * analysis.fluidics.resistance_pa_s_per_m3[0][1] / 300e3, rel=1e-6
    )
    (finding,) = found(analysis, "purge_pressure")
    assert finding.severity is Severity.RISK
    seconds = float(finding.remedy.split(" s,")[0].split()[-1])
    assert seconds == pytest.approx(purge.seconds.best * 300.0 / finding.limit_low, rel=0.6)
    assert not found(review_of(_with_use(job, purge_ml=None), "cast_wafer_mould"), "purge_pressure")


def test_standing_water_dries_through_silicone_and_not_through_resin(chip, review_of, found):
    """Under 3.9 mm of silicone in a dry room a channel of 500 × 100 µm loses about 3.5 % an hour: S = 0.85,
    36 000 barrer, 2.6 kPa: 4.9e-13 m²/s out of 5e-8 m²."""
    long = _with_use(chip(STRAIGHT, depth_um=100.0), duration_h=10.0, humidity_percent=0.0)
    analysis = review_of(long, "cast_wafer_mould")
    told = analysis.fluidics.evaporation
    assert told.percent.low < told.percent.best < told.percent.high
    assert told.percent.best == pytest.approx(35.0, rel=0.1)
    (finding,) = found(analysis, "evaporation")
    assert finding.severity is Severity.RISK
    hours = float(finding.remedy.split(" h,")[0].split()[-1])
    short = _with_use(long, duration_h=hours * 0.95)
    assert not found(review_of(short, "cast_wafer_mould"), "evaporation")
    halfway = _with_use(long, humidity_percent=50.0)
    assert review_of(halfway, "cast_wafer_mould").fluidics.evaporation.ul_per_h.best == pytest.approx(
        told.ul_per_h.best / 2, rel=1e-9
    )
    assert review_of(long, "printed_bonded_halves").fluidics.evaporation is None


def test_a_read_out_sees_the_depth_that_is_made(chip, review_of):
    """A chamber of 4 × 6 mm, 400 µm deep: a disc of 1 mm holds π/4 · 0.4 µL."""
    job = replace(
        chip([union_all([*STRAIGHT, box(33, 8, 37, 14)])]),
        readouts=(Readout("spot", 35.0, 11.0, 1.0), Readout("rim", 33.0, 9.0, 1.0)),
    )
    analysis = review_of(job, "cast_printed_mould")
    spot, rim = analysis.fluidics.readouts
    made = analysis.as_made.channels[0].depth_um
    assert spot.optical_path_um == made
    assert spot.volume_ul.best == pytest.approx(0.7854 * made.best / 1000.0, rel=2e-3)
    assert spot.covered_percent == pytest.approx(100.0)
    assert rim.covered_percent == pytest.approx(50.0, abs=6.0)
    # mean speed in the chamber: flow over its section
    section = 6.0 * made.best / 1000.0
    assert 0.3 < spot.speed_mm_per_s / (50.0 / 60.0 / section) < 3.0
    assert spot.wall_shear_pa > 0.0


def _two_ways(wide_mm, narrow_mm):
    """From pad to pad by a wide way above and a narrow way below, each about 40 mm long."""
    return union_all(
        [
            box(5, 10.7, 16, 11.3),
            box(15, 4, 16, 18),
            box(15, 18 - wide_mm, 55, 18),
            box(15, 4, 55, 4 + narrow_mm),
            box(54, 4, 55, 18),
            box(54, 10.7, 65, 11.3),
        ]
    )


def test_a_way_that_takes_nearly_all_is_named_with_the_width_that_makes_it_even(chip, review_of, found):
    job = chip([_two_ways(2.0, 0.5)], depth_um=600.0)
    analysis = review_of(job, "cast_wafer_mould")
    (finding,) = found(analysis, "flow_split")
    largest = max(analysis.fluidics.branches, key=lambda branch: branch.share_percent or 0.0)
    assert finding.measured == round(largest.share_percent, 1)
    assert finding.where.intersects(box(15, 16, 55, 18))
    assert "gets" in finding.message
    width = float(finding.remedy.split(" µm")[0].split()[-1])
    mended = review_of(chip([_two_ways(width / 1000.0, 0.5)], depth_um=600.0), "cast_wafer_mould")
    assert not found(mended, "flow_split")
    shares = [branch.share_percent for branch in mended.fluidics.branches if branch.share_percent]
    assert shares == pytest.approx([50.0, 50.0], abs=6.0)


def test_a_pillar_beside_a_wall_is_no_branch(chip, review_of, found):
    """Around it 96 % and more go on one side, over less than a width of length."""
    pillar = union_all([box(5, 9, 65, 13)]).difference(box(30, 9.3, 31, 10.3))
    assert not found(review_of(chip([pillar]), "cast_wafer_mould"), "flow_split")


def test_a_straight_channel_has_no_branches(chip, review_of):
    analysis = review_of(chip(STRAIGHT), "cast_wafer_mould")
    assert analysis.fluidics.branches == ()
    assert analysis.fluidics.give is None


def test_a_soft_roof_that_bulges_is_told_with_the_flow_that_it_stands(chip, review_of, found):
    """2 mm wide, 60 µm deep, 10 mL/min: tens of kPa, which bulge half the depth."""
    job = _with_use(chip([box(5, 10, 65, 12)], depth_um=60.0), flow_ul_per_min=3000.0)
    analysis = review_of(job, "cast_wafer_mould")
    told = analysis.fluidics.give
    assert told.pressure_kpa.best < analysis.fluidics.pressure_kpa
    assert told.deeper_percent.low < told.deeper_percent.best < told.deeper_percent.high
    assert told.resistance_percent.best < 100.0
    assert told.settling_s.best > 0.0
    (finding,) = found(analysis, "roof_give")
    assert finding.severity is Severity.RISK
    flow = float(finding.remedy.split(" µL/min")[0].split()[-1])
    assert not found(review_of(_with_use(job, flow_ul_per_min=0.98 * flow), "cast_wafer_mould"), "roof_give")
    assert review_of(job, "printed_bonded_halves").fluidics.give is None
