"""The shipped catalogue can be priced: every machine, supplier and material, in one currency."""

from __future__ import annotations

import dataclasses
from decimal import Decimal

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Price
from rillcast_service.engine.costing.currencies import EXPONENTS
from rillcast_service.engine.costing.pricing import price
from rillcast_service.engine.ranges import Range

CATALOGUE = load()
MACHINES = [
    entry
    for kind in ("printers", "ovens", "uv_lamps", "vacuum_chambers", "plasma")
    for entry in CATALOGUE.of_kind(kind)
]
SUPPLIERS = list(CATALOGUE.of_kind("suppliers"))


def quote(workshop, **step):
    """The price of one hour of one step, materials left out, with the shipped rates."""
    plan = workshop.plan()
    timed = plan.steps[0]
    only = dataclasses.replace(
        timed,
        machine_min=Range.exact(60),
        step=dataclasses.replace(timed.step, **{"machine_entry": None, **step}),
    )
    plan = dataclasses.replace(plan, steps=(only,), materials=())
    job = dataclasses.replace(workshop.job(), catalogue=CATALOGUE)
    return price(job, plan, workshop.process(plan), ())


@pytest.mark.parametrize("machine", MACHINES, ids=lambda entry: f"{entry.kind}/{entry.name}")
def test_an_hour_of_every_machine_has_a_sensible_price(workshop, machine):
    """A bench machine costs from a cent to a few euros an hour; benchtop plasma, the dearest of
    them, is rented at 20 to 80 an hour with staff, so 10 without is beyond belief."""
    line = next(line for line in quote(workshop, machine_entry=machine).lines if line.category == "machine")
    assert Decimal("0.005") < line.unit_price < 10


@pytest.mark.parametrize("supplier", SUPPLIERS, ids=lambda entry: entry.name)
def test_every_supplier_charges_at_least_its_minimum(workshop, supplier):
    bought = [line for line in quote(workshop, supplier=supplier).lines if line.category == "bought_in"]
    charged = sum(line.amount for line in bought)
    setup = supplier.price("setup").amount if supplier.has("setup") else Decimal(0)
    assert charged == max(setup + supplier.price().amount, supplier.price("minimum_charge").amount)


def test_all_shipped_prices_are_in_one_currency_of_the_standard():
    currencies = {
        value.currency
        for entry in CATALOGUE.entries.values()
        for value in entry.values.values()
        if isinstance(value, Price)
    }
    assert len(currencies) == 1
    assert currencies <= set(EXPONENTS)
