"""The flow of whole chips: what is reported, noted and refused."""

import dataclasses
import math

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, box, union_all

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.fluidics import liquids
from rillcast_service.engine.fluidics.hydraulics import solve, study
from rillcast_service.engine.job import Use
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import as_json

LIQUID = {"viscosity_pa_s": 1e-3, "density_kg_per_m3": 1000.0, "flow_ul_per_min": 50.0}
INLET, OUTLET = PortRole.INLET, PortRole.OUTLET


def _made(geometry, depth_um=100.0, layer="channels"):
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    return MadeChannel(layer, MultiPolygon(list(parts)), Range.exact(depth_um))


def _port(name, x, y, role=OUTLET, radius=0.3, **asked):
    return Port(name, role, Point(x, y).buffer(radius), 2 * radius, **asked)


def _y_chip():
    arms = [LineString([(0, y), (3, 0)]).buffer(0.1) for y in (2, -2)]
    return _made(union_all([*arms, LineString([(3, 0), (12, 0)]).buffer(0.1)]))


Y_PORTS = (_port("sample", 0, 2, INLET), _port("reagent", 0, -2, INLET), _port("waste", 12, 0))


def _use(temperature_c=20.0, flow_ul_per_min=50.0, liquid="water"):
    entry = load().get("liquids", liquid)
    return Use(
        liquid=entry,
        temperature_c=temperature_c,
        viscosity_pa_s=liquids.viscosity_pa_s(entry, temperature_c),
        density_kg_per_m3=liquids.density_kg_per_m3(entry, temperature_c),
        flow_ul_per_min=flow_ul_per_min,
        optics=(),
        max_pressure_kpa=None,
        diffusivity_m2_per_s=4e-10,
    )


def test_summary_of_a_y_chip_is_whole_and_is_json():
    found = study([_y_chip()], Y_PORTS, _use())[0]
    assert found.channel_volume_ul == pytest.approx(_y_chip().geometry.area * 0.1, rel=1e-6)
    assert found.reached_fraction == 1.0
    assert [port.flow_ul_per_min for port in found.ports] == pytest.approx([25.0, 25.0, -50.0])
    assert found.pressure_kpa == max(port.pressure_kpa for port in found.ports)
    assert found.viscosity_mpa_s == pytest.approx(1.0016, rel=1e-4)
    assert found.cells_across == pytest.approx(8.0)
    assert found.grid_pitch_um == pytest.approx(25.0, rel=1e-3)
    document = as_json(found)
    assert document["resistance_pa_s_per_m3"][0][0] == 0.0
    assert document["liquid"] == "water"


def test_ports_held_in_other_order_give_the_same_resistances():
    forth = solve([_y_chip()], Y_PORTS, **LIQUID).resistance_pa_s_per_m3
    back = solve([_y_chip()], Y_PORTS[::-1], **LIQUID).resistance_pa_s_per_m3
    assert np.array(forth, dtype=float) == pytest.approx(np.array(back, dtype=float)[::-1, ::-1], rel=1e-9)


def test_flow_is_conserved_in_the_field_itself():
    """What the cells around a port pass on is what the port matrix says."""
    found = solve([_y_chip()], Y_PORTS, **LIQUID)
    flows = found.operating.flow_m3_per_s
    assert abs(sum(flows)) < 1e-10 * abs(flows[2])
    # in the outlet arm, half way: mean speed times section
    cells = found.levels[0].fitted.grid.find(np.array([(8.0, y) for y in np.linspace(-0.08, 0.08, 9)]))
    assert found.levels[0].speed_m_per_s[cells] == pytest.approx(-flows[2] / (0.2e-3 * 100e-6), rel=0.01)


def test_the_outlet_arm_has_the_largest_reynolds_number():
    found = solve([_y_chip()], Y_PORTS, **LIQUID)
    speed = 50e-9 / 60.0 / (0.2e-3 * 100e-6)
    assert found.reynolds == pytest.approx(1000.0 * speed * (2 * 0.2 * 0.1 / 0.3) * 1e-3 / 1e-3, rel=0.02)


def test_fast_flow_is_noted_as_beyond_the_model():
    slow = solve([_y_chip()], Y_PORTS, **LIQUID)
    fast = solve([_y_chip()], Y_PORTS, **{**LIQUID, "flow_ul_per_min": 5000.0})
    assert not any("Reynolds" in note for note in slow.notes)
    assert any("Reynolds" in note and "inertia" in note for note in fast.notes)
    assert fast.reynolds == pytest.approx(100.0 * slow.reynolds, rel=1e-6)


def test_two_separate_channels_do_not_know_of_each_other():
    channels = [_made(MultiPolygon([box(0, 0, 10, 0.2), box(0, 2, 10, 2.2)]))]
    ports = [
        _port("a", 0, 0.1, INLET),
        _port("b", 10, 0.1),
        _port("c", 0, 2.1, INLET),
        _port("d", 10, 2.1),
    ]
    found = solve(channels, ports, **LIQUID)
    table = found.resistance_pa_s_per_m3
    assert table[0][2] is table[1][3] is None
    assert table[0][1] == pytest.approx(table[2][3], rel=1e-9)


def test_a_cavity_without_a_port_counts_in_the_volume_and_nowhere_else():
    alone = _made(box(0, 5, 4, 6), layer="alone")
    without = solve([_y_chip()], Y_PORTS, **LIQUID)
    found = solve([_y_chip(), alone], Y_PORTS, **LIQUID)
    assert found.cavities.volume_ul == pytest.approx(without.cavities.volume_ul + 0.4)
    assert found.cavities.reached_fraction < 1.0
    assert found.resistance_pa_s_per_m3[0][2] == pytest.approx(without.resistance_pa_s_per_m3[0][2], rel=1e-3)
    island = found.levels[0].fitted.grid.find(np.array([(2.0, 5.5)]))
    assert np.isnan(found.levels[0].pressure_pa[island]).all()


def test_inlet_without_a_way_out_has_no_pressure_and_a_note():
    found = study([_made(box(0, 0, 5, 0.2))], [_port("in", 0, 0.1, INLET)], _use())[0]
    assert found.pressure_kpa is None
    assert found.reynolds is None
    assert found.reached_fraction == 0.0
    assert found.ports[0].pressure_kpa is None
    assert any("no outlet" in note and "Add an outlet" in note for note in found.notes)
    as_json(found)


def test_detached_port_is_named():
    found = study([_y_chip()], (*Y_PORTS, _port("lost", 30, 30, INLET)), _use())[0]
    assert any("lost" in note for note in found.notes)
    assert found.resistance_pa_s_per_m3[3][0] is None
    assert [port.flow_ul_per_min for port in found.ports[:3]] == pytest.approx([25.0, 25.0, -50.0])


def test_port_smaller_than_a_cell_still_carries_the_flow():
    ports = [_port("in", 0.5, 0.5, INLET, radius=0.01), _port("out", 19.5, 0.5, radius=0.01)]
    found = solve([_made(box(0, 0, 20, 1))], ports, sampling=Sampling(cells_max=3000), **LIQUID)
    assert found.operating.possible
    assert any("smaller than a grid cell" in note for note in found.notes)


def test_layout_without_ports_has_a_volume_and_says_that_nothing_flows():
    found = study([_y_chip()], (), _use())[0]
    assert found.channel_volume_ul > 0.0
    assert found.pressure_kpa is None
    assert found.resistance_pa_s_per_m3 == ()
    assert any("no ports" in note for note in found.notes)


def test_too_fine_a_neck_leaves_the_resistances_out_and_names_the_place():
    bell = union_all([box(0, 0, 10, 10), box(10, 4.995, 10.5, 5.005), box(10.5, 0, 20.5, 10)])
    ports = [_port("in", 1, 5, INLET), _port("out", 19, 5)]
    found = study([_made(bell)], ports, _use())[0]
    assert found.resistance_pa_s_per_m3 == ((None, None), (None, None))
    assert found.pressure_kpa is None
    assert found.channel_volume_ul == pytest.approx(bell.area * 0.1)
    assert 0.0 < found.cells_across < 4.0
    assert any("10.0 µm" in note and "x = 10." in note for note in found.notes)
    as_json(found)


def test_nothing_open_is_an_error_that_says_what_to_do():
    closed = MadeChannel("channels", MultiPolygon([box(0, 0, 5, 0.2)]), Range(-5.0, 0.0, 5.0))
    with pytest.raises(LayoutInvalid, match="nothing can flow") as caught:
        solve([closed], [], **LIQUID)
    assert "deeper" in caught.value.faults[0].remedy


def test_closed_layer_is_left_out_and_named():
    closed = MadeChannel("side", MultiPolygon([box(5, -3, 5.2, 0)]), Range(-5.0, 0.0, 5.0))
    found = solve([_y_chip(), closed], Y_PORTS, **LIQUID)
    assert any("side" in note and "closed" in note for note in found.notes)


def test_warm_water_needs_less_pressure_in_proportion_to_its_viscosity():
    cold = study([_y_chip()], Y_PORTS, _use(10.0))[0]
    warm = study([_y_chip()], Y_PORTS, _use(40.0))[0]
    assert cold.pressure_kpa / warm.pressure_kpa == pytest.approx(1.3059 / 0.65273, rel=1e-3)


def test_notes_on_the_liquid_come_first():
    assert "density formula" in study([_y_chip()], Y_PORTS, _use(60.0))[0].notes[0]


def test_deep_narrow_and_wide_flat_channel_of_the_same_section_conduct_alike():
    """200 wide × 100 deep and 100 wide × 200 deep are the same duct, turned by a right angle."""
    flat = solve([_made(box(0, 0, 20, 0.2))], [_port("a", 0, 0.1, INLET), _port("b", 20, 0.1)], **LIQUID)
    deep = solve(
        [_made(box(0, 0.05, 20, 0.15), depth_um=200.0)],
        [_port("a", 0, 0.1, INLET), _port("b", 20, 0.1)],
        **LIQUID,
    )
    assert flat.resistance_pa_s_per_m3[0][1] == pytest.approx(deep.resistance_pa_s_per_m3[0][1], rel=2e-3)


def test_overlapping_layers_flow_as_one_channel_of_the_deeper_depth():
    whole = solve([_y_chip()], Y_PORTS, **LIQUID)
    lining = dataclasses.replace(_y_chip(), layer="lining", depth_um=Range.exact(20.0))
    both = solve([lining, _y_chip()], Y_PORTS, **LIQUID)
    assert both.resistance_pa_s_per_m3[0][2] == pytest.approx(whole.resistance_pa_s_per_m3[0][2], rel=1e-6)


def test_finer_grids_agree():
    coarse, fine = (
        solve([_y_chip()], Y_PORTS, sampling=Sampling(cells_across=across), **LIQUID).resistance_pa_s_per_m3
        for across in (8.0, 24.0)
    )
    assert coarse[0][2] == pytest.approx(fine[0][2], rel=0.01)
    assert math.isclose(coarse[0][1], fine[0][1], rel_tol=0.01)
