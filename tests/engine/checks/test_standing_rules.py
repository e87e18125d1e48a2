"""Islands, walls, corners, roofs by theory, drafts and land: what is found, where, and with what remedy."""

from dataclasses import replace

import pytest
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all

from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.result import Severity

BASIN = box(5.0, 8.0, 65.0, 14.0)


def _with_islands(*islands):
    return BASIN.difference(union_all(islands))


@pytest.mark.parametrize(
    ("size_um", "severity"),
    # cast on a printed mould: 150 µm is the limit; 6 pixels of 35 µm and the spread of the bleed are 300 µm
    [(100, Severity.BLOCKER), (160, Severity.RISK), (300, None)],
)
def test_small_islands_are_found_one_by_one_and_told_once(chip, findings_of, size_um, severity):
    half = size_um / 2000.0
    islands = [box(x - half, 11 - half, x + half, 11 + half) for x in (20.0, 35.0, 50.0)]
    job = chip([_with_islands(*islands)], depth_um=50)
    findings = findings_of(job, "cast_printed_mould", "island_size")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert findings_of(job, "cast_printed_mould", "channel_gap") == []
    for finding in findings:
        assert finding.measured == size_um
        assert "3 islands" in finding.message
        assert len(finding.where.geoms) == 3
        assert all(finding.where.intersects(island) for island in islands)


def test_a_round_island_is_as_wide_as_its_disc(chip, findings_of):
    shape = _with_islands(Point(35, 11).buffer(0.06, quad_segs=32))
    (finding,) = findings_of(chip([shape], depth_um=50), "cast_printed_mould", "island_size")
    assert finding.measured == pytest.approx(120.0, abs=1.0)
    # 150 µm is what a mould makes, and at 300 µm the doubt ends
    assert "to 300 µm or more (150 µm at a risk)" in finding.remedy


def test_a_long_island_is_a_wall(chip, findings_of):
    job = chip([_with_islands(box(20, 10.95, 50, 11.05))], depth_um=50)
    (finding,) = findings_of(job, "cast_printed_mould", "island_size", "channel_gap")
    assert finding.rule == "channel_gap"
    assert finding.measured == 100.0


@pytest.mark.parametrize(
    ("depth_um", "severity"), [(1500, None), (2000, Severity.RISK), (2800, Severity.BLOCKER)]
)
def test_a_tall_island_of_a_print_leans(chip, findings_of, depth_um, severity):
    # 0.4 mm wide: 4 times as high is safe, 6 times the most
    job = chip([_with_islands(box(34.8, 10.8, 35.2, 11.2))], depth_um=depth_um, thickness_mm=8.0)
    findings = findings_of(job, "printed_bonded_halves", "island_slenderness")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert finding.measured == pytest.approx(depth_um / 400.0, abs=0.01)
        assert f"{depth_um / 4.0:.0f} µm" in finding.remedy
        assert finding.where.intersects(Point(35, 11))


@pytest.mark.parametrize(
    ("depth_um", "severity"), [(400, None), (800, Severity.RISK), (1300, Severity.BLOCKER)]
)
def test_an_island_is_a_pit_of_the_mould(chip, findings_of, depth_um, severity):
    # no deeper than wide clears by itself, three times as deep never
    job = chip([_with_islands(box(34.8, 10.8, 35.2, 11.2))], depth_um=depth_um)
    findings = findings_of(job, "cast_printed_mould", "mould_pits")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_islands_are_held_to_the_depth_around_them(chip, findings_of):
    job = chip([BASIN], depth_um=100)
    shallow = box(5.0, 8.0, 40.0, 14.0).difference(box(20.0, 10.8, 20.2, 11.0))
    deep = box(40.0, 8.0, 65.0, 14.0).difference(box(50.0, 10.8, 50.4, 11.2))
    layers = (
        Layer("shallow", Role.CHANNELS, MultiPolygon([shallow]), 100.0, 1),
        Layer("deep", Role.CHANNELS, MultiPolygon([deep]), 1000.0, 1),
    )
    job = replace(job, layout=replace(job.layout, layers=layers))
    (finding,) = findings_of(job, "cast_printed_mould", "mould_pits")
    assert finding.measured == pytest.approx(2.5, abs=0.01)
    assert finding.where.within(box(49, 10, 52, 12))


@pytest.mark.parametrize(("gap_um", "severity"), [(600, None), (400, Severity.RISK), (150, Severity.BLOCKER)])
def test_a_tall_wall_of_silicone_leans(chip, findings_of, gap_um, severity):
    # 1 mm deep: twice as high as thick is safe, five times the most
    lower, upper = box(5.0, 10.0, 65.0, 11.0), box(5.0, 11.0 + gap_um / 1000.0, 65.0, 12.5)
    findings = findings_of(chip([lower, upper], depth_um=1000), "cast_printed_mould", "wall_slenderness")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert finding.measured == pytest.approx(1000.0 / gap_um, abs=0.01)
        assert "500 µm thick" in finding.remedy


def test_fine_walls_of_silicone_stick_before_they_lean(chip, findings_of):
    # b = g = 20 µm, E = 1.7 MPa: (3 E* b³ g² / 4 W)^(1/4) = 102 µm, 5.1 to 1; b = 20 µm, g = 12 µm: 3.96 to 1
    teeth = [box(20.0 + 0.032 * index, 9.0, 20.012 + 0.032 * index, 13.0) for index in range(6)]
    shape = union_all([box(5.0, 8.0, 65.0, 9.01), *teeth])
    (finding,) = findings_of(chip([shape], depth_um=90), "cast_wafer_mould", "wall_slenderness")
    assert finding.severity is Severity.BLOCKER
    assert "sticks" in finding.message
    assert finding.measured == pytest.approx(4.5, abs=0.01)
    by_hand = (0.75 * 1.7e6 / 0.75 * 20e-6**3 * 12e-6**2 / 0.05) ** 0.25 / 20e-6
    assert finding.limit == pytest.approx(by_hand, rel=1e-6)
    assert len(finding.where.geoms) == 5


def test_parting_branches_leave_a_tip_that_comes_out_round(chip, findings_of):
    ends = ((64.0, 14.0), (64.0, 8.0))
    shape = union_all([LineString([(6, 11), (30, 11), end]).buffer(0.3, cap_style="flat") for end in ends])
    (finding,) = findings_of(chip([shape]), "cast_printed_mould", "sharp_corner")
    assert finding.severity is Severity.NOTE
    # the branches part at 2 atan(3 / 34)
    assert finding.measured == pytest.approx(10.0)
    # rounded with 100 µm: 100 (1 / sin 5° − 1)
    assert "1047 µm short" in finding.message
    assert finding.where.distance(Point(30.0 + 0.3 / 0.0880, 11.0)) < 0.3


def test_an_acute_end_of_a_channel_keeps_air_where_water_does_not_wet(chip, findings_of):
    needle = Polygon([(20, 11.25), (20, 15), (22, 11.25)]).union(box(5.0, 10.7, 65.0, 11.3))
    cast = findings_of(chip([needle]), "cast_printed_mould", "sharp_corner")
    # atan(2 / 3.75) = 28°, and silicone at 108° keeps air below 36° (Concus & Finn 1969)
    (finding,) = [item for item in cast if "end of a channel" in item.message]
    assert finding.measured == 28.0
    assert "keeps air" in finding.message
    assert finding.where.distance(Point(20, 15)) < 0.01
    printed = findings_of(chip([needle]), "printed_bonded_halves", "sharp_corner")
    # and resin that water wets at about 70° keeps liquid below 40°
    assert any("keeps liquid" in item.message for item in printed)


def test_right_angles_and_curves_are_no_sharp_corners(chip, findings_of):
    shapes = union_all(
        [
            box(5.0, 10.5, 65.0, 11.5),
            Point(35, 11).buffer(2.0, quad_segs=64),
            Point(50, 11).buffer(0.75, quad_segs=3),
            LineString([(20, 11), (20, 16)]).buffer(0.02, quad_segs=8),
        ]
    )
    for route in ("cast_printed_mould", "printed_monolith", "cast_wafer_mould"):
        assert findings_of(chip([shapes]), route, "sharp_corner") == []


def test_a_thin_roof_touches_long_before_a_thick_one(chip, findings_of):
    # 0.3 mm of silicone over a strip 1.5 mm wide and 100 µm deep; thick it is 15 to 1, a risk
    shape = box(5.0, 10.25, 65.0, 11.75)
    thick = findings_of(chip([shape], depth_um=100), "cast_wafer_mould", "roof_sag")
    thin = findings_of(chip([shape], depth_um=100, thickness_mm=0.4), "cast_wafer_mould", "roof_sag")
    assert [item.severity for item in thick] == [Severity.RISK]
    assert [item.severity for item in thin] == [Severity.BLOCKER]
    assert "elastic roof" in thin[0].source
    # by hand, E* = 1.7 MPa / 0.75: p W / E* + p W⁴ / (32 E* t³) at 50 kPa and the weight of 0.3 mm
    load, plane, span = 50e3 + 1030 * 9.81 * 0.3e-3, 1.7e6 / 0.75, 1.5e-3
    sag_um = 1e6 * (load * span / plane + load * span**4 / (32 * plane * 0.3e-3**3))
    told = float(thin[0].message.split("sags ")[1].split(" µm")[0])
    assert told == pytest.approx(sag_um, rel=0.01)


@pytest.mark.parametrize(
    ("height_mm", "severity"), [(6.0, None), (11.0, Severity.RISK), (16.0, Severity.BLOCKER)]
)
def test_land_left_to_bond(chip, findings_of, height_mm, severity):
    # 60 mm by 6, 11 or 16 mm and two holes of 1.8 mm², half of them beside it, of a face of 70 by 22 mm
    shape = box(5.0, 11.0 - height_mm / 2.0, 65.0, 11.0 + height_mm / 2.0)
    job = chip([shape], depth_um=2000, ports=(("in", "inlet", 4.5, 11), ("out", "outlet", 65.5, 11)))
    findings = findings_of(job, "cast_printed_mould", "bonded_area")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert finding.measured == pytest.approx(100.0 * (1.0 - (60.0 * height_mm + 2.0) / 1540.0), abs=0.2)


def test_tall_ridges_with_upright_walls(chip, findings_of):
    shape = box(5.0, 10.0, 65.0, 12.0)
    (finding,) = findings_of(chip([shape], depth_um=1500), "cast_printed_mould", "mould_draft")
    assert finding.severity is Severity.NOTE
    # 2 · 1500 · tan 2°
    assert "105 µm wider" in finding.remedy
    assert findings_of(chip([shape], depth_um=900), "cast_printed_mould", "mould_draft") == []


def test_slender_ridges_are_told_once_with_all_their_places(chip, findings_of):
    # 200 µm wide and 1 mm deep: 5 to 1; the main channel is 1 mm wide
    thin = [box(x, 11.4, x + 0.2, 15.0) for x in (20.0, 30.0, 40.0)]
    shape = union_all([box(5.0, 10.5, 65.0, 11.5), *thin])
    (finding,) = findings_of(chip([shape], depth_um=1000), "cast_printed_mould", "ridge_height")
    assert finding.severity is Severity.RISK
    assert finding.measured == pytest.approx(5.0)
    assert len(finding.where.geoms) == 3
