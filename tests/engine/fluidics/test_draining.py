"""Pushing a thick liquid out: against integrals of the remaining resistance, done by hand."""

import pytest
import shapely
from shapely import MultiPolygon, Point, box

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.draining import drain
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.shapes import polygons

#: F(h/w) of Shah & London's series: square, and 1 to 2.
SQUARE, ONE_TO_TWO = 0.421731, 0.686045
MODEL = {"still_share": 0.01, "bypass_ratio": 1.2, "cleared_share": 1.0}


def pushed(shapes, ports, *, depth_um, viscosity_pa_s=1e-3, level_of=lambda _index: 1, **model):
    """`ports`: (name, box) in the order of the layout; `level_of` tells the level of a shape by its index."""
    parts = {}
    for index, shape in enumerate(shapes):
        parts.setdefault(level_of(index), []).append(shape)
    channels = [
        MadeChannel(f"level {level}", polygons(shapely.union_all(own)), Range.exact(depth_um), level)
        for level, own in parts.items()
    ]
    opened = tuple(Port(name, PortRole.INLET, opening, 0.4) for name, opening in ports)
    hydraulics = solve(
        channels, opened, viscosity_pa_s=viscosity_pa_s, density_kg_per_m3=1000.0, flow_ul_per_min=1.0
    )
    return drain(hydraulics, **(MODEL | model))


def resistance(length_mm, width_mm, depth_mm, shape):
    """Over viscosity, 1/m³: 12 L / (w h³ F)."""
    return 12.0 * length_mm / (width_mm * depth_mm**3 * shape) * 1e9


def test_a_straight_duct_takes_half_of_resistance_times_volume_over_pressure():
    # 200 × 200 µm × 50 mm, 0.5 Pa·s, 100 kPa: R = 4.45e14 Pa·s/m³, V = 2 µL, t = R V / (2 Δp) = 4.45 s
    ends = (("a", box(-1, -1, 0, 1)), ("b", box(50, -1, 51, 1)))
    (push,) = pushed([box(-0.5, 0, 50.5, 0.2)], ends, depth_um=200).pushes
    by_hand = resistance(50, 0.2, 0.2, SQUARE) * 2e-9 / 2.0
    assert push.effort == pytest.approx(by_hand, rel=2e-3)
    assert push.seconds(viscosity_pa_s=0.5, pressure_pa=1e5) == pytest.approx(4.45, abs=0.03)
    assert push.first_effort == pytest.approx(by_hand, rel=2e-3)
    assert push.moved_ul == pytest.approx(2.0, rel=1e-3)
    assert push.resistance_per_viscosity * 0.5 == pytest.approx(4.45e14, rel=2e-3)


@pytest.mark.parametrize("wide_first", [True, False])
def test_two_ducts_in_series_take_longer_when_the_narrow_one_is_last(wide_first):
    # the front meets what is left: t Δp / μ = (R₁/2 + R₂) V₁ + R₂/2 V₂, in the order of the push
    wide = (resistance(20, 0.6, 0.3, ONE_TO_TWO), 20 * 0.6 * 0.3e-9)
    narrow = (resistance(20, 0.3, 0.3, SQUARE), 20 * 0.3 * 0.3e-9)
    shapes = [box(-0.5, -0.3, 20, 0.3), box(20, -0.15, 40.5, 0.15)]
    # the port that comes last in the layout is the one that is pushed, for both have the same resistance
    ends = [("at_wide", box(-1, -1, 0, 1)), ("at_narrow", box(40, -1, 41, 1))]
    (push,) = pushed(shapes, ends[::-1] if wide_first else ends, depth_um=300).pushes
    assert push.port_in == ("at_wide" if wide_first else "at_narrow")
    (r1, v1), (r2, v2) = (wide, narrow) if wide_first else (narrow, wide)
    # the step between them adds the resistance of a fraction of a width
    assert push.effort == pytest.approx((r1 / 2 + r2) * v1 + r2 / 2 * v2, rel=0.02)


def test_effort_knows_no_viscosity_and_grows_with_length_squared():
    def effort(length_mm, viscosity_pa_s):
        ends = (("a", box(-1, -1, 0, 1)), ("b", box(length_mm, -1, length_mm + 1, 1)))
        shape = box(-0.5, 0, length_mm + 0.5, 0.4)
        return pushed([shape], ends, depth_um=200, viscosity_pa_s=viscosity_pa_s).pushes[0].effort

    assert effort(10, 0.5) == pytest.approx(effort(10, 1e-3), rel=1e-9)
    assert effort(20, 1e-3) == pytest.approx(4.0 * effort(10, 1e-3), rel=1e-3)


def test_every_port_but_one_is_pushed_and_the_ways_cover_a_tree():
    # a star of three arms of 10, 10 and 20 mm
    shapes = [box(-10, -0.2, 20, 0.2), box(-0.2, 0, 0.2, 10)]
    ends = (
        ("left", box(-11, -1, -9.8, 1)),
        ("right", box(19.8, -1, 21, 1)),
        ("top", box(-1, 9.8, 1, 11)),
    )
    done = pushed(shapes, ends, depth_um=200)
    hub = {push.port_out for push in done.pushes}
    assert len(hub) == 1
    assert {push.port_in for push in done.pushes} | hub == {"left", "right", "top"}
    assert done.still == ()
    assert done.volume_ul == pytest.approx((30 * 0.4 + 9.8 * 0.4) * 0.2, rel=0.01)


def test_what_stands_in_a_dead_arm_is_its_length_less_what_the_mouth_washes_out():
    # in a shallow arm the flow falls by exp(−π x / w), so a hundredth of it reaches ln(100)/π = 1.47 widths;
    # the mouth itself draws a little more in
    shapes = [box(-15.5, 0, 15.5, 0.5), box(-0.25, 0.5, 0.25, 8.5)]
    ends = (("a", box(-16, -1, -15, 1)), ("b", box(15, -1, 16, 1)))
    (spot,) = pushed(shapes, ends, depth_um=100).still
    assert spot.reach_mm == pytest.approx(8.0 - 1.47 * 0.5, abs=0.3)
    assert spot.end.distance(Point(0, 8.5)) < 0.4
    assert spot.volume_ul == pytest.approx(spot.reach_mm * 0.5 * 0.1, rel=0.05)


def test_parallel_ways_are_told_apart_by_the_square_of_their_lengths():
    # Between two wide, open ends: 10 mm and 20 mm of the same section. Pushed at once by the same pressure
    # each takes t = 6 μ L² / (h² F Δp), so the longer way takes four times as long.
    short, long = (
        box(-0.5, 0, 10.5, 0.4),
        MultiPolygon([box(-0.5, 4, 5.2, 4.4).union(box(4.8, 4, 5.2, 9)).union(box(4.8, 8.6, 10.5, 9))]),
    )
    ends = (("a", box(-1, -1, 0, 10)), ("b", box(10, -1, 11, 10)))
    done = pushed([short, long.geoms[0]], ends, depth_um=200, bypass_ratio=1.2)
    (push,) = done.pushes
    by_hand = 6.0 * 10.0**2 / (0.2**2 * ONE_TO_TWO)
    assert push.first_effort == pytest.approx(by_hand, rel=0.01)
    length = 10.0 + 4.6  # along the middle line, two corners of 0.56 squares each counted as 0.4 mm less
    assert push.effort / push.first_effort == pytest.approx((length / 10.0) ** 2, rel=0.08)
    (late,) = done.bypassed
    assert late.geometry.within(long.buffer(0.1))


def test_levels_are_pushed_through_the_ports_that_join_them():
    # the same duct on two levels between the same ports: half the resistance, twice the volume, the same time
    ends = (("a", box(-1, -1, 0, 1)), ("b", box(20, -1, 21, 1)))
    duct = box(-0.5, 0, 20.5, 0.4)
    (one,) = pushed([duct], ends, depth_um=200).pushes
    (two,) = pushed([duct, duct], ends, depth_um=200, level_of=lambda index: index + 1).pushes
    assert two.effort == pytest.approx(one.effort, rel=1e-6)
    assert two.resistance_per_viscosity == pytest.approx(one.resistance_per_viscosity / 2.0, rel=1e-6)
    assert two.moved_ul == pytest.approx(2.0 * one.moved_ul)
