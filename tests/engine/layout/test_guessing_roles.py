"""Roles of layers whose names say nothing: what a person would say, and what no one can know."""

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, affinity, box
from shapely.geometry import mapping

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.model import Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.sketch import Shape, Sketch


def line(*points, width=0.2):
    return LineString(points).buffer(width / 2, cap_style="flat", join_style="mitre")


def disc(x, y, diameter):
    return Point(x, y).buffer(diameter / 2, quad_segs=16)


def ring(x, y, diameter, *, width=0.1):
    return disc(x, y, diameter + width).difference(disc(x, y, diameter - width))


def frame(shape, width=0.1):
    return shape.buffer(width / 2, join_style="mitre").difference(
        shape.buffer(-width / 2, join_style="mitre")
    )


def letters(x, y, *, height=2.0):
    """A row of A, L, T, N in lines."""
    strokes = [
        [(0, 0), (0.4, 1), (0.8, 0)],
        [(0, 1), (0, 0), (0.5, 0)],
        [(0, 1), (0.7, 1), (0.35, 1), (0.35, 0)],
        [(0, 0), (0, 1), (0.7, 0), (0.7, 1)],
    ]
    placed = (
        [(x + height * (px + k), y + height * py) for px, py in figure] for k, figure in enumerate(strokes)
    )
    return [LineString(figure).buffer(0.06 * height, cap_style="flat") for figure in placed]


EDGE = box(0, 0, 76, 26)
FORK = [line((8, 6), (20, 13)), line((8, 20), (20, 13)), line((20, 13), (68, 13))]
NETWORK = [FORK[0].union(FORK[1]).union(FORK[2])]
HOLES = [disc(8, 6, 1.5), disc(8, 20, 1.5), disc(68, 13, 1.5)]
PADS = [disc(8, 6, 3), disc(8, 20, 3), disc(68, 13, 3)]
LABEL = letters(30, 3)


def features(layers):
    return [
        {"type": "Feature", "properties": {"layer": name}, "geometry": mapping(shape)}
        for name, shapes in layers.items()
        for shape in shapes
    ]


@pytest.fixture
def read(read_geojson):
    return lambda layers, **options: read_geojson(features(layers), **options)


def summary(layout):
    """Roles of layers that are used, number of ports, and whether there is an outline."""
    used = {layer.name: layer.role.value for layer in layout.layers if layer.role is not Role.IGNORED}
    return used, len([port for port in layout.ports if not port.guessed]), layout.outline is not None


CHANNELS, PORTS, OUTLINE, MARKS = "channels", "ports", "outline", "marks"

#: Layers as drawn, and what a person says of them: roles, ports drawn, whether there is an outline.
CLEAR = {
    "the only layer": ({"A": NETWORK}, ({"A": CHANNELS}, 0, False)),
    "channels and edge": ({"A": FORK, "B": [EDGE]}, ({"A": CHANNELS, "B": OUTLINE}, 0, True)),
    "channels, edge and holes": (
        {"1/0": [EDGE], "2/0": FORK, "3/0": HOLES},
        ({"1/0": OUTLINE, "2/0": CHANNELS, "3/0": PORTS}, 3, True),
    ),
    "an edge drawn as a line": (
        {"A": NETWORK, "B": [frame(EDGE)]},
        ({"A": CHANNELS, "B": OUTLINE}, 0, True),
    ),
    "an edge with round corners": (
        {"A": NETWORK, "B": [EDGE.buffer(-3).buffer(3)]},
        ({"A": CHANNELS, "B": OUTLINE}, 0, True),
    ),
    "a round chip drawn twice": (
        {"A": NETWORK, "B": [disc(38, 13, 100), disc(38, 13, 100)]},
        ({"A": CHANNELS, "B": OUTLINE}, 0, True),
    ),
    "holes in pads": ({"A": NETWORK + PADS, "B": HOLES}, ({"A": CHANNELS, "B": PORTS}, 3, False)),
    "holes drawn as circles": (
        {"A": FORK, "B": [ring(8, 6, 1.5), ring(8, 20, 1.5)]},
        ({"A": CHANNELS, "B": PORTS}, 2, False),
    ),
    "holes at the ends of wide channels": (
        {"A": [line((8, 6), (40, 6), width=3)], "B": [disc(9.5, 6, 2), disc(38.5, 6, 2)]},
        ({"A": CHANNELS, "B": PORTS}, 2, False),
    ),
    "holes that touch the ends": (
        {"A": [line((8, 6), (40, 6))], "B": [disc(7.5, 6, 1), disc(40.5, 6, 1)]},
        ({"A": CHANNELS, "B": PORTS}, 2, False),
    ),
    "a label": (
        {"A": NETWORK, "B": LABEL, "C": [EDGE]},
        ({"A": CHANNELS, "B": MARKS, "C": OUTLINE}, 0, True),
    ),
    "all on one layer": (
        {"0": [EDGE, *FORK, *HOLES]},
        ({"0": CHANNELS, "outline": OUTLINE, "ports": PORTS}, 3, True),
    ),
    "all on one layer, drawn as lines": (
        {"0": [frame(EDGE), *FORK, *(ring(x, y, 1.5) for x, y in ((8, 6), (8, 20), (68, 13)))]},
        ({"0": CHANNELS, "outline": OUTLINE, "ports": PORTS}, 3, True),
    ),
    "all on one layer, holes within pads": (
        {"0": [EDGE, *NETWORK, *PADS, *HOLES]},
        ({"0": CHANNELS, "outline": OUTLINE, "ports": PORTS}, 3, True),
    ),
    "all on one layer with a label": (
        {"0": [EDGE, *NETWORK, *HOLES, *LABEL]},
        ({"0": CHANNELS, "outline": OUTLINE, "ports": PORTS, "marks": MARKS}, 3, True),
    ),
    "one layer without an edge": (
        {"0": [*FORK, *HOLES]},
        ({"0": CHANNELS, "ports": PORTS}, 3, False),
    ),
    "chambers on the way are no ports": (
        {"0": [EDGE, *FORK, disc(30, 13, 2), disc(40, 13, 2), *HOLES]},
        ({"0": CHANNELS, "outline": OUTLINE, "ports": PORTS}, 3, True),
    ),
    "a wide channel with its holes on one layer": (
        {"0": [line((8, 6), (40, 6), width=3), disc(9.5, 6, 2), disc(38.5, 6, 2)]},
        ({"0": CHANNELS, "ports": PORTS}, 2, False),
    ),
    "wells alone": (
        {"0": [disc(10 * k, 5, 6) for k in range(1, 6)]},
        ({"0": CHANNELS}, 0, False),
    ),
    "a ladder of short channels is no lettering": (
        {"0": [EDGE, *NETWORK, *(line((30 + k, 3), (30 + k, 8), width=0.1 + 0.05 * k) for k in range(6))]},
        ({"0": CHANNELS, "outline": OUTLINE}, 0, True),
    ),
    "a name known, an edge missing": (
        {"channels": NETWORK, "B": [EDGE]},
        ({"channels": CHANNELS, "B": OUTLINE}, 0, True),
    ),
    "a name known, ports missing": (
        {"channels": NETWORK, "B": HOLES},
        ({"channels": CHANNELS, "B": PORTS}, 3, False),
    ),
    "a name known, the rest is left out": (
        {"channels": NETWORK, "B": [box(30, 2, 40, 5)], "C": LABEL},
        ({"channels": CHANNELS}, 0, False),
    ),
    "known edge and ports": (
        {"edge": [EDGE], "holes": HOLES, "X": FORK},
        ({"edge": OUTLINE, "holes": PORTS, "X": CHANNELS}, 3, True),
    ),
    "a chamber under known ports": (
        {"holes": [disc(3, 3, 1), disc(17, 3, 1)], "X": [box(0, 0, 20, 6)]},
        ({"holes": PORTS, "X": CHANNELS}, 2, False),
    ),
}


@pytest.mark.parametrize(("layers", "expected"), CLEAR.values(), ids=CLEAR)
def test_what_a_person_would_say(read, layers, expected):
    assert summary(read(layers)) == expected


@pytest.mark.parametrize(("layers", "expected"), CLEAR.values(), ids=CLEAR)
def test_every_guess_is_told_with_reason_and_way_out(read, layers, expected):
    layout = read(layers)
    told = {assumption.what: assumption for assumption in layout.assumptions}
    for layer in layout.layers:
        if layer.name not in ("channels", "holes", "edge") or layer.name not in layers:
            guess = told[f"roles.{layer.name}"]
            assert guess.value == layer.role.value
            assert layer.role is Role.IGNORED or "to change it" in guess.why
        else:
            assert f"roles.{layer.name}" not in told


#: Drawings that can be read in two ways, and a word of the reason.
UNCLEAR = {
    "two layers of channels": ({"1/0": FORK[:2], "2/0": FORK[2:]}, "more than one"),
    "two edges": ({"A": [EDGE.buffer(5)], "B": [EDGE], "C": NETWORK}, "edge"),
    "wells or a chamber with ports": ({"A": [EDGE], "B": HOLES}, "wells"),
    "the same on one layer": ({"0": [EDGE, *HOLES]}, "wells"),
    "wide wells on a slide": ({"A": [EDGE], "B": [disc(13, 13, 8), disc(63, 13, 8)]}, "wells"),
    "two edges on one layer": ({"0": [EDGE.buffer(5), EDGE, *FORK]}, "edge"),
    "a label outside the edge": ({"0": [EDGE, *FORK, line((0, 30), (5, 30))]}, "edge"),
    "discs on the way": ({"A": NETWORK, "B": [disc(30, 13, 2), disc(40, 13, 2)]}, "other layers"),
    "discs apart": ({"A": NETWORK, "B": [disc(30, 20, 2), disc(40, 20, 2)]}, "other layers"),
    "two layers of discs at ends": ({"A": NETWORK, "B": PADS, "C": HOLES}, "other layers"),
    "only lettering and discs": ({"A": LABEL, "B": HOLES}, "none"),
    "pillars in a chamber": (
        {"A": [box(0, 0, 30, 20)], "B": [disc(x, y, 1) for x in range(5, 30, 5) for y in (5, 10, 15)]},
        "wells",
    ),
}


@pytest.mark.parametrize(("layers", "word"), UNCLEAR.values(), ids=UNCLEAR)
def test_what_no_one_can_know_is_refused_with_what_to_send(read, refusal, layers, word):
    fault = refusal(LayoutInvalid, read, layers)
    assert word in fault.message
    assert fault.pointer == "#/roles"
    for name, shapes in layers.items():
        assert repr(name) in fault.where
        assert f"{len(shapes)} shape" in fault.where
    assert "mm" in fault.where
    if len(layers) > 1:
        assert all(f'"{name}": "' in fault.remedy for name in layers)


def test_the_mapping_that_the_remedy_asks_for_is_enough(read):
    layout = read(UNCLEAR["two layers of channels"][0], roles={"1/0": "channels", "2/0": "channels"})
    assert [layer.role for layer in layout.layers] == [Role.CHANNELS, Role.CHANNELS]
    layout = read({"A": [EDGE], "B": HOLES}, roles={"A": "channels", "B": "ports"})
    assert len(layout.ports) == 3


def test_a_layer_whose_role_is_given_is_never_changed(read):
    layers = {"A": NETWORK, "B": HOLES, "C": [EDGE]}
    layout = read(layers, roles={"A": "channels", "B": "ignored", "C": "marks"})
    assert [layer.role for layer in layout.layers] == [Role.CHANNELS, Role.IGNORED, Role.MARKS]
    assert layout.outline is None


def test_one_number_covers_all_data_types(read):
    layers = {"1/0": FORK[:2], "1/5": FORK[2:], "2/0": LABEL}
    layout = read(layers, roles={"1": "channels"}, depths_um={"1": 120.0, "1/5": 80.0})
    assert [layer.role for layer in layout.layers] == [Role.CHANNELS, Role.CHANNELS, Role.IGNORED]
    assert [layer.depth_um for layer in layout.layers[:2]] == [120.0, 80.0]


def test_a_guessed_channel_layer_takes_depth_and_level_by_its_name(read):
    layout = read({"A": NETWORK, "B": [EDGE]}, depths_um={"A": 150.0}, levels={"A": 2})
    assert (layout.channel_layers[0].depth_um, layout.channel_layers[0].level) == (150.0, 2)


def test_split_shapes_are_where_they_were_drawn(read):
    layout = read({"0": [frame(EDGE), *FORK, *(ring(x, y, 1.5) for x, y in ((8, 6), (8, 20), (68, 13)))]})
    assert layout.outline.symmetric_difference(EDGE).area < 1e-2
    assert [port.bore_mm for port in layout.ports] == pytest.approx([1.5] * 3, rel=1e-3)
    assert sorted((round(p.centre.x, 3), round(p.centre.y, 3)) for p in layout.ports) == [
        (8, 6),
        (8, 20),
        (68, 13),
    ]
    (channels,) = layout.channel_layers
    assert all(channels.geometry.buffer(1e-3).contains(port.opening) for port in layout.ports)
    assert len(channels.geometry.geoms) == 1


class TestColours:
    def sketch(self, **given):
        options = ReadOptions.from_defaults(load().defaults, **given)
        return Sketch(name="test", source_format="dxf", options=options)

    def draw(self, sketch, shapes, colour, layer="0"):
        named = sketch.named_role([layer])
        of_colour = sketch.colour_layer(colour, names=[layer])
        on = of_colour or sketch.layer(layer, named and named[1])
        for k, shape in enumerate(shapes):
            sketch.add(on, Shape(f"shape {k}", MultiPolygon([shape])))

    def test_a_role_by_colour(self):
        sketch = self.sketch(roles={"#FF0000": "channels", "#0000ff": "outline"})
        self.draw(sketch, NETWORK, "#ff0000")
        self.draw(sketch, [EDGE], "#0000ff")
        layout = sketch.layout()
        assert {layer.name: layer.role for layer in layout.layers} == {
            "#ff0000": Role.CHANNELS,
            "#0000ff": Role.OUTLINE,
        }

    def test_a_role_for_the_layer_goes_before_one_for_the_colour(self):
        sketch = self.sketch(roles={"#ff0000": "channels", "walls": "outline"})
        self.draw(sketch, NETWORK, "#ff0000")
        self.draw(sketch, [EDGE], "#ff0000", layer="walls")
        assert [layer.role for layer in sketch.layout().layers] == [Role.CHANNELS, Role.OUTLINE]

    def test_a_role_for_the_colour_goes_before_the_layers_name(self):
        sketch = self.sketch(roles={"#ff0000": "marks"})
        self.draw(sketch, NETWORK, "#00ff00", layer="channels")
        self.draw(sketch, LABEL, "#ff0000", layer="channels")
        assert [layer.role for layer in sketch.layout().layers] == [Role.CHANNELS, Role.MARKS]

    def test_a_colour_that_is_not_there(self):
        sketch = self.sketch(roles={"#ff0000": "channels"})
        self.draw(sketch, NETWORK, "#00ff00")
        with pytest.raises(LayoutInvalid) as caught:
            sketch.layout()
        (fault,) = caught.value.faults
        assert fault.message == "The file has no colour '#ff0000'."
        assert fault.remedy == "Name one of the colours found: #00ff00."
        assert fault.pointer == "#/roles/#ff0000"

    def test_an_unclear_layer_of_several_colours_can_be_told_apart_by_them(self):
        sketch = self.sketch()
        self.draw(sketch, [EDGE], "#000000")
        self.draw(sketch, HOLES, "#ff0000")
        with pytest.raises(LayoutInvalid) as caught:
            sketch.layout()
        assert "by colour (#000000, #ff0000)" in caught.value.faults[0].remedy


@pytest.mark.parametrize("angle", [0, 30, 90])
@pytest.mark.parametrize("name", ["channels, edge and holes", "all on one layer", "a label"])
def test_guesses_do_not_depend_on_how_the_drawing_lies(read, name, angle):
    layers, expected = CLEAR[name]
    turned = {
        layer: [affinity.rotate(shape, angle, origin=(38, 13)) for shape in shapes]
        for layer, shapes in layers.items()
    }
    assert summary(read(turned)) == expected
    assert summary(read(dict(reversed(layers.items())))) == expected


@pytest.mark.parametrize("name", ["channels, edge and holes", "all on one layer", "a label"])
def test_guesses_do_not_depend_on_how_many_shapes_were_read_at_once(read, name):
    layers, expected = CLEAR[name]
    sketch = Sketch(name="chip", source_format="gdsii", options=ReadOptions.from_defaults(load().defaults))
    for layer, shapes in layers.items():
        polygons = np.empty(len(shapes), dtype=object)
        polygons[:] = shapes
        sketch.add_many(sketch.layer(layer, None), polygons, "boundary")
    assert summary(sketch.layout()) == expected == summary(read(layers))
