"""Ports of the request over those of the drawing."""

import math

import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.engine.errors import RequestInvalid
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.layout.ports import merge_ports, role_from_name
from rillcast_service.engine.request import PortRequest

CHANNELS = Layer("channels", Role.CHANNELS, MultiPolygon([box(0, 0, 20, 1)]), 100.0, 1)
SAMPLE = Port("sample", PortRole.INLET, box(1, 0, 2, 1), 2.0 / math.sqrt(math.pi))
WASTE = Port("waste", PortRole.OUTLET, box(18, 0, 19, 1), 2.0 / math.sqrt(math.pi), closed=True)
LAYOUT = Layout("x", "svg", (CHANNELS,), (SAMPLE, WASTE), None, 0.25)


def merged(*requests):
    return merge_ports(LAYOUT, requests)


def test_nothing_asked_changes_nothing():
    assert merged() == LAYOUT


def test_an_operating_point_leaves_the_hole_as_drawn():
    sample, waste = merged(PortRequest("sample", flow_ul_per_min=25.0)).ports
    assert sample.flow_ul_per_min == 25.0
    assert (sample.opening, sample.bore_mm, sample.role) == (SAMPLE.opening, SAMPLE.bore_mm, SAMPLE.role)
    assert waste == WASTE


def test_a_new_operating_point_replaces_the_old_one():
    assert not merged(PortRequest("waste", pressure_kpa=0.0)).ports[1].closed
    assert merged(PortRequest("waste", role=PortRole.VENT)).ports[1].closed


def test_a_port_is_moved_and_keeps_its_bore():
    port = merged(PortRequest("sample", x_mm=5.0, y_mm=0.5)).ports[0]
    assert port.centre.distance(Point(5.0, 0.5)) < 1e-9
    assert port.bore_mm == SAMPLE.bore_mm
    assert port.opening.area == pytest.approx(SAMPLE.opening.area)


def test_a_port_is_widened_where_it_is():
    port = merged(PortRequest("sample", bore_mm=0.8)).ports[0]
    assert port.centre.distance(Point(1.5, 0.5)) < 1e-9
    assert port.opening.area == pytest.approx(math.pi * 0.16)
    assert port.bore_mm == 0.8


def test_a_new_port_is_round_and_comes_last():
    layout = merged(PortRequest("drain", x_mm=10.0, y_mm=0.5, bore_mm=1.0))
    assert [port.name for port in layout.ports] == ["sample", "waste", "drain"]
    drain = layout.ports[2]
    assert drain.role is PortRole.OUTLET
    assert drain.opening.area == pytest.approx(math.pi / 4.0)
    assert layout.assumptions[-1].what == "ports.drain.role"


def test_a_stated_role_is_no_assumption():
    layout = merged(PortRequest("drain", x_mm=10.0, y_mm=0.5, bore_mm=1.0, role=PortRole.VENT))
    assert layout.ports[2].role is PortRole.VENT
    assert layout.assumptions == ()


@pytest.mark.parametrize(
    ("requests", "pointers"),
    [
        ([PortRequest("new")], ["#/ports/0/x_mm", "#/ports/0/y_mm", "#/ports/0/bore_mm"]),
        ([PortRequest("sample"), PortRequest("new", x_mm=1.0, y_mm=1.0)], ["#/ports/1/bore_mm"]),
        ([PortRequest("sample", x_mm=1.0)], ["#/ports/0"]),
        ([PortRequest("sample"), PortRequest("sample")], ["#/ports/1/name"]),
        ([PortRequest("new", x_mm=1.0, y_mm=1.0, bore_mm=1.0)] * 2, ["#/ports/1/name"]),
        ([PortRequest("sample", bore_mm=0.0)], ["#/ports/0/bore_mm"]),
        ([PortRequest("sample", bore_mm=-1.0)], ["#/ports/0/bore_mm"]),
        ([PortRequest("sample", bore_mm=math.inf)], ["#/ports/0/bore_mm"]),
        ([PortRequest("sample", x_mm=math.nan, y_mm=1.0)], ["#/ports/0/x_mm"]),
        ([PortRequest("sample", flow_ul_per_min=1.0, pressure_kpa=1.0)], ["#/ports/0"]),
        ([PortRequest("sample", flow_ul_per_min=0.0, closed=True)], ["#/ports/0"]),
        ([PortRequest(" ", x_mm=1.0, y_mm=1.0, bore_mm=1.0)], ["#/ports/0/name"]),
    ],
)
def test_every_fault_has_its_pointer(requests, pointers):
    with pytest.raises(RequestInvalid) as caught:
        merged(*requests)
    assert [fault.pointer for fault in caught.value.faults] == pointers


def test_a_misspelt_port_names_those_of_the_layout():
    with pytest.raises(RequestInvalid) as caught:
        merged(PortRequest("smaple", flow_ul_per_min=3.0))
    assert "sample, waste" in caught.value.faults[0].remedy


@pytest.mark.parametrize(
    ("names", "role"),
    [
        (("sample",), PortRole.INLET),
        (("Waste 2",), PortRole.OUTLET),
        (("out_1",), PortRole.OUTLET),
        (("outer ring",), PortRole.INLET),
        (("air-vent",), PortRole.VENT),
        (("p1", "outlets"), PortRole.OUTLET),
        (("inlet", "outlets"), PortRole.INLET),
        (("p1", "ports"), PortRole.INLET),
    ],
)
def test_roles_from_names(names, role):
    assert role_from_name(*names) is role
