"""Remedies that work: what a finding says to do is done to the layout, and the finding is gone.

The numbers are read out of the remedy as a user reads them; nothing here knows a limit.
"""

import re
from dataclasses import replace

import pytest
from shapely import LineString, Point, Polygon, box, union_all
from shapely.affinity import scale, translate

from rillcast_service.catalogue.types import Fact
from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.result import Severity
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.shapes import polygons

MEASURED = Fact(True, "bench")
ROUTES = ("printed_monolith", "printed_bonded_halves", "cast_printed_mould", "cast_wafer_mould")
CAST = ROUTES[2:]


def said(finding, pattern):
    """The numbers of a remedy, in the unit in which it tells them."""
    match = re.search(pattern, finding.remedy)
    assert match, finding.remedy
    return [float(number) for number in match.groups()]


def bar(width_mm, y=11.0, start=5.0, end=65.0):
    return box(start, y - width_mm / 2.0, end, y + width_mm / 2.0)


def walls(wall_mm, channel_mm=0.8):
    """Two channels with a wall between them; joined at the ends."""
    low, high = 11.0 - wall_mm / 2.0, 11.0 + wall_mm / 2.0
    ends = [box(x, low - channel_mm, x + 2.0, high + channel_mm) for x in (5.0, 63.0)]
    sides = [box(5.0, low - channel_mm, 65.0, low), box(5.0, high, 65.0, high + channel_mm)]
    return union_all([*sides, *ends])


def island(width_mm):
    return box(5.0, 9.0, 65.0, 13.0) - Point(35.0, 11.0).buffer(width_mm / 2.0, quad_segs=64)


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("rule", ["channel_width", "channel_gap", "island_size"])
@pytest.mark.parametrize("drawn_mm", [0.004, 0.0987, 0.1503, 0.3011])
def test_widening_as_told(chip, findings_of, route, rule, drawn_mm):
    draw = {"channel_width": bar, "channel_gap": walls, "island_size": island}[rule]
    for finding in findings_of(chip([draw(drawn_mm)]), route, rule):
        (safe_um,) = said(finding, r"to (\d+) µm or more")
        assert findings_of(chip([draw(safe_um / 1e3)]), route, rule) == []
        if "at a risk" in finding.remedy:
            (least_um,) = said(finding, r"\((\d+) µm at a risk\)")
            (left,) = findings_of(chip([draw(least_um / 1e3)]), route, rule)
            assert (finding.severity, left.severity) == (Severity.BLOCKER, Severity.RISK)


@pytest.mark.parametrize("route", ROUTES)
def test_a_finer_or_measured_machine_does_where_it_is_told_to(chip, findings_of, with_values, route):
    """Pixels as small as told, and the profile that is told to be needed, let the drawing pass."""
    job = chip([bar(0.21), *([] if route == "cast_wafer_mould" else [bar(0.21, y=15.0)])])
    for finding in findings_of(job, route, "channel_width"):
        if "pixels of" in finding.remedy:
            (pixel_um,) = said(finding, r"pixels of (\d+) µm")
            printer = job.bench["printer"].values["pixel_x_um"]
            finer = {
                f"pixel_{axis}_um": replace(printer, value=pixel_um, low=pixel_um, high=pixel_um)
                for axis in "xy"
            }
            facts = {"calibrated": MEASURED} if "measured profile" in finding.remedy else {}
            assert findings_of(with_values(job, "printer", **finer, **facts), route, "channel_width") == []
        elif "measure the profile" in finding.remedy:
            measured = with_values(job, "printer", calibrated=MEASURED)
            assert findings_of(measured, route, "channel_width") == []
        else:
            measured = with_values(job, "printer", calibrated=MEASURED)
            assert findings_of(measured, route, "channel_width") != []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("rule", ["channel_depth", "roof_closes", "seal_depth"])
@pytest.mark.parametrize("depth_um", [13.0, 60.0, 133.0, 290.0])
def test_deeper_as_told(chip, findings_of, route, rule, depth_um):
    for finding in _of(findings_of, chip([bar(0.8)], depth_um=depth_um), route, rule):
        (safe_um,) = said(finding, r"it (\d+) µm deep")
        deep = chip([bar(0.8)], depth_um=safe_um, thickness_mm=10.0)
        assert findings_of(deep, route, rule) == []


def _of(findings_of, job, route, rule):
    """The findings of a rule; none where the route does not have it."""
    return findings_of(job, route, rule) if rule in load_routes(job.catalogue)[route].rules else []


@pytest.mark.parametrize("route", CAST)
@pytest.mark.parametrize(("width_mm", "depth_um"), [(0.1, 190.0), (0.3, 1000.0), (0.07, 400.0), (0.3, 160.0)])
def test_ridges_stand_or_are_made_when_mended(chip, findings_of, route, width_mm, depth_um):
    for finding in findings_of(chip([bar(width_mm)], depth_um=depth_um), route, "ridge_height"):
        (shallow_um,) = said(finding, r"(\d+) µm deep or less")
        wide_mm = width_mm
        if "Widen" in finding.remedy:
            (wide_um,) = said(finding, r"Widen it to (\d+) µm")
            wide_mm = wide_um / 1e3
            widened = findings_of(chip([bar(wide_mm)], depth_um=depth_um), route, "ridge_height")
            assert [item for item in widened if item.unit == "1"] == []
            lowered = findings_of(chip([bar(width_mm)], depth_um=shallow_um), route, "ridge_height")
            assert [item for item in lowered if item.unit == "1"] == []
        else:
            lowered = findings_of(chip([bar(width_mm)], depth_um=shallow_um), route, "ridge_height")
            # as far as two films reach; that they are two stays a risk
            assert [item for item in lowered if item.severity is Severity.BLOCKER and item.unit == "µm"] == []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize(
    ("rule", "draw"), [("wall_slenderness", walls), ("island_slenderness", island), ("mould_pits", island)]
)
@pytest.mark.parametrize(("thin_mm", "depth_um"), [(0.07, 400.0), (0.13, 400.0), (0.123, 1000.0)])
def test_what_stands_is_thicker_or_less_tall_as_told(chip, findings_of, route, rule, draw, thin_mm, depth_um):
    for finding in _of(findings_of, chip([draw(thin_mm)], depth_um=depth_um), route, rule):
        (thick_um,) = said(finding, r"(?:to|it) (\d+) µm")
        (low_um,) = said(finding, r"(\d+) µm deep")
        assert findings_of(chip([draw(thick_um / 1e3)], depth_um=depth_um), route, rule) == []
        assert findings_of(chip([draw(thin_mm)], depth_um=low_um), route, rule) == []


@pytest.mark.parametrize("route", ROUTES)
def test_a_rounded_corner_is_sharp_no_more(chip, findings_of, route):
    wedge = Polygon([(5, 10.7), (40, 10.7), (44, 11.0), (40, 11.3), (5, 11.3)])
    (finding,) = findings_of(chip([wedge]), route, "sharp_corner")
    (radius_um,) = said(finding, r"radius of (\d+) µm")
    rounded = wedge.buffer(-radius_um / 1e3).buffer(radius_um / 1e3, quad_segs=16)
    assert findings_of(chip([polygons(rounded).geoms[0]]), route, "sharp_corner") == []


def chamber_with_pillars(diameter_mm, pitch_mm):
    """Four by three pillars; between them and the walls it is as wide as between two of them."""
    margin = pitch_mm - diameter_mm / 2.0
    discs = [
        Point(20.0 + column * pitch_mm, 8.0 + row * pitch_mm).buffer(diameter_mm / 2.0, quad_segs=32)
        for column in range(4)
        for row in range(3)
    ]
    room = box(20.0 - margin, 8.0 - margin, 20.0 + 3 * pitch_mm + margin, 8.0 + 2 * pitch_mm + margin)
    return polygons(room - union_all(discs)).geoms


@pytest.mark.parametrize(
    ("route", "rule"), [*((route, "roof_sag") for route in CAST), ("printed_monolith", "roof_span")]
)
@pytest.mark.parametrize(("across_mm", "depth_um"), [(5.0, 60.0), (3.1, 137.0), (12.0, 190.0), (14.0, 400.0)])
def test_a_roof_is_carried_when_mended(chip, findings_of, route, rule, across_mm, depth_um):
    def chamber(size_mm):
        return box(20.0, 11.0 - size_mm / 2.0, 20.0 + 1.5 * size_mm, 11.0 + size_mm / 2.0)

    for finding in findings_of(chip([chamber(across_mm)], depth_um=depth_um), route, rule):
        (wide_mm,) = said(finding, r"it ([\d.]+) mm wide or less")
        narrow = box(20.0, 11.0, 30.0, 11.0 + wide_mm)
        assert findings_of(chip([narrow], depth_um=depth_um), route, rule) == []
        if "deep or more" in finding.remedy:
            (deep_um,) = said(finding, r"(\d+) µm deep or more")
            assert findings_of(chip([chamber(across_mm)], depth_um=deep_um), route, rule) == []
        if "pillars" in finding.remedy:
            diameter_um, pitch_mm = said(finding, r"pillars of (\d+) µm ([\d.]+) mm apart")
            shapes = chamber_with_pillars(diameter_um / 1e3, pitch_mm)
            carried = chip(list(shapes), depth_um=depth_um)
            assert findings_of(carried, route, rule) == []
            assert findings_of(carried, route, "island_size", "channel_width") == []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("thickness_mm", [0.3, 0.9, 1.777])
def test_a_thicker_chip_covers_its_channels(chip, findings_of, route, thickness_mm):
    job = chip([bar(0.8)], depth_um=333.0, thickness_mm=thickness_mm)
    for finding in findings_of(job, route, "cover"):
        (thick_mm,) = said(finding, r"chip ([\d.]+) mm thick")
        assert findings_of(chip([bar(0.8)], depth_um=333.0, thickness_mm=thick_mm), route, "cover") == []


@pytest.mark.parametrize("route", ROUTES[1:])
def test_a_larger_chip_bonds(chip, findings_of, route):
    chamber, outline = box(5.0, 5.0, 65.0, 20.33), box(0.0, 0.0, 70.0, 22.0)
    (finding,) = findings_of(chip([chamber], outline=outline), route, "bonded_area")
    (more_mm2,) = said(finding, r"([\d.]+) mm² larger")
    larger = box(0.0, 0.0, 70.0, 22.0 + more_mm2 / 70.0)
    assert findings_of(chip([chamber], outline=larger), route, "bonded_area") == []


def at(*places):
    return [(f"port {index}", "inlet", x, y) for index, (x, y) in enumerate(places)]


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("near_mm", [1.0, 1.9996, 2.345])
def test_ports_moved_inward_are_clear_of_the_edge(chip, findings_of, route, near_mm):
    """All ports are told in one finding, and moved as far as the nearest of them."""

    def drawn(moved):
        x = [near_mm + moved, near_mm + moved + 0.2]
        spots = [(x[0], 5.0), (x[1], 11.0), (60.0, 11.0)]
        pads = [Point(spot).buffer(0.75, quad_segs=32) for spot in spots]
        lines = [LineString([spot, (20.0, 11.0)]).buffer(0.4) for spot in spots]
        return chip([union_all([*pads, *lines])], ports=at(*spots))

    (finding,) = findings_of(drawn(0.0), route, "port_clearance")
    assert len(finding.where.geoms) == 2 if "2 places like it" in finding.message else True
    (more_mm,) = said(finding, r"Leave ([\d.]+) mm more")
    assert findings_of(drawn(more_mm), route, "port_clearance", "chip_outline") == []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize(
    ("rule", "pattern"),
    [("port_clearance", r"Leave ([\d.]+) mm more"), ("connector_room", r"them ([\d.]+) mm farther")],
)
@pytest.mark.parametrize("pitch_mm", [2.0, 2.7004, 3.1])
def test_ports_moved_apart_have_room(chip, findings_of, route, rule, pattern, pitch_mm):
    def drawn(pitch):
        return chip([bar(0.8)], ports=at(*[(20.0 + index * pitch, 11.0) for index in range(4)]))

    findings = findings_of(drawn(pitch_mm), route, rule)
    assert all("3 places like it" in finding.message for finding in findings[:1])
    # the gravest is told of the nearest: what it asks for does for all
    for finding in findings[:1]:
        (more_mm,) = said(finding, pattern)
        assert findings_of(drawn(pitch_mm + more_mm), route, rule) == []


@pytest.mark.parametrize("route", ROUTES)
def test_a_channel_moved_off_a_port_is_clear_of_it(chip, findings_of, route):
    def drawn(gap):
        return chip([bar(0.8), bar(0.5, y=11.0 + 0.75 + gap + 0.25)], ports=at((30.0, 11.0), (50.0, 11.0)))

    (finding,) = findings_of(drawn(0.1234), route, "port_clearance")
    (more_mm,) = said(finding, r"Leave ([\d.]+) mm more")
    assert findings_of(drawn(0.1234 + more_mm), route, "port_clearance") == []


@pytest.mark.parametrize("route", CAST)
@pytest.mark.parametrize("beside_mm", [0.0, 0.9])
def test_a_pad_as_told_takes_the_punch(chip, findings_of, route, beside_mm):
    ports = at((30.0, 11.0 + beside_mm), (50.0, 11.0 + beside_mm))
    line = bar(0.5)
    findings = findings_of(chip([line], ports=ports), route, "port_pad")
    across = max(said(finding, r"pad of ([\d.]+) mm")[0] for finding in findings)
    pads = [Point(x, y).buffer(across / 2.0, quad_segs=64) for _, _, x, y in ports]
    assert findings_of(chip([union_all([line, *pads])], ports=ports), route, "port_pad") == []


@pytest.mark.parametrize("route", ROUTES)
def test_channels_moved_inward_have_their_land(chip, findings_of, route):
    def drawn(land):
        legs = [box(20.0, land, 20.6, 11.0), box(40.0, land + 0.2, 40.6, 11.0)]
        return chip([union_all([bar(0.8), *legs])])

    findings = findings_of(drawn(0.5), route, "chip_outline")
    assert [len(finding.where.geoms) for finding in findings] == [2]
    (more_mm,) = said(findings[0], r"([\d.]+) mm inward")
    assert findings_of(drawn(0.5 + more_mm), route, "chip_outline") == []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("size_mm", [(180.0, 120.0), (150.0, 20.0), (90.0, 90.0), (75.0, 72.0)])
def test_a_smaller_chip_fits_the_machine(chip, findings_of, route, size_mm):
    def drawn(length, width):
        middle = box(length / 2 - 5, width / 2 - 0.4, length / 2 + 5, width / 2 + 0.4)
        return chip([middle], outline=box(0.0, 0.0, length, width))

    def blocked(length, width):
        findings = findings_of(drawn(length, width), route, "build_area")
        return [finding for finding in findings if finding.severity is Severity.BLOCKER]

    for finding in blocked(*size_mm):
        assert blocked(*said(finding, r"at most ([\d.]+) mm × ([\d.]+) mm")) == []


@pytest.mark.parametrize("arm_mm", [3.0, 8.0])
def test_a_shorter_dead_end_is_reached(chip, review_of, found, arm_mm):
    def drawn(arm):
        return chip([union_all([bar(1.0), box(34.5, 11.0, 35.5, 11.5 + arm)])])

    (finding,) = found(review_of(drawn(arm_mm), "printed_monolith", "upright"), "dead_end")
    (less_mm,) = said(finding, r"dead end by ([\d.]+) mm")
    assert found(review_of(drawn(arm_mm - less_mm), "printed_monolith", "upright"), "dead_end") == []


def test_a_thinner_resin_comes_out_in_time(chip, review_of, found, with_values):
    turns = [((8, y), (62, y)) if k % 2 == 0 else ((62, y), (8, y)) for k, y in enumerate(range(3, 20, 2))]
    line = LineString([point for turn in turns for point in turn])
    ports = (("in", "inlet", 8, 3), ("out", "outlet", 62, 19))
    job = chip([line.buffer(0.06, cap_style="square")], ports=ports, depth_um=150.0)
    (finding,) = found(review_of(job, "printed_bonded_halves"), "clearing_time")
    (thin_mpa_s,) = said(finding, r"resin below (\d+) mPa·s")
    viscosity = job.bench["resin"].values["viscosity_mpa_s"]
    factor = thin_mpa_s / viscosity.value
    thin = replace(viscosity, low=viscosity.low * factor, value=thin_mpa_s, high=viscosity.high * factor)
    again = review_of(with_values(job, "resin", viscosity_mpa_s=thin), "printed_bonded_halves")
    assert found(again, "clearing_time") == []


def marked(chip, marks):
    job = chip([bar(0.8)])
    layer = Layer("label", Role.MARKS, polygons(union_all(marks)), 150.0, len(marks))
    return replace(job, layout=replace(job.layout, layers=(*job.layout.layers, layer)))


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("stroke_um", [20.0, 101.0, 155.0])
def test_a_wider_stroke_is_legible(chip, findings_of, route, stroke_um):
    def drawn(stroke):
        return marked(
            chip, [box(20.0, 15.0, 23.0, 15.0 + stroke / 1e3), box(20.0, 15.0, 20.0 + stroke / 1e3, 19.0)]
        )

    for finding in findings_of(drawn(stroke_um), route, "mark_stroke"):
        (wide_um,) = said(finding, r"it (\d+) µm wide")
        assert findings_of(drawn(wide_um), route, "mark_stroke") == []


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("tall_mm", [0.8, 1.503])
def test_taller_writing_is_read(chip, findings_of, route, tall_mm):
    def drawn(tall):
        letters = [box(0.0, 0.0, 0.32, 1.0), box(0.5, 0.0, 0.82, 1.0), box(1.0, 0.0, 1.32, 1.0)]
        return marked(chip, [translate(scale(one, 1.0, tall, origin=(0, 0)), 20.0, 15.0) for one in letters])

    for finding in findings_of(drawn(tall_mm), route, "mark_height"):
        (safe_mm,) = said(finding, r"it ([\d.]+) mm tall or more")
        assert findings_of(drawn(safe_mm), route, "mark_height") == []


@pytest.mark.parametrize("route", CAST)
def test_a_lower_flow_is_within_hand_bond_and_request(chip, review_of, found, route):
    rules = ("bond_pressure", "hand_pressure", "pressure_asked")
    job = chip([bar(0.1)], depth_um=40.0)
    use = replace(job.use, flow_ul_per_min=3000.0, max_pressure_kpa=50.0)
    analysis = review_of(replace(job, use=use), route)
    asked = {rule: finding for rule in rules for finding in found(analysis, rule)}
    assert set(asked) == set(rules)
    for rule, finding in asked.items():
        (flow,) = said(finding, r"the flow to ([\d.e+-]+) µL/min")
        slower = replace(job, use=replace(use, flow_ul_per_min=flow))
        assert found(review_of(slower, route), rule) == []
