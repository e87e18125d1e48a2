"""Well-known text: what one file may hold, and what is refused by name and line."""

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid, LayoutTooComplex, LayoutUnreadable
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults

BAR = "POLYGON ((0 0, 10 0, 10 1, 0 1, 0 0))"
BOX = "POLYGON ((0 5, 2 5, 2 7, 0 7, 0 5))"


def reading(text, **options):
    given = {"roles": {"wkt": "channels"}} | options
    data = text if isinstance(text, bytes) else text.encode()
    return read(
        data,
        media_type="application/wkt",
        name="test",
        options=ReadOptions.from_defaults(DEFAULTS, **given),
    )


def area(text, **options):
    return reading(text, **options).channel_layers[0].geometry.area


@pytest.mark.parametrize(
    "text",
    [
        f"{BAR}\n{BOX}\n",
        f"{BAR} {BOX}",
        f"{BAR}\r\n\r\n{BOX.lower()}",
        f"\ufeff{BAR}\n{BOX}",
        f"GEOMETRYCOLLECTION ({BAR}, {BOX})",
        f"GEOMETRYCOLLECTION ({BAR}, GEOMETRYCOLLECTION ({BOX}))",
        "MULTIPOLYGON (((0 0, 10 0, 10 1, 0 1, 0 0)), ((0 5, 2 5, 2 7, 0 7, 0 5)))",
        f"POLYGON Z ((0 0 0, 10 0 0, 10 1 0, 0 1 0, 0 0 0))\n{BOX}",
        f"POLYGON\n(\n(0 0, 10 0,\n10 1, 0 1, 0 0)\n)\n{BOX}",
    ],
)
def test_one_geometry_or_several(text):
    assert area(text) == 14.0


def test_holes():
    assert area("POLYGON ((0 0, 10 0, 10 10, 0 10, 0 0), (2 2, 4 2, 4 4, 2 4, 2 2))") == 96.0


def test_units():
    assert any(a.what == "unit" and a.value == "mm" for a in reading(BAR).assumptions)
    layout = reading("POLYGON ((0 0, 10000 0, 10000 1000, 0 1000, 0 0))", unit="um")
    assert layout.channel_layers[0].geometry.area == pytest.approx(10.0)
    assert not any(a.what == "unit" for a in layout.assumptions)


def test_empty_geometries_are_told():
    layout = reading(f"POLYGON EMPTY\n{BAR}")
    assert layout.channel_layers[0].geometry.area == 10.0
    assert any("empty" in a.why and "line 1" in a.value for a in layout.assumptions)


def test_a_bow_tie_is_mended_and_told():
    layout = reading(f"{BAR}\nPOLYGON ((0 5, 4 9, 4 5, 0 9, 0 5))")
    assert [repair.kind for repair in layout.repairs] == ["self_crossing"]
    assert layout.channel_layers[0].geometry.area == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("text", "kind", "says", "line"),
    [
        ("LINESTRING (0 0, 5 0)", LayoutInvalid, "LineString", 2),
        ("POINT (3 4)", LayoutInvalid, "Point", 2),
        ("CIRCULARSTRING (0 0, 1 1, 2 0)", LayoutInvalid, "CIRCULARSTRING", 2),
        ("CURVEPOLYGON (CIRCULARSTRING (0 0, 1 1, 2 0, 1 -1, 0 0))", LayoutInvalid, "CURVEPOLYGON", 2),
        ("TIN (((0 0 0, 1 0 0, 0 1 0, 0 0 0)))", LayoutInvalid, "TIN", 2),
        ("POLYGON Z ((0 0 1, 1 0 0, 1 1 0, 0 0 1))", LayoutInvalid, "height", 2),
        ("POLYGON M ((0 0 1, 1 0 0, 1 1 0, 0 0 1))", LayoutInvalid, "measure", 2),
        ("POLYGON ((0 0, nan 0, 1 1, 0 0))", LayoutInvalid, "finite", 2),
        ("SRID=4326;POLYGON ((0 0, 1 0, 1 1, 0 0))", LayoutUnreadable, "SRID", 2),
        ("POLYGON ((0 0, 1 0, 1 1, 0 0)", LayoutUnreadable, "brackets", 2),
        ("POLYGON ((0 0, 1 0, x 1, 0 0))", LayoutUnreadable, "cannot be read", 2),
        ("POLYGON (0 0, 1 0)", LayoutUnreadable, "cannot be read", 2),
        (")", LayoutUnreadable, "no well-known text", 2),
        ("# drawn in spring", LayoutUnreadable, "no well-known text", 2),
        ("POLYGON ((0 0, 1e300 0, 1 1, 0 0))", LayoutTooComplex, "reaches", 2),
    ],
)
def test_refused(refusal, text, kind, says, line):
    fault = refusal(kind, reading, f"{BAR}\n{text}\n")
    assert says in f"{fault.message} {fault.remedy}"
    assert f"line {line}" in fault.where


def test_nesting_is_counted_before_it_is_read(refusal):
    deep = "GEOMETRYCOLLECTION (" * 200_000 + BAR + ")" * 200_000
    assert "nesting" in refusal(LayoutTooComplex, reading, deep).message


def test_cut_off_at_every_character(refusal):
    text = f"{BAR}\n{BOX}"
    for length in range(1, len(text)):
        if length not in (len(BAR), len(BAR) + 1):
            refusal(LayoutUnreadable, reading, text[:length])


def test_no_text(refusal):
    refusal(LayoutUnreadable, reading, b"POLYGON ((0 0, 1 0, 1 1, 0 0))\x00")
    refusal(LayoutUnreadable, reading, b"\xff\xfe")
