"""A small invented workshop whose every price can be followed by hand."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from shapely import box

from rillcast_service.catalogue.types import Catalogue, Entry, Price, Quantity
from rillcast_service.engine.job import Bench, Chip, Job, Terms, Use
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.planning.planner import Plan, TimedStep
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding, Schedule, Severity
from rillcast_service.engine.routes.base import BuildVariant, MaterialNeed, Process, Sizing, Step

START = datetime(2027, 3, 1, 9, tzinfo=UTC)


def money(amount: str, low: str, high: str, per: str, *, as_of: str = "2026-11-01") -> Price:
    return Price(Decimal(amount), Decimal(low), Decimal(high), "EUR", per, f"price list ({per})", as_of)


def number(value: float, low: float, high: float, unit: str) -> Quantity:
    return Quantity(value=value, unit=unit, source="workshop book", low=low, high=high)


def entry(kind: str, name: str, **values: Price | Quantity) -> Entry:
    return Entry(kind=kind, name=name, title=name.replace("_", " ").capitalize(), values=values)


PRINTER = entry(
    "printers",
    "printer",
    purchase=money("400", "300", "600", "piece", as_of="2026-06-01"),
    life_h=number(2000, 1500, 3000, "h"),
    film=money("20", "10", "30", "piece"),
    film_life_h=number(100, 80, 150, "h"),
    power_w=number(60, 60, 60, "W"),
)
SUPPLIER = entry(
    "suppliers",
    "mask_shop",
    price=money("45", "30", "80", "piece"),
    minimum_charge=money("60", "60", "60", "order"),
)
ENTRIES = (
    PRINTER,
    SUPPLIER,
    entry("resins", "resin", price=money("40", "30", "60", "l")),
    entry("consumables", "slide", price=money("0.20", "0.10", "0.30", "piece")),
    entry(
        "rates",
        "bench_labour",
        price=money("60", "50", "80", "h"),
        hands_on_factor_ratio=number(1.0, 0.8, 1.5, "1"),
    ),
    entry("rates", "design_labour", price=money("90", "80", "120", "h")),
    entry("rates", "energy", price=money("0.30", "0.20", "0.40", "kWh")),
    entry("rates", "handling", markup_percent=number(10, 10, 10, "%")),
    entry("rates", "risk", per_risk_percent=number(5, 5, 5, "%")),
    entry("rates", "design_review", review_h=number(1.5, 1, 3, "h")),
)


def step(step_id: str, *, unit: str, shared: bool, **changes: Any) -> Step:
    blank = Step(
        id=step_id,
        title=step_id.capitalize(),
        after=(),
        unit=unit,
        batch="all",
        machine=None,
        machine_entry=None,
        elapsed_min=Range.exact(0),
        per_item_min=Range.exact(0),
        computed=None,
        hands_on_min=Range.exact(0),
        hands_on_per_item_min=Range.exact(0),
        unattended=False,
        first_pass_yield=None,
        max_gap_h=None,
        shared=shared,
        supplier=None,
        supply_days=None,
        cautions=(),
        source="workshop book",
    )
    return dataclasses.replace(blank, **changes)


def timed(of: Step, *, items: int, hands_on: Range, machine: Range) -> TimedStep:
    return TimedStep(
        step=of, batches=1, items=items, elapsed_min=machine, hands_on_min=hands_on, machine_min=machine
    )


def make_plan(
    *,
    quantity: int = 10,
    started: int = 12,
    part_yield: Quantity | None = None,
    entries: tuple[Entry, ...] = ENTRIES,
) -> Plan:
    """Print one mould, buy one mask, bond twelve pieces to get ten."""
    bench = {item.name: item for item in entries}
    steps = (
        timed(
            step("print", unit="mould", shared=True, machine="printer", machine_entry=bench["printer"]),
            items=1,
            hands_on=Range(20, 30, 45),
            machine=Range(170, 180, 200),
        ),
        timed(
            step("mask", unit="mould", shared=True, supplier=bench["mask_shop"], supply_days=Range(3, 5, 8)),
            items=1,
            hands_on=Range.exact(0),
            machine=Range.exact(0),
        ),
        timed(
            step("bond", unit="part", shared=False, first_pass_yield=part_yield),
            items=started,
            hands_on=Range(60, 75, 120),
            machine=Range.exact(0),
        ),
    )
    return Plan(
        variant=BuildVariant(route="example", name="flat"),
        sizing=Sizing(good_parts=quantity, started_parts=started, moulds=1, rounds=1, parts_per_mould=12),
        materials=(
            MaterialNeed(
                "resins", "resin", "mould", Range(0.2, 0.25, 0.35), "l", "one mould", "print", shared=True
            ),
            MaterialNeed("consumables", "slide", "lid", Range.exact(12), "piece", "one a piece", "bond"),
        ),
        schedule=make_schedule(),
        steps=steps,
    )


def make_schedule(*, finished_h: float = 30, hands_on_h: float = 1.75, meets: bool | None = None) -> Schedule:
    return Schedule(
        steps=(),
        counts={},
        hands_on_h=hands_on_h,
        elapsed_h=finished_h,
        first_article_at=None,
        finished_at=START + timedelta(hours=finished_h),
        critical_path=(),
        meets_deadline=meets,
    )


def make_job(
    *,
    quantity: int = 10,
    overhead: str = "20",
    margin: str = "20",
    discount: str = "5",
    tax: str = "19",
    currency: str = "EUR",
    entries: tuple[Entry, ...] = ENTRIES,
    rules: Mapping[str, Mapping[str, Any]] | None = None,
    seed: int = 1,
    aim: str = "price",
    deadline: datetime | None = None,
) -> Job:
    outline = box(0, 0, 76, 26)
    return Job(
        layout=Layout("chip", "geojson", (), (), outline, 5.0),
        chip=Chip(outline, 4.0, "glass", "lid"),
        use=Use(Entry("liquids", "water", "Water"), 22, 1e-3, 998, 50, (), None, diffusivity_m2_per_s=1e-9),
        bench=Bench({}),
        catalogue=Catalogue(
            entries={(item.kind, item.name): item for item in entries},
            routes={},
            rules=rules or {},
            defaults={},
        ),
        quantity=quantity,
        start=START,
        aim=aim,
        deadline=deadline,
        first_article=False,
        terms=Terms(Decimal(overhead), Decimal(margin), Decimal(discount), Decimal(tax), currency),
        seed=seed,
    )


def make_process(plan: Plan) -> Process:
    return Process(steps=tuple(timed_step.step for timed_step in plan.steps))


def make_finding(
    rule: str, severity: Severity, message: str = "It is so.", remedy: str = "Do this."
) -> Finding:
    return Finding(rule=rule, severity=severity, message=message, remedy=remedy, source="workshop book")


def in_currency(entries: tuple[Entry, ...], currency: str) -> tuple[Entry, ...]:
    """The same figures in another currency."""
    return with_prices(entries, lambda price: dataclasses.replace(price, currency=currency))


def with_prices(entries: tuple[Entry, ...], change: Callable[[Price], Price]) -> tuple[Entry, ...]:
    return tuple(
        dataclasses.replace(
            item,
            values={
                key: change(value) if isinstance(value, Price) else value
                for key, value in item.values.items()
            },
        )
        for item in entries
    )


@pytest.fixture(scope="session")
def workshop() -> SimpleNamespace:
    """The builders above by name, for tests in this folder."""
    return SimpleNamespace(
        START=START,
        ENTRIES=ENTRIES,
        job=make_job,
        plan=make_plan,
        schedule=make_schedule,
        process=make_process,
        finding=make_finding,
        number=number,
        money=money,
        entry=entry,
        in_currency=in_currency,
        with_prices=with_prices,
    )
