"""DXF drawings of others against the measures of the library's own: its paths, its expansion of blocks.

The files are samples of the source distribution of ezdxf, drawn with many programs; they are read from it
when the test asks. What is compared is what encloses an area. All else must be refused, with the right words.
"""

import io

import ezdxf
import numpy as np
import pytest
import samples
import shapely
from ezdxf import path, recover
from ezdxf.disassemble import recursive_decompose
from shapely import LineString, MultiPolygon, Polygon

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid, LayoutUnitsMissing
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults

PACKAGE = ("ezdxf", "1.4.5", "a6c3bbc1a65ce764d97c5beafe6ae693d8ed14c6cdae366b50e1974a79d4a00a")

#: They are no drawings of chips, and some are large.
LIMITS = Limits(extent_mm=1e6)

#: File → layer, unit of the request, mm in a unit, and what the file brings.
READ = {
    "custom_blocks": ("0", None, 1.0, "blocks, turned; bulges; holes"),
    "empty_handles": ("GEOMETRY-CUTTING", "mm", 1.0, "damaged, recovered; lines that meet"),
    "issue_1359_1": ("0", None, 1.0, "anonymous block; polyline in a circle"),
    "issue_1359_2": ("0", None, 1.0, "anonymous block; overlapping polyline and circle"),
    "no_layouts": ("Layer 1", None, 10.0, "splines in cm, one in the other; no layouts"),
    "POLI-ALL210_12": ("0", "mm", 1.0, "flat face beside curves in space, which are left out"),
    "R12_with_trash_beyond_EOF": ("Layer_is_a_required_tag", None, 1e3, "circle in m; noise behind the end"),
    "small_r13": ("FOOT_PRINT", "in", 25.4, "old polylines; inches"),
}

#: File → layers of the request, unit, error, words, and what the file brings.
REFUSED = {
    "AC1003_LINE_Example": ("1", "in", LayoutInvalid, "open line", "dangling end of lines and arcs; R2.6"),
    "ASCII_R12": ("ΛΑΓΕΡÄÜÖ", "in", LayoutInvalid, "TEXT is text", "layer name by numbers; text in a block"),
    "Leica_Disto_S910": ("LEICA_DISTO_3D", "m", LayoutInvalid, "different heights", "measured in space"),
    "MODEL": (None, None, LayoutInvalid, "a point has no area", "nothing but a point"),
    "POLI-ALL210_12": ("T-2DPLINE-ALL", "mm", LayoutInvalid, "different heights", "polylines in space"),
    "acad_table_with_blk_ref": (None, None, LayoutInvalid, "ACAD_TABLE", "table"),
    "bin_dxf_r12": ("0", "mm", LayoutInvalid, "1 open line ", "binary, R12"),
    "bin_dxf_r13": ("0", "mm", LayoutInvalid, "1 open line ", "binary, R13"),
    "bin_dxf_r14": ("0", "mm", LayoutInvalid, "1 open line ", "binary, R14"),
    "bin_dxf_r2000": ("0", None, LayoutInvalid, "TEXT is text", "binary, R2000; text"),
    "cc_dxflib": ("POLYLINE_001", "m", LayoutInvalid, "different heights", "polyline in space"),
    "duplicate_handles": ("CK_LEVEL_1", "mm", LayoutInvalid, "TEXT is text", "handles used twice"),
    "dxf_unicode": (None, None, LayoutInvalid, "No layer holds channels", "empty drawing"),
    "groups": ("0", None, LayoutInvalid, "open lines", "lines that cross"),
    "issue1106": ("0", "mm", LayoutInvalid, "open lines", "arcs that end in nothing"),
    "layout_missing_block_record": (None, None, LayoutInvalid, "No layer holds channels", "broken layouts"),
    "mtext_columns_R2007": ("STATIC", None, LayoutInvalid, "MTEXT is text", "long text"),
    "mtext_columns_R2018": ("DYNAMIC", None, LayoutInvalid, "MTEXT is text", "long text, R2018"),
    "recover01": ("0", "mm", LayoutInvalid, "TEXT is text", "damaged"),
    "recover02": ("Lines", None, LayoutUnitsMissing, "imperial", "damaged; no unit"),
    "small_r13": ("3USMM_PKG", "in", LayoutInvalid, "open lines", "unfinished outlines"),
}


def sample(name):
    files = samples.source(*PACKAGE)
    (found,) = (data for key, data in files.items() if key.lower().endswith(f"/{name.lower()}.dxf"))
    return found


def reading(name, layer, unit, **options):
    given = ReadOptions.from_defaults(
        DEFAULTS,
        roles={} if layer is None else {layer: "channels"},
        unit=unit,
        sliver_um=0.0,
        gap_um=0.0,
        limits=LIMITS,
        **options,
    )
    return read(sample(name), media_type="image/vnd.dxf", name=name, options=given)


def by_the_library(data, layer, unit_mm, tmp_path):
    """What the closed lines of a layer enclose by the even-odd rule, mm."""
    file = tmp_path / "sample.dxf"
    file.write_bytes(data)
    try:
        document = ezdxf.readfile(file)
    except (ezdxf.DXFError, ValueError):
        document, _ = recover.read(io.BytesIO(data))
    areas, loose = [], []
    for shape in recursive_decompose(document.modelspace()):
        if shape.dxf.layer != layer:
            continue
        line = np.vstack([points_of(piece, 1e-4 / unit_mm) for piece in pieces_of(shape)]) * unit_mm
        if len(line) > 3 and np.hypot(*(line[0] - line[-1])) < 1e-6:
            areas.append(Polygon(line))
        else:
            loose.append(LineString(line.round(6)))
    areas += shapely.get_parts(shapely.polygonize(loose)).tolist()
    covered = MultiPolygon()
    for area in areas:
        covered = covered.symmetric_difference(area)
    return covered


def pieces_of(shape):
    """Lines and arcs of a polyline, which the library flattens closer than its paths, which are Béziers."""
    return list(shape.virtual_entities()) if "POLYLINE" in shape.dxftype() else [shape]


def points_of(shape, distance):
    if hasattr(shape, "flattening"):
        points = list(shape.flattening(distance))
    else:
        points = list(path.make_path(shape).flattening(distance))
    return np.array([(point.x, point.y) for point in points])


@pytest.mark.parametrize("name", READ)
def test_files_of_others(name, tmp_path):
    layer, unit, unit_mm, _ = READ[name]
    expected = by_the_library(sample(name), layer, unit_mm, tmp_path)
    assert expected.area > 0.0
    layout = reading(name, layer, unit, flattening_um=0.1)
    (found,) = (each.geometry for each in layout.layers if each.name == layer)
    # Every edge lies within 0.2 µm of where the library has it.
    assert found.area == pytest.approx(expected.area, abs=2e-4 * found.length)
    assert found.symmetric_difference(expected).area <= 2e-4 * found.length
    assert found.bounds == pytest.approx(expected.bounds, abs=1e-3)


@pytest.mark.parametrize("name", REFUSED)
def test_files_of_others_that_hold_no_areas(name):
    layer, unit, kind, words, _ = REFUSED[name]
    with pytest.raises(kind) as caught:
        reading(name, layer, unit)
    assert words in caught.value.faults[0].message
    assert caught.value.faults[0].remedy.endswith(".")


def test_recovery_is_told():
    layout = reading("empty_handles", "GEOMETRY-CUTTING", "mm")
    (told,) = (each for each in layout.assumptions if each.what == "file")
    assert told.value == "recovered from a damaged file"


@pytest.mark.parametrize("name", ["bin_dxf_r12", "bin_dxf_r13", "bin_dxf_r14"])
def test_ends_of_binary_lines_lie_where_the_library_has_them(name, tmp_path):
    file = tmp_path / "sample.dxf"
    file.write_bytes(sample(name))
    first, *_, last = ezdxf.readfile(file).modelspace()
    with pytest.raises(LayoutInvalid) as caught:
        reading(name, "0", "mm")
    start, end = first.dxf.start, last.dxf.end
    expected = f"from ({start.x:.6g}, {start.y:.6g}) to ({end.x:.6g}, {end.y:.6g}) mm"
    assert expected in caught.value.faults[0].where
