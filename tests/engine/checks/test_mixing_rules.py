"""The rule about liquids that meet, and how a quote tells how far they have mixed."""

from dataclasses import replace

import pytest
from shapely import LineString, Point, union_all

from rillcast_service.engine.job import Readout
from rillcast_service.engine.result import Severity

PORTS = (("sample", "inlet", 6, 5), ("reagent", "inlet", 6, 17), ("waste", "outlet", 64, 11))
ROUTE, VARIANT = "cast_printed_mould", "flat"


def wye(width_mm=0.5, *, turns=0):
    """Two arms that meet at (12, 11) mm and run side by side to (64, 11) mm, with so many turns of 9 mm."""
    way = [(12, 11), (20, 11)]
    for turn in range(turns):
        x = 20 + 4 * turn
        way += [(x, 11), (x, 15.5), (x + 2, 15.5), (x + 2, 11)]
    arms = [LineString([(6, 5), (12, 11)]), LineString([(6, 17), (12, 11)]), LineString([*way, (64, 11)])]
    lines = [arm.buffer(width_mm / 2, join_style="mitre") for arm in arms]
    return union_all([*lines, *(Point(x, y).buffer(1.2) for _, _, x, y in PORTS)])


@pytest.fixture
def told(chip, review_of):
    def run(shape, *, depth_um=200.0, **use):
        job = chip([shape], ports=PORTS, depth_um=depth_um)
        return review_of(replace(job, use=replace(job.use, **use)), ROUTE, VARIANT)

    return run


def test_a_chip_with_one_inlet_has_nothing_to_mix(chip, review_of, found):
    analysis = review_of(chip([wye()], ports=(PORTS[0], PORTS[2])), ROUTE, VARIANT)
    assert analysis.fluidics.mixing == ()
    assert found(analysis, "mixing") == []


def test_streams_that_run_too_fast_are_told_with_three_ways_to_mix_them(told, found):
    analysis = told(wye())
    (place,) = analysis.fluidics.mixing
    assert (place.place, place.kind) == ("waste", "outlet")
    assert place.shares == pytest.approx({"sample": 0.5, "reagent": 0.5}, abs=1e-3)
    assert place.flow_ul_per_min == pytest.approx(50.0, rel=1e-6)
    assert place.mixed_fraction < 0.3
    (finding,) = found(analysis, "mixing")
    assert finding.severity is Severity.RISK
    assert (finding.limit, finding.limit_low, finding.limit_high, finding.unit) == (90.0, 80.0, 95.0, "%")
    assert finding.measured == pytest.approx(100.0 * place.mixed_fraction, abs=0.06)
    assert finding.where.distance(Point(64, 11)) == 0.0
    for said in ("mm more of the", "lower the whole flow to", "µm wide at the same"):
        assert said in finding.remedy


def test_the_flow_that_is_advised_mixes_as_wanted(told, found):
    (place,) = told(wye()).fluidics.mixing
    slower = told(wye(), flow_ul_per_min=place.flow_needed_ul_per_min)
    (then,) = slower.fluidics.mixing
    assert then.mixed_fraction == pytest.approx(0.9, abs=1e-3)
    # at the very limit the doubt about what is enough remains
    assert [finding.severity for finding in found(slower, "mixing")] != [Severity.BLOCKER]
    slow = told(wye(), flow_ul_per_min=0.7 * place.flow_needed_ul_per_min)
    assert found(slow, "mixing") == []
    (place,) = slow.fluidics.mixing
    assert (place.length_needed_mm, place.flow_needed_ul_per_min, place.width_needed_um) == (None, None, None)


def test_the_length_that_is_advised_mixes_as_wanted(told):
    """Six turns add 6 · 2 · 4.5 mm of channel, of which 24 corners count 0.559 squares of 0.5 mm instead of
    one (test_network_hele_shaw.py)."""
    use = {"flow_ul_per_min": 4.0}
    (straight,) = told(wye(), **use).fluidics.mixing
    (turned,) = told(wye(turns=6), **use, mixed_fraction=0.99).fluidics.mixing
    (asked,) = told(wye(), **use, mixed_fraction=turned.mixed_fraction).fluidics.mixing
    assert straight.mixed_fraction < turned.mixed_fraction < 0.99
    assert asked.length_needed_mm == pytest.approx(6 * 2 * 4.5 - 24 * 0.441 * 0.5, rel=0.06)


def test_what_the_request_wants_is_held_exactly(told, found):
    (place,) = told(wye()).fluidics.mixing
    assert found(told(wye(), mixed_fraction=place.mixed_fraction - 0.01), "mixing") == []
    (finding,) = found(told(wye(), mixed_fraction=place.mixed_fraction + 0.01), "mixing")
    assert finding.source == "asked in the request"
    assert finding.limit == finding.limit_high


def test_streams_that_meet_only_in_the_outlet_are_told_so(chip, review_of, found):
    shape = union_all(
        [
            LineString([(6, 5), (40, 11), (6, 17)]).buffer(0.25),
            *(Point(x, y).buffer(1.2) for x, y in ((6, 5), (6, 17), (40, 11))),
        ]
    )
    ports = (*PORTS[:2], ("waste", "outlet", 40, 11))
    analysis = review_of(chip([shape], ports=ports, depth_um=200), ROUTE, VARIANT)
    (place,) = analysis.fluidics.mixing
    assert place.mixed_fraction < 0.1
    assert (place.length_needed_mm, place.width_um) == (None, None)
    (finding,) = found(analysis, "mixing")
    assert finding.remedy.startswith("Let the streams meet in one channel")


def test_read_outs_on_the_way_are_told_first_and_have_mixed_less(chip, review_of, found):
    job = chip([wye()], ports=PORTS, depth_um=200)
    job = replace(job, readouts=(Readout("early", 20.0, 11.0, 1.0), Readout("late", 55.0, 11.0, 1.0)))
    analysis = review_of(job, ROUTE, VARIANT)
    early, late, waste = analysis.fluidics.mixing
    assert [place.kind for place in (early, late, waste)] == ["readout", "readout", "outlet"]
    assert early.mixed_fraction < late.mixed_fraction < waste.mixed_fraction
    assert early.flow_ul_per_min == pytest.approx(50.0, rel=1e-3)
    # all to the same goal: what lies between them is what the later one needs less
    assert early.length_needed_mm - late.length_needed_mm == pytest.approx(35.0, rel=0.03)
    (finding,) = found(analysis, "mixing")
    assert "'early' (2 more places short of it)" in finding.message
    assert finding.where.distance(Point(20, 11)) == 0.0
