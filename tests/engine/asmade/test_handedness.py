"""Which way round a mask, a mould, a part and a lid are drawn; proven by decoding what is seen in the end."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box
from shapely.affinity import translate
from shapely.ops import unary_union

from rillcast_service.engine.asmade import handedness
from rillcast_service.engine.asmade.codes import find_codes, read_back
from rillcast_service.engine.layout.model import Layer, PortRole, Role
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.routes.viewing import cover, handedness_notes, handedness_of

#: By hand. From the lid side a moulded or open face is seen face on: the mould under it, and the mask of
#: that, are its mirror images, and a printed lid is turned over onto it. From the other side all reverses.
MIRRORED = {
    ("cast_printed_mould", "lid"): {"mould": True, "part": False, "lid": False},
    ("cast_printed_mould", "body"): {"mould": False, "part": True, "lid": True},
    ("cast_wafer_mould", "lid"): {"mask": True, "mould": True, "part": False, "lid": False},
    ("cast_wafer_mould", "body"): {"mask": False, "mould": False, "part": True, "lid": True},
    ("printed_bonded_halves", "lid"): {"part": False, "lid": True},
    ("printed_bonded_halves", "body"): {"part": True, "lid": False},
    ("printed_monolith", "lid"): {"part": False},
    ("printed_monolith", "body"): {"part": True},
}
#: An F, 3 mm tall.
LETTER = MultiPolygon([unary_union([box(8, 2, 8.6, 5), box(8, 4.4, 10, 5), box(8, 3.3, 9.4, 3.9)])])
CODES = {"qr": "QR Code", "micro": "Micro QR Code", "matrix": "Data Matrix"}


@pytest.fixture(scope="module")
def seen_from(make_job):
    def make(side, *shapes):
        job = make_job(lid="glass")
        layers = [Layer("marks", Role.MARKS, shape, depth_um=200.0) for shape in shapes]
        layout = replace(job.layout, layers=(*job.layout.layers, *layers))
        return replace(job, layout=layout, chip=replace(job.chip, viewed_from=side))

    return make


@pytest.mark.parametrize(("route", "side"), MIRRORED)
def test_what_is_drawn_mirrored(seen_from, route, side):
    job = seen_from(side)
    handed = handedness_of(job, load_routes(job.catalogue)[route])
    assert handed.viewed_from == side
    assert handed.mirrored == MIRRORED[route, side]
    assert all(step.why for step in handed.steps)
    assert (handed.steps[-1].gives == "body_side") is (side == "body")


@pytest.mark.parametrize("kind", CODES)
@pytest.mark.parametrize(("route", "side"), MIRRORED)
def test_a_code_and_a_label_are_read_from_the_asked_side(seen_from, code_shape, route, side, kind):
    """File → the route's own model → the steps to the eye.

    What is left as drawn where it should be mirrored is read the wrong way round.
    """
    drawn = code_shape("KIT-7", kind=kind, module_mm=0.5, at=(30.0, 1.5))
    (code,) = find_codes(drawn)
    assert (code.format, code.mirrored) == (CODES[kind], False)
    job = seen_from(side)
    known = load_routes(job.catalogue)[route]
    variant = known.variants(job)[0]
    handed = handedness_of(job, known)
    file = next(iter(handed.mirrored))
    to_eye = handedness.to_eye(handed.steps, file, job.chip.outline)

    def seen(*in_file):
        made = known.as_made(seen_from(side, *in_file), variant).marks
        return [handedness.placed(marks.geometry, to_eye) for marks in made]

    laid_out = [handedness.placed(shape, to_eye) for shape in (drawn, LETTER)]
    as_code, as_letter = seen(*laid_out)
    right = read_back(code, as_code, MultiPolygon())
    assert right is not None
    assert (right.text, right.mirrored) == ("KIT-7", False)
    assert _alike(as_letter, LETTER)

    wrong_code, wrong_letter = seen(drawn, LETTER)
    (wrong,) = find_codes(wrong_code)
    assert wrong.mirrored is handed.mirrored[file]
    assert _alike(wrong_letter, LETTER) is not handed.mirrored[file]


def _alike(one, other) -> bool:
    """Whether two letters cover each other, wherever they are: a mirrored F covers two thirds at most."""
    moved = translate(one, *np.subtract(other.envelope.centroid.coords[0], one.envelope.centroid.coords[0]))
    return moved.intersection(other).area > 0.8 * moved.union(other).area


@pytest.mark.parametrize("side", ["lid", "body"])
def test_ports_are_met_in_the_same_order_on_the_chip_and_in_the_other_on_what_is_mirrored(seen_from, side):
    """Corners of a chip of 70 × 22 mm: clockwise from the top these are ne, se, sw, nw."""
    job = seen_from(side)
    corners = {"sw": (5, 4), "ne": (65, 18), "nw": (5, 18), "se": (65, 4)}
    ports = tuple(
        replace(job.layout.ports[0], name=name, role=PortRole.INLET, opening=Point(at).buffer(0.5))
        for name, at in corners.items()
    )
    job = replace(job, layout=replace(job.layout, ports=ports))
    handed = handedness_of(job, load_routes(job.catalogue)["cast_wafer_mould"])
    assert handed.ports_clockwise == ("ne", "se", "sw", "nw")
    on_mask = handedness.to_eye(handed.steps, "mask", job.chip.outline)
    laid_out = [replace(port, opening=handedness.placed(port.opening, on_mask)) for port in ports]
    order = handedness.clockwise(laid_out, job.chip.outline)
    assert order == (("nw", "sw", "se", "ne") if side == "lid" else ("ne", "se", "sw", "nw"))


def test_a_port_at_the_top_comes_first(seen_from):
    job = seen_from("lid")
    top = replace(job.layout.ports[0], name="top", opening=Point(35.0, 20.0).buffer(0.5))
    left = replace(top, name="left", opening=Point(5.0, 11.0).buffer(0.5))
    assert handedness.clockwise((left, top), job.chip.outline) == ("top", "left")


def test_only_files_that_are_drawn_are_told_to_be_mirrored(seen_from):
    job = seen_from("lid")
    notes = {
        name: handedness_notes(handedness_of(job, route))
        for name, route in load_routes(job.catalogue).items()
    }
    told = "The drawing is what is seen from the lid side: draw the "
    assert notes["cast_printed_mould"] == (told + "mould mirrored; the lid as drawn.",)
    assert notes["cast_wafer_mould"] == (told + "mask mirrored; the lid as drawn.",)
    assert notes["printed_bonded_halves"] == (told + "lid mirrored; the part as drawn.",)
    assert notes["printed_monolith"] == ()


def test_a_route_that_says_nothing_of_it_has_none(seen_from):
    job = seen_from("lid")
    route = load_routes(job.catalogue)["printed_monolith"]
    silent = type(route)({key: value for key, value in route.table.items() if key != "handedness"})
    assert handedness_of(job, silent) is None
    assert cover(job, silent) is None
