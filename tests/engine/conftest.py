"""A small job that every route can make, on the shipped catalogue, and steps built by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import segno
import shapely
import zxingcpp
from shapely import MultiPolygon, Point, box

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Catalogue, Entry, Quantity
from rillcast_service.engine.job import BENCH_KINDS, Bench, Chip, Job, Terms, Use
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import Step
from rillcast_service.engine.shapes import polygons

MakeJob = Callable[..., Job]
MakeStep = Callable[..., Step]

#: A Monday without holidays in its week.
START = datetime(2027, 3, 1, 9, 0, tzinfo=ZoneInfo("Europe/Berlin"))


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The shipped catalogue."""
    return load()


@pytest.fixture(scope="session")
def make_job(catalogue: Catalogue) -> MakeJob:
    """`make_job(quantity=24, bench={"plasma": "benchtop_air"}, …)`.

    A chip of 70 × 22 × 4 mm with one straight channel of 60 × 0.5 mm, 400 µm deep, and three ports.
    `bench` names entries over the defaults; None stands for "the bench has none".
    """

    def make(
        *,
        quantity: int = 24,
        lid: str = "glass",
        thickness_mm: float = 4.0,
        bench: Mapping[str, str | None] | None = None,
        start: datetime = START,
        **changes: Any,
    ) -> Job:
        kinds = dict(BENCH_KINDS)
        names = {key: str(catalogue.defaults[key].value) for key in kinds} | dict(bench or {})
        items = {key: catalogue.get(kinds[key], name) if name else None for key, name in names.items()}
        outline = box(0.0, 0.0, 70.0, 22.0)
        channel = Layer(
            name="channels",
            role=Role.CHANNELS,
            geometry=MultiPolygon([box(5.0, 11.0, 65.0, 11.5)]),
            depth_um=400.0,
            shapes=1,
        )
        ports = tuple(
            Port(name=name, role=role, opening=Point(x, 11.25).buffer(0.75), bore_mm=1.5)
            for name, role, x in (
                ("sample", PortRole.INLET, 6.0),
                ("reagent", PortRole.INLET, 20.0),
                ("waste", PortRole.OUTLET, 64.0),
            )
        )
        values: dict[str, Any] = {
            "layout": Layout("straight", "svg", (channel,), ports, outline, flattening_um=5.0),
            "chip": Chip(outline=outline, thickness_mm=thickness_mm, lid=lid, viewed_from="lid"),
            "use": Use(
                liquid=catalogue.get("liquids", "water"),
                temperature_c=22.0,
                viscosity_pa_s=0.955e-3,
                density_kg_per_m3=997.8,
                flow_ul_per_min=50.0,
                optics=(),
                max_pressure_kpa=None,
                diffusivity_m2_per_s=4e-10,
            ),
            "bench": Bench(items),
            "catalogue": catalogue,
            "quantity": quantity,
            "start": start,
            "aim": "price",
            "deadline": None,
            "first_article": False,
            "terms": Terms(Decimal(15), Decimal(20), Decimal(0), Decimal(19), "EUR"),
            "seed": 1,
        }
        return Job(**(values | changes))

    return make


@pytest.fixture(scope="session")
def make_step() -> MakeStep:
    """`make_step("bake", after=["mix"], elapsed_min=60, hands_on_min=5, machine="oven", …)`."""

    def make(
        step_id: str,
        *,
        after: Sequence[str] = (),
        unit: str = "part",
        batch: str = "all",
        machine: str | None = None,
        elapsed_min: float = 0.0,
        per_item_min: float = 0.0,
        hands_on_min: float = 0.0,
        hands_on_per_item_min: float = 0.0,
        yield_percent: float | None = None,
        **more: Any,
    ) -> Step:
        share = None
        if yield_percent is not None:
            share = Quantity(yield_percent, "%", "test", low=yield_percent, high=yield_percent)
        values: dict[str, Any] = {
            "id": step_id,
            "title": step_id,
            "after": tuple(after),
            "unit": unit,
            "batch": batch,
            "machine": machine,
            "machine_entry": Entry(kind="ovens", name=machine, title=machine) if machine else None,
            "elapsed_min": Range.exact(elapsed_min),
            "per_item_min": Range.exact(per_item_min),
            "computed": None,
            "hands_on_min": Range.exact(hands_on_min),
            "hands_on_per_item_min": Range.exact(hands_on_per_item_min),
            "unattended": False,
            "first_pass_yield": share,
            "max_gap_h": None,
            "shared": False,
            "supplier": None,
            "supply_days": None,
            "cautions": (),
            "source": "test",
        }
        return Step(**(values | more))

    return make


CodeShape = Callable[..., MultiPolygon]


@pytest.fixture(scope="session")
def code_shape() -> CodeShape:
    """`code_shape("NITRATE-01", kind="micro", module_mm=0.4, at=(30, 3))`: dark modules as merged squares.

    `kind` is `qr`, `micro` (both made by segno) or `matrix` (a Data Matrix, made by zxing-cpp); further
    words go to segno.
    """

    def make(
        text: str,
        *,
        kind: str = "qr",
        module_mm: float = 0.5,
        at: tuple[float, float] = (0.0, 0.0),
        **how: Any,
    ) -> MultiPolygon:
        if kind == "matrix":
            barcode = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix)
            dark = np.array(barcode.to_image(scale=1, add_quiet_zones=False)) < 128
        else:
            dark = np.array(segno.make(text, micro=kind == "micro", **how).matrix, dtype=bool)
        row, column = np.nonzero(dark)
        # edges that modules share are the same number, so that no crack is left between them
        left, right = (at[0] + side * module_mm for side in (column, column + 1))
        top, bottom = (at[1] + side * module_mm for side in (len(dark) - row, len(dark) - 1 - row))
        return polygons(shapely.union_all(shapely.box(left, bottom, right, top)))

    return make
