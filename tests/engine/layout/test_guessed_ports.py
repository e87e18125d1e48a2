"""Ports of drawings that have none: round pads at dead ends, and nothing that only looks like one."""

import math

import pytest
from shapely import LineString, Point, Polygon, affinity, box

from rillcast_service.engine.layout.model import PortRole
from rillcast_service.engine.layout.pads import round_pads
from rillcast_service.engine.layout.polygons import joined
from rillcast_service.engine.layout.ports import merge_ports
from rillcast_service.engine.layout.serial import layout_from_json, layout_to_json
from rillcast_service.engine.request import PortRequest

LEAST_MM = 0.7


def line(*points, width=0.2):
    return LineString(points).buffer(width / 2, cap_style="flat")


def disc(x, y, diameter, *, corners=64):
    return Polygon(
        [
            (x + diameter / 2 * math.cos(angle), y + diameter / 2 * math.sin(angle))
            for angle in (2 * math.pi * k / corners for k in range(corners))
        ]
    )


def pads(*shapes):
    return [
        (round(pad.x_mm, 2) + 0.0, round(pad.y_mm, 2) + 0.0)
        for pad in round_pads(joined(shapes), least_mm=LEAST_MM)
    ]


CHANNEL = line((0, 0), (20, 0))
DROP = Polygon([(0, 0.94), (2.75, 0), (0, -0.94)])

ENDS = {
    "at both ends": ([CHANNEL, disc(0, 0, 2), disc(20, 0, 2)], [(0, 0), (20, 0)]),
    "coarse ones": ([CHANNEL, disc(0, 0, 2, corners=8)], [(0, 0)]),
    "a drop": ([CHANNEL, disc(0, 0, 2), DROP], [(0, 0)]),
    "a wide channel": ([line((0, 0), (20, 0), width=1.5), disc(0, 0, 2)], [(0, 0)]),
    "a slanting channel": ([line((0.6, 0.6), (20, 1)), disc(0, 0, 2)], [(0, 0)]),
    "drawn twice": ([CHANNEL, disc(0, 0, 2), affinity.rotate(disc(0, 0, 2.001, corners=51), 3)], [(0, 0)]),
    "within a loop": (
        [line((0, 0), (20, 0), (20, 20), (0, 20), (0, 0)), line((0, 10), (10, 10)), disc(10, 10, 2)],
        [(10, 10)],
    ),
    "three on a fork": (
        [
            *(line((0, y), (5, 5)) for y in (0, 10)),
            line((5, 5), (20, 5)),
            *(disc(x, y, 2) for x, y in ((0, 0), (0, 10), (20, 5))),
        ],
        [(0, 10), (0, 0), (20, 5)],
    ),
}

DECOYS = {
    "a chamber on the way": [CHANNEL, disc(10, 0, 3)],
    "square pads": [CHANNEL, box(-1, -1, 1, 1)],
    "a square pad with round corners": [CHANNEL, box(-0.6, -0.6, 0.6, 0.6).buffer(0.4)],
    "a six-sided pad": [CHANNEL, disc(0, 0, 2, corners=6)],
    "round ends": [LineString([(0, 0), (20, 0)]).buffer(0.5)],
    "an end hardly wider than its channel": [line((0, 0), (20, 0), width=1.7), disc(0, 0, 2)],
    "a corner": [LineString([(0, 0), (10, 0), (10, 10)]).buffer(0.5, cap_style="flat")],
    "a disc at a corner": [line((0, 0), (10, 0), (10, 10)), disc(10, 0, 2)],
    "a dead arm": [CHANNEL, line((10, 0), (10, 5))],
    "a well of its own": [CHANNEL, disc(10, 10, 2)],
    "a chamber with both channels on one side": [
        line((0, 0.4), (20, 0.4)),
        line((0, -0.4), (20, -0.4)),
        disc(0, 0, 2),
    ],
    "a pad with a pillar": [CHANNEL, disc(0, 0, 2).difference(disc(0, 0, 0.5))],
    "too small for a hole": [CHANNEL, disc(0, 0, 0.6)],
    "a meander": [
        LineString([(x, y) for k in range(10) for x, y in ((k, 5 * (k % 2)), (k, 5 * ((k + 1) % 2)))]).buffer(
            0.3
        )
    ],
    "a ring": [disc(0, 0, 4).difference(disc(0, 0, 3.6)), line((1.9, 0), (10, 0))],
}


@pytest.mark.parametrize(("shapes", "places"), ENDS.values(), ids=ENDS)
def test_round_pads_at_ends(shapes, places):
    assert pads(*shapes) == places


@pytest.mark.parametrize("shapes", DECOYS.values(), ids=DECOYS)
def test_no_pads(shapes):
    assert pads(*shapes) == []


@pytest.mark.parametrize("angle", [17, 90, 211])
@pytest.mark.parametrize("shapes", [ENDS["a drop"][0], ENDS["within a loop"][0], DECOYS["square pads"]])
def test_pads_turn_and_mirror_with_the_drawing(shapes, angle):
    def placed(shape):
        return affinity.scale(affinity.rotate(shape, angle, origin=(0, 0)), -1.0, 1.0, origin=(0, 0))

    expected = [placed(Point(place)) for place in pads(*shapes)]
    found = [Point(place) for place in pads(*map(placed, shapes))]
    assert len(found) == len(expected)
    assert all(min(place.distance(other) for other in expected) < 0.02 for place in found)


def test_the_size_of_pad_and_mouth():
    (pad,) = round_pads(joined([CHANNEL, disc(0, 0, 2, corners=360)]), least_mm=LEAST_MM)
    assert pad.diameter_mm == pytest.approx(2.0, rel=5e-3)
    assert pad.mouth_mm == pytest.approx(0.2, rel=1e-2)


class TestInDrawings:
    def channels(self, *pads, path="M10 13h40", stroke=0.4):
        discs = "".join(f'<circle cx="{x}" cy="{y}" r="{diameter / 2}"/>' for x, y, diameter in pads)
        line = f'<path d="{path}" fill="none" stroke="black" stroke-width="{stroke}"/>'
        return f'<g id="channels">{line}{discs}</g>'

    def test_holes_are_guessed_and_told(self, read_svg):
        layout = read_svg(self.channels((10, 13, 3), (50, 13, 3)))
        assert [(port.name, port.role, port.bore_mm) for port in layout.ports] == [
            ("port_1", PortRole.INLET, 1.5),
            ("port_2", PortRole.INLET, 1.5),
        ]
        assert all(port.guessed for port in layout.ports)
        assert layout.ports[1].centre.distance(Point(50, 13)) < 0.01
        told = {assumption.what: assumption for assumption in layout.assumptions}
        assert told["ports.port_2"].value == "a hole of 1.5 mm at (50.00, 13.00) mm"
        assert "no ports" in told["ports.port_2"].why
        assert told["ports.port_1.role"].value == "inlet"

    @pytest.mark.parametrize(("pad", "bore"), [(8, 1.5), (1.6, 1.09), (0.8, 0.5)])
    def test_a_hole_fits_its_pad(self, read_svg, pad, bore):
        layout = read_svg(self.channels((10, 13, pad)))
        assert [port.bore_mm for port in layout.ports] == [pytest.approx(bore, abs=0.011)]

    @pytest.mark.parametrize("pad", [0.6, 12])
    def test_neither_too_small_for_a_hole_nor_a_chamber(self, read_svg, pad):
        assert read_svg(self.channels((10, 13, pad))).ports == ()

    def test_drawn_ports_go_before_guesses(self, read_svg):
        ports = '<g id="ports"><circle id="sample" cx="10" cy="13" r="0.5"/></g>'
        layout = read_svg(self.channels((10, 13, 3), (50, 13, 3)) + ports)
        assert [port.name for port in layout.ports] == ["sample"]

    def test_pads_over_two_depths_of_one_plane(self, read_svg):
        """The pad lies on one layer, its channel on another."""
        deep = '<g id="channels_deep"><circle cx="10" cy="13" r="1.5"/></g>'
        assert len(read_svg(self.channels() + deep).ports) == 1

    def test_where_two_planes_meet_is_no_port(self, read_svg):
        low = self.channels((50, 13, 3), (30, 24, 3), path="M50 13 L30 24").replace(
            '"channels"', '"channels_low"'
        )
        layout = read_svg(self.channels((10, 13, 3), (50, 13, 3)) + low, levels={"channels_low": 2})
        assert [(round(port.centre.x), round(port.centre.y)) for port in layout.ports] == [(10, 13), (30, 2)]


class TestPortsOfARequest:
    @pytest.fixture
    def chip(self, read_svg):
        return read_svg(
            TestInDrawings().channels((10, 13, 3), (30, 13, 3), (50, 13, 3), path="M10 13h20M50 13h-10")
        )

    @pytest.fixture
    def names(self, chip):
        def merged(*requests):
            layout = merge_ports(chip, requests)
            return [port.name for port in layout.ports], layout

        return merged

    def test_without_any_the_guesses_stand(self, chip):
        assert merge_ports(chip, ()) == chip
        assert len(chip.ports) == 3

    def test_a_stored_layout_still_knows_its_guesses(self, chip):
        assert layout_from_json(layout_to_json(chip)) == chip

    def test_ports_of_its_own_go_before_all_guesses(self, names):
        sample = PortRequest("sample", x_mm=10.0, y_mm=13.0, bore_mm=1.0, role=PortRole.INLET)
        found, layout = names(sample)
        assert found == ["sample"]
        told = layout.assumptions[-1]
        assert (told.what, told.value) == ("ports", "guessed ports left out: port_1, port_2, port_3")
        assert not any(assumption.what.startswith("ports.") for assumption in layout.assumptions)

    def test_one_beside_a_named_guess_replaces_what_it_overlaps(self, names):
        own = PortRequest("sample", x_mm=10.5, y_mm=13.0, bore_mm=1.0, role=PortRole.INLET)
        found, layout = names(own, PortRequest("port_3", role=PortRole.OUTLET))
        assert found == ["port_2", "port_3", "sample"]
        assert layout.ports[1].role is PortRole.OUTLET
        assert [port.guessed for port in layout.ports] == [True, False, False]

    def test_a_named_guess_keeps_the_others(self, names):
        found, layout = names(PortRequest("port_2", closed=True))
        assert found == ["port_1", "port_2", "port_3"]
        assert [port.closed for port in layout.ports] == [False, True, False]
