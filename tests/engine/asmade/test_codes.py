"""Codes among marks: found, counted, told from their mirror image. Symbols are made by other libraries."""

import itertools

import pytest
import shapely
from shapely import MultiPolygon, box
from shapely.affinity import rotate, scale, translate

from rillcast_service.engine.asmade import codes
from rillcast_service.engine.asmade.codes import find_codes, read_back
from rillcast_service.engine.shapes import offset, polygons

NOTHING = MultiPolygon()

#: Symbols with their modules a side, ISO/IEC 18004:2015, 5.3.1: version V has 17 + 4 V, Micro QR version
#: M has 9 + 2 M.
SYMBOLS = [
    *((f"QR {v}", "qr", {"version": v, "error": "m"}, 17 + 4 * v) for v in (1, 2, 3, 7, 10)),
    *((f"M{m}", "micro", {"version": f"M{m}"}, 9 + 2 * m) for m in (1, 2, 3, 4)),
]


@pytest.mark.parametrize(("name", "kind", "how", "modules"), SYMBOLS, ids=[symbol[0] for symbol in SYMBOLS])
def test_a_code_is_found_with_the_modules_of_its_standard(code_shape, name, kind, how, modules):
    (code,) = find_codes(code_shape("052", kind=kind, module_mm=0.25, at=(10.0, 5.0), **how))
    assert code.text == "052"
    assert (code.columns, code.rows) == (modules, modules)
    assert code.module_mm == pytest.approx(0.25, rel=1e-6)
    assert code.outline.bounds == pytest.approx((10.0, 5.0, 10.0 + modules / 4, 5.0 + modules / 4))
    assert (code.mirrored, code.inverted) == (False, False)


@pytest.mark.parametrize(
    ("text", "columns", "rows"), [("A1", 10, 10), ("NITRATE-01", 14, 14), ("12345678901234567890", 32, 8)]
)
def test_a_data_matrix_is_found(code_shape, text, columns, rows):
    """ISO/IEC 16022:2006, table 7: 10 × 10 holds 3 codewords, 14 × 14 8, 8 × 32 10 (two digits to one)."""
    drawn = code_shape(text, kind="matrix", module_mm=0.3)
    (code,) = find_codes(drawn)
    assert (code.format, code.text, code.columns, code.rows) == ("Data Matrix", text, columns, rows)
    assert code.module_mm == pytest.approx(0.3, rel=1e-6)
    assert code.mirrored is False
    (code,) = find_codes(scale(drawn, -1.0, 1.0))
    assert (code.text, code.mirrored) == (text, True)


def test_the_worked_examples_of_the_standard():
    """Format information of ISO/IEC 18004:2015, 7.9.1 (M, mask 101) and 7.9.2 (M1, mask 11), from memory."""
    assert f"{codes._word('M', 0b101):015b}" == "100000011001110"
    assert f"{codes._micro_word(11, '', 0b11):015b}" == "100101100011100"


@pytest.mark.parametrize("level", "LMQH")
def test_every_mask_of_every_level_is_told_from_its_mirror_image(code_shape, level):
    for mask in range(8):
        drawn = code_shape("HI 12", version=2, error=level, mask=mask, boost_error=False, module_mm=0.25)
        assert [code.mirrored for code in find_codes(drawn)] == [False]
        assert [code.mirrored for code in find_codes(scale(drawn, -1.0, 1.0))] == [True]


@pytest.mark.parametrize(("version", "levels"), [("M1", [None]), ("M2", "LM"), ("M3", "LM"), ("M4", "LMQ")])
def test_every_micro_symbol_is_told_from_its_mirror_image(code_shape, version, levels):
    for level, mask in itertools.product(levels, range(4)):
        how = {"version": version, "error": level, "mask": mask, "boost_error": False}
        drawn = code_shape("123", kind="micro", module_mm=0.25, **how)
        assert [code.mirrored for code in find_codes(drawn)] == [False]
        assert [code.mirrored for code in find_codes(scale(drawn, -1.0, 1.0))] == [True]


@pytest.mark.parametrize("angle", [30, 90, 180, -107])
def test_turning_a_code_is_not_mirroring_it(code_shape, angle):
    drawn = code_shape("NITRATE-01", module_mm=0.25)
    for shape, mirrored in ((drawn, False), (scale(drawn, -1.0, 1.0), True)):
        (code,) = find_codes(rotate(shape, angle))
        assert (code.text, code.mirrored) == ("NITRATE-01", mirrored)
        assert code.module_mm == pytest.approx(0.25, rel=2e-2)


def test_a_code_of_engraved_light_modules_is_read_inverted(code_shape):
    dark = code_shape("NITRATE-01", module_mm=0.25, at=(10.0, 5.0))
    light = polygons(box(9.0, 4.0, 16.25, 11.25).difference(dark))
    (code,) = find_codes(light)
    assert (code.text, code.inverted, code.mirrored) == ("NITRATE-01", True, False)
    assert read_back(code, light, NOTHING) is not None
    assert read_back(code, dark, NOTHING) is None


def test_several_codes_are_found_from_left_to_right_and_a_label_is_none(code_shape):
    shapes = [
        code_shape("TWO", kind="matrix", module_mm=0.1, at=(40.0, 0.0)),
        code_shape("ONE", module_mm=0.4, at=(0.0, 0.0)),
        MultiPolygon([box(20.0 + i, 0.0, 20.4 + i, 2.0) for i in range(12)]),
    ]
    found = find_codes(polygons(shapely.union_all(shapes)))
    assert [code.text for code in found] == ["ONE", "TWO"]
    assert find_codes(shapes[2]) == ()
    assert find_codes(NOTHING) == ()


@pytest.mark.parametrize(("by", "reads"), [(-0.35, True), (-0.49, False), (0.3, True), (0.45, False)])
def test_modules_may_swell_or_shrink_only_so_far(code_shape, by, reads):
    """At half a module nothing is left of either light or dark; well inside that a reader copes."""
    drawn = code_shape("NITRATE-01", module_mm=0.3)
    (code,) = find_codes(drawn)
    assert (read_back(code, offset(drawn, by * 0.3), NOTHING) is not None) is reads


def test_a_code_is_not_read_back_from_another_or_with_its_finder_covered(code_shape):
    drawn = code_shape("NITRATE-01", module_mm=0.3)
    (code,) = find_codes(drawn)
    assert read_back(code, code_shape("NITRATE-02", module_mm=0.3), NOTHING) is None
    cover = MultiPolygon([box(-0.1, 4.1, 2.2, 6.4)])
    assert read_back(code, drawn, cover) is None
    assert read_back(code, drawn, translate(cover, -20.0)) is not None
