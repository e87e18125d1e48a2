"""Single faults corrected: how, what is told of it, what is left to decide, and at what cost."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import pytest
import shapely
from shapely import Geometry, MultiPolygon, Point, Polygon, affinity, box

from rillcast_service.engine.corrections.correcting import correct
from rillcast_service.engine.corrections.model import Corrected, CorrectionRequest
from rillcast_service.engine.errors import UnknownName
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import Severity

#: High end of the limits of width and wall of cast_printed_mould on the shipped printer, µm.
SAFE_UM = 300.0
#: Twice the smoothing of arcs (defaults.toml): a mended place is at most so much wider than it must be.
SLACK_UM = 2.0

PADS = (Point(6, 10).buffer(1.25, quad_segs=32), Point(34, 10).buffer(1.25, quad_segs=32))
ENDS = (("in", 6.0, 10.0), ("out", 34.0, 10.0))


def chip(
    shapes: Sequence[Geometry],
    ports: Sequence[tuple[str, float, float]] = ENDS,
    outline: Polygon = box(0, 0, 40, 20),  # noqa: B008
    bore_mm: float = 1.5,
) -> Layout:
    drawn = MultiPolygon(shapely.get_parts(shapely.union_all(shapes)).tolist())
    return Layout(
        name="chip",
        source_format="svg",
        layers=(Layer("channels", Role.CHANNELS, drawn, 150.0, len(shapes)),),
        ports=tuple(
            Port(
                name,
                PortRole.OUTLET if name.startswith("out") else PortRole.INLET,
                Point(x, y).buffer(bore_mm / 2, quad_segs=32),
                bore_mm,
            )
            for name, x, y in ports
        ),
        outline=outline,
        flattening_um=1.0,
    )


@pytest.fixture(scope="module")
def corrected(catalogue) -> Callable[..., Corrected]:
    def run(layout: Layout, *rules: str, route: str = "cast_printed_mould", **more) -> Corrected:
        quote = QuoteRequest(quantity=1, start=datetime(2027, 3, 1, 9, tzinfo=UTC))
        return correct(layout, CorrectionRequest(route, rules, quote, **more), catalogue)

    return run


def channels(one: Corrected | Layout) -> MultiPolygon:
    return (one.layout if isinstance(one, Corrected) else one).layers[0].geometry


NECK = (box(6, 9.75, 15, 10.25), box(15, 9.95, 17, 10.05), box(17, 9.75, 34, 10.25), *PADS)


def test_a_neck_is_widened_about_its_middle_to_the_high_end_of_the_limit(corrected):
    done = corrected(chip(NECK), "channel_width")
    (change,) = done.changes
    assert change.measured_before == 100.0
    assert SAFE_UM <= change.measured_after <= SAFE_UM + SLACK_UM
    # its middle line stays: as much is added above as below
    added = channels(done).difference(channels(chip(NECK)))
    assert added.centroid.distance(Point(16, 10)) < 1e-3
    assert change.area_after_mm2 - change.area_before_mm2 == pytest.approx(added.area, abs=1e-5)
    # the neck is 2 mm long and grows by 0.2 mm: 0.4 mm², and by the smoothing
    assert added.area == pytest.approx(0.4, abs=2 * 0.002 + 1e-3)
    (outcome,) = done.outcomes
    assert (outcome.severity_before, outcome.severity_after) == (Severity.BLOCKER, None)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0])
def test_a_blind_arm_is_widened_and_not_drawn_out(corrected, angle_deg):
    def turned(shape):
        return affinity.rotate(shape, angle_deg, origin=(20, 10))

    shapes = [box(6, 9.75, 34, 10.25), box(19.9, 10, 20.1, 14), *PADS]
    ports = [(name, *turned(Point(x, y)).coords[0]) for name, x, y in ENDS]
    layout = chip([turned(shape) for shape in shapes], ports, turned(box(0, 0, 40, 20)))
    done = corrected(layout, "channel_width", route="printed_bonded_halves")
    assert (len(done.changes), done.outcomes[0].severity_after) == (1, None)
    added = affinity.rotate(channels(done).difference(channels(layout)), -angle_deg, origin=(20, 10))
    # a slanting edge that is cut by a set operation turns by the rounding of doubles
    grown = [part for part in shapely.get_parts(added) if part.area > 1e-9]
    assert max(part.bounds[3] for part in grown) == pytest.approx(14.0, abs=1e-6)


def test_the_layout_without_fault_is_the_one_that_was_given(corrected):
    layout = chip((box(6, 9.75, 34, 10.25), *PADS))
    done = corrected(layout)
    assert done.layout is layout
    assert (done.changes, done.decisions) == ((), ())


def test_an_arc_keeps_its_middle_and_its_curve(corrected):
    ring = Point(20, 10).buffer(4.1, quad_segs=50).difference(Point(20, 10).buffer(3.9, quad_segs=50))
    layout = chip((ring, box(6, 9.75, 16.1, 10.25), box(23.9, 9.75, 34, 10.25), *PADS))
    done = corrected(layout, "channel_width")
    assert done.decisions == ()
    wall = shapely.get_coordinates(channels(done))
    outer = [point for point in wall if abs(point[0] - 20) < 3.0]
    radii = [Point(20, 10).distance(Point(point)) for point in outer]
    # both walls lie half the width from the drawn middle of 4 mm, within smoothing and flattening
    assert all(min(abs(radius - 4.15), abs(radius - 3.85)) < 0.003 for radius in radii)


def test_a_wall_is_widened_on_the_side_that_has_room(corrected):
    # the upper channel is just wide enough, so the lower one gives way
    lower, upper = box(6, 9.4, 34, 10.25), box(12, 10.35, 28, 10.655)
    legs = (box(12, 10.35, 12.4, 14), box(27.6, 10.35, 28, 14))
    ports = (*ENDS, ("in2", 12.2, 14.0), ("out2", 27.8, 14.0))
    layout = chip((lower, upper, *legs, *PADS), ports, bore_mm=0.3)
    done = corrected(layout, "channel_gap")
    assert done.decisions == ()
    (change,) = done.changes
    assert (change.measured_before, change.unit) == (100.0, "µm")
    changed = channels(done).symmetric_difference(channels(layout))
    # what keeps its place loses nothing, not even the tips of its corners
    assert changed.intersection(box(0, 10.3, 40, 20)).area < 1e-12
    assert shapely.get_num_geometries(channels(done)) == 2


def test_a_place_without_room_is_a_decision_with_numbers_and_stays_whole(corrected):
    # 200 µm of channel, walls of 200 µm and channels of 300 µm on both sides: no side can give way
    shapes = [box(6, 9.9, 34, 10.1), *PADS]
    shapes += [box(10, 10.3, 30, 10.6), box(10, 9.4, 30, 9.7)]
    for x in (10, 29.7):
        shapes += [box(x, 10.3, x + 0.3, 14), box(x, 6, x + 0.3, 9.7)]
    ports = (*ENDS, ("in2", 10.15, 14), ("out2", 29.85, 14), ("in3", 10.15, 6), ("out3", 29.85, 6))
    layout = chip(shapes, ports, bore_mm=0.3)
    done = corrected(layout, "channel_width")
    assert done.layout is layout
    (decision,) = done.decisions
    assert (decision.measured, decision.needed, decision.unit) == (200.0, SAFE_UM, "µm")
    # widened by 102 µm (limit and smoothing), half on each side: 149 µm are left of 200
    assert "leaves 149 µm of wall" in decision.question
    assert any("Move the channels apart by 151 µm" in option for option in decision.options)
    assert done.outcomes[0].severity_after is Severity.RISK


def test_an_island_grows_where_it_stands(corrected):
    island = Point(20, 10).buffer(0.06, quad_segs=32)
    layout = chip((box(6, 8.5, 34, 11.5).difference(island), *PADS))
    done = corrected(layout, "island_size")
    (change,) = done.changes
    assert change.rule == "island_size"
    (hole,) = [Polygon(ring) for part in channels(done).geoms for ring in part.interiors]
    assert hole.contains(island)
    assert hole.centroid.distance(Point(20, 10)) < 1e-3
    assert SAFE_UM <= 2e3 * (hole.area / 3.14159265) ** 0.5 <= SAFE_UM + SLACK_UM


def near_the_edge() -> Layout:
    pads = [Point(x, 10).buffer(1.0, quad_segs=32) for x in (2, 34)]
    return chip((box(2, 9.75, 34, 10.25), *pads), (("in", 2.0, 10.0), ("out", 34.0, 10.0)))


def test_a_port_is_not_moved_unless_that_is_allowed(corrected):
    layout = near_the_edge()
    done = corrected(layout, "port_clearance")
    assert done.layout is layout
    (decision,) = done.decisions
    # centre to edge: 3 mm by the interface guideline in the route's table; the port lies 2 mm from it
    assert (decision.measured, decision.needed, decision.unit) == (2.0, 3.0, "mm")
    assert "Move port 'in' by 1 mm to (3.001, 10.000) mm" in decision.options[0]


def test_a_port_that_may_be_moved_takes_its_pad_along_and_leaves_none_behind(corrected):
    layout = near_the_edge()
    done = corrected(layout, "port_clearance", move_ports=True)
    assert done.decisions == ()
    port = done.layout.ports[0]
    assert (round(port.centre.x, 3), round(port.centre.y, 3)) == (3.001, 10.0)
    now = channels(done)
    assert now.contains(Point(3.001, 10).buffer(0.99))
    assert now.bounds[0] == pytest.approx(2.001, abs=5e-3)  # the old pad began at 1 mm
    assert len(now.geoms) == 1
    assert done.outcomes[0].severity_after is None
    assert corrected(done.layout, "port_clearance", move_ports=True).layout is done.layout


def test_of_two_ports_too_near_one_moves_to_the_limit(corrected):
    pads = [Point(x, 10).buffer(1.0, quad_segs=32) for x in (8, 11, 34)]
    ports = (("in", 8.0, 10.0), ("in2", 11.0, 10.0), ("out", 34.0, 10.0))
    layout = chip((box(8, 9.75, 34, 10.25), *pads), ports)
    assert corrected(layout, "port_clearance").layout is layout
    done = corrected(layout, "port_clearance", move_ports=True)
    first, second = done.layout.ports[0].opening, done.layout.ports[1].opening
    assert first.equals(layout.ports[0].opening)
    assert first.distance(second) == pytest.approx(3.0, abs=0.003)  # wall_between_mm, high end
    assert done.outcomes[0].severity_after is None


def test_a_channel_that_passes_a_port_is_cut_back(corrected):
    beside = box(4.5, 7.0, 20, 8.6)
    layout = chip((box(6, 9.75, 34, 10.25), *PADS, beside), (*ENDS, ("in2", 19, 7.8), ("out2", 12, 7.8)))
    done = corrected(layout, "port_clearance")
    assert [change.rule for change in done.changes] == ["port_clearance"]
    other = max(channels(done).geoms, key=lambda part: part.intersects(Point(12, 7.5)))
    assert other.distance(layout.ports[0].opening) == pytest.approx(1.0, abs=0.002)
    assert done.outcomes[0].severity_after is None


def test_what_no_outline_mends_is_a_decision_with_the_reviews_own_remedy(corrected):
    layout = chip((box(6, 9.75, 34, 10.25), *PADS))
    done = corrected(layout, "channel_depth", route="printed_monolith")
    assert done.layout is layout
    assert done.decisions[0].rule == "channel_depth"
    assert "µm deep or more" in done.decisions[0].options[0]


@pytest.mark.parametrize(
    ("route", "rules", "pointer"),
    [("by_hand", (), "#/route"), ("cast_printed_mould", ("channel_width", "beauty"), "#/rules/1")],
)
def test_unknown_names_are_refused_with_their_place(corrected, route, rules, pointer):
    with pytest.raises(UnknownName) as refused:
        corrected(chip(NECK), *rules, route=route)
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


def test_an_acute_end_of_a_channel_is_rounded_and_only_there(corrected):
    wedge = Polygon([(6, 9.75), (28, 9.75), (28 + 0.5 * 3**0.5, 10.25), (6, 10.25)])
    layout = chip((wedge, PADS[0]), (("in", 6.0, 10.0), ("out", 20.0, 10.0)))
    done = corrected(layout, "sharp_corner")
    (change,) = done.changes
    assert (change.measured_before, change.measured_after, change.unit) == (0.0, 100.0, "µm")
    # an arc of radius r in a corner of angle φ leaves r² (cot(φ/2) − (π − φ)/2), here 0.024231 mm²
    assert change.area_before_mm2 - change.area_after_mm2 == pytest.approx(0.024231, rel=0.01)
    # it meets the sides r cot(φ/2) = 0.373 mm from the corner
    changed = channels(done).symmetric_difference(channels(layout))
    assert changed.difference(Point(28 + 0.5 * 3**0.5, 10.25).buffer(0.376)).area < 1e-9
    assert (done.decisions, done.side_effects) == ((), ())
    assert (done.outcomes[0].severity_before, done.outcomes[0].severity_after) == (Severity.NOTE, None)
    assert corrected(done.layout, "sharp_corner").layout is done.layout


def test_the_tip_of_the_wall_in_a_fork_is_rounded_on_every_route(corrected):
    arm = affinity.rotate(box(20, 9.75, 33, 10.25), 25, origin=(20, 10))
    layout = chip((box(6, 9.75, 34, 10.25), arm, *PADS))
    done = corrected(layout, "sharp_corner", route="printed_monolith")
    (change,) = done.changes
    # r² (cot(φ/2) − (π − φ)/2) with φ = 25°: 0.031581 mm²
    assert change.area_after_mm2 - change.area_before_mm2 == pytest.approx(0.031581, rel=0.01)
    assert done.outcomes[0].severity_after is None


def test_a_corner_whose_sides_are_too_short_for_the_radius_is_a_decision(corrected):
    # a channel of 150 µm cut off at 50°: an arc of 100 µm is wider than it
    end = Polygon([(6, 9.925), (28, 9.925), (28.126, 10.075), (6, 10.075)])
    layout = chip((end, PADS[0]), (("in", 6.0, 10.0), ("out", 20.0, 10.0)), bore_mm=0.1)
    done = corrected(layout, "sharp_corner")
    assert done.layout is layout
    (decision,) = done.decisions
    assert "rounding it with 100 µm finds no room" in decision.question
    # the largest disc between the sides has half the channel's width: 75 µm at most
    assert "with 70 µm, the largest radius that fits" in decision.options[0]


def deep(layout: Layout, depth_um: float) -> Layout:
    return replace(layout, layers=(replace(layout.layers[0], depth_um=depth_um),))


def test_a_risk_that_a_change_brings_is_told(corrected):
    # the wall of 450 µm is 349 µm where the neck beside it is widened, under channels of 800 µm depth:
    # 1.8 to 1 before and 2.3 after, and up to 2 is safe (Delamarche et al. 1997, in the route's table)
    shapes = [box(6, 9.75, 34, 10.05), box(6, 10.5, 14, 10.95), box(14, 10.5, 24, 10.6)]
    shapes += [box(24, 10.5, 34, 10.95)]
    ports = (("in", 6.3, 9.9), ("out", 33.7, 9.9), ("in2", 6.3, 10.7), ("out2", 33.7, 10.7))
    done = corrected(deep(chip(shapes, ports, bore_mm=0.2), 800.0), "channel_width")
    assert len(done.changes) == 1
    (effect,) = done.side_effects
    assert (effect.rule, effect.severity, effect.measured) == ("wall_slenderness", Severity.RISK, 2.29)
    assert 14 < effect.x_mm < 24


def test_a_change_that_brings_a_blocker_of_another_rule_is_a_decision(corrected):
    # ridges of 500 µm and 2.2 mm height, 4.4 to 1; the wall between them has no room without making them
    # 400 µm wide, 5.5 to 1, and 5 is the most (route's table)
    shapes = [box(6, 9.25, 34, 9.75), box(6, 9.85, 34, 10.35)]
    ports = (("in", 6.3, 9.45), ("out", 33.7, 9.45), ("in2", 6.3, 10.15), ("out2", 33.7, 10.15))
    layout = deep(chip(shapes, ports, bore_mm=0.2), 2200.0)
    done = corrected(layout, "channel_gap")
    assert (done.layout, done.changes, done.side_effects) == (layout, (), ())
    (decision,) = done.decisions
    assert "brings what stops this route (ridge_height: " in decision.question
    # the review's own remedy is among the options
    assert any(option.startswith("Do it, and for ridge_height: Widen") for option in decision.options)
    # of channels that are shallower nothing speaks against it
    assert len(corrected(deep(layout, 500.0), "channel_gap").changes) == 1


def test_levels_are_mended_each_by_itself(corrected):
    above = chip(NECK).layers[0]
    crossing = box(15.9, 4, 16.1, 16)
    below = Layer("low", Role.CHANNELS, MultiPolygon([crossing]), 150.0, 1, level=2)
    layout = chip(NECK)
    layout = Layout("two", "svg", (above, below), layout.ports, layout.outline, 1.0)
    done = corrected(layout, "channel_width", route="printed_monolith")
    assert {change.level for change in done.changes} == {1, 2}
    assert done.layout.layers[1].geometry.intersects(crossing)
    assert done.outcomes[0].severity_after is None


def test_the_cost_grows_with_the_faults_and_not_with_faults_times_layout(corrected):
    """Four times the rows, each with a neck: no more than in proportion, with room for a busy machine."""

    def seconds(rows: int) -> float:
        shapes = [
            affinity.translate(shape, yoff=3.5 * row)
            for row in range(rows)
            for shape in (box(6, 9.75, 15, 10.25), box(15, 9.95, 17, 10.05), box(17, 9.75, 34, 10.25))
        ]
        ports = [
            (f"{name}{row}", x, 10 + 3.5 * row)
            for row in range(rows)
            for name, x in (("in", 6.5), ("out", 33.5))
        ]
        layout = chip(shapes, ports, box(0, 0, 40, 20 + 3.5 * rows), bore_mm=0.4)
        begun = time.process_time()
        done = corrected(layout, "channel_width")
        spent = time.process_time() - begun
        assert len(done.changes) == rows
        return spent

    seconds(2)
    small, large = seconds(6), seconds(24)
    assert large < 4 * small * 1.6
