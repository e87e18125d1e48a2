"""Files made to hurt: each is refused with the reason, in no time, and none is read as something else."""

from __future__ import annotations

import json
import random
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdstk
import pytest
import seeds
from judge import check, reading
from seeds import (
    DXF,
    GDSII,
    GEOJSON,
    OASIS,
    SQUARE,
    SVG,
    WKT,
    aref,
    boundary,
    cell,
    compressed,
    oasis,
    oasis_cell,
    record,
    rectangle,
    sref,
    stream,
    unsigned,
)

from rillcast_service.engine.errors import (
    EngineError,
    Fault,
    LayoutInvalid,
    LayoutTooComplex,
    LayoutUnitsMissing,
    LayoutUnreadable,
)
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.readers import MEDIA_TYPES
from rillcast_service.reading.pool import ReaderPool

#: No refusal may take longer, s of processor time; nearly all take milliseconds.
QUICKLY_S = 5.0


def refused(data: bytes, media_type: str, kinds: Any = EngineError, **given: Any) -> Fault:
    """The first fault of a file that must be refused, and quickly."""
    began = time.process_time()
    with pytest.raises(kinds) as caught:
        reading(data, media_type, **given)
    assert time.process_time() - began < QUICKLY_S
    fault = caught.value.faults[0]
    assert fault.message.endswith(".")
    assert fault.remedy.endswith(".")
    assert len(fault.message) < 1000, "no file gets to fill the answer with itself"
    return fault


def svg(body: str, sheet: str = 'width="76mm" height="26mm" viewBox="0 0 76 26"', head: str = "") -> bytes:
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f"{head}<svg {names} {sheet}>{body}</svg>".encode()


def channels(body: str) -> bytes:
    return svg(f'<g id="channels">{body}<rect width="9" height="1"/></g>')


def geojson(coordinates: Any, kind: str = "Polygon", **members: Any) -> bytes:
    feature = {
        "type": "Feature",
        "properties": {"layer": "channels", **members},
        "geometry": {"type": kind, "coordinates": coordinates},
    }
    return json.dumps({"type": "FeatureCollection", "units": "mm", "features": [feature]}).encode()


#: What places far out and shapes far too small end in.
BEYOND = (LayoutInvalid, LayoutTooComplex)
DAMAGED = (LayoutInvalid, LayoutUnreadable)

RECT = '<rect width="1" height="1" {}/>'

#: File → classes of its refusal, and words of it.
HOSTILE_SVG: dict[str, tuple[bytes, Any, str]] = {
    "outside symbol": (channels('<use href="http://127.0.0.1:9/a.svg#b"/>'), LayoutInvalid, "a.svg"),
    "symbol of a file": (channels('<use href="file:///etc/hostname#b"/>'), LayoutInvalid, "hostname"),
    "old outside symbol": (channels('<use xlink:href="x.svg#b"/>'), LayoutInvalid, "x.svg"),
    "outside picture": (channels('<image href="http://127.0.0.1:9/a.png"/>'), LayoutInvalid, "image"),
    "outside style": (svg('<style>@import url("http://127.0.0.1:9/a.css");</style>'), LayoutInvalid, "style"),
    "ring of symbols": (
        channels('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>'),
        LayoutInvalid,
        "#",
    ),
    "place at 1e300": (channels('<rect x="1e300" width="1" height="1"/>'), BEYOND, "1e+300"),
    "path to 1e300": (channels('<path d="M0 0L1e300 0L1e300 1e300z"/>'), BEYOND, ""),
    "curve to 1e300": (channels('<path d="M0 0C1e300 0 0 1e300 1 1z"/>'), BEYOND, ""),
    "radius of 1e300": (channels('<path d="M0 0A1e300 1e300 0 1 1 5 5L0 5z"/>'), BEYOND, ""),
    "circle of 1e300": (channels('<circle r="1e300"/>'), BEYOND, ""),
    "pen of 1e300": (channels('<path d="M0 0h1" stroke="red" stroke-width="1e300"/>'), BEYOND, ""),
    "scale of 1e300": (channels(RECT.format('transform="scale(1e300)"')), BEYOND, ""),
    "scale of 1e-300": (svg('<g id="channels" transform="scale(1e-300)"><circle r="1"/></g>'), BEYOND, ""),
    "sheet without area": (svg("", 'width="76mm" height="26mm" viewBox="0 0 0 0"'), EngineError, "viewBox"),
    "sheet of 1e300 mm": (svg(RECT, 'width="1e300mm" height="1e300mm"'), EngineError, ""),
    "window of 1e-300": (svg(RECT, 'width="9mm" height="9mm" viewBox="0 0 1e-300 1e-300"'), EngineError, ""),
    "NUL byte": (channels(RECT.format('id="\0"')), LayoutUnreadable, ""),
    "NUL reference": (channels(RECT.format('id="&#0;"')), LayoutUnreadable, ""),
    "groups in groups": (channels("<g>" * 5000 + "</g>" * 5000), LayoutTooComplex, "nesting"),
    "style of open brackets": (channels(RECT.format(f'style="fill:{"(" * 9999}"')), EngineError, ""),
    "style of braces": (channels(RECT.format(f'style="fill:{"{" * 9999}{"}" * 9999}"')), EngineError, ""),
    "rules in rules": (svg(f"<style>{'@media all{' * 9999}</style>"), EngineError, ""),
    "selectors in selectors": (
        svg(f"<style>{':not(' * 9999}.a{')' * 9999}{{fill:red}}</style>"),
        EngineError,
        "",
    ),
    "selector of 10 000 steps": (svg(f"<style>{'g ' * 10_000}{{fill:red}}</style>"), EngineError, ""),
    "outside paint": (
        channels(RECT.format('fill="url(http://127.0.0.1:9/a.svg#b)"')),
        LayoutInvalid,
        "a.svg",
    ),
    "outside font": (
        svg(
            "<style>@font-face{font-family:x;src:url(http://127.0.0.1:9/a.woff)}</style>"
            '<g id="channels"><text font-family="x" y="9">A</text></g>'
        ),
        LayoutInvalid,
        "text",
    ),
    "symbol that holds itself": (
        channels('<use href="#channels"/>'),
        LayoutInvalid,
        "holds this reference",
    ),
    "clip path of itself": (
        channels('<clipPath id="c" clip-path="url(#c)"/><rect width="1" height="1" clip-path="url(#c)"/>'),
        LayoutInvalid,
        "itself",
    ),
    "open brackets": (channels(RECT.format(f'transform="{"scale(" * 9999}"')), LayoutInvalid, "scale("),
    "name of a million letters": (channels(f'<text id="{"a" * 1_000_000}">x</text>'), LayoutInvalid, "aaa"),
    "many arcs": (channels(f'<path d="M0 0{"a1 1 0 0" * 20000}"/>'), BEYOND, ""),
}


class TestSvg:
    @pytest.mark.parametrize(("data", "kind", "says"), HOSTILE_SVG.values(), ids=HOSTILE_SVG)
    def test_it_is_refused(self, data: bytes, kind: Any, says: str) -> None:
        assert says in str(refused(data, SVG, kind))

    @pytest.mark.parametrize("element", ["g", "symbol", "clipPath"])
    def test_references_that_double_thirty_times(self, element: str) -> None:
        levels = "".join(
            f'<{element} id="l{level + 1}"><use href="#l{level}"/><use href="#l{level}"/></{element}>'
            for level in range(30)
        )
        defs = f'<defs><rect id="l0" width="1" height="1"/>{levels}</defs>'
        use = '<use href="#l30"/>'
        if element == "clipPath":
            use = '<rect clip-path="url(#l30)" width="9" height="9"/>'
        data = svg(f'{defs}<g id="channels">{use}</g>')
        refused(data, SVG, (LayoutTooComplex, LayoutInvalid), limits=Limits(elements_count=5_000))

    def test_a_style_sheet_of_a_million_rules(self) -> None:
        rules = "".join(f".c{i}{{fill:none}}" for i in range(100_000))
        layout = reading(svg(f'<style>{rules}</style><g id="channels"><rect width="9" height="1"/></g>'), SVG)
        assert layout.channel_layers[0].geometry.area == pytest.approx(9.0)

    def test_many_rules_for_many_elements(self) -> None:
        # What is looked up for every pair of them takes rules × elements.
        rules = "".join(f".c{i}{{fill:none}}" for i in range(1000))
        shapes = "".join(f'<rect class="x c{i}" width="9" height="1"/>' for i in range(1000))
        began = time.process_time()
        with pytest.raises(EngineError, match="channels"):
            reading(svg(f'<style>{rules}</style><g id="channels">{shapes}</g>'), SVG)
        assert time.process_time() - began < 2 * QUICKLY_S


TRIANGLE = geojson([[[0, 0], [9, 0], [0, 7], [0, 0]]])

HOSTILE_GEOJSON: dict[str, tuple[bytes, Any]] = {
    "brackets": (b'{"a":' + b"[" * 1_000_000, (LayoutUnreadable, LayoutTooComplex)),
    "objects": (b'{"a":' * 1_000_000, (LayoutUnreadable, LayoutTooComplex)),
    "place at 1e300": (TRIANGLE.replace(b"7", b"1e300"), EngineError),
    "place at 1e400": (TRIANGLE.replace(b"7", b"1e400"), EngineError),
    "place that is no number": (TRIANGLE.replace(b"7", b"NaN"), EngineError),
    "number of 100 000 digits": (TRIANGLE.replace(b"7", b"7" * 100_000), EngineError),
    "line 1e300 wide": (geojson([[0, 0], [9, 0]], "LineString", width_mm=1e300), EngineError),
    "line 1e-300 wide": (geojson([[0, 0], [9, 0]], "LineString", width_mm=1e-300), EngineError),
    "NUL byte": (TRIANGLE.replace(b"channels", b"channels\0"), EngineError),
    "NUL in a layer": (TRIANGLE.replace(b"channels", b"\\u0000"), LayoutInvalid),
    "half a pair": (TRIANGLE.replace(b"channels", b"\\ud800"), LayoutInvalid),
    "UTF-16": (TRIANGLE.decode().encode("utf-16"), LayoutUnreadable),
}


class TestGeoJson:
    @pytest.mark.parametrize(("data", "kind"), HOSTILE_GEOJSON.values(), ids=HOSTILE_GEOJSON)
    def test_it_is_refused(self, data: bytes, kind: Any) -> None:
        refused(data, GEOJSON, kind)

    def test_collections_in_collections(self) -> None:
        geometry: dict[str, Any] = {"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [0, 9], [0, 0]]]}
        for _ in range(200):
            geometry = {"type": "GeometryCollection", "geometries": [geometry]}
        feature = {"type": "Feature", "properties": {"layer": "channels"}, "geometry": geometry}
        data = json.dumps({"type": "FeatureCollection", "units": "mm", "features": [feature]}).encode()
        assert "nesting" in refused(data, GEOJSON, LayoutTooComplex).message


FAR = 2**31 - 1
SQUARE_CELL = cell("A", SQUARE)


def chain(levels: int, link: Callable[[str], bytes]) -> bytes:
    """Cells of which each places the one before."""
    return stream(cell("L0", SQUARE), *(cell(f"L{i + 1}", link(f"L{i}")) for i in range(levels)))


HOSTILE_GDSII: dict[str, tuple[bytes, Any, str]] = {
    "array of 10^9": (
        stream(SQUARE_CELL, cell("T", aref("A", 32767, 32767, 1))),
        LayoutTooComplex,
        "polygons",
    ),
    "arrays of arrays": (chain(20, lambda name: aref(name, 1000, 1000)), LayoutTooComplex, ""),
    "cells that double": (chain(60, lambda name: sref(name) * 2), LayoutTooComplex, ""),
    "cells 10 000 deep": (chain(10_000, sref), LayoutTooComplex, "nesting"),
    "cell in itself": (stream(cell("A", SQUARE, sref("A"))), LayoutUnreadable, "'A'"),
    "ring of cells": (stream(cell("A", sref("B")), cell("B", SQUARE, sref("A"))), LayoutUnreadable, "'A'"),
    "missing cell": (stream(cell("A", SQUARE, sref("B"))), LayoutUnreadable, "'B'"),
    "cells of one name": (stream(SQUARE_CELL, SQUARE_CELL), LayoutUnreadable, "'A'"),
    "scale of 1e60": (stream(SQUARE_CELL, cell("T", sref("A", mag=1e60))), BEYOND, ""),
    "scale of 0": (stream(SQUARE_CELL, cell("T", sref("A", mag=0.0))), LayoutInvalid, ""),
    "whole plane": (stream(cell("A", boundary((-FAR, -FAR), (FAR, -FAR), (FAR, FAR)))), BEYOND, "mm"),
    "unit of nothing": (stream(SQUARE_CELL, units=seeds.real(3, 0.0, 0.0)), LayoutUnitsMissing, "unit"),
    "unit of 1e60 m": (stream(SQUARE_CELL, units=seeds.real(3, 1.0, 1e60)), LayoutUnitsMissing, "unit"),
    "no unit": (stream(SQUARE_CELL, units=b""), LayoutUnitsMissing, "UNITS"),
    "record without length": (stream(cell("A", b"\0\0\x08\0")), LayoutUnreadable, "byte"),
    "record beyond the end": (stream(cell("A", b"\xff\xff\x08\0")), LayoutUnreadable, "byte"),
    "unknown record": (stream(cell("A", record(0x7F, 0))), LayoutUnreadable, "byte"),
    "nothing but a head": (stream(), LayoutInvalid, "shapes"),
    "array of none": (stream(SQUARE_CELL, cell("T", aref("A", 0, 0))), DAMAGED, ""),
    "array of minus one": (stream(SQUARE_CELL, cell("T", aref("A", -1, -1))), DAMAGED, ""),
    "points that are one": (stream(cell("A", boundary((5, 5), (5, 5), (5, 5)))), LayoutInvalid, ""),
}


class TestGdsii:
    @pytest.mark.parametrize(("data", "kind", "says"), HOSTILE_GDSII.values(), ids=HOSTILE_GDSII)
    def test_it_is_refused(self, data: bytes, kind: Any, says: str) -> None:
        assert says in str(refused(data, GDSII, kind))


def library_file(build: Callable[[Any, Any], object], tmp_path: Path) -> bytes:
    """An OASIS file that the library writes, with a square in cell A and what is built in A and T."""
    library = gdstk.Library(unit=1e-3, precision=1e-9)
    square, top = library.new_cell("A"), library.new_cell("T")
    square.add(gdstk.rectangle((0, 0), (1, 1), layer=1))
    build(square, top)
    path = tmp_path / "made.oas"
    library.write_oas(path)
    return path.read_bytes()


def repeated(square: Any, top: Any) -> None:
    """A shape that is there 10^9 times."""
    shape = gdstk.rectangle((0, 0), (1e-3, 1e-3))
    shape.repetition = gdstk.Repetition(columns=32000, rows=32000, spacing=(2e-3, 2e-3))
    top.add(shape, gdstk.Reference("A"))


STEPS = 10**6
SQUARE_OASIS = rectangle(width=STEPS, height=STEPS, x=0, y=0)


A = oasis_cell("A")
MANY = unsigned(2**40)

#: Records → words of the refusal. A library that trusts them ends the process on most.
HOSTILE_OASIS: dict[str, tuple[bytes, str]] = {
    "shape outside of cells": (SQUARE_OASIS, "before the first cell"),
    "text outside of cells": (b"\x13\x7b\x01A\x01\x01\x00\x00", "before the first cell"),
    "placing outside of cells": (b"\x11\xb0\x01A\x00\x00", "before the first cell"),
    "cell of no name": (b"\x0d\x05" + SQUARE_OASIS, "no cell name of the number 5"),
    "placing of no name": (A + b"\x11\xf0\x05\x00\x00", "no cell name of the number 5"),
    "text of no name": (A + b"\x13\x7b\x05\x01\x01\x00\x00", "no text name of the number 5"),
    "property of no name": (A + SQUARE_OASIS + b"\x1c\x16\x05\x08\x01", "no property name of the number 5"),
    "value of no name": (A + SQUARE_OASIS + b"\x1c\x14\x01p\x0d\x05", "no value name of the number 5"),
    "shape like none before": (A + b"\x14\x00", "layer"),
    "text like none before": (A + b"\x13\x00", "text"),
    "placing like none before": (A + b"\x11\x00", "placed cell"),
    "path like none before": (A + b"\x16\x43\x01\x00\x05", "path's"),
    "repetition like none before": (A + b"\x14\x7f\x01\x00\x05\x05\x00\x00\x00", "repetition"),
    "property like none before": (b"\x1d", "property"),
    "like in the cell before": (A + SQUARE_OASIS + oasis_cell("B") + b"\x14\x00", "layer"),
    "polygon of 2^40 points": (A + b"\x15\x3b\x01\x00\x04" + MANY + b"\x00\x00", "values should follow"),
    "repetition of 2^40": (A + b"\x14\x7f\x01\x00\x05\x05\x00\x00\x04" + MANY + b"\x01", "should follow"),
    "name of 2^40 letters": (b"\x0e" + MANY + b"A", "bytes should follow"),
    "place of 100 bits": (A + b"\x14\x7b\x01\x00\x05\x05" + b"\xff" * 14 + b"\x01\x00", "more bits"),
    "points of type 9": (A + b"\x15\x3b\x01\x00\x09\x03\x00\x00", "type 9"),
    "name of no text": (b"\x0e\x01\xff" + SQUARE_OASIS, "no text"),
    "name with a zero byte": (b"\x0e\x03A\x00B" + SQUARE_OASIS, "zero byte"),
    "extension": (A + b"\x20\x01\x01A", "extension"),
    "unknown record": (A + b"\x63", "no record of type 99"),
    "block in a block": (compressed(compressed(b"")), "within another"),
    "end in a block": (compressed(b"\x02"), "beginning or end"),
}


class TestOasis:
    @pytest.mark.parametrize(
        ("build", "kind"),
        [
            (
                lambda a, t: t.add(gdstk.Reference("A", columns=32000, rows=32000, spacing=(1e-3, 1e-3))),
                LayoutTooComplex,
            ),
            (repeated, LayoutTooComplex),
            (lambda a, t: (t.add(gdstk.Reference("A")), a.add(gdstk.Reference("T"))), LayoutUnreadable),
            (lambda a, t: t.add(gdstk.Reference("B"), gdstk.Reference("A")), LayoutUnreadable),
        ],
        ids=["array of 10^9", "shape repeated 10^9 times", "ring of cells", "missing cell"],
    )
    def test_cells_that_do_not_fit_together(self, build: Any, kind: Any, tmp_path: Path) -> None:
        refused(library_file(build, tmp_path), OASIS, kind)

    @pytest.mark.parametrize("x", [10**12, 10**18, 10**30])
    def test_places_far_out(self, x: int) -> None:
        far = rectangle(width=STEPS, height=STEPS, x=x, y=0)
        refused(oasis(A + SQUARE_OASIS + far), OASIS, (LayoutTooComplex, LayoutUnreadable))

    @pytest.mark.parametrize(
        ("stated", "held", "kind"),
        [
            (200_000_000, 200_000_000, LayoutTooComplex),
            (10**15, 1000, LayoutTooComplex),
            (1000, 200_000_000, LayoutUnreadable),
            (1000, 10, LayoutUnreadable),
        ],
    )
    def test_a_packed_block_of_more_than_it_seems(self, stated: int, held: int, kind: Any) -> None:
        packer = zlib.compressobj(9, zlib.DEFLATED, -15)
        packed = packer.compress(bytes(held)) + packer.flush()
        block = b"\x22\x00" + unsigned(stated) + unsigned(len(packed)) + packed
        refused(oasis(A + SQUARE_OASIS + block), OASIS, kind)

    @pytest.mark.parametrize(("records", "says"), HOSTILE_OASIS.values(), ids=HOSTILE_OASIS)
    def test_records_that_do_not_fit_together(self, records: bytes, says: str) -> None:
        fault = refused(oasis(records), OASIS, LayoutUnreadable)
        assert says in fault.message
        assert "byte" in (fault.where or "")


class TestWkt:
    @pytest.mark.parametrize(
        ("text", "kind"),
        [
            ("GEOMETRYCOLLECTION (" * 100_000, LayoutTooComplex),
            ("(" * 100_000, (LayoutTooComplex, LayoutUnreadable)),
            (")" * 100_000, LayoutUnreadable),
            ("POLYGON ((0 0, 1e300 0, 0 1e300, 0 0))", EngineError),
            ("POLYGON ((0 0, 1e400 0, 0 1, 0 0))", EngineError),
            ("POLYGON ((0 0, nan 0, 0 1, 0 0))", EngineError),
            ("POLYGON ((0 0, inf 0, 0 1, 0 0))", EngineError),
            ("POLYGON ((0 0, 1 0))", LayoutUnreadable),
            ("POLYGON ((0 0, 9 0, 0 9, 0 0))\0", LayoutUnreadable),
            ("POLYGON EMPTY " * 10_000, LayoutInvalid),
            ("MULTIPOINT (" + "0 0, " * 100_000 + "0 0)", (LayoutInvalid, LayoutTooComplex)),
        ],
    )
    def test_it_is_refused(self, text: str, kind: Any) -> None:
        refused(text.encode(), WKT, kind)


# --- every format ---------------------------------------------------------------------------------------

FORMATS = tuple(MEDIA_TYPES)
FILES = [
    pytest.param(media_type, data, id=f"{MEDIA_TYPES[media_type].name} {number}")
    for media_type in FORMATS
    for number, data in enumerate(seeds.seeds(media_type), start=1)
]


@pytest.mark.parametrize(("media_type", "data"), FILES)
def test_the_files_that_the_others_are_made_from_can_be_read(media_type: str, data: bytes) -> None:
    assert reading(data, media_type).channel_layers


@pytest.mark.parametrize(("media_type", "data"), FILES)
def test_a_file_cut_off_anywhere_is_unreadable(media_type: str, data: bytes) -> None:
    for percent in range(100):
        cut = data.rstrip()[: len(data.rstrip()) * percent // 100]
        if media_type == WKT and cut.count(b"(") == cut.count(b")") > 0:
            continue  # what remains is a whole geometry
        if media_type == DXF and b"OBJECTS" in cut:
            continue  # the drawing itself is whole: see the tests of DXF
        fault = refused(cut, media_type, LayoutUnreadable)
        assert fault.message, f"at {percent} %"


@pytest.mark.parametrize(("media_type", "data"), FILES)
def test_a_file_with_bits_turned_over_is_read_or_refused_in_words(media_type: str, data: bytes) -> None:
    dice = random.Random(4)
    for _ in range(40 if media_type == DXF else 150):  # reading one takes its library longer
        damaged = bytearray(data)
        for _ in range(dice.choice((1, 1, 2, 8))):
            damaged[dice.randrange(len(damaged))] ^= 1 << dice.randrange(8)
        began = time.process_time()
        check(bytes(damaged), media_type)
        assert time.process_time() - began < QUICKLY_S


@pytest.mark.parametrize("media_type", FORMATS)
@pytest.mark.parametrize(
    "data",
    [
        pytest.param(bytes(1000), id="zero bytes"),
        pytest.param(b"\xff" * 1000, id="ones"),
        pytest.param(random.Random(1).randbytes(100_000), id="noise"),
        pytest.param(b"\n" * 1_000_000, id="empty lines"),
        pytest.param("\ufeff".encode() * 1000, id="byte order marks"),
    ],
)
def test_what_is_no_file_at_all(media_type: str, data: bytes) -> None:
    refused(data, media_type, LayoutUnreadable)


@pytest.mark.parametrize("media_type", FORMATS)
@pytest.mark.parametrize("beginning", ["nothing", "a whole file"])
def test_200_mb_of_noise(media_type: str, beginning: str, readers: ReaderPool) -> None:
    noise = random.Random(2).randbytes(2_000_000) * 100
    data = (b"" if beginning == "nothing" else seeds.seeds(media_type)[0][:-300]) + noise
    # Not at the time limit either, which would be another class.
    with pytest.raises(LayoutUnreadable) as caught:
        readers.read(
            data,
            media_type=media_type,
            name="noise",
            given=seeds.GIVEN.get(media_type, {}),
            bytes_limit=300_000_000,
        )
    assert len(str(caught.value)) < 1000


@pytest.mark.parametrize("media_type", FORMATS)
def test_a_file_over_the_limit_of_bytes_is_not_looked_at(media_type: str) -> None:
    assert "bytes" in refused(bytes(Limits().bytes_count + 1), media_type, LayoutTooComplex).message
