"""Channels in several planes: which routes make them, what the body must hold, what is judged by level."""

from dataclasses import replace

import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.engine.layout.model import Layer, Port, PortRole, Role
from rillcast_service.engine.result import Severity, Verdict

ALONG = box(5.0, 10.75, 65.0, 11.25)
ACROSS = box(34.75, 4.0, 35.25, 18.0)
ONE_FACE = ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves")


def _hole(name, role, x, y):
    return Port(name, PortRole(role), Point(x, y).buffer(0.75, quad_segs=32), 1.5)


ENDS = (
    _hole("in", "inlet", 6, 11),
    _hole("out", "outlet", 64, 11),
    _hole("in low", "inlet", 35, 5),
    _hole("out low", "outlet", 35, 17),
)


@pytest.fixture
def on_levels(chip):
    """`on_levels([(shape, level)], ports=ENDS, thickness_mm=…)`: a job with a layer 400 µm deep for each."""

    def make(shapes, *, ports=ENDS, depth_um=400.0, **changes):
        job = chip([ALONG], **changes)
        layers = tuple(
            Layer(f"layer_{k}", Role.CHANNELS, MultiPolygon([shape]), depth_um, 1, level)
            for k, (shape, level) in enumerate(shapes)
        )
        return replace(job, layout=replace(job.layout, layers=layers, ports=ports))

    return make


@pytest.mark.parametrize("route", ONE_FACE)
def test_a_face_holds_one_level_and_the_crossing_is_shown(on_levels, review_of, found, route):
    analysis = review_of(on_levels([(ALONG, 1), (ACROSS, 2)]), route)
    (finding,) = found(analysis, "levels")
    assert analysis.verdict is Verdict.NOT_MAKEABLE
    assert (finding.severity, finding.measured, finding.limit) == (Severity.BLOCKER, 2.0, 1.0)
    assert finding.where.equals(ALONG.intersection(ACROSS))
    assert "cross at 1 place" in finding.message
    assert "one piece" in finding.remedy


@pytest.mark.parametrize("route", ONE_FACE)
def test_one_level_of_any_number_is_made(on_levels, review_of, found, route):
    assert found(review_of(on_levels([(ALONG, 3), (ACROSS, 3)]), route), "levels") == []


def test_levels_that_meet_at_ports_alone_need_no_second_level(on_levels, review_of, found):
    shapes = [(box(5, 10.75, 35.5, 11.25), 1), (box(34.5, 10.75, 65, 11.25), 2)]
    job = on_levels(shapes, ports=(*ENDS[:2], _hole("middle", "vent", 35, 11)))
    (finding,) = found(review_of(job, "cast_printed_mould"), "levels")
    assert "cross nowhere" in finding.message
    assert "no flow changes" in finding.remedy
    assert finding.where.equals(shapes[1][0])


def test_a_one_piece_print_stacks_levels(on_levels, review_of, found):
    analysis = review_of(on_levels([(ALONG, 1), (ACROSS, 2)]), "printed_monolith")
    assert found(analysis, "levels") == found(analysis, "level_stack") == []
    assert len(analysis.fluidics.resistance_pa_s_per_m3) == 4
    assert analysis.fluidics.resistance_pa_s_per_m3[0][2] is None


@pytest.mark.parametrize(
    ("thickness_mm", "severity"), [(2.0, Severity.BLOCKER), (3.0, Severity.RISK), (4.0, None)]
)
def test_the_stack_needs_its_thickness(on_levels, review_of, found, thickness_mm, severity):
    job = on_levels([(ALONG, 1), (ACROSS, 2)], thickness_mm=thickness_mm)
    analysis = review_of(job, "printed_monolith")
    findings = found(analysis, "level_stack")
    if severity is None:
        assert findings == []
        return
    (finding,) = findings
    assert finding.severity is severity
    # cover 0.5 (0.25 to 1.0) mm twice, a floor of 0.3 (0.2 to 0.5) mm, two channels of 0.4 mm
    assert finding.limit == pytest.approx(2 * 0.5 + 0.3 + 2 * 0.4)
    assert finding.limit_low == pytest.approx(2 * 0.25 + 0.2 + 2 * 0.4)
    assert finding.limit_high == pytest.approx(2 * 1.0 + 0.5 + 2 * 0.4)
    assert "3.3 mm thick" in finding.remedy
    thick_enough = replace(job, chip=replace(job.chip, thickness_mm=finding.limit_high))
    assert found(review_of(thick_enough, "printed_monolith"), "level_stack") == []
    assert found(analysis, "cover") == []


def test_layers_of_one_level_are_stacked_once(on_levels, review_of, found):
    # on one level the deepest channel alone counts: 2 mm hold 0.4 mm under any cover
    job = on_levels([(ALONG, 1), (ACROSS, 1)], thickness_mm=2.0)
    assert found(review_of(job, "printed_monolith"), "level_stack") == []


def test_widths_and_walls_are_judged_level_by_level(on_levels, review_of, found):
    beside = box(5.0, 11.27, 65.0, 11.77)
    apart = review_of(on_levels([(ALONG, 1), (beside, 2)]), "printed_monolith")
    assert found(apart, "channel_gap") == []
    assert found(apart, "lost_shape") == []
    together = review_of(on_levels([(ALONG, 1), (beside, 1)]), "printed_monolith")
    (wall,) = found(together, "channel_gap")
    assert wall.message.startswith("The narrowest wall is 20 µm wide")

    low = box(34.9, 4.0, 35.1, 18.0)
    (narrow,) = found(review_of(on_levels([(ALONG, 1), (low, 2)]), "printed_monolith"), "channel_width")[:1]
    assert narrow.message.startswith("The narrowest channel of level 2 is 200 µm wide")


def test_shapes_lost_on_one_level_are_told_though_another_passes_over_them(on_levels, review_of, found):
    hair = box(20.0, 10.99, 30.0, 11.01)
    analysis = review_of(on_levels([(ALONG, 1), (hair, 2)]), "printed_monolith")
    narrow = found(analysis, "channel_width")[0]
    assert narrow.message.startswith("The narrowest channel of level 2 is 20 µm wide")
    assert found(analysis, "lost_shape") == []
    assert analysis.summary.lost_features == 1


def test_a_port_is_near_the_channels_it_passes_and_not_those_below_its_end(on_levels, review_of, found):
    # 0.15 mm of wall in the plan between the hole at (6, 11) and a channel beside it
    beside = box(5.0, 11.9, 65.0, 12.4)
    holes = (*ENDS[:2], _hole("in 2", "inlet", 20, 12.6), _hole("out 2", "outlet", 50, 12.6))

    def near(*levels):
        job = on_levels(list(zip((ALONG, beside), levels, strict=True)), ports=holes)
        findings = found(review_of(job, "printed_monolith"), "port_clearance")
        places = [item.where for item in findings if "does not feed" in item.message]
        return {hole.name for hole in holes if any(hole.opening.dwithin(place, 1e-3) for place in places)}

    assert near(1, 1) >= {"in", "out"}
    assert near(1, 2) & {"in", "out"} == set()
    assert near(2, 1) >= {"in", "out"}


def test_a_cavity_of_a_deeper_level_is_reached_by_its_own_ports(on_levels, review_of, found):
    analysis = review_of(on_levels([(ALONG, 1), (ACROSS, 2)], ports=ENDS[:2]), "printed_monolith")
    assert found(analysis, "unreachable_cavity") == []  # told once, with what it means for this route
    (finding,) = found(analysis, "trapped_resin")
    assert "the cavity of level 2" in finding.message
    assert finding.where.area == pytest.approx(
        next(item for item in analysis.as_made.channels if item.level == 2).geometry.area, rel=1e-3
    )


def test_land_is_asked_of_the_bonded_face_and_around_every_level_of_one_piece(on_levels, review_of, found):
    low = box(34.75, 0.5, 35.25, 18.0)
    job = on_levels([(ALONG, 1), (low, 2)])
    assert found(review_of(job, "printed_bonded_halves"), "chip_outline") == []
    (finding,) = found(review_of(job, "printed_monolith"), "chip_outline")
    assert finding.measured == pytest.approx(0.5)
