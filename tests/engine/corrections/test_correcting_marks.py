"""Marks corrected: strokes widened, writing and codes enlarged where they have room, or left with numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
import shapely
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import translate

from rillcast_service.engine.asmade.codes import find_codes
from rillcast_service.engine.corrections.correcting import correct
from rillcast_service.engine.corrections.model import Corrected, CorrectionRequest
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import Severity
from rillcast_service.engine.shapes import polygons

RULES = ("mark_height", "mark_stroke", "code_legible")


def letters(text: str, *, tall: float, stroke: float, at: tuple[float, float]) -> MultiPolygon:
    """Some of E, L and T in straight strokes."""
    wide = 0.6 * tall
    shapes = {
        "E": [box(0, 0, stroke, tall), *(box(0, y, wide, y + stroke) for y in (0, (tall - stroke) / 2))],
        "L": [box(0, 0, stroke, tall), box(0, 0, wide, stroke)],
        "T": [box((wide - stroke) / 2, 0, (wide + stroke) / 2, tall)],
    }
    top = box(0, tall - stroke, wide, tall)
    drawn = [
        translate(
            shapely.union_all([*shapes[kind], *([top] if kind in "ET" else [])]),
            at[0] + 0.8 * tall * index,
            at[1],
        )
        for index, kind in enumerate(text)
    ]
    return MultiPolygon([part for letter in drawn for part in polygons(letter).geoms])


def chip(*marks: MultiPolygon, outline: Polygon = box(0, 0, 60, 40)) -> Layout:  # noqa: B008
    ends = {"in": Point(6, 10), "out": Point(34, 10)}
    pads = [place.buffer(1.25, quad_segs=32) for place in ends.values()]
    channels = polygons(shapely.union_all([box(6, 9.75, 34, 10.25), *pads]))
    labels = MultiPolygon([part for mark in marks for part in mark.geoms])
    return Layout(
        name="labelled",
        source_format="svg",
        layers=(
            Layer("channels", Role.CHANNELS, channels, 150.0, 1),
            Layer("labels", Role.MARKS, labels, 100.0, len(labels.geoms)),
        ),
        ports=tuple(
            Port(
                name, PortRole.INLET if name == "in" else PortRole.OUTLET, at.buffer(0.75, quad_segs=32), 1.5
            )
            for name, at in ends.items()
        ),
        outline=outline,
        flattening_um=1.0,
    )


@pytest.fixture(scope="module")
def corrected(catalogue):
    def run(layout: Layout, *rules: str) -> Corrected:
        quote = QuoteRequest(quantity=1, start=datetime(2027, 3, 1, 9, tzinfo=UTC))
        return correct(layout, CorrectionRequest("cast_printed_mould", rules or RULES, quote), catalogue)

    return run


def marks_of(done: Corrected) -> MultiPolygon:
    return done.layout.layers[1].geometry


def severities(done: Corrected) -> dict[str, tuple[Severity | None, Severity | None]]:
    return {one.rule: (one.severity_before, one.severity_after) for one in done.outcomes}


def test_thin_strokes_are_widened_about_their_middles(corrected):
    # six pixels of 35 µm and the spread of the light bleed (2 × 45 µm) are 300 µm
    bar = box(20, 20, 24, 20.2)
    layout = chip(MultiPolygon([bar]), letters("EL", tall=4.0, stroke=0.4, at=(10, 25)))
    done = corrected(layout)
    (change,) = done.changes
    assert (change.rule, change.level, change.measured_before) == ("mark_stroke", None, 200.0)
    assert severities(done)["mark_stroke"] == (Severity.RISK, None)
    (widened,) = [part for part in marks_of(done).geoms if part.intersects(bar)]
    assert widened.centroid.distance(bar.centroid) < 1e-3
    assert widened.bounds[3] - widened.bounds[1] == pytest.approx(0.3, abs=0.003)
    # the letters, whose strokes are wide enough, and the channels are as they were
    drawn = layout.layers[1].geometry.geoms
    assert sum(part.equals(old) for part in marks_of(done).geoms for old in drawn) == 2
    assert done.layout.layers[0] == layout.layers[0]
    assert corrected(done.layout).layout is done.layout


def test_small_writing_grows_about_its_middle_as_one(corrected):
    rows = [letters("ELT", tall=1.0, stroke=0.2, at=(10, y)) for y in (20.0, 21.4)]
    layout = chip(*rows)
    done = corrected(layout)
    (change,) = done.changes
    # 1.8 mm is the smallest height of ISO 3098-1 (route's table, from memory)
    assert (change.rule, change.measured_before, change.measured_after) == ("mark_height", 1000.0, 1800.0)
    assert marks_of(done).area == pytest.approx(layout.layers[1].geometry.area * 1.8**2)
    assert (
        shapely.convex_hull(marks_of(done)).centroid.distance(
            shapely.convex_hull(layout.layers[1].geometry).centroid
        )
        < 1e-9
    )
    assert severities(done) == {
        "mark_height": (Severity.RISK, None),
        # strokes of 200 µm are 360 µm by that
        "mark_stroke": (Severity.RISK, None),
        "code_legible": (None, None),
    }
    assert corrected(done.layout).layout is done.layout


def test_strokes_without_room_between_them_make_the_writing_grow(corrected):
    layout = chip(letters("EEL", tall=2.0, stroke=0.25, at=(10, 20)), MultiPolygon([box(30, 20, 32, 22)]))
    drawn = layout.layers[1].geometry.geoms
    closer = MultiPolygon([translate(part, -0.2 * index) for index, part in enumerate(drawn)])
    done = corrected(replace(layout, layers=(layout.layers[0], replace(layout.layers[1], geometry=closer))))
    (change,) = done.changes
    assert "Writing enlarged" in change.what
    assert severities(done)["mark_stroke"] == (Severity.RISK, None)


def test_writing_without_room_is_a_decision_with_the_size_and_a_free_place(corrected):
    done = corrected(chip(letters("EEL", tall=1.0, stroke=0.2, at=(15, 10.6))), "mark_height")
    assert done.changes == ()
    (decision,) = done.decisions
    # 2.2 mm × 1 mm grows 1.8 times
    assert "takes 3.96 mm × 1.8 mm" in decision.question
    x, y = map(float, decision.options[0].split("(")[1].split(")")[0].split(", "))
    place = box(x - 1.98, y - 0.9, x + 1.98, y + 0.9)
    assert box(0, 0, 60, 40).covers(place)
    assert place.distance(done.layout.layers[0].geometry) >= 0.29


def test_where_nothing_is_free_the_largest_place_is_told(corrected):
    tight = box(1, 7.5, 39, 12.6)
    done = corrected(chip(letters("EEL", tall=1.0, stroke=0.2, at=(15, 10.9)), outline=tight), "mark_height")
    (decision,) = done.decisions
    assert any(option.startswith("The largest free place of its shape is") for option in decision.options)


@pytest.mark.parametrize("kind", ["micro", "matrix"])
def test_a_code_that_is_too_fine_grows_until_it_reads_as_made(corrected, code_shape, kind):
    layout = chip(code_shape("A7", kind=kind, module_mm=0.1, at=(20, 20)))
    done = corrected(layout, "code_legible")
    (change,) = done.changes
    assert change.measured_after >= 200.0  # four pixels are 140 µm, a reader needs 200 µm (route's table)
    assert severities(done)["code_legible"] == (Severity.BLOCKER, None)
    (before,), (after,) = (find_codes(one.layers[1].geometry) for one in (layout, done.layout))
    assert (after.text, after.format) == (before.text, before.format)
    assert after.outline.centroid.distance(before.outline.centroid) < 0.02
    assert corrected(done.layout, "code_legible").layout is done.layout


def test_a_code_beside_a_channel_stays_and_its_place_is_told(corrected, code_shape):
    layout = chip(code_shape("A7", kind="micro", module_mm=0.1, at=(20, 10.8)))
    done = corrected(layout, "code_legible")
    assert done.layout is layout
    (decision,) = done.decisions
    assert "Micro QR Code that reads 'A7' has modules of 100 µm" in decision.question
    assert decision.options[0].startswith("Move its middle to (")


def test_a_code_that_only_lacks_its_quiet_zone_is_left_to_the_reviews_remedy(corrected, code_shape):
    code = code_shape("A7", kind="micro", module_mm=0.5, at=(20, 20))
    _, y0, x1, y1 = code.bounds
    layout = chip(code, MultiPolygon([box(x1 + 0.5, y0, x1 + 1.2, y1)]))
    done = corrected(layout, "code_legible")
    assert done.layout is layout
    assert "are free; its standard asks for 2 modules" in done.decisions[0].question
