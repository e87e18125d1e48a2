"""OASIS files: repetitions, paths, names of ports, and what is refused before the library sees it."""

import gdstk
import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutTooComplex, LayoutUnreadable
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults


@pytest.fixture
def oasis(tmp_path):
    """Writes a cell of shapes, lengths in mm, with a library that no one here wrote."""

    def writing(*shapes, validation="crc32", **keywords):
        library = gdstk.Library(unit=1e-3, precision=1e-9)
        library.new_cell("TOP").add(*shapes)
        path = tmp_path / "test.oas"
        library.write_oas(path, validation=validation, **keywords)
        return path.read_bytes()

    return writing


def reading(data, **options):
    given = {"roles": {"1": "channels"}} | options
    return read(
        data,
        media_type="application/vnd.semi.oasis",
        name="test",
        options=ReadOptions.from_defaults(DEFAULTS, **given),
    )


def bar(**repetition):
    drawn = gdstk.rectangle((0, 0), (10, 1), layer=1)
    if repetition:
        drawn.repetition = gdstk.Repetition(**repetition)
    return drawn


@pytest.mark.parametrize(
    ("repetition", "count"),
    [
        ({}, 1),
        ({"columns": 3, "rows": 2, "spacing": (20, 5)}, 6),
        ({"columns": 2, "rows": 2, "v1": (20, 3), "v2": (0, 6)}, 4),
        ({"x_offsets": [12, 40]}, 3),
        ({"offsets": [(12, 3), (40, 9)]}, 3),
    ],
)
def test_repetitions(oasis, repetition, count):
    geometry = reading(oasis(bar(**repetition))).channel_layers[0].geometry
    assert geometry.area == pytest.approx(10.0 * count)
    assert len(geometry.geoms) == count


def test_a_repetition_of_1e9_is_counted_and_not_made(oasis, refusal):
    data = oasis(bar(columns=40_000, rows=40_000, spacing=(20, 5)))
    assert "1600000000 polygons" in refusal(LayoutTooComplex, reading, data).message


@pytest.mark.parametrize(
    ("ends", "area"),
    [("flush", 10.0), ("extended", 11.0), ((0.25, -1.0), 9.25)],  # the format has no round ones
)
def test_paths(oasis, ends, area):
    path = gdstk.FlexPath([(0, 0), (10, 0)], 1.0, ends=ends, layer=1, simple_path=True)
    assert reading(oasis(path)).channel_layers[0].geometry.area == pytest.approx(area, abs=1e-9)


def test_ports_by_their_text(oasis):
    disc = gdstk.ellipse((5, 0.5), 0.4, layer=2, tolerance=1e-3)
    layout = reading(
        oasis(bar(), disc, gdstk.Label("waste", (5, 0.5), layer=2)), roles={"1": "channels", "2": "ports"}
    )
    assert [(port.name, port.role) for port in layout.ports] == [("waste", "outlet")]


@pytest.mark.parametrize("validation", ["crc32", "checksum32", None])
def test_check_sums_that_fit(oasis, validation):
    assert reading(oasis(bar(), validation=validation)).channel_layers[0].geometry.area == 10.0


@pytest.mark.parametrize("validation", ["crc32", "checksum32"])
def test_a_flipped_bit_is_found_by_the_check_sum(oasis, refusal, validation):
    data = bytearray(oasis(bar(), validation=validation))
    for at in range(40, len(data) - 260):
        data[at] ^= 1
        assert "check sum" in refusal(LayoutUnreadable, reading, bytes(data)).message
        data[at] ^= 1


def test_cut_off_at_every_byte(oasis, refusal):
    data = oasis(bar(), bar(columns=3, rows=2, spacing=(20, 5)))
    for length in range(13, len(data)):
        refusal(LayoutUnreadable, reading, data[:length])


def test_another_version(oasis, refusal):
    data = oasis(bar()).replace(b"\x031.0", b"\x032.0", 1)
    assert "version 1.0" in refusal(LayoutUnreadable, reading, data).message
