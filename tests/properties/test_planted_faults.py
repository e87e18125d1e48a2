"""Chips with planted faults, corrected: the rule is kept, and nothing but the planted places changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Geometry, MultiPolygon, Point, Polygon, affinity, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.corrections.correcting import correct
from rillcast_service.engine.corrections.model import Corrected, CorrectionRequest
from rillcast_service.engine.layout.measure import narrow_gaps, narrow_spans
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.shapes import drawn_levels

CHIP = box(0, 0, 60, 60)
ROUTE = "cast_printed_mould"
#: High ends of this route's limits on the shipped printer, µm: six pixels of 35 µm, and the spread of its
#: light bleed on both sides (catalogue, printers.toml and routes/cast_printed_mould.toml).
LIMIT_UM = 300.0
#: A long slanting edge that is cut by a set operation turns by the rounding of doubles, mm².
ROUNDING_MM2 = 1e-9
#: Rows lie so far apart that no row is in another's way.
ROW_MM = 8.0


@dataclass(frozen=True)
class Planted:
    """A row of the chip: what is drawn, its ports, and what may change."""

    drawn: tuple[Polygon, ...]
    taken: tuple[Polygon, ...]
    ports: tuple[tuple[str, float, float], ...]
    near: tuple[Geometry, ...]


def straight(y: float, half: float) -> tuple[Polygon, ...]:
    pads = [Point(x, y).buffer(1.2, quad_segs=32) for x in (6.0, 54.0)]
    return (box(6.0, y - half, 54.0, y + half), *pads)


@st.composite
def necks(draw, row: int) -> Planted:
    """A channel that is cut in on one side or both, squarely or to a point."""
    y, half = ROW_MM * (row + 1), draw(st.floats(0.25, 0.6))
    # a shorter cut would leave a thin finger of wall, which is another fault
    x, long = draw(st.floats(12.0, 44.0)), draw(st.floats(0.32, 3.0))
    width = draw(st.floats(0.03, 0.29))
    sides = draw(st.sampled_from(["both", "upper", "lower"]))
    pointed = draw(st.booleans())
    depth = {"both": half - width / 2, "upper": 2 * half - width, "lower": 2 * half - width}[sides]
    taken = []
    for sign, name in ((1, "upper"), (-1, "lower")):
        if sides in ("both", name):
            wall, tip = y + sign * half, y + sign * (half - depth)
            out = y + sign * (half + 0.5)
            middle = x + long / 2
            corners = (
                [
                    (x - 0.3, out),
                    (x - 0.3, wall),
                    (middle, tip),
                    (x + long + 0.3, wall),
                    (x + long + 0.3, out),
                ]
                if pointed
                else [(x, out), (x, tip), (x + long, tip), (x + long, out)]
            )
            taken.append(Polygon(corners))
    near = box(x - 1.0, y - half - 1.0, x + long + 1.0, y + half + 1.0)
    return Planted(straight(y, half), tuple(taken), ((f"in{row}", 6.0, y), (f"out{row}", 54.0, y)), (near,))


@st.composite
def walls(draw, row: int) -> Planted:
    """A channel beside the row's own, with a thin wall between them for a while."""
    y, half = ROW_MM * (row + 1), draw(st.floats(0.3, 0.6))
    # the legs of the loop lie farther apart than walls must
    x, long, gap = draw(st.floats(14.0, 30.0)), draw(st.floats(1.2, 8.0)), draw(st.floats(0.03, 0.29))
    beside = draw(st.floats(0.5, 1.0))
    low = y + half + gap
    loop = [
        box(x, low, x + long + 0.8, low + beside),
        box(x, low, x + 0.7, low + 2.5),
        box(x + long + 0.1, low, x + long + 0.8, low + 2.5),
        box(x - 3.0, low + 1.9, x + 0.7, low + 2.5),
        box(x + long + 0.1, low + 1.9, x + long + 4.0, low + 2.5),
    ]
    near = box(x - 1.0, y - half, x + long + 1.8, low + beside)
    ports = ((f"in{row}", 6.0, y), (f"out{row}", 54.0, y))
    more = ((f"a{row}", x - 3.0, low + 2.2), (f"b{row}", x + long + 4.0, low + 2.2))
    return Planted((*straight(y, half), *loop), (), ports + more, (near,))


@st.composite
def islands(draw, row: int) -> Planted:
    """A chamber with an island that is too small, round or with corners."""
    y, x = ROW_MM * (row + 1), draw(st.floats(14.0, 40.0))
    size, corners = draw(st.floats(0.04, 0.28)), draw(st.sampled_from([3, 4, 5, 6, 64]))
    angles = np.linspace(0.0, 2.0 * np.pi, corners, endpoint=False) + draw(st.floats(0.0, 1.5))
    island = Polygon(size / 2 * np.column_stack((np.cos(angles), np.sin(angles))) + (x + 2.0, y))
    chamber = box(x, y - 1.5, x + 4.0, y + 1.5)
    ports = ((f"in{row}", 6.0, y), (f"out{row}", 54.0, y))
    return Planted((*straight(y, 0.25), chamber), (island,), ports, (island.buffer(0.5),))


@st.composite
def sound(draw, row: int) -> Planted:
    """A row without a fault."""
    y = ROW_MM * (row + 1)
    ports = ((f"in{row}", 6.0, y), (f"out{row}", 54.0, y))
    return Planted(straight(y, draw(st.floats(0.2, 0.6))), (), ports, ())


@st.composite
def chips(draw) -> tuple[Layout, list[Geometry]]:
    """Up to four rows, each with a fault or without, turned by any angle."""
    kinds = draw(st.lists(st.sampled_from([necks, walls, islands, sound]), min_size=1, max_size=4))
    rows = [draw(kind(index)) for index, kind in enumerate(kinds)]
    angle = draw(st.one_of(st.just(0.0), st.floats(0.0, 90.0)))

    def turned(shape: Geometry) -> Geometry:
        return affinity.rotate(shape, angle, origin=(30, 30))

    drawn = shapely.union_all([shape for row in rows for shape in row.drawn])
    drawn = turned(drawn.difference(shapely.union_all([shape for row in rows for shape in row.taken])))
    return (
        layout_of(drawn, [port for row in rows for port in row.ports], turned(CHIP), turned),
        [turned(place) for row in rows for place in row.near],
    )


def layout_of(drawn: Geometry, ports: Sequence[tuple[str, float, float]], outline, turned) -> Layout:
    parts = MultiPolygon(shapely.get_parts(drawn).tolist())
    return Layout(
        name="planted",
        source_format="svg",
        layers=(Layer("channels", Role.CHANNELS, parts, 150.0, 1),),
        ports=tuple(
            Port(
                name,
                PortRole.INLET if name.startswith(("in", "a")) else PortRole.OUTLET,
                turned(Point(x, y).buffer(0.4, quad_segs=32)),
                0.8,
            )
            for name, x, y in ports
        ),
        outline=outline,
        flattening_um=1.0,
    )


def mended(layout: Layout, *, rules: tuple[str, ...] = (), move_ports: bool = False) -> Corrected:
    quote = QuoteRequest(quantity=1, start=datetime(2027, 3, 1, 9, tzinfo=UTC))
    return correct(layout, CorrectionRequest(ROUTE, rules, quote, move_ports), load())


def ports_of_channels(layout: Layout) -> list[tuple[str, ...]]:
    """Which ports lie on each connected channel, by plain geometry."""
    parts = shapely.get_parts(next(iter(drawn_levels(layout).values())))
    return sorted(
        tuple(sorted(port.name for port in layout.ports if port.opening.intersects(part))) for part in parts
    )


def islands_in(layout: Layout) -> int:
    return sum(len(part.interiors) for layer in layout.channel_layers for part in layer.geometry.geoms)


@given(chips())
@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_planted_faults_are_mended_where_they_are_and_nowhere_else(planted):
    layout, near = planted
    corrected = mended(layout)
    drawn, now = (next(iter(drawn_levels(one).values())) for one in (layout, corrected.layout))

    # the rule is kept, by the review's own measure and by the vectors
    assert corrected.decisions == ()
    assert all(outcome.severity_after is None for outcome in corrected.outcomes)
    assert all(span.length_um >= LIMIT_UM - 0.5 for span in narrow_spans(now, below_um=LIMIT_UM))
    assert all(span.length_um >= LIMIT_UM - 0.5 for span in narrow_gaps(now, below_um=LIMIT_UM))

    # what was not planted is as it was
    allowed = shapely.union_all(near) if near else MultiPolygon()
    assert drawn.symmetric_difference(now).difference(allowed).area < ROUNDING_MM2

    # what hangs together still does, and every island is there
    assert ports_of_channels(corrected.layout) == ports_of_channels(layout)
    assert islands_in(corrected.layout) == islands_in(layout)
    assert now.is_valid

    # the changes add up to the difference
    for change in corrected.changes:
        if change.rule == "sharp_corner":
            continue
        assert change.measured_before < LIMIT_UM <= change.measured_after + 0.5
    if corrected.changes:
        assert abs(corrected.changes[0].area_before_mm2 - drawn.area) < 1e-5
        assert abs(corrected.changes[-1].area_after_mm2 - now.area) < 1e-5

    # once more changes nothing: it is the same layout
    assert mended(corrected.layout).layout is corrected.layout
    assert bool(corrected.changes) == (corrected.layout is not layout)


def with_a_bit_of_everything(angle_deg: float) -> tuple[Layout, list[Geometry]]:
    """A port near the edge, two ports near each other, a neck, the acute tip of a fork, and a label."""

    def turned(shape: Geometry) -> Geometry:
        return affinity.rotate(shape, angle_deg, origin=(30, 30))

    shapes: list[Geometry] = []
    ports: list[tuple[str, float, float]] = []
    for name, left, right, y in (("1", 2.0, 54.0, 8.0), ("2", 6.0, 54.0, 20.0), ("3", 6.0, 54.0, 32.0)):
        pads = [Point(x, y).buffer(1.2, quad_segs=32) for x in (left, right)]
        shapes += [box(left, y - 0.25, right, y + 0.25), *pads]
        ports += [(f"in{name}", left, y), (f"out{name}", right, y)]
    # 3 mm from bore to bore are needed, and here they are 2.2 mm
    shapes += [Point(9.0, 20.0).buffer(1.2, quad_segs=32)]
    ports += [("a2", 9.0, 20.0)]
    shapes += [affinity.rotate(box(20.0, 31.75, 40.0, 32.25), 20.0, origin=(20.0, 32.0))]
    channels = shapely.union_all(shapes)
    channels = channels.difference(shapely.union_all([box(30, 8.05, 31, 8.5), box(30, 7.5, 31, 7.95)]))
    layout = layout_of(turned(channels), ports, turned(CHIP), turned)
    label = MultiPolygon([turned(box(10.0, 45.0, 16.0, 45.2))])
    near = [
        box(0.0, 6.0, 6.0, 10.0),  # the port at the edge and its pad
        box(4.0, 17.0, 14.0, 23.0),  # the two ports
        box(29.0, 7.0, 32.0, 9.0),  # the neck
        box(20.0, 31.0, 24.0, 34.5),  # the fork
    ]
    return (
        replace(layout, layers=(*layout.layers, Layer("label", Role.MARKS, label, 50.0, 1))),
        [turned(place) for place in near],
    )


@pytest.mark.parametrize("angle_deg", [0.0, 31.0])
def test_ports_tips_and_marks_are_mended_together_and_nothing_else(angle_deg):
    layout, near = with_a_bit_of_everything(angle_deg)
    corrected = mended(layout, move_ports=True)
    assert corrected.decisions == ()
    assert {change.rule for change in corrected.changes} == {
        "port_clearance",
        "channel_width",
        "sharp_corner",
        "mark_stroke",
    }
    assert all(outcome.severity_after is None for outcome in corrected.outcomes)
    drawn, now = (next(iter(drawn_levels(one).values())) for one in (layout, corrected.layout))
    assert drawn.symmetric_difference(now).difference(shapely.union_all(near)).area < ROUNDING_MM2
    assert ports_of_channels(corrected.layout) == ports_of_channels(layout)
    # by plain geometry: bores 3 mm apart and their middles 3 mm from the edge (route's table, high ends)
    bores = [port.opening for port in corrected.layout.ports]
    assert min(one.distance(other) for one, other in combinations(bores, 2)) >= 3.0 - 5e-4
    assert min(CHIP.exterior.distance(bore.centroid) for bore in unturned(bores, angle_deg)) >= 3.0 - 5e-4
    moved = [one for one, other in zip(layout.ports, corrected.layout.ports, strict=True) if one != other]
    assert len(moved) == 2
    label = corrected.layout.layers[1].geometry
    assert all(span.length_um >= LIMIT_UM - 0.5 for span in narrow_spans(label, below_um=LIMIT_UM))
    assert mended(corrected.layout, move_ports=True).layout is corrected.layout


def unturned(shapes: Sequence[Geometry], angle_deg: float) -> list[Geometry]:
    return [affinity.rotate(shape, -angle_deg, origin=(30, 30)) for shape in shapes]
