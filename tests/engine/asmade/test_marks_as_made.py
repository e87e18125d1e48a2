"""Marks go through the same models as channels, open to their face, on every route."""

from dataclasses import replace

import pytest
from shapely import MultiPolygon, box

from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.layout.readers import ReadOptions, read
from rillcast_service.engine.layout.writers import written
from rillcast_service.engine.routes.registry import load_routes

# on whole pixels of 35 µm, so that the raster takes nothing away
BAR = MultiPolygon([box(30.03, 3.01, 36.05, 3.605)])
SHIPPED = ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith")


@pytest.fixture(scope="module")
def job(make_job):
    plain = make_job()
    marks = Layer("marks", Role.MARKS, BAR, depth_um=160.0)
    empty = Layer("spare", Role.MARKS, MultiPolygon(), depth_um=160.0)
    return replace(plain, layout=replace(plain.layout, layers=(*plain.layout.layers, marks, empty)))


@pytest.fixture(scope="module")
def made(job):
    routes = load_routes(job.catalogue)
    return {name: routes[name].as_made(job, routes[name].variants(job)[0]) for name in SHIPPED}


@pytest.mark.parametrize("route", SHIPPED)
def test_a_bar_of_marks_changes_its_width_as_a_bar_of_channels_does(made, route):
    (marks,) = made[route].marks
    x0, y0, x1, y1 = marks.geometry.bounds
    change = made[route].width_change_um
    # 17 × 172 pixels of the default printer; a mould is larger than its cast, so its pixels fall elsewhere
    off_mm = 2e-3 + (0.035 if route == "cast_printed_mould" else 0.0)
    assert y1 - y0 == pytest.approx(0.595 + change.best / 1000.0, abs=off_mm)
    assert x1 - x0 == pytest.approx(6.02 + change.best / 1000.0, abs=off_mm)
    assert change.low / 1000.0 <= y1 - y0 - 0.595 <= change.high / 1000.0


def test_marks_are_open_to_their_face_where_channels_lose_depth_to_a_roof(made):
    """160 µm come to 150 or 200 µm in layers of 50 µm; the roof's loss is the channels' alone."""
    made = made["printed_monolith"]
    assert made.marks[0].depth_um.best == 150.0
    assert made.channels[0].depth_um.best < 400.0


def test_marks_on_a_wafer_come_in_the_film_of_the_channels(made):
    made = made["cast_wafer_mould"]
    assert made.marks[0].depth_um.best == made.channels[0].depth_um.best == 400.0
    assert "Marks of layer 'marks' come in the film of the channels: 400 µm deep." in made.notes


def test_a_chip_without_marks_has_none(make_job):
    job = make_job()
    for route in load_routes(job.catalogue).values():
        assert route.as_made(job, route.variants(job)[0]).marks == ()


@pytest.mark.parametrize("media_type", ["image/svg+xml", "application/geo+json", "application/vnd.gdsii"])
def test_a_depth_that_a_drawing_states_for_marks_is_kept(job, media_type):
    options = ReadOptions.from_defaults(job.catalogue.defaults)
    file = written(job.layout, media_type=media_type)
    again = read(file, media_type=media_type, name="chip", options=options)
    assert {layer.name: layer.depth_um for layer in again.mark_layers} == {"marks": 160.0}
