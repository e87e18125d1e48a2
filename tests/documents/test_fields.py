"""Pictures of exchange time and pressure: what is shown, in which colours, how heavy."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.documents.colours import SCALE, colours
from rillcast_service.documents.fields import exchange_picture, mixing_picture, pressure_picture
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.exchange import Fineness, exchange
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.fluidics.mixing import mixing
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.ranges import Range

SVG = "{http://www.w3.org/2000/svg}"


def _lightness(colour):
    """CIE L* of an sRGB colour: IEC 61966-2-1 and CIE 15."""
    parts = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    y = float(linear @ (0.2126, 0.7152, 0.0722))
    return 116.0 * y ** (1.0 / 3.0) - 16.0


def test_the_scale_rises_in_even_steps_of_lightness_and_so_reads_in_grey():
    steps = np.diff([_lightness(colour) for colour in SCALE])
    assert steps.min() > 0.6 * steps.mean()
    assert steps.max() < 1.4 * steps.mean()
    assert colours(2, dark_first=True) == [SCALE[0], SCALE[-1]]
    assert colours(9, dark_first=False) == list(SCALE[::-1])


@pytest.fixture(scope="module")
def shown():
    geometry = MultiPolygon([box(5, 10, 35, 10.6).union(box(20, 10, 20.6, 14))])
    ports = tuple(
        Port(name, role, Point(x, 10.3).buffer(0.6), 1.2)
        for name, role, x in (("in", PortRole.INLET, 6), ("out", PortRole.OUTLET, 34))
    )
    layer = Layer("channels", Role.CHANNELS, geometry, 200.0, 1)
    layout = Layout("chip", "svg", (layer,), ports, box(0, 0, 40, 20), flattening_um=1.0)
    hydraulics = solve(
        [MadeChannel("channels", geometry, Range.exact(200.0))],
        ports,
        viscosity_pa_s=1e-3,
        density_kg_per_m3=998.0,
        flow_ul_per_min=20.0,
    )
    found = exchange(hydraulics, diffusivity_m2_per_s=5e-10, fineness=Fineness(3.0, 10.0, 0.95, 0.5, 10))
    return layout, hydraulics.levels, found


def _texts(root):
    said = ["".join(node.itertext()) for node in root.iter(f"{SVG}text")]
    return [words.replace("\u202f", " ").replace("\xa0", " ") for words in said]


def _fills(root):
    """Colour → area of its boxes, px²."""
    areas = {}
    for path in root.iter(f"{SVG}path"):
        if path.get("shape-rendering") == "crispEdges":
            across = float(path.get("transform").removeprefix("matrix(").split()[0])
            runs = re.findall(r"M\d+ \d+h(\d+)v1h-\d+z", path.get("d"))
            areas[path.get("fill")] = sum(map(int, runs)) * across**2
    return areas


def test_times_are_steps_of_colour_dark_where_late_and_the_slowest_place_is_named(shown, cast_route):
    layout, levels, found = shown
    svg = exchange_picture(layout, layout.outline, cast_route, levels, found)
    root, px_per_mm = ET.fromstring(svg), (960 - 68) / 40
    fills = _fills(root)
    assert sum(fills.values()) == pytest.approx(layout.layers[0].geometry.area * px_per_mm**2, rel=0.1)
    # the end of the arm is the darkest; the stream, light, fills most of the channels
    assert SCALE[0] in fills
    assert max(fills, key=fills.get) not in SCALE[:5]
    texts = _texts(root)
    assert any(text.startswith("up to ") for text in texts)
    assert any(text.startswith("over ") for text in texts)
    named = [text for text in texts if not text.startswith(("up to", "to", "over"))]
    assert any(text.endswith((" h", " min")) for text in named)
    assert "no flow" not in texts
    assert "95 % fresh" in root.find(f"{SVG}desc").text
    assert len(svg) < 1_000_000


def test_pressure_falls_from_inlet_to_outlet_with_arrows_along_the_flow(shown, cast_route):
    layout, levels, _ = shown
    svg = pressure_picture(layout, layout.outline, cast_route, levels)
    root = ET.fromstring(svg)
    assert any("kPa" in text for text in _texts(root))
    arrows = [path.get("d") for path in root.iter(f"{SVG}path") if path.get("stroke-linecap") == "round"]
    starts = [re.match(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", arrow) for arrow in arrows]
    steps = np.array([[float(value) for value in start.groups()] for start in starts])
    along = (steps[:, 2] - steps[:, 0]) / np.hypot(steps[:, 2] - steps[:, 0], steps[:, 3] - steps[:, 1])
    assert len(along) > 20
    assert np.median(along) == pytest.approx(1.0, abs=0.01)


def test_mixing_shows_either_liquid_and_their_even_middle(cast_route):
    """Two inlets side by side: at the junction one half is theirs each, at the end all is between."""
    geometry = MultiPolygon([box(5, 10, 35, 10.6).union(box(6, 7, 6.6, 13.6))])
    ports = tuple(
        Port(name, role, Point(x, y).buffer(0.6), 1.2)
        for name, role, x, y in (
            ("low", PortRole.INLET, 6.3, 7.3),
            ("high", PortRole.INLET, 6.3, 13.3),
            ("out", PortRole.OUTLET, 34, 10.3),
        )
    )
    layer = Layer("channels", Role.CHANNELS, geometry, 200.0, 1)
    layout = Layout("chip", "svg", (layer,), ports, box(0, 0, 40, 20), flattening_um=1.0)
    hydraulics = solve(
        [MadeChannel("channels", geometry, Range.exact(200.0))],
        ports,
        viscosity_pa_s=1e-3,
        density_kg_per_m3=998.0,
        flow_ul_per_min=2.0,
    )
    found = mixing(hydraulics, diffusivity_m2_per_s=1e-9)
    (share,) = found.on_cells(0)
    x, y = hydraulics.problems[0].field.grid.centre_mm.T
    assert np.nanmin(share) >= -1e-12
    assert np.nanmax(share) <= 1.0 + 1e-12
    assert np.nanmean(share[y < 9.0]) == pytest.approx(1.0, abs=1e-3)
    assert np.nanmean(share[y > 11.5]) == pytest.approx(0.0, abs=1e-3)
    early, late = ((x > at) & (x < at + 1.0) for at in (8.0, 31.0))
    assert np.nanmean(share[early & (y < 10.3)]) > 0.6
    # on the way the liquid of either keeps to its wall, and evens out
    assert np.ptp(share[late]) < 0.3 * np.ptp(share[early])
    assert np.nanmean(share[late]) == pytest.approx(0.5, abs=0.01)
    svg = mixing_picture(layout, layout.outline, cast_route, hydraulics.levels, found)
    root = ET.fromstring(svg)
    fills = _fills(root)
    assert {SCALE[0], SCALE[-1], colours(9, dark_first=False)[4]} <= set(fills)
    assert "45–55 %" in _texts(root)
    assert any("from low" in words for words in _texts(root))
