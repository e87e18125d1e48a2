"""The demonstration chip, as anyone who installs Rillcast gets it."""

import math
from pathlib import Path

import pytest
import shapely
from shapely import Point

import rillcast
from rillcast_service.catalogue.loader import load
from rillcast_service.engine.asmade.codes import find_codes
from rillcast_service.engine.layout.model import PortRole, RepairKind, Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DRAWING = Path(rillcast.__file__).parent / "demo" / "river_nitrate_chip.svg"


@pytest.fixture(scope="module")
def chip():
    options = ReadOptions.from_defaults(load().defaults)
    return read(DRAWING.read_bytes(), media_type="image/svg+xml", name="River nitrate", options=options)


def test_it_reads_without_a_guess(chip):
    assert chip.assumptions == ()


def test_its_lines_and_chambers_are_merged_and_nothing_else_is_mended(chip):
    (merged,) = chip.repairs
    assert merged.kind is RepairKind.OVERLAP
    assert merged.area_after_mm2 == pytest.approx(chip.channel_layers[0].geometry.area)


def test_its_layers(chip):
    assert [(layer.name, layer.role) for layer in chip.layers] == [
        ("outline", Role.OUTLINE),
        ("channels", Role.CHANNELS),
        ("ports", Role.PORTS),
        ("marks", Role.MARKS),
    ]


def test_it_fits_on_a_microscope_slide(chip):
    assert chip.outline.bounds == pytest.approx((1.0, 1.0, 75.0, 25.0))
    assert all(layer.geometry.within(chip.outline) for layer in chip.layers[1:])


def test_its_channels_are_one_cavity_150_um_deep(chip):
    (channels,) = chip.channel_layers
    assert channels.depth_um == 150.0
    assert len(channels.geometry.geoms) == 1


def test_its_mixer_is_a_third_of_a_metre_long(chip):
    """Length by hand: 2.2 in, two legs of 6.8, 18 of 14.8, 4.5 out, 20 half turns."""
    length_mm = 2.2 + 2 * 6.8 + 18 * 14.8 + 4.5 + 20 * math.pi * 0.6
    mixer = chip.channel_layers[0].geometry.intersection(shapely.box(13.2, 0.0, 43.9, 26.0))
    assert mixer.area == pytest.approx(length_mm * 0.2, rel=1e-3)


def test_its_ports_lie_on_the_channels_and_off_the_edge(chip):
    assert [(port.name, port.role) for port in chip.ports] == [
        ("sample", PortRole.INLET),
        ("reagent", PortRole.INLET),
        ("waste", PortRole.OUTLET),
    ]
    for port in chip.ports:
        assert port.bore_mm == pytest.approx(1.5, abs=1e-5)
        assert port.opening.within(chip.channel_layers[0].geometry)
        assert port.opening.distance(chip.outline.exterior) >= 3.0


def test_its_walls_are_at_least_half_a_millimetre(chip):
    """Thickening the channels by just under half of that joins nothing and closes no space between them."""
    geometry = chip.channel_layers[0].geometry
    grown = geometry.buffer(0.245)
    assert len(grown.geoms if grown.geom_type == "MultiPolygon" else [grown]) == 1
    assert len(grown.interiors) == len(geometry.geoms[0].interiors) == 0


def test_its_marks_keep_clear_of_the_channels(chip):
    marks = chip.with_role(Role.MARKS)[0].geometry
    assert marks.distance(chip.channel_layers[0].geometry) > 2.0


def test_its_pocket_is_a_dead_end_beside_the_second_read_out(chip):
    geometry = chip.channel_layers[0].geometry
    assert geometry.contains(Point(52.0, 26.0 - 9.6))
    cut = geometry.difference(shapely.box(51.0, 14.5, 53.0, 14.6))
    assert len(cut.geoms) == 2
    pocket = min(cut.geoms, key=lambda part: part.area)
    assert not any(pocket.intersects(port.opening) for port in chip.ports)


def test_its_code_reads_what_its_comment_says_and_keeps_its_quiet_zone(chip):
    """Four modules free around, ISO/IEC 18004."""
    (code,) = find_codes(chip.with_role(Role.MARKS)[0].geometry)
    assert (code.format, code.text, code.columns, code.mirrored) == ("QR Code", "NITRATE-01", 21, False)
    assert code.module_mm == pytest.approx(0.35)
    around = [chip.channel_layers[0].geometry, chip.outline.exterior, *(port.opening for port in chip.ports)]
    assert min(code.outline.distance(shape) for shape in around) >= 4 * 0.35
