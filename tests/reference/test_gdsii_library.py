"""Mask files against an independent reader: the library gdstk, which our reading of GDSII does not use.

What is compared is its own expansion of references, its own paths and its own boolean union.
"""

import itertools
import math

import gdstk
import numpy as np
import pytest
import samples
from shapely import MultiPolygon, Point, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layer, Layout, Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.readers.gdsii_records import real_from_bytes, real_to_bytes
from rillcast_service.engine.layout.writers import written

DEFAULTS = load().defaults
MEDIA_TYPES = {".gds": "application/vnd.gdsii", ".oas": "application/vnd.semi.oasis"}

#: Cells of optical chips, drawn at universities with several programs: arrays, paths, keyholes, texts.
PACKAGE = ("ubcpdk", "3.3.2", "9e763e2549f661e8ab09e028007b9483f56b2a902bea18caa691c27a6f0e5e9f")

#: Files of that package, and what each brings.
FILES = {
    "EBeam/GC_TE_1310_8degOxide_BB.gds": "round shapes, texts",
    "EBeam/ebeam_adiabatic_te1550.gds": "long tapers",
    "EBeam/ebeam_crossing4.gds": "one boundary that is its own mirror image",
    "EBeam/ebeam_gc_te1550.gds": "cells in cells, many curved bars",
    "EBeam/ebeam_splitter_swg_assist_te1310.gds": "hundreds of small bars",
    "EBeam/ebeam_terminator_te1310.gds": "path",
    "EBeam/ebeam_y_1310.gds": "curves",
    "EBeam_Beta/Alignment_Marker.GDS": "crosses",
    "EBeam_Beta/ebeam_BondPad.gds": "plain rectangles on several layers",
    "EBeam_Beta/ebeam_gc_te1310_8deg.oas": "OASIS",
    "EBeam_Beta/metal_via.gds": "cells placed several times",
    "EBeam_Beta/pbs_1550_eskid.gds": "thin bars",
    "EBeam_Beta/thermal_phase_shifter_te_1310_.gds": "a cell of notes beside the chip",
}

#: Shapes below 0.1 µm × 0.1 µm are left out as slips of the pen: ends of markers, of no use to a chip.
SPECKS_MM2 = 5e-8


def reading(data, kind, layers, **options):
    given = ReadOptions.from_defaults(
        DEFAULTS,
        roles=dict.fromkeys(layers, "channels"),
        sliver_um=0.0,
        gap_um=0.0,
        limits=Limits(polygons_count=10**6, vertices_count=10**7, crossings_count=10**7),
        **options,
    )
    layout = read(data, media_type=MEDIA_TYPES[kind], name="test", options=given)
    return {layer.name: layer.geometry for layer in layout.layers}


def areas_by_the_library(cell):
    """Layer → area that its shapes cover together, mm²."""
    by_layer = {}
    for polygon in cell.get_polygons():
        by_layer.setdefault(f"{polygon.layer}/{polygon.datatype}", []).append(polygon)
    unions = {key: gdstk.boolean(shapes, [], "or", precision=1e-7) for key, shapes in by_layer.items()}
    return {key: sum(polygon.area() for polygon in union) for key, union in unions.items()}


def assert_same_areas(found, expected):
    assert set(found) == set(expected)
    for key, area in expected.items():
        # every edge lies within 1 nm of where the library has it
        assert found[key].area == pytest.approx(area, abs=1e-6 * found[key].length + SPECKS_MM2), key


@pytest.mark.parametrize("name", FILES)
def test_files_of_others(name, tmp_path):
    data = samples.wheel(*PACKAGE).read(f"ubcpdk/gds/{name}")
    kind = name[-4:].lower()
    path = tmp_path / "sample"
    path.write_bytes(data)
    load_file = gdstk.read_gds if kind == ".gds" else gdstk.read_oas
    # Note cells have names that no one draws by.
    (cell,) = (cell for cell in load_file(str(path), unit=1e-3).top_level() if "$$$" not in cell.name)
    expected = areas_by_the_library(cell)
    assert sum(expected.values()) > 0.0
    assert_same_areas(reading(data, kind, expected, flattening_um=0.01), expected)


def stream_of(tmp_path, *cells):
    library = gdstk.Library(unit=1e-3, precision=1e-9)
    library.add(*cells)
    path = tmp_path / "test.gds"
    library.write_gds(path, max_points=8190)
    return path.read_bytes(), gdstk.read_gds(path, unit=1e-3, tolerance=1e-5).top_level()[0]


@pytest.mark.parametrize("seed", range(12))
def test_random_cells_in_cells(seed, tmp_path):
    chance = np.random.default_rng(seed)
    cells = [gdstk.Cell(f"C{level}") for level in range(4)]
    ends = ["flush", "extended", (0.3, 0.1), "round"]
    for cell in cells:
        for _ in range(4):
            points = np.cumsum(chance.uniform(1.0, 4.0, (5, 2)), axis=0) * chance.choice([-1, 1], 2)
            end, width = ends[chance.integers(4)], chance.uniform(0.05, 0.4)
            cell.add(gdstk.FlexPath(points.tolist(), width, ends=end, simple_path=True, layer=1))
        cell.add(gdstk.regular_polygon(chance.uniform(-9, 9, 2).tolist(), 1.0, 7, layer=2))
    for outer, inner in itertools.pairwise(cells):
        outer.add(
            gdstk.Reference(
                inner,
                tuple(chance.uniform(-20, 20, 2)),
                rotation=chance.choice([0.0, math.pi / 2, 0.3, -2.1]),
                magnification=chance.choice([1.0, 0.5, 1.7]),
                x_reflection=bool(chance.integers(2)),
                columns=int(chance.integers(1, 4)),
                rows=int(chance.integers(1, 3)),
                spacing=(17.0, 13.0),
            )
        )
    data, top = stream_of(tmp_path, *cells)
    expected = areas_by_the_library(top)
    found = reading(data, ".gds", expected, flattening_um=0.01)
    for key, area in expected.items():
        # placings turned by any angle come off the grid of 1 nm in either program
        assert found[key].area == pytest.approx(area, abs=2e-6 * found[key].length), key


@pytest.mark.parametrize(
    ("value", "eight_bytes"),
    [
        # Binary fractions to the base 16, excess 64: by hand from the definition in the format's manual.
        (0.0, "0000000000000000"),
        (1.0, "4110000000000000"),
        (-1.0, "C110000000000000"),
        (0.5, "4080000000000000"),
        (16.0, "4210000000000000"),
        # The worked example of IBM System/360 Principles of Operation, "hexadecimal floating point".
        (-118.625, "C276A00000000000"),
        # The usual units of a mask, as found in the head of nearly every stream.
        (1e-3, "3E4189374BC6A7F0"),
        (1e-9, "3944B82FA09B5A54"),
    ],
)
def test_numbers_of_eight_bytes(value, eight_bytes):
    assert real_to_bytes(value).hex().upper() == eight_bytes
    assert real_from_bytes(bytes.fromhex(eight_bytes)) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize("name", ["EBeam/ebeam_y_1310.gds", "EBeam_Beta/metal_via.gds"])
def test_units_in_the_head_of_files_of_others(name, tmp_path):
    data = samples.wheel(*PACKAGE).read(f"ubcpdk/gds/{name}")
    path = tmp_path / "sample.gds"
    path.write_bytes(data)
    at = data.index(b"\x00\x14\x03\x05") + 4
    user, metres = real_from_bytes(data[at : at + 8]), real_from_bytes(data[at + 8 : at + 16])
    assert (metres / user, metres) == pytest.approx(gdstk.gds_units(path), rel=1e-12)


def test_written_streams_are_what_the_library_reads(tmp_path):
    plate = box(0, 0, 20, 10).difference(Point(6, 5).buffer(2)).difference(Point(12, 5).buffer(2))
    layer = Layer("channels", Role.CHANNELS, MultiPolygon([plate]), depth_um=100.0)
    layout = Layout("test", "svg", (layer,), (), None, 1.0)
    for suffix, load_file in ((".gds", gdstk.read_gds), (".oas", gdstk.read_oas)):
        path = tmp_path / f"test{suffix}"
        path.write_bytes(written(layout, media_type=MEDIA_TYPES[suffix]))
        library = load_file(path, unit=1e-3)
        assert library.precision == pytest.approx(1e-9)
        (cell,) = library.cells
        assert cell.area(True) == {(1, 0): pytest.approx(plate.area, abs=1e-6 * plate.length)}
    assert gdstk.oas_validate(tmp_path / "test.oas")[0]
