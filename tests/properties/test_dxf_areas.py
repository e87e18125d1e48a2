"""A drawing put together at random from DXF entities covers the area that their closed forms give."""

import math
import random

import pytest
from dxf_tags import (
    arc,
    bar,
    block,
    circle,
    drawing,
    ellipse,
    hatch,
    insert,
    line,
    lines,
    polyline,
    square,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

OPTIONS = ReadOptions.from_defaults(load().defaults, flattening_um=0.1)

#: Every shape lies within a cell of its own, so that the areas add up.
CELL_MM = 12.0

sizes = st.integers(2, 40).map(lambda tenths: tenths / 10)
scales = st.integers(5, 15).map(lambda tenths: tenths / 10)


@st.composite
def shapes(draw, at):
    """An entity, or a few that meet, at most 10 mm across around a place; and its area in mm²."""
    x, y = at
    a, b = draw(sizes), draw(sizes)
    match draw(st.integers(0, 8)):
        case 0:
            return bar(x, y, a, b), a * b
        case 1:
            return circle(at, a), math.pi * a**2
        case 2:
            return ellipse((x, y, 0), (0, a, 0), 0.5, 0, 2 * math.pi), math.pi * a**2 / 2
        case 3:
            # A bar with a round end of any angle, bulging out or in less than the bar is long.
            angle = draw(st.integers(10, 170)) * math.pi / 180 * draw(st.sampled_from([1, -1]))
            half = a / 2
            radius = half / math.sin(abs(angle) / 2)
            segment = radius**2 * (abs(angle) - math.sin(abs(angle))) / 2
            corners = ((x, y, math.tan(angle / 4)), (x + a, y), (x + a, y + a + 0.1), (x, y + a + 0.1))
            return polyline(*corners), a * (a + 0.1) + math.copysign(segment, angle)
        case 4:
            return polyline((x, y), (x + a, y), closed=False, width=b), a * b
        case 5:
            return polyline((x, y, 0, 0.2, b), (x + a, y), closed=False), a * (0.2 + b) / 2
        case 6:
            inner = a / 4
            return hatch(square(x, y, a), square(x + inner, y + inner, inner)), a**2 - inner**2
        case 7:
            parts = [arc((x, y), a, 0, 90), line((x + a, y), at), line((x, y + a), at)]
            return "".join(draw(st.permutations(parts))), math.pi * a**2 / 4
        case _:
            corners = [(x, y), (x + a, y), (x + a, y + b), (x, y + b), (x, y)]
            return lines(*corners), a * b


@settings(max_examples=40, deadline=None)
@given(st.data(), st.integers(1, 12))
def test_areas_add_up(data, count):
    made = [data.draw(shapes((CELL_MM * (at % 4), CELL_MM * (at // 4)))) for at in range(count)]
    text = [shape for shape, _ in made]
    random.Random(count).shuffle(text)
    layout = read(drawing(*text), media_type="image/vnd.dxf", name="test", options=OPTIONS)
    found = layout.channel_layers[0].geometry
    # Chords lie within 0.1 µm of their arcs.
    expected = sum(area for _, area in made)
    assert found.area == pytest.approx(expected, abs=1e-4 * found.length + 1e-5)


@settings(max_examples=40, deadline=None)
@given(
    st.data(),
    st.integers(-180, 180),
    scales,
    st.sampled_from([1, -1]),
    st.integers(1, 3),
    st.integers(1, 3),
)
def test_blocks_scale_areas(data, turn, scale, mirror, columns, rows):
    shape, area = data.draw(shapes((0.0, 0.0)))
    step = 2 * CELL_MM
    grid = ((70, columns), (71, rows), (44, step), (45, step))
    placed = insert("part", (5, 5), (41, mirror * scale), (42, scale), (50, turn), *grid)
    whole = drawing(placed, blocks=block("part", shape))
    layout = read(whole, media_type="image/vnd.dxf", name="test", options=OPTIONS)
    found = layout.channel_layers[0].geometry
    assert found.area == pytest.approx(area * scale**2 * rows * columns, abs=1e-4 * found.length + 1e-5)
