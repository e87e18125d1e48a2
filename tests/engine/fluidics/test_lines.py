"""Needles and tubes in series with the chip: by hand, and as one circuit solved whole."""

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import lines, network
from rillcast_service.engine.fluidics.hydraulics import study
from rillcast_service.engine.fluidics.purging import push
from rillcast_service.engine.job import LinePart, Use
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import as_json

INLET, OUTLET = PortRole.INLET, PortRole.OUTLET
NEEDLE = LinePart("needle 25G", Range(0.241, 0.260, 0.279), 12.7)


def _use(**changes):
    values = {
        "liquid": load().get("liquids", "water"),
        "temperature_c": 25.0,
        "viscosity_pa_s": 0.89e-3,
        "density_kg_per_m3": 997.0,
        "flow_ul_per_min": 50.0,
        "optics": (),
        "max_pressure_kpa": None,
        "diffusivity_m2_per_s": 4e-10,
    }
    return Use(**(values | changes))


def _port(name, x, role=OUTLET, **asked):
    return Port(name, role, Point(x, 0.1).buffer(0.15), 0.3, **asked)


def _straight(*ports, **use):
    channel = MadeChannel("channels", MultiPolygon([box(0, 0, 10, 0.2)]), Range.exact(100.0))
    return study([channel], ports, _use(**use))


def test_a_25_gauge_needle_as_worked_out_by_hand():
    """128 · 0.89 mPa·s · 12.7 mm / (π (0.26 mm)⁴) = 1.008e11 Pa·s/m³: 1.68 kPa at 1 mL/min."""
    resistance = lines.resistance_pa_s_per_m3(NEEDLE, 0.89e-3)
    assert resistance.best == pytest.approx(1.008e11, rel=1e-3)
    assert resistance.best * 1e-6 / 60.0 == pytest.approx(1680.0, rel=2e-3)
    # 19 µm of the bore up or down: a quarter less, a third more
    assert resistance.low / resistance.best == pytest.approx(0.754, abs=1e-3)
    assert resistance.high / resistance.best == pytest.approx(1.355, abs=1e-3)


def test_a_round_capillary_of_a_textbook():
    """Bruus 2008, Theoretical Microfluidics, table 4.1 (from memory): radius 100 µm, 1 mm long, 1 mPa·s:
    0.25e11 Pa·s/m³."""
    capillary = LinePart("capillary", Range.exact(0.2), 1.0)
    assert lines.resistance_pa_s_per_m3(capillary, 1e-3).best == pytest.approx(0.25e11, rel=0.02)


def test_a_tube_of_a_millilitre():
    """A bore of 1 mm holds 0.785 µL a millimetre; at 1 mL/min in it Re = 4 ρ Q / (π μ d) = 23.8."""
    tube = LinePart("tube", Range.exact(1.0), 1273.2)
    assert lines.volume_ul([tube]) == pytest.approx(1000.0, rel=1e-4)
    reynolds = lines.largest_reynolds(
        [tube, LinePart("wide", Range.exact(2.0), 5.0)],
        flow_m3_per_s=-1e-6 / 60.0,
        viscosity_pa_s=0.89e-3,
        density_kg_per_m3=997.0,
    )
    assert reynolds == pytest.approx(4 * 997 * 1e-6 / 60 / (np.pi * 0.89e-3 * 1e-3), rel=1e-9)
    assert reynolds == pytest.approx(23.8, abs=0.05)


def test_resistances_in_series_with_ports_as_one_circuit_solved_whole():
    """Kirchhoff's laws over chip and lines at once, three ports, against the reduced matrix."""
    # a star of three resistances, eliminated by hand, and lines of 5, 0 and 2
    star = np.diag([1.0, 2.0, 4.0])
    arms = np.diag(star)
    chip = star - np.outer(arms, arms) / arms.sum()
    line = np.array([5.0, 0.0, 2.0])
    seen = network.in_series(chip, line)
    whole = 1.0 / (1.0 / arms + line)
    assert np.allclose(seen, np.diag(whole) - np.outer(whole, whole) / whole.sum(), rtol=1e-12)
    assert network.in_series(chip, np.zeros(3)) is chip


def test_a_line_adds_to_the_pressure_at_the_source_and_not_at_the_chip():
    ports = (_port("in", 0, INLET), _port("out", 10))
    bare = _straight(*ports)[0]
    lined = _straight(*ports, lines={"in": (NEEDLE, LinePart("tube", Range.exact(0.3), 300.0))})[0]
    flow = 50e-9 / 60.0
    assert bare.path is None
    assert bare.source_pressure_kpa == bare.pressure_kpa
    assert lined.pressure_kpa == pytest.approx(bare.pressure_kpa, rel=1e-9)
    tube = 128 * 0.89e-3 * 0.3 / (np.pi * 0.3e-3**4)
    drop = (1.008e11 + tube) * flow * 1e-3
    assert lined.path.source_kpa == pytest.approx(bare.pressure_kpa + drop, rel=1e-3)
    assert lined.path.lines[0].drop_kpa.best == pytest.approx(drop, rel=1e-3)
    assert lined.ports[0].source_kpa == lined.path.source_kpa
    assert lined.path.chip_percent == pytest.approx(100 * bare.pressure_kpa / lined.path.source_kpa, rel=1e-9)
    assert lined.path.dead_volume_ul == pytest.approx(np.pi / 4 * (0.26**2 * 12.7 + 0.3**2 * 300), rel=1e-9)
    assert lined.path.rules == "tube at in" if lined.path.chip_percent < 30 else "chip"
    as_json(lined)


def test_with_a_given_pressure_a_line_takes_its_share_of_the_flow():
    """At 10 kPa over a chip of R and a line of R half the flow is left, and 5 kPa come to the chip."""
    ports = (_port("in", 0, INLET, pressure_kpa=10.0), _port("out", 10))
    bare = _straight(*ports)[0]
    resistance = bare.resistance_pa_s_per_m3[0][1]
    length = resistance * np.pi * 0.5e-3**4 / (128 * 0.89e-3) * 1e3
    lined = _straight(*ports, lines={"in": (LinePart("tube", Range.exact(0.5), length),)})[0]
    assert lined.ports[0].flow_ul_per_min == pytest.approx(bare.ports[0].flow_ul_per_min / 2, rel=1e-9)
    assert lined.ports[0].pressure_kpa == pytest.approx(5.0, rel=1e-9)
    assert lined.ports[0].source_kpa == pytest.approx(10.0)
    assert lined.path.chip_percent == pytest.approx(50.0, rel=1e-9)


def test_a_purge_takes_volume_times_resistance_over_pressure():
    ports = (_port("in", 0, INLET), _port("out", 10))
    told, hydraulics = _straight(*ports)
    resistance = told.resistance_pa_s_per_m3[0][1]
    bare = push(hydraulics, [(), ()], pressure_pa=50e3)
    assert bare.seconds(volume_m3=1e-6, pressure_pa=50e3) == pytest.approx(1e-6 * resistance / 50e3)
    assert bare.chip_share == 1.0
    # Re rises with the flow
    flow = 50e3 / resistance
    assert bare.reynolds_per_pa * 50e3 == pytest.approx(told.reynolds * flow / (50e-9 / 60), rel=1e-9)
    lined = push(hydraulics, [(NEEDLE,), ()], pressure_pa=50e3)
    needle = lines.resistance_pa_s_per_m3(NEEDLE, 0.89e-3).best
    assert lined.seconds(volume_m3=1e-6, pressure_pa=50e3) == pytest.approx(
        1e-6 * (resistance + needle) / 50e3, rel=1e-9
    )
    assert lined.chip_share == pytest.approx(resistance / (resistance + needle), rel=1e-9)


def test_nothing_is_purged_through_closed_ports():
    _, hydraulics = _straight(_port("in", 0, INLET), _port("out", 10, closed=True))
    assert push(hydraulics, [(), ()], pressure_pa=50e3) is None


CANNOT_RUN = {
    "all closed": (
        [_port("in", 0, INLET, closed=True), _port("out", 10, closed=True)],
        "every port is closed",
        "Open",
    ),
    "no inlet": ([_port("one", 0), _port("two", 10)], "no port that is open is an inlet", "inlet"),
    "no outlet": ([_port("one", 0, INLET), _port("two", 10, INLET)], "no outlet", "outlet"),
    "one pressure everywhere": (
        [_port("in", 0, INLET, pressure_kpa=0.0), _port("out", 10)],
        "the same or zero",
        "above",
    ),
    "equal pressures at inlets alone": (
        [_port("one", 0, INLET, pressure_kpa=5.0), _port("two", 10, INLET, pressure_kpa=5.0)],
        "no port that is open is an outlet",
        "different pressures",
    ),
    "flows that do not add up": (
        [_port("in", 0, INLET, flow_ul_per_min=10.0), _port("out", 10, flow_ul_per_min=20.0)],
        "do not add up",
        "takes the rest",
    ),
}


@pytest.mark.parametrize(("ports", "why", "remedy"), CANNOT_RUN.values(), ids=CANNOT_RUN)
def test_what_cannot_run_is_told_and_no_figure_stands_for_it(ports, why, remedy):
    told = _straight(*ports)[0]
    (fault,) = told.faults
    assert why in fault.message
    assert remedy in fault.remedy
    assert fault.stops
    assert set(fault.ports) == {port.name for port in ports}
    assert told.pressure_kpa is None
    assert told.reynolds is None
    assert told.wall_shear_pa is None
    as_json(told)
