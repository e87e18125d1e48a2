"""DXF drawings made to hurt: each is refused with the reason, in no time."""

from __future__ import annotations

import time
from typing import Any

import pytest
from judge import reading
from seeds import DXF, DXF_SQUARE, block, dxf, entity, insert, polyline, spline

from rillcast_service.engine.errors import (
    EngineError,
    Fault,
    LayoutInvalid,
    LayoutTooComplex,
    LayoutUnitsMissing,
    LayoutUnreadable,
)
from rillcast_service.engine.layout.limits import Limits

#: No refusal may take longer, s of processor time; nearly all take milliseconds.
QUICKLY_S = 5.0

BEYOND = (LayoutInvalid, LayoutTooComplex)


def refused(data: bytes, kinds: Any = EngineError) -> Fault:
    """The first fault of a drawing that must be refused, and quickly."""
    began = time.process_time()
    with pytest.raises(kinds) as caught:
        reading(data, DXF)
    assert time.process_time() - began < QUICKLY_S
    fault = caught.value.faults[0]
    assert fault.message.endswith(".")
    assert fault.remedy.endswith(".")
    assert len(fault.message) < 1000, "no file gets to fill the answer with itself"
    return fault


def grid(columns: object, rows: object) -> tuple[tuple[int, object], ...]:
    return (70, columns), (71, rows), (44, 1), (45, 1)


def scaled(factor: object) -> bytes:
    return dxf(insert("A", (41, factor), (42, factor)), blocks=block("A", DXF_SQUARE))


def circle(radius: object, *more: tuple[int, object]) -> bytes:
    return dxf(entity("CIRCLE", (10, 0), (20, 0), (40, radius), *more))


def spline_of(degree: object, knots: tuple[object, ...]) -> bytes:
    return dxf(spline(degree, knots, (0, 0), (1, 1), (2, 4), (3, 9)))


def hatch(*pairs: tuple[int, object]) -> bytes:
    head = ((10, 0), (20, 0), (30, 0), (2, "SOLID"), (70, 1), (71, 0))
    return dxf(entity("HATCH", *head, *pairs))


A = block("A", DXF_SQUARE)
HUGE = "9" * 30
FAR = polyline((0, 0), ("1e300", 0), ("1e300", "1e300"))

#: Drawing → classes of its refusal, and words of it.
HOSTILE: dict[str, tuple[bytes, Any, str]] = {
    "block in itself": (dxf(insert("A"), blocks=block("A", DXF_SQUARE, insert("A"))), LayoutInvalid, "'A'"),
    "ring of blocks": (
        dxf(insert("A"), blocks=block("A", insert("B")) + block("B", DXF_SQUARE, insert("A"))),
        LayoutInvalid,
        "holds itself",
    ),
    "array of 10^9": (dxf(insert("A", *grid(32767, 32767)), blocks=A), LayoutTooComplex, "elements"),
    "array of 10^9 of nothing": (
        dxf(DXF_SQUARE, insert("A", *grid(32767, 32767)), blocks=block("A")),
        LayoutTooComplex,
        "elements",
    ),
    "array of 10^60": (dxf(insert("A", *grid(HUGE, HUGE)), blocks=A), LayoutTooComplex, "elements"),
    "arrays of arrays": (
        dxf(insert("B", *grid(999, 999)), blocks=A + block("B", insert("A", *grid(999, 999)))),
        LayoutTooComplex,
        "elements",
    ),
    "blocks that double": (
        dxf(
            insert("L30"),
            blocks=block("L0", DXF_SQUARE)
            + "".join(block(f"L{i + 1}", insert(f"L{i}"), insert(f"L{i}")) for i in range(30)),
        ),
        LayoutTooComplex,
        "elements",
    ),
    "blocks 1000 deep": (
        dxf(
            insert("L1000"),
            blocks=block("L0", DXF_SQUARE)
            + "".join(block(f"L{i + 1}", insert(f"L{i}")) for i in range(1000)),
        ),
        LayoutTooComplex,
        "nesting",
    ),
    "missing block": (dxf(DXF_SQUARE, insert("B")), LayoutInvalid, "'B'"),
    "block of another file": (
        dxf(DXF_SQUARE, insert("B"), blocks=block("B", flags=4, path="/etc/hostname")),
        LayoutInvalid,
        "another file",
    ),
    "place at 1e300": (dxf(FAR), LayoutTooComplex, "1e+300"),
    "place at 1e400": (dxf(polyline((0, 0), ("1e400", 0), (5, 5))), LayoutInvalid, "finite"),
    "place that is no number": (dxf(polyline((0, 0), ("nan", 0), (5, 5))), LayoutInvalid, "finite"),
    "bulge of 1e300": (dxf(polyline((0, 0, "1e300"), (9, 0, "1e300"), (9, 1))), BEYOND, ""),
    "width of 1e300": (dxf(polyline((0, 0), (9, 0), (9, 1), width="1e300")), BEYOND, ""),
    "width that is no number": (dxf(polyline((0, 0), (9, 0), (9, 1), width="nan")), LayoutInvalid, "width"),
    "scale of 1e300": (scaled("1e300"), BEYOND, ""),
    "scale of 1e-300": (scaled("1e-300"), LayoutInvalid, "area"),
    "scale of 0": (scaled(0), LayoutInvalid, "area"),
    "circle of 1e300": (circle("1e300"), LayoutTooComplex, "1e+300"),
    "circle that is no number": (circle("nan"), LayoutInvalid, "radius"),
    "circle on no plane": (circle(1, (210, 0), (220, 0), (230, 0)), LayoutInvalid, ""),
    "ellipse of 1e300": (
        dxf(entity("ELLIPSE", (10, 0), (20, 0), (11, "1e300"), (21, 0), (40, "1e300"), (41, 0), (42, 6))),
        BEYOND,
        "",
    ),
    "spline of degree 10^6": (spline_of(10**6, (0, 0, 1, 1)), LayoutInvalid, "1000000"),
    "spline of equal knots": (spline_of(3, (1,) * 8), LayoutInvalid, "spline"),
    "spline of knots that are no numbers": (spline_of(3, ("nan",) * 8), LayoutInvalid, "spline"),
    "spline of knots at 1e300": (spline_of(3, ("-1e300",) * 4 + ("1e300",) * 4), BEYOND, ""),
    "hatch of 10^9 edges": (
        hatch((91, 1), (92, 1), (93, 10**9), (72, 1), (10, 0), (20, 0), (11, 1), (21, 1)),
        LayoutInvalid,
        "open",
    ),
    "hatch of 10^9 boundaries": (hatch((91, 10**9)), EngineError, ""),
    "whole number of 100 000 digits": (
        dxf(DXF_SQUARE).replace(b"90\n4\n", b"90\n" + b"9" * 100_000 + b"\n"),
        EngineError,
        "",
    ),
    "group code of a million digits": (
        dxf(DXF_SQUARE).replace(b"90\n4\n", b"9" * 1_000_000 + b"\n4\n"),
        LayoutUnreadable,
        "999",
    ),
    "unit beyond the table": (dxf(DXF_SQUARE, unit=10**14), LayoutUnitsMissing, "INSUNITS"),
    "NUL byte": (dxf(DXF_SQUARE).replace(b"channels", b"chan\0nels"), LayoutUnreadable, "byte"),
    "sections without end": (b"0\nSECTION\n2\nENTITIES\n" * 200_000, LayoutUnreadable, "cut off"),
    "zeros": (b"0\n" * 500_000, LayoutUnreadable, "SECTION"),
    "entities that are too many": (dxf(DXF_SQUARE * 100_001), LayoutTooComplex, "elements"),
}


@pytest.mark.parametrize(("data", "kind", "says"), HOSTILE.values(), ids=HOSTILE)
def test_it_is_refused(data: bytes, kind: Any, says: str) -> None:
    assert says in str(refused(data, kind))


@pytest.mark.parametrize("unit", ["vertices", "crossings"])
def test_limits_of_what_is_drawn_hold(unit: str) -> None:
    scribble = dxf(polyline(*((i % 9, i % 7) for i in range(2000))))
    with pytest.raises(LayoutTooComplex, match=unit):
        reading(scribble, DXF, limits=Limits(**{f"{unit}_count": 1000}))


def test_a_ring_of_blocks_that_no_one_places_does_no_harm() -> None:
    ring = block("A", insert("B")) + block("B", insert("A"))
    assert reading(dxf(DXF_SQUARE, blocks=ring), DXF).channel_layers[0].geometry.area == pytest.approx(1.0)


def test_a_whole_turn_may_be_written_with_few_decimals() -> None:
    def ellipse(end: object) -> bytes:
        axes = ((11, 2), (21, 0), (31, 0), (40, 0.5), (41, 0), (42, end))
        return dxf(entity("ELLIPSE", (10, 5), (20, 5), (30, 0), *axes))

    exact = reading(ellipse("6.283185307179586"), DXF).channel_layers[0].geometry
    for end in ("6.2832", "6.28319", "6.2831853", "6.2831"):
        assert reading(ellipse(end), DXF).channel_layers[0].geometry.area == pytest.approx(
            exact.area, rel=1e-4
        )
