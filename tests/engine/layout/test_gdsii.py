"""GDSII streams written byte by byte: layers, units, references, texts, properties, and what is refused."""

import math
import struct
import time
from typing import ClassVar

import numpy as np
import pytest
from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import (
    EngineError,
    LayoutInvalid,
    LayoutTooComplex,
    LayoutUnitsMissing,
    LayoutUnreadable,
)
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read
from rillcast_service.engine.layout.readers.gdsii_records import Kind, real_to_bytes
from rillcast_service.engine.layout.writers import written

DEFAULTS = load().defaults
GDSII = "application/vnd.gdsii"
CHANNELS = {"1": "channels"}
NM = 1_000_000  # steps of 1 nm in a millimetre


def record(kind, data_type=0, data=b""):
    return struct.pack(">HBB", len(data) + 4, kind, data_type) + data


def int16(kind, *numbers):
    return record(kind, 2, struct.pack(f">{len(numbers)}H", *numbers))


def int32(kind, *numbers):
    return record(kind, 3, struct.pack(f">{len(numbers)}i", *numbers))


def real(kind, *numbers):
    return record(kind, 5, b"".join(map(real_to_bytes, numbers)))


def text(kind, words):
    data = words.encode()
    return record(kind, 6, data + b"\x00" * (len(data) % 2))


def xy(*points_mm):
    return int32(Kind.XY, *(round(value * NM) for point in points_mm for value in point))


def element(kind, *records):
    return record(kind) + b"".join(records) + record(Kind.ENDEL)


def boundary(*points_mm, layer=1, datatype=0, closed=True, properties=()):
    points = (*points_mm, points_mm[0]) if closed else points_mm
    hung = (int16(Kind.PROPATTR, n) + text(Kind.PROPVALUE, words) for n, words in properties)
    return element(
        Kind.BOUNDARY, int16(Kind.LAYER, layer), int16(Kind.DATATYPE, datatype), xy(*points), *hung
    )


def bar(x=0.0, y=0.0, width=10.0, height=1.0, **keywords):
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    return boundary(*corners, **keywords)


def path(*points_mm, width_mm=1.0, kind=None, layer=1, own=()):
    ends = () if kind is None else (int16(Kind.PATHTYPE, kind),)
    return element(
        Kind.PATH,
        int16(Kind.LAYER, layer),
        int16(Kind.DATATYPE, 0),
        *ends,
        int32(Kind.WIDTH, round(width_mm * NM)),
        *(int32(k, round(v * NM)) for k, v in zip((Kind.BGNEXTN, Kind.ENDEXTN), own, strict=False)),
        xy(*points_mm),
    )


def placed(cell, *points_mm, flags=0, mag=None, angle=None, grid=None):
    turned = [] if not (flags or mag or angle) else [record(Kind.STRANS, 1, struct.pack(">H", flags))]
    turned += [] if mag is None else [real(Kind.MAG, mag)]
    turned += [] if angle is None else [real(Kind.ANGLE, angle)]
    turned += [] if grid is None else [int16(Kind.COLROW, *grid)]
    kind = Kind.SREF if grid is None else Kind.AREF
    return element(kind, text(Kind.SNAME, cell), *turned, xy(*points_mm))


def label(words, x, y, layer=1):
    return element(
        Kind.TEXT, int16(Kind.LAYER, layer), int16(Kind.TEXTTYPE, 0), xy((x, y)), text(Kind.STRING, words)
    )


def stream(units=(1e-3, 1e-9), **cells):
    body = b"".join(
        int16(Kind.BGNSTR, *[0] * 12) + text(Kind.STRNAME, name) + b"".join(elements) + record(Kind.ENDSTR)
        for name, elements in cells.items()
    )
    scale = b"" if units is None else real(Kind.UNITS, *units)
    head = int16(Kind.HEADER, 600) + int16(Kind.BGNLIB, *[0] * 12) + text(Kind.LIBNAME, "LIB")
    return head + scale + body + record(Kind.ENDLIB)


def reading(data, *, roles=CHANNELS, **options):
    given = ReadOptions.from_defaults(DEFAULTS, roles=roles, **options)
    return read(data, media_type=GDSII, name="test", options=given)


def channels(data, **options):
    return reading(data, **options).channel_layers[0].geometry


def told(layout):
    return " ".join(f"{a.what} {a.value} {a.why}" for a in layout.assumptions)


class TestUnits:
    @pytest.mark.parametrize(("units", "length_mm"), [((1e-3, 1e-9), 10.0), ((1e-3, 1e-10), 1.0)])
    def test_the_files_own(self, units, length_mm):
        assert channels(stream(units, TOP=[bar()])).bounds[2] == length_mm

    @pytest.mark.parametrize("units", [(1e-3, 0.0), (1e-3, 5.0), (1e-3, -1e-9), None])
    def test_none_that_is_usable(self, units, refusal):
        fault = refusal(LayoutUnitsMissing, reading, stream(units, TOP=[bar()]))
        assert fault.pointer == "#/unit"
        assert fault.where.startswith("byte ")

    def test_the_requests_unit_for_a_file_without(self):
        data = stream((1e-3, 0.0), TOP=[bar()])  # 10 mm of 1 nm each, in user units of 1000 steps
        assert channels(data, unit="um").bounds[2] == pytest.approx(10.0)

    def test_a_files_own_unit_goes_first(self):
        assert channels(stream(TOP=[bar()]), unit="in").bounds[2] == 10.0


class TestLayers:
    def test_by_number_and_data_type(self):
        data = stream(TOP=[bar(layer=1), bar(y=5, layer=1, datatype=7), bar(y=-5, layer=2), bar(layer=300)])
        layout = reading(data, roles={"1/7": "marks", "1": "channels", "2/0": "outline", "300": "ignored"})
        assert {layer.name: layer.role for layer in layout.layers} == {
            "1/0": "channels",
            "1/7": "marks",
            "2/0": "outline",
            "300/0": "ignored",
        }

    def test_a_box_goes_by_its_box_type(self):
        corners = ((0, 0), (4, 0), (4, 1), (0, 1), (0, 0))
        drawn = element(Kind.BOX, int16(Kind.LAYER, 1), int16(Kind.BOXTYPE, 3), xy(*corners))
        layout = reading(stream(TOP=[drawn]))
        assert [(layer.name, layer.geometry.area) for layer in layout.layers] == [("1/3", 4.0)]

    def test_a_node_is_told(self):
        node = element(Kind.NODE, int16(Kind.LAYER, 1), int16(Kind.NODETYPE, 0), xy((0, 0)))
        assert "1 nodes of cell 'TOP'" in told(reading(stream(TOP=[bar(), node])))

    def test_properties_and_flags_of_others_do_no_harm(self):
        flagged = element(
            Kind.BOUNDARY,
            record(Kind.ELFLAGS, 1, b"\x00\x00"),
            int32(Kind.PLEX, 4),
            int16(Kind.LAYER, 1),
            int16(Kind.DATATYPE, 0),
            xy((0, 0), (2, 0), (2, 2), (0, 2), (0, 0)),
            int16(Kind.PROPATTR, 1),
            text(Kind.PROPVALUE, "net=7"),
        )
        assert channels(stream(TOP=[flagged])).area == 4.0

    def test_an_unclosed_ring_is_closed_and_a_line_is_told(self):
        layout = reading(
            stream(TOP=[boundary((0, 0), (4, 0), (0, 4), closed=False), boundary((0, 9), (4, 9))])
        )
        assert layout.channel_layers[0].geometry.area == 8.0
        assert "1 boundaries of fewer than three points" in told(layout)


class TestKeyholes:
    RING = (
        (0, 0),
        (10, 0),
        (10, 10),
        (0, 10),
        (0, 5),
        (3, 5),
        (3, 7),
        (7, 7),
        (7, 3),
        (3, 3),
        (3, 5),
        (0, 5),
    )

    def test_a_cut_of_no_width_is_a_hole_and_no_repair(self):
        layout = reading(stream(TOP=[boundary(*self.RING)]), leave=frozenset({"self_crossing"}))
        geometry = layout.channel_layers[0].geometry
        assert geometry.area == 84.0
        assert len(geometry.geoms[0].interiors) == 1
        assert layout.repairs == ()

    def test_a_bow_tie_is_a_repair(self):
        layout = reading(stream(TOP=[bar(y=20), boundary((0, 0), (4, 4), (4, 0), (0, 4))]))
        (repair,) = layout.repairs
        assert repair.kind == "self_crossing"
        assert repair.area_before_mm2 == pytest.approx(0.0)
        assert repair.area_after_mm2 == pytest.approx(8.0)
        assert 0.0 < repair.x_mm < 4.0


class TestPaths:
    """A straight path of 10 mm × 1 mm: what its ends add is arithmetic."""

    @pytest.mark.parametrize(
        ("kind", "own", "area", "reach"),
        [
            (None, (), 10.0, (0.0, 10.0)),
            (0, (), 10.0, (0.0, 10.0)),
            (1, (), 10.0 + math.pi / 4, (-0.5, 10.5)),
            (2, (), 11.0, (-0.5, 10.5)),
            (4, (0.25, -1.0), 9.25, (-0.25, 9.0)),
        ],
    )
    def test_ends(self, kind, own, area, reach):
        geometry = channels(stream(TOP=[path((0, 0), (10, 0), kind=kind, own=own)]))
        assert geometry.area == pytest.approx(area, abs=2.2e-3 if kind == 1 else 1e-9)
        assert (geometry.bounds[0], geometry.bounds[2]) == pytest.approx(
            reach, abs=1.1e-3 if kind == 1 else 1e-6
        )

    def test_a_right_angle_is_mitred(self):
        assert channels(stream(TOP=[path((0, 0), (10, 0), (10, 10))])).area == pytest.approx(20.0)

    @pytest.mark.parametrize("turn", [100, 120, 150, 170])
    def test_a_sharper_corner_reaches_half_a_width_beyond(self, turn):
        angle = math.radians(180 - turn)
        there = (10 + 10 * math.cos(math.pi - angle), 10 * math.sin(math.pi - angle))
        geometry = channels(stream(TOP=[path((0, 0), (10, 0), there)]))
        from_corner = np.array(geometry.geoms[0].exterior.coords) - (10.0, 0.0)
        outwards = np.array([10.0, 0.0]) - np.subtract(there, (10.0, 0.0))
        reach = np.hypot(*from_corner[from_corner @ outwards > 0.0].T)
        # half a width onwards and half a width aside
        assert reach[reach < 2.0].max() == pytest.approx(math.sqrt(0.5), abs=1e-6)

    def test_a_path_that_crosses_itself_covers_its_crossing_once(self):
        crossed = path((0, 0), (10, 0), (10, 5), (5, 5), (5, -5))
        # 10 + 5 + 5 + 10 long, corners mitred at no change of area, crossing of 1 × 1 counted once
        assert channels(stream(TOP=[crossed])).area == pytest.approx(29.0)

    def test_a_path_back_over_itself(self):
        assert channels(stream(TOP=[path((0, 0), (10, 0), (5, 0))])).area == pytest.approx(10.5)

    def test_repeated_points(self):
        assert channels(stream(TOP=[path((0, 0), (0, 0), (10, 0), (10, 0))])).area == pytest.approx(10.0)

    def test_a_single_point(self):
        layout = reading(stream(TOP=[bar(), path((20, 0), kind=1), path((30, 0), kind=2), path((40, 0))]))
        areas = sorted(part.area for part in layout.channel_layers[0].geometry.geoms)
        assert areas == pytest.approx([math.pi / 4, 1.0, 10.0], abs=2.2e-3)
        assert "a path of a single point" in told(layout)

    def test_a_short_path_keeps_its_width(self):
        stub = path((20, 0), (20.0005, 0), kind=2)  # shorter than the flattening distance
        areas = [part.area for part in channels(stream(TOP=[bar(), stub])).geoms]
        assert min(areas) == pytest.approx(1.0005)

    @pytest.mark.parametrize("width_mm", [1.0, -1.0])
    def test_a_negative_width_is_not_magnified(self, width_mm):
        line = path((0, 0), (10, 0), width_mm=width_mm)
        geometry = channels(stream(TOP=[placed("A", (0, 0), mag=2.0)], A=[line]))
        assert geometry.area == pytest.approx(40.0 if width_mm > 0 else 20.0)

    def test_round_ends_stay_fine_when_magnified(self):
        line = path((0, 0), (1, 0), width_mm=0.1, kind=1)
        geometry = channels(stream(TOP=[placed("A", (0, 0), mag=20.0)], A=[line]))
        rim = np.array(geometry.geoms[0].exterior.coords)
        rim = rim[rim[:, 0] < 0.0]
        is_chord = np.hypot(*np.diff(rim, axis=0).T) < 0.2
        chord_middles = ((rim[1:] + rim[:-1]) / 2.0)[is_chord]
        assert len(chord_middles) > 20
        assert np.abs(np.hypot(*chord_middles.T) - 1.0).max() < 1.1e-3  # radius 1 mm, 1 µm

    def test_no_width(self, refusal):
        fault = refusal(LayoutInvalid, reading, stream(TOP=[bar(), path((3, 4), (5, 4), width_mm=0.0)]))
        assert "no width" in fault.message
        assert "(3, 4) mm" in fault.where

    def test_no_width_is_an_outlines_line(self):
        line = path((-1, -1), (20, -1), (20, 9), (-1, 9), (-1, -1), width_mm=0.0, layer=2)
        layout = reading(stream(TOP=[bar(), line]), roles={"1": "channels", "2": "outline"})
        assert layout.outline.area == 210.0

    def test_no_width_does_not_matter_on_an_ignored_layer(self):
        line = path((3, 4), (5, 4), width_mm=0.0, layer=2)
        assert channels(stream(TOP=[bar(), line]), roles={"1": "channels", "2": "ignored"}).area == 10.0

    def test_ends_of_an_unknown_type(self, refusal):
        fault = refusal(LayoutInvalid, reading, stream(TOP=[path((0, 0), (1, 0), kind=3)]))
        assert "type 3" in fault.message

    def test_ends_set_back_too_far(self, refusal):
        drawn = path((0, 0), (1, 0), kind=4, own=(-0.6, -0.6))
        assert "set back" in refusal(LayoutInvalid, reading, stream(TOP=[drawn])).message


class TestReferences:
    """A bar of 10 mm × 1 mm from the origin, wherever it goes."""

    @pytest.mark.parametrize(
        ("keywords", "bounds"),
        [
            ({}, (5, 7, 15, 8)),
            ({"angle": 90.0}, (4, 7, 5, 17)),
            ({"flags": 0x8000}, (5, 6, 15, 7)),
            ({"flags": 0x8000, "angle": 90.0}, (5, 7, 6, 17)),  # mirrored first, then turned
            ({"mag": 3.0}, (5, 7, 35, 10)),
            ({"mag": 0.5, "angle": 180.0}, (0, 6.5, 5, 7)),
            ({"angle": -270.0}, (4, 7, 5, 17)),
        ],
    )
    def test_one(self, keywords, bounds):
        assert channels(stream(TOP=[placed("A", (5, 7), **keywords)], A=[bar()])).bounds == bounds

    def test_an_array(self):
        # 3 columns 20 mm apart along x, 4 rows 2 mm apart along y; the points lie one step past the last
        drawn = placed("A", (0, 0), (60, 0), (0, 8), grid=(3, 4))
        geometry = channels(stream(TOP=[drawn], A=[bar()]))
        assert len(geometry.geoms) == 12
        assert geometry.bounds == (0, 0, 50, 7)

    def test_an_array_of_arrays_turned(self):
        inner = placed("A", (0, 0), (40, 0), (0, 4), grid=(2, 2))
        data = stream(TOP=[placed("B", (0, 0), angle=90.0), placed("A", (0, 0))], B=[inner], A=[bar(y=0.5)])
        assert channels(data).area == pytest.approx(5 * 10.0)
        assert channels(data).bounds == (-3.5, 0, 10, 30)

    def test_a_cell_that_is_not_there(self, refusal):
        fault = refusal(LayoutUnreadable, reading, stream(TOP=[bar(), placed("B", (0, 0))]))
        assert "'B'" in fault.message
        assert "'TOP'" in fault.where

    def test_a_cell_within_itself(self, refusal):
        for cells in (
            {"TOP": [bar(), placed("TOP", (1, 1))]},
            {"TOP": [placed("A", (0, 0))], "A": [bar(), placed("B", (0, 0))], "B": [placed("A", (0, 0))]},
        ):
            fault = refusal(LayoutUnreadable, reading, stream(**cells))
            assert "hold themselves" in fault.message

    def test_the_ring_is_named_and_what_hangs_on_it_is_not(self, refusal):
        cells = {"A": [placed("B", (0, 0))], "B": [placed("A", (0, 0)), placed("C", (0, 0))], "C": [bar()]}
        message = refusal(LayoutUnreadable, reading, stream(TOP=[bar()], **cells)).message
        assert "'A' places 'B' places 'A'" in message or "'B' places 'A' places 'B'" in message

    def test_arrays_of_1e9_references_are_counted_and_not_made(self, refusal):
        grids = [placed("A", (0, 0), (9, 0), (0, 9), grid=(32767, 32767))]
        began = time.process_time()
        fault = refusal(LayoutTooComplex, reading, stream(TOP=grids, A=[bar()]))
        assert "1073676289 polygons" in fault.message
        assert time.process_time() - began < 2.0

    def test_doubling_cells(self, refusal):
        cells = {f"C{n}": [placed(f"C{n + 1}", (0, 0)), placed(f"C{n + 1}", (0, 1))] for n in range(50)}
        began = time.process_time()
        assert "polygons" in refusal(LayoutTooComplex, reading, stream(**cells, C50=[bar()])).message
        assert time.process_time() - began < 2.0

    def test_1e9_references_to_nothing_or_to_what_is_ignored(self):
        grid = placed("A", (0, 0), (9, 0), (0, 9), grid=(32767, 32767))
        assert channels(stream(TOP=[bar(), grid], A=[])).area == 10.0
        data = stream(TOP=[bar(), grid], A=[bar(layer=2)])
        layout = reading(data, roles={"1": "channels", "2": "ignored"})
        assert layout.layers[1].shapes == 32767**2

    def test_1e9_texts(self, refusal):
        grid = placed("A", (0, 0), (9, 0), (0, 9), grid=(32767, 32767))
        refusal(LayoutTooComplex, reading, stream(TOP=[bar(), grid], A=[label("x", 0, 0)]))

    def test_deep_nesting(self, refusal):
        cells = {f"C{n}": [placed(f"C{n + 1}", (0, 0))] for n in range(5000)}
        assert "nesting" in refusal(LayoutTooComplex, reading, stream(**cells, C5000=[bar()])).message

    @pytest.mark.parametrize(
        ("drawn", "says"),
        [
            (placed("A", (0, 0), flags=4), "absolute"),
            (placed("A", (0, 0), mag=-1.0), "magnifies by -1"),
            (placed("A", (0, 0), mag=1e30), "magnifies"),
            (placed("A", (0, 0), (1, 0), (0, 1), grid=(0, 5)), "0 columns"),
            (placed("A", (0, 0), (1, 0), grid=(2, 5)), "2 points"),
        ],
    )
    def test_references_that_cannot_be(self, drawn, says, refusal):
        assert says in refusal(LayoutInvalid, reading, stream(TOP=[drawn], A=[bar()])).message

    def test_far_away(self, refusal):
        far = placed("A", (0, 0), mag=1e6)
        refusal(LayoutTooComplex, reading, stream(TOP=[far], A=[bar()]))


class TestTopCells:
    TWO = stream(LEFT=[bar()], RIGHT=[bar(width=3)])

    def test_several_are_refused_by_name(self, refusal):
        fault = refusal(LayoutInvalid, reading, self.TWO)
        assert "'LEFT', 'RIGHT'" in fault.message
        assert fault.pointer == "#/cell"

    def test_the_one_asked_for(self):
        assert channels(self.TWO, cell="RIGHT").area == 3.0

    def test_one_that_is_not_there(self, refusal):
        fault = refusal(LayoutInvalid, reading, self.TWO, cell="MIDDLE")
        assert "'LEFT', 'RIGHT'" in fault.remedy

    def test_cells_of_notes_do_not_count(self):
        cells = {"TOP": [placed("A", (0, 0))], "$$$NOTES$$$": [placed("A", (90, 90))], "A": [bar()]}
        layout = reading(stream(**cells, EMPTY=[]))
        assert layout.channel_layers[0].geometry.area == 10.0
        assert "cell '$$$NOTES$$$'" in told(layout)

    def test_no_shapes_at_all(self, refusal):
        assert "no shapes" in refusal(LayoutInvalid, reading, stream(TOP=[])).message


class TestPorts:
    ROLES: ClassVar = {"1": "channels", "2": "ports"}

    def disc(self, x, y, corners=32):
        turn = [2 * math.pi * n / corners for n in range(corners)]
        return tuple((x + 0.5 * math.cos(t), y + 0.5 * math.sin(t)) for t in turn)

    def test_named_by_the_text_on_them(self):
        discs = [boundary(*self.disc(x, 0.5), layer=2) for x in (0.5, 9)]
        texts = [label("waste", 9, 0.4, layer=2), label("drawn in spring", 5, 9, layer=7)]
        data = stream(TOP=[bar(), *discs, *texts])
        layout = reading(data, roles=self.ROLES)
        assert {(port.name, port.role) for port in layout.ports} == {("waste", "outlet"), ("port_2", "inlet")}
        assert "text 'drawn in spring'" in told(layout)
        assert "text 'waste'" not in told(layout)

    def test_named_in_every_placed_cell(self):
        port = [boundary(*self.disc(0, 0), layer=2), label("sample", 0, 0, layer=2)]
        data = stream(TOP=[bar(), placed("P", (0, 0)), placed("P", (9, 0))], P=port)
        names = [port.name for port in reading(data, roles=self.ROLES).ports]
        assert names == ["sample", "sample_2"]

    def test_one_that_was_cut_in_halves_is_one_port(self):
        rim = self.disc(0.5, 0.5)
        halves = [boundary(*rim[:17], layer=2), boundary(*rim[16:], rim[0], layer=2)]
        (port,) = reading(stream(TOP=[bar(), *halves]), roles=self.ROLES).ports
        assert port.opening.area == pytest.approx(Polygon(rim).area, abs=1e-5)

    def test_discs_that_touch_are_two_ports(self):
        discs = [boundary(*self.disc(x, 0.5), layer=2) for x in (0.5, 1.5)]
        assert len(reading(stream(TOP=[bar(), *discs]), roles=self.ROLES).ports) == 2


class TestDamage:
    WHOLE = stream(
        TOP=[bar(), path((0, 5), (10, 5), kind=1), placed("A", (0, 10), (60, 10), (0, 18), grid=(3, 4))],
        A=[bar(), label("a", 0, 0)],
    )

    def test_cut_off_at_every_byte(self, refusal):
        for length in range(4, len(self.WHOLE)):
            fault = refusal(LayoutUnreadable, reading, self.WHOLE[:length])
            assert f"byte {length}," in fault.message
            assert fault.where.startswith("byte ")

    def test_padding_after_the_end(self):
        assert channels(self.WHOLE + bytes(2048)).area > 10.0

    def test_bytes_after_the_end_are_told(self):
        assert "5 bytes" in told(reading(self.WHOLE + b"later" + bytes(99)))

    @pytest.mark.parametrize(
        ("wrong", "says"),
        [
            (b"\x00\x00\x08\x00", "0 bytes"),
            (b"\x00\x03\x08\x00", "3 bytes"),
            (b"\x00\x05\x08\x00\x00", "5 bytes"),
            (b"\x00\x04\x60\x00", "type 96"),
            (b"\x00\x04\x11\x00", "ENDEL"),
            (b"\x00\x04\x05\x00", "BGNSTR"),
            (record(Kind.BOUNDARY) + record(Kind.BOUNDARY), "within a boundary"),
            (record(Kind.BOUNDARY) + int16(Kind.LAYER, 1) + record(Kind.ENDEL), "DATATYPE"),
            (element(Kind.BOUNDARY, int16(Kind.LAYER, 1), int16(Kind.DATATYPE, 0)), "XY"),
            (element(Kind.BOUNDARY, record(Kind.XY, 3, bytes(12))), "12 bytes"),
            (element(Kind.BOUNDARY, record(Kind.LAYER, 3, bytes(4))), "LAYER has 4 bytes"),
            (element(Kind.SREF, xy((0, 0))), "SNAME"),
        ],
    )
    def test_records_that_cannot_stand_there(self, wrong, says, refusal):
        fault = refusal(LayoutUnreadable, reading, stream(TOP=[bar(), wrong]))
        assert says in fault.message
        assert fault.where.startswith("byte ")

    def test_two_cells_of_one_name(self, refusal):
        data = stream(TOP=[bar()])
        cell = data[data.index(int16(Kind.BGNSTR, *[0] * 12)) : -4]
        assert "'TOP'" in refusal(LayoutUnreadable, reading, data[:-4] + cell + data[-4:]).message

    def test_no_stream(self, refusal):
        refusal(LayoutUnreadable, reading, bytes(100))
        refusal(LayoutUnreadable, reading, b"\x00\x04\x04\x00")

    def outcome(self, data):
        try:
            return type(reading(data, limits=Limits(polygons_count=2000)))
        except EngineError as error:
            return type(error)

    def test_bits_flipped_anywhere(self):
        chance = np.random.default_rng(20)
        whole = np.frombuffer(self.WHOLE, np.uint8)
        outcomes = set()
        for _ in range(600):
            damaged = whole.copy()
            at = chance.integers(0, len(damaged), size=chance.integers(1, 4))
            damaged[at] ^= (1 << chance.integers(0, 8, size=len(at))).astype(np.uint8)
            outcomes.add(self.outcome(damaged.tobytes()))
        assert {Layout, LayoutUnreadable, LayoutInvalid} <= outcomes


class TestWritten:
    RIM = Polygon(Point(30.5, 0.5).buffer(0.3).exterior)
    ROUGH = Point(12, 5).buffer(3, quad_segs=5000)  # 20 000 corners, more than a record holds
    LAYOUT = Layout(
        name="test",
        source_format="svg",
        layers=(
            Layer(
                "Kanäle, tief: " + "lang " * 40,
                Role.CHANNELS,
                MultiPolygon([box(0, 0, 20, 10).difference(ROUGH), box(30, 0, 40, 1)]),
                depth_um=123.5,
                level=2,
            ),
            Layer("channels", Role.CHANNELS, MultiPolygon([box(0, 12, 40, 13)]), depth_um=50.0),
            Layer("holes", Role.PORTS, MultiPolygon([RIM])),
        ),
        ports=(Port("Einlaß", PortRole.OUTLET, RIM, 0.6),),
        outline=box(-1, -1, 50, 20),
        flattening_um=1.0,
    )

    @pytest.mark.parametrize("media_type", [GDSII, "application/vnd.semi.oasis"])
    def test_read_again(self, media_type):
        data = written(self.LAYOUT, media_type=media_type)
        options = ReadOptions.from_defaults(DEFAULTS)
        layout = read(data, media_type=media_type, name="test", options=options)
        assert [
            (layer.name, layer.role, layer.depth_um, layer.level) for layer in layout.with_role(Role.CHANNELS)
        ] == [(layer.name, layer.role, layer.depth_um, layer.level) for layer in self.LAYOUT.layers[:2]]
        for layer, drawn in zip(layout.layers[:2], self.LAYOUT.layers[:2], strict=True):
            assert layer.geometry.symmetric_difference(drawn.geometry).area < 2e-6 * drawn.geometry.length
            assert [len(part.interiors) for part in layer.geometry.geoms] == [
                len(part.interiors) for part in drawn.geometry.geoms
            ]
        assert [(port.name, port.role) for port in layout.ports] == [("Einlaß", PortRole.OUTLET)]
        assert layout.outline.equals(self.LAYOUT.outline)
        assert layout.repairs == ()

    @pytest.mark.parametrize("media_type", [GDSII, "application/vnd.semi.oasis", "application/wkt"])
    def test_the_same_layout_gives_the_same_bytes(self, media_type):
        assert written(self.LAYOUT, media_type=media_type) == written(self.LAYOUT, media_type=media_type)

    def test_no_record_is_too_long(self):
        data, at, lengths = written(self.LAYOUT, media_type=GDSII), 0, []
        while at < len(data):
            lengths.append(int.from_bytes(data[at : at + 2]))
            at += lengths[-1]
        assert at == len(data)
        assert max(lengths) <= 4 + 8 * 8191

    def test_a_property_that_was_tampered_with(self, refusal):
        data = stream(TOP=[bar(properties=[(1, 'rillcast:{"role":"lid"}')])])
        assert "rillcast:" in refusal(LayoutInvalid, reading, data).message
