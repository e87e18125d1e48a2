"""Widths, walls, lost shapes, roofs and ridges: what is found, where, and with what remedy."""

from dataclasses import replace

import pytest
from shapely import Point, box

from rillcast_service.catalogue.types import Fact
from rillcast_service.engine.result import Severity, Verdict


def _bar(width_mm: float):
    return box(5.0, 11.0 - width_mm / 2.0, 65.0, 11.0 + width_mm / 2.0)


@pytest.mark.parametrize(
    ("width_um", "severity"),
    # default printer, 35 µm pixels: 4 px = 140 µm is the limit; 6 px and the spread of its light
    # bleed (2 × (70 − 25) µm) make 300 µm the end of the doubt
    [(130, Severity.BLOCKER), (140, Severity.RISK), (299, Severity.RISK), (300, None), (500, None)],
)
def test_a_mould_channel_is_held_to_pixels_and_their_doubt(chip, review_of, found, width_um, severity):
    analysis = review_of(chip([_bar(width_um / 1000.0)], depth_um=200.0), "cast_printed_mould")
    findings = found(analysis, "channel_width")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert (finding.measured, finding.limit, finding.limit_high) == (width_um, 140.0, 300.0)
        assert finding.unit == "µm"


def test_a_measured_printer_is_held_to_its_own_limit(chip, review_of, found, with_values):
    job = with_values(chip([_bar(0.2)], depth_um=200.0), "printer", calibrated=Fact(True, "bench"))
    analysis = review_of(job, "cast_printed_mould")
    assert found(analysis, "channel_width") == []
    assert analysis.verdict is Verdict.MAKEABLE


def test_a_coarser_printer_turns_the_verdict_for_the_stated_reason(chip, review_of, found):
    shapes = [_bar(0.18)]
    fine = review_of(chip(shapes, depth_um=200.0), "cast_printed_mould")
    coarse = review_of(
        chip(shapes, depth_um=200.0, bench={"printer": "masked_lcd_50um"}), "cast_printed_mould"
    )
    assert fine.verdict is Verdict.MAKEABLE_WITH_RISK
    assert coarse.verdict is Verdict.NOT_MAKEABLE
    (finding,) = found(coarse, "channel_width")
    assert finding.limit == 200.0
    assert "200 µm" in finding.remedy


def test_one_narrow_neck_is_one_finding_at_its_place(chip, review_of, found):
    wide = [box(5.0, 10.0, 30.0, 12.0), box(29.9, 10.95, 35.1, 11.05), box(35.0, 10.0, 65.0, 12.0)]
    bell = wide[0].union(wide[1]).union(wide[2])
    (finding,) = found(review_of(chip([bell], depth_um=200.0), "cast_printed_mould"), "channel_width")
    assert finding.measured == 100.0
    assert finding.where.within(box(29.0, 10.0, 36.0, 12.0))
    assert len(finding.where.geoms) == 1


@pytest.mark.parametrize(("gap_um", "severity"), [(120, Severity.BLOCKER), (400, None)])
def test_walls_between_channels(chip, review_of, found, gap_um, severity):
    upper = box(5.0, 11.0 + gap_um / 1000.0, 65.0, 12.0)
    lower = box(5.0, 10.0, 65.0, 11.0)
    ports = (("in", "inlet", 6, 11), ("out", "outlet", 64, 11))
    analysis = review_of(chip([lower, upper], depth_um=200.0, ports=ports), "cast_printed_mould")
    findings = found(analysis, "channel_gap")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_walls_that_the_light_opens_are_told_once(chip, review_of, found, with_values):
    lower, upper = box(5.0, 10.0, 65.0, 11.0), box(5.0, 11.04, 65.0, 12.0)
    # bleed of the default printer is 25 µm a side: a wall of 40 µm on the mould's negative is gone
    thin = review_of(chip([lower, upper], depth_um=200.0), "cast_printed_mould")
    assert thin.summary.merged_features == 1
    (wall,) = found(thin, "channel_gap")
    assert (wall.severity, wall.measured) == (Severity.BLOCKER, 40.0)
    assert found(thin, "lost_shape") == []
    # a printer of far more bleed opens a wall that is wide enough for the rule of walls
    job = chip([lower, box(5.0, 11.18, 65.0, 12.0)], depth_um=200.0)
    bleeding = with_values(job, "printer", edge_bleed_um={"value": 120.0, "low": 110.0, "high": 130.0})
    (opened,) = found(review_of(bleeding, "cast_printed_mould"), "lost_shape")
    assert opened.severity is Severity.BLOCKER
    assert "run together" in opened.message


def test_a_finger_that_is_lost_from_a_comb_is_counted_and_placed(chip, review_of, found):
    # two cured edges of 25 µm each meet in a finger of 40 µm
    finger = box(30.0, 11.4, 30.04, 15.0)
    comb = _bar(1.0).union(box(20.0, 11.4, 20.6, 15.0)).union(finger)
    analysis = review_of(chip([comb]), "printed_bonded_halves")
    assert analysis.summary.lost_features == 1
    # its width is told already, with the larger number to mend it
    (narrow,) = [one for one in found(analysis, "channel_width") if one.severity is Severity.BLOCKER]
    assert narrow.where.within(finger.buffer(0.001))
    assert found(analysis, "lost_shape") == []


def test_a_channel_narrower_than_the_bleed_is_lost_from_a_printed_part(chip, review_of, found):
    shapes = [_bar(1.0), box(5.0, 15.0, 65.0, 15.04)]
    analysis = review_of(chip(shapes), "printed_bonded_halves")
    assert analysis.summary.lost_features == 1
    # one cause, one finding: the rule of widths asks for more than what vanishes would need
    (narrow,) = found(analysis, "channel_width")
    assert (narrow.severity, narrow.measured) == (Severity.BLOCKER, 40.0)
    assert found(analysis, "lost_shape") == []


def test_the_roof_closes_a_shallow_channel_of_a_one_piece_print(chip, review_of, found):
    analysis = review_of(chip([_bar(1.0)], depth_um=150.0), "printed_monolith")
    (finding,) = found(analysis, "roof_closes")
    assert finding.severity is Severity.BLOCKER
    assert analysis.fluidics is None
    # the smallest depth that stays open is what the roof takes, and a layer
    job = chip([_bar(1.0)], depth_um=finding.limit + 1.0)
    again = found(review_of(job, "printed_monolith"), "roof_closes")
    assert [item.severity for item in again] in ([], [Severity.RISK])


def test_a_deep_channel_stays_at_risk_until_the_resin_is_measured(chip, review_of, found, with_values):
    job = chip([_bar(1.0)], depth_um=800.0)
    (finding,) = found(review_of(job, "printed_monolith"), "roof_closes")
    assert finding.severity is Severity.RISK
    assert "no measured profile" in finding.message
    measured = with_values(job, "printer", calibrated=Fact(True, "bench"))
    assert found(review_of(measured, "printed_monolith"), "roof_closes") == []


@pytest.mark.parametrize(
    ("depth_um", "severity", "films"),
    [(140, None, 1), (180, Severity.RISK, 1), (250, Severity.RISK, 2), (450, Severity.BLOCKER, 3)],
)
def test_a_wafer_mould_has_a_greatest_height(chip, review_of, found, depth_um, severity, films):
    """One film gives 150 to 200 µm, and two are spun over one another at most."""
    analysis = review_of(chip([_bar(1.0)], depth_um=depth_um), "cast_wafer_mould")
    findings = found(analysis, "ridge_height")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert [finding.measured for finding in found(analysis, "film_count")] == ([films] if films > 1 else [])
    # each film is off by 10 % of its own height, independently: 10 % / √n of the whole
    depth = analysis.summary.depth_um["channels"]
    assert depth.best == depth_um
    # the doubt about the shrinkage adds under half a per cent
    assert (depth.high - depth.best) / depth_um == pytest.approx(0.1 / films**0.5, abs=0.005)


def test_depths_on_one_wafer_are_steps_that_are_spun_over_one_another(chip, review_of, found):
    """50 µm, then 70 µm on it: √(5² + 7²) = 8.6 µm where one film of 120 µm would be off by 12."""
    job = chip([_bar(1.0)], depth_um=50)
    deep = replace(job.layout.layers[0], name="deep", depth_um=120.0)
    layout = replace(job.layout, layers=(*job.layout.layers, deep))
    analysis = review_of(replace(job, layout=layout), "cast_wafer_mould")
    shallow, deeper = (analysis.summary.depth_um[name] for name in ("channels", "deep"))
    assert shallow.high - 50.0 == pytest.approx(5.0, abs=0.25)
    assert deeper.high - 120.0 == pytest.approx(74.0**0.5, abs=0.6)
    (finding,) = found(analysis, "film_count")
    assert "2 films spun over one another (50 µm, 70 µm), and 2 masks" in finding.message
    # depths closer together than a film is thick
    close = replace(job, layout=replace(layout, layers=(*job.layout.layers, replace(deep, depth_um=53.0))))
    thin, several = found(review_of(close, "cast_wafer_mould"), "film_count")
    assert (several.severity, thin.severity) == (Severity.RISK, Severity.BLOCKER)
    assert (thin.measured, thin.limit, thin.unit) == (3.0, 5.0, "µm")


def test_a_tall_narrow_ridge_leans(chip, review_of, found):
    findings = found(review_of(chip([_bar(0.02)], depth_um=140), "cast_wafer_mould"), "ridge_height")
    (slender,) = [finding for finding in findings if finding.unit == "1"]
    assert slender.measured == pytest.approx(7.0, abs=0.1)
    assert slender.severity is Severity.RISK


def test_a_wafer_channel_is_held_to_the_mould_that_is_chosen(chip, review_of, found):
    film = review_of(chip([_bar(0.025)], depth_um=50), "cast_wafer_mould")
    chrome = review_of(
        chip([_bar(0.025)], depth_um=50, bench={"mould": "wafer_chrome_mask"}), "cast_wafer_mould"
    )
    assert [item.severity for item in found(film, "channel_width")] == [Severity.BLOCKER]
    assert found(chrome, "channel_width") == []


def test_round_chambers_and_arcs_give_no_finding(chip, review_of):
    disc = Point(35.0, 11.0).buffer(1.5, quad_segs=64)
    job = chip([_bar(0.6).union(disc)], depth_um=400.0)
    analysis = review_of(job, "cast_printed_mould")
    assert {finding.severity for finding in analysis.findings} == {Severity.NOTE}


def test_limits_name_their_source(chip, review_of, found):
    (finding,) = found(review_of(chip([_bar(0.05)], depth_um=50.0), "printed_bonded_halves"), "channel_width")
    assert finding.source
    assert isinstance(finding.limit_low, float)
    assert finding.limit_low <= finding.limit <= finding.limit_high


@pytest.mark.parametrize(
    ("depth_um", "severity"),
    # 50 µm layers: two of them are the limit, three are sure
    [(10, Severity.BLOCKER), (100, Severity.RISK), (149, Severity.RISK), (150, None)],
)
def test_a_mould_is_at_least_two_layers_high(chip, review_of, found, depth_um, severity):
    findings = found(review_of(chip([_bar(1.0)], depth_um=depth_um), "cast_printed_mould"), "channel_depth")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_thinner_layers_open_a_shallow_channel(chip, review_of, found):
    # 25 µm layers: three of them are 75 µm
    job = chip([_bar(1.0)], depth_um=75, bench={"printer": "masked_lcd_22um"})
    assert found(review_of(job, "cast_printed_mould"), "channel_depth") == []


def test_a_second_narrow_place_is_not_called_the_narrowest(chip, review_of, found):
    neck, step = box(29.9, 10.95, 35.1, 11.05), box(44.9, 10.9, 50.1, 11.1)
    wide = [box(5.0, 10.0, 30.0, 12.0), box(35.0, 10.0, 45.0, 12.0), box(50.0, 10.0, 65.0, 12.0)]
    shape = wide[0].union(neck).union(wide[1]).union(step).union(wide[2])
    first, second = found(review_of(chip([shape], depth_um=200), "cast_printed_mould"), "channel_width")
    assert (first.severity, first.measured) == (Severity.BLOCKER, 100.0)
    assert first.message.startswith("The narrowest channel")
    assert (second.severity, second.measured) == (Severity.RISK, 200.0)
    assert second.message.startswith("Another channel")
