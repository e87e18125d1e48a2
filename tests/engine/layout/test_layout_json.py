"""A layout as JSON and back: nothing is lost."""

import json

import pytest
from shapely import MultiPolygon, Polygon, box

from rillcast_service.engine.layout.model import (
    Assumption,
    Layer,
    Layout,
    Port,
    PortRole,
    Repair,
    RepairKind,
    Role,
)
from rillcast_service.engine.layout.serial import layout_from_json, layout_to_json

HOLED = Polygon([(0, 0), (0.1 + 0.2, 0), (1, 1 / 3), (0, 1)], [[(0.1, 0.1), (0.2, 0.1), (0.1, 0.2)]])

FULL = Layout(
    name="Größe µm",
    source_format="svg",
    layers=(
        Layer("channels", Role.CHANNELS, MultiPolygon([HOLED, box(3, 3, 4, 4)]), 150.0, 7),
        Layer("notes", Role.IGNORED, MultiPolygon(), None, 3),
    ),
    ports=(
        Port("a", PortRole.INLET, box(0, 0, 1, 1), 1.128379, flow_ul_per_min=25.0),
        Port("b", PortRole.VENT, box(3, 3, 4, 4), 1.128379, closed=True),
        Port("c", PortRole.OUTLET, HOLED, 0.5, pressure_kpa=-3.0),
    ),
    outline=box(-1, -1, 9, 9),
    flattening_um=0.25,
    repairs=(Repair(RepairKind.SELF_CROSSING, "mended", "channels", 1.0, 2.0, 0.0, 3.5),),
    assumptions=(Assumption("unit", "mm", "none was given", "a source"),),
)


@pytest.mark.parametrize("layout", [FULL, Layout("", "geojson", (), (), None, 1.0)])
def test_there_and_back(layout):
    assert layout_from_json(json.loads(json.dumps(layout_to_json(layout), allow_nan=False))) == layout


def test_a_layout_as_read(read_svg):
    layout = read_svg(
        '<g id="channels" data-depth-um="90"><circle cx="9" cy="9" r="3"/></g>'
        '<g id="ports"><circle id="a" cx="9" cy="9" r=".5"/></g>'
    )
    assert layout_from_json(json.loads(json.dumps(layout_to_json(layout)))) == layout


def test_another_form_is_refused():
    with pytest.raises(ValueError, match="form 99"):
        layout_from_json({**layout_to_json(FULL), "form": 99})
