"""Circuits of ports by hand arithmetic: R = 1, 2, 3 … and what follows."""

import numpy as np
import pytest
from shapely import Point

from rillcast_service.engine.fluidics.network import circuits, operate, resistances
from rillcast_service.engine.layout.model import Port, PortRole

UL_PER_MIN = 1e-9 / 60.0
INLET, OUTLET, VENT = PortRole.INLET, PortRole.OUTLET, PortRole.VENT


def _port(name, role, **asked):
    return Port(name, role, Point(0, 0).buffer(0.5), 1.0, **asked)


def _star(*arms_pa_s_per_m3):
    """Admittance of arms from a common point to each port."""
    g = 1.0 / np.array(arms_pa_s_per_m3)
    return np.diag(g) - np.outer(g, g) / g.sum()


def _apart(*blocks):
    size = sum(len(block) for block in blocks)
    whole, at = np.zeros((size, size)), 0
    for block in blocks:
        whole[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return whole


def test_resistance_between_ports_is_the_sum_of_their_arms():
    table = resistances(_star(1e12, 2e12, 5e12))
    expected = [[0, 3e12, 6e12], [3e12, 0, 7e12], [6e12, 7e12, 0]]
    assert np.array(table, dtype=float) == pytest.approx(np.array(expected), rel=1e-12)


def test_ports_of_different_circuits_have_no_resistance():
    table = resistances(_apart(_star(1e12, 2e12), np.zeros((1, 1))))
    assert table[0][1] == pytest.approx(3e12)
    assert table[0][2] is None
    assert table[2] == (None, None, 0.0)
    assert circuits(_apart(_star(1e12, 2e12), np.zeros((1, 1)))).tolist() == [0, 0, 1]


def test_asked_flow_is_shared_over_the_inlets_and_leaves_at_the_outlet():
    ports = [_port("sample", INLET), _port("reagent", INLET), _port("waste", OUTLET)]
    point = operate(_star(1e12, 2e12, 5e12), ports, flow_ul_per_min=60.0)
    half = 30.0 * UL_PER_MIN
    assert point.flow_m3_per_s == pytest.approx((half, half, -2 * half), rel=1e-12)
    # p = q R_own + 2q R_waste
    assert point.pressure_pa == pytest.approx((half * 11e12, half * 12e12, 0.0), rel=1e-12)
    assert point.possible
    assert "shared equally" in point.notes[0]


def test_given_flows_are_kept_and_the_rest_is_shared():
    ports = [_port("a", INLET, flow_ul_per_min=10.0), _port("b", INLET), _port("w", OUTLET)]
    point = operate(_star(1e12, 1e12, 1e12), ports, flow_ul_per_min=50.0)
    assert point.flow_m3_per_s == pytest.approx(tuple(q * UL_PER_MIN for q in (10, 40, -50)), rel=1e-12)


def test_flow_is_driven_by_given_pressures_through_a_closed_port():
    ports = [_port("in", INLET, pressure_kpa=6.0), _port("shut", OUTLET, closed=True), _port("out", OUTLET)]
    point = operate(_star(1e12, 2e12, 5e12), ports, flow_ul_per_min=1.0)
    assert point.flow_m3_per_s == pytest.approx((1e-9, 0.0, -1e-9), rel=1e-9, abs=1e-24)
    # the closed port shows the pressure of the common point
    assert point.pressure_pa == pytest.approx((6000.0, 5000.0, 0.0), rel=1e-12, abs=1e-9)


def test_an_outlet_with_a_flow_passes_it_outwards():
    ports = [_port("in", INLET), _port("part", OUTLET, flow_ul_per_min=20.0), _port("rest", OUTLET)]
    point = operate(_star(1e12, 1e12, 1e12), ports, flow_ul_per_min=50.0)
    assert point.flow_m3_per_s == pytest.approx(tuple(q * UL_PER_MIN for q in (50, -20, -30)), rel=1e-12)


def test_balanced_flows_need_no_pressure_and_the_lowest_port_is_at_zero():
    ports = [_port("in", INLET, flow_ul_per_min=30.0), _port("out", OUTLET, flow_ul_per_min=30.0)]
    point = operate(_star(1e12, 2e12), ports, flow_ul_per_min=30.0)
    assert point.pressure_pa == pytest.approx((30.0 * UL_PER_MIN * 3e12, 0.0), rel=1e-12)
    assert point.possible


def test_vent_passes_no_liquid_and_says_so():
    ports = [_port("in", INLET), _port("air", VENT), _port("out", OUTLET)]
    point = operate(_star(1e12, 1e12, 1e12), ports, flow_ul_per_min=12.0)
    assert point.flow_m3_per_s[1] == 0.0
    assert any("air" in note for note in point.notes)


@pytest.mark.parametrize(
    ("ports", "words"),
    [
        ([_port("in", INLET), _port("other", INLET)], "no outlet"),
        ([_port("in", INLET), _port("air", VENT)], "no outlet"),
        ([_port("in", INLET), _port("out", OUTLET, closed=True)], "add up"),
        ([_port("in", INLET, flow_ul_per_min=5.0), _port("out", OUTLET, flow_ul_per_min=9.0)], "add up"),
    ],
    ids=["two inlets", "only a vent", "outlet closed", "flows that do not balance"],
)
def test_a_flow_that_cannot_run_has_no_pressure_and_a_reason(ports, words):
    point = operate(_star(1e12, 1e12), ports, flow_ul_per_min=10.0)
    assert point.pressure_pa == (None, None)
    assert point.flow_m3_per_s == (None, None)
    assert not point.possible
    assert any(words in note for note in point.notes)


def test_one_circuit_that_cannot_run_does_not_stop_another():
    ports = [
        _port("in", INLET, flow_ul_per_min=6.0),
        _port("out", OUTLET),
        _port("dead", INLET, flow_ul_per_min=6.0),
        _port("end", INLET, closed=True),
    ]
    point = operate(_apart(_star(1e12, 1e12), _star(1e12, 1e12)), ports, flow_ul_per_min=12.0)
    assert point.pressure_pa[0] == pytest.approx(6.0 * UL_PER_MIN * 2e12)
    assert point.pressure_pa[2:] == (None, None)
    assert not point.possible


def test_detached_ports_have_neither_pressure_nor_flow():
    ports = [_port("in", INLET), _port("out", OUTLET), _port("off", INLET)]
    admittance = _apart(_star(1e12, 1e12), np.zeros((1, 1)))
    point = operate(admittance, ports, flow_ul_per_min=10.0, detached=frozenset({"off"}))
    assert point.flow_m3_per_s[0] == pytest.approx(10.0 * UL_PER_MIN)
    assert point.pressure_pa[2] is None
    assert point.possible


def test_flow_asked_of_a_detached_port_cannot_run():
    ports = [_port("in", INLET), _port("out", OUTLET), _port("off", INLET, flow_ul_per_min=3.0)]
    admittance = _apart(_star(1e12, 1e12), np.zeros((1, 1)))
    assert not operate(admittance, ports, flow_ul_per_min=10.0, detached=frozenset({"off"})).possible


def test_asked_total_below_the_given_flows_leaves_nothing_for_the_others():
    ports = [_port("a", INLET, flow_ul_per_min=40.0), _port("b", INLET), _port("w", OUTLET)]
    point = operate(_star(1e12, 1e12, 1e12), ports, flow_ul_per_min=10.0)
    assert point.flow_m3_per_s == pytest.approx((40 * UL_PER_MIN, 0.0, -40 * UL_PER_MIN), abs=1e-24)
    assert "nothing flows in at b" in point.notes[0]


def test_asked_total_that_is_not_used_is_said():
    ports = [_port("a", INLET, pressure_kpa=1.0), _port("b", INLET, flow_ul_per_min=2.0), _port("w", OUTLET)]
    notes = operate(_star(1e12, 1e12, 1e12), ports, flow_ul_per_min=10.0).notes
    assert any("not used" in note for note in notes)


def test_flows_add_up_whatever_drives_them():
    generator = np.random.default_rng(7)
    for _ in range(20):
        admittance = _star(*10 ** generator.uniform(9, 15, size=5))
        ports = [
            _port("a", INLET, flow_ul_per_min=float(generator.uniform(1, 100))),
            _port("b", INLET, pressure_kpa=float(generator.uniform(0.1, 50))),
            _port("c", OUTLET, pressure_kpa=float(generator.uniform(0, 5))),
            _port("d", OUTLET),
            _port("e", OUTLET, closed=True),
        ]
        flows = np.array(operate(admittance, ports, flow_ul_per_min=1.0).flow_m3_per_s)
        assert abs(flows.sum()) <= 1e-10 * np.abs(flows).max()


def test_no_ports_no_flow():
    point = operate(np.zeros((0, 0)), [], flow_ul_per_min=5.0)
    assert point.pressure_pa == ()
    assert resistances(np.zeros((0, 0))) == ()
