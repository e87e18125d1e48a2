"""Direct cost of a plan, line by line: material, machine time, labour, review and bought-in work.

Each line keeps what it traces to (step or material, price source and date) and, beside its amount
at the best estimates, the product of factors that the uncertainty simulation draws.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from rillcast_service.catalogue.types import Entry, MissingValue, Price, Quantity
from rillcast_service.engine.costing.money import coin, to_coin
from rillcast_service.engine.costing.uncertainty import Cause, Factor, Term
from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.engine.job import Job
from rillcast_service.engine.planning.planner import Plan, TimedStep
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import CostLine
from rillcast_service.engine.routes.base import PIECE_UNITS, Process, Step

OPERATOR = Cause("operator", "pace of the operator")
REMAKING = Cause("yield", "yield (pieces to be made again)")

#: Wear parts of a machine: catalogue key of the price → key of the hours it lasts.
_WEAR = {"purchase": "life_h", "film": "film_life_h", "screen": "screen_life_h"}
#: A supplier's price is for each item that goes out, or for the order as a whole.
_PER_ITEM = ("piece", "part", "mould", "wafer")
_PER_ORDER = ("order", "job")


@dataclass(frozen=True, slots=True)
class DirectCost:
    """One cost line and what makes it uncertain.

    Args:
        line: the line, its amount at the best estimates.
        terms: the same amount, before rounding, as a sum of products of factors.
    """

    line: CostLine
    terms: tuple[Term, ...]


def direct_costs(job: Job, plan: Plan, process: Process) -> tuple[DirectCost, ...]:
    """Every direct cost of a plan.

    Args:
        job: gives prices, rates and the currency.
        plan: amounts and times, scrap included.
        process: gives the yields of the steps.

    Returns:
        Materials and consumables, machine time, labour, review, bought-in, in that order.

    Raises:
        RequestInvalid: a price is missing, or in another currency than the quote.
    """
    remake = Factor(remaking(process, plan), REMAKING)
    return (
        *_materials(job, plan, remake),
        *_machine_time(job, plan, remake),
        *_labour(job, plan, remake),
        *_review(job),
        *_bought_in(job, plan, remake),
    )


def remaking(process: Process, plan: Plan) -> Range:
    """How many times over the pieces are made if yields turn out worse than planned.

    The plan begins enough pieces for the best estimate of the yields; what is begun is not saved
    when they turn out better. Formula: max(1, good / (product of yields) / started).

    Args:
        process: its steps on pieces hold the yields; plan: holds pieces wanted and begun.

    Returns:
        Factor on cost per piece: low and best are 1.
    """
    yields = [step.first_pass_yield for step in process.steps if _repeats(step) and step.first_pass_yield]
    worst = math.prod(_fraction(value) for value in yields)
    if worst <= 0:
        raise RequestInvalid(
            Fault(
                message="a step's yield may be zero, so no number of pieces is sure to be enough",
                remedy="Give the yields of the bench's own steps a low end above zero.",
            )
        )
    needed = plan.sizing.good_parts / worst
    return Range(1.0, 1.0, max(1.0, needed / plan.sizing.started_parts))


def _fraction(value: Quantity) -> float:
    return value.low / 100 if value.unit == "%" else value.low


def _materials(job: Job, plan: Plan, remake: Factor) -> Iterator[DirectCost]:
    steps = {timed.step.id: timed.step for timed in plan.steps}
    for need in plan.materials:
        entry = job.catalogue.get(need.kind, need.name)
        price = price_of(entry, "price", job.terms.currency)
        if need.unit != price.per:
            raise RequestInvalid(
                Fault(
                    message=f"{entry.title} is priced per {price.per}, but the plan counts it in {need.unit}",
                    remedy=f"Give {entry.kind}/{entry.name} a price per {need.unit} on your bench.",
                )
            )
        amount = Factor(
            need.quantity, Cause(f"use/{entry.kind}/{entry.name}", f"amount of {entry.title} used")
        )
        per_piece = need.step in steps and _repeats(steps[need.step])
        yield _direct(
            job,
            category="consumable" if need.kind == "consumables" else "material",
            what=f"{entry.title}: {need.purpose}",
            shared=need.shared,
            quantity=need.quantity.best,
            unit=need.unit,
            unit_price=price.amount,
            terms=((amount, _price_factor(entry, "price", price), *_if(per_piece, remake)),),
            from_step=need.step,
            from_material=need.name,
            sources=(price,),
        )


def _machine_time(job: Job, plan: Plan, remake: Factor) -> Iterator[DirectCost]:
    """Wear and electricity for the hours that a step occupies its machine.

    Formula: hours · (purchase/life + film/life + screen/life + power · energy price).
    """
    for timed in plan.steps:
        machine = timed.step.machine_entry
        if machine is None or timed.machine_min.high <= 0:
            continue
        hours = Factor(
            timed.machine_min * (1 / 60),
            Cause(f"hours/{machine.kind}/{machine.name}", f"running time of {machine.title}"),
        )
        rate = _hourly_rate(job, machine)
        if rate.terms:
            yield _direct(
                job,
                category="machine",
                what=f"{machine.title}: {timed.step.title}",
                shared=timed.step.shared,
                quantity=hours.spread.best,
                unit="h",
                unit_price=rate.amount,
                terms=tuple((hours, *term, *_if(_repeats(timed.step), remake)) for term in rate.terms),
                from_step=timed.step.id,
                sources=rate.prices,
            )


@dataclass(frozen=True, slots=True)
class _HourlyRate:
    """What an hour of a machine costs: its amount to a hundredth of a coin, and where it comes from."""

    amount: Decimal
    terms: tuple[Term, ...]
    prices: tuple[Price, ...]


def _hourly_rate(job: Job, machine: Entry) -> _HourlyRate:
    currency = job.terms.currency
    amount = Decimal(0)
    terms: list[Term] = []
    prices: list[Price] = []
    for part, life_key in _WEAR.items():
        if not machine.has(part):
            continue
        price, life = price_of(machine, part, currency), _life(machine, life_key)
        wear = _spread_of(life).map(lambda hours: 1 / hours)
        label = machine.title if part == "purchase" else f"{part} of {machine.title}"
        cause = Cause(f"life/{machine.kind}/{machine.name}/{life_key}", f"life of {label}")
        terms.append((_price_factor(machine, part, price), Factor(wear, cause)))
        prices.append(price)
        amount += price.amount / Decimal(repr(life.value))
    if machine.has("power_w"):
        energy = job.catalogue.get("rates", "energy")
        price, kilowatts = price_of(energy, "price", currency), _spread_of(machine.quantity("power_w")) * 1e-3
        cause = Cause(f"power/{machine.kind}/{machine.name}", f"power of {machine.title}")
        terms.append((Factor(kilowatts, cause), _price_factor(energy, "price", price)))
        prices.append(price)
        amount += price.amount * Decimal(repr(kilowatts.best))
    return _HourlyRate(amount.quantize(coin(currency).scaleb(-2)), tuple(terms), tuple(prices))


def _life(machine: Entry, key: str) -> Quantity:
    try:
        life = machine.quantity(key)
    except MissingValue:
        life = None
    if life is None or life.low <= 0:
        raise RequestInvalid(
            Fault(
                message=f"{machine.title} does not say how long it lasts ({key}), so its time has no price",
                remedy=f"Give {machine.kind}/{machine.name} a {key} above zero on your bench.",
            )
        )
    return life


def _labour(job: Job, plan: Plan, remake: Factor) -> Iterator[DirectCost]:
    """Hands-on hours at the bench rate.

    Each step's time has a cause of its own, and the operator's pace moves all of them together.
    """
    rate = job.catalogue.get("rates", "bench_labour")
    price = price_of(rate, "price", job.terms.currency)
    pace = Range.exact(1.0)
    if rate.has("hands_on_factor_ratio"):
        pace = _spread_of(rate.quantity("hands_on_factor_ratio"))
    for timed in plan.steps:
        if timed.hands_on_min.high <= 0:
            continue
        cause = Cause(f"hands_on/{timed.step.id}", f"hands-on time: {timed.step.title}")
        hours = Factor(timed.hands_on_min * (1 / 60), cause)
        yield _direct(
            job,
            category="labour",
            what=timed.step.title,
            shared=timed.step.shared,
            quantity=hours.spread.best * pace.best,
            unit="h",
            unit_price=price.amount,
            terms=(
                (
                    hours,
                    Factor(pace, OPERATOR),
                    _price_factor(rate, "price", price),
                    *_if(_repeats(timed.step), remake),
                ),
            ),
            from_step=timed.step.id,
            sources=(price,),
        )


def _review(job: Job) -> Iterator[DirectCost]:
    """Looking through the layout and answering for it: once for a chip, whatever the quantity."""
    rate = job.catalogue.get("rates", "design_labour")
    price = price_of(rate, "price", job.terms.currency)
    hours = job.catalogue.get("rates", "design_review").quantity("review_h")
    if hours.high <= 0:
        return
    cause = Cause("review", "time for design and review of the layout")
    yield _direct(
        job,
        category="labour",
        what="Design and review of the layout",
        shared=True,
        quantity=hours.value,
        unit="h",
        unit_price=price.amount,
        terms=((Factor(_spread_of(hours), cause), _price_factor(rate, "price", price)),),
        sources=(price,),
    )


def _bought_in(job: Job, plan: Plan, remake: Factor) -> Iterator[DirectCost]:
    """What suppliers charge: set-up and price times items, but at least their minimum for an order.

    One cause moves a supplier's whole price list.
    """
    for timed in plan.steps:
        if timed.step.supplier is not None:
            yield from _charge(job, timed, timed.step.supplier, remake)


def _charge(job: Job, timed: TimedStep, supplier: Entry, remake: Factor) -> Iterator[DirectCost]:
    currency, step = job.terms.currency, timed.step
    cause = Cause(f"price/{supplier.kind}/{supplier.name}", f"charge of {supplier.title}")
    again = _if(_repeats(step), remake)

    def line(what: str, quantity: int, unit: str, price: Price, charge: Range) -> DirectCost:
        return _direct(
            job,
            category="bought_in",
            what=f"{supplier.title}: {what}",
            shared=step.shared,
            quantity=float(quantity),
            unit=unit,
            unit_price=price.amount,
            terms=((Factor(charge, cause), *again),),
            from_step=step.id,
            sources=(price,),
        )

    price = price_of(supplier, "price", currency)
    if price.per not in _PER_ITEM + _PER_ORDER:
        raise RequestInvalid(
            Fault(
                message=f"{supplier.title} is priced per {price.per}, which a plan does not count",
                remedy=f"Price suppliers/{supplier.name} per {', '.join(_PER_ITEM)} or {_PER_ORDER[0]}.",
            )
        )
    items = 1 if price.per in _PER_ORDER else timed.items * step.supplied_each
    setup = price_of(supplier, "setup", currency) if supplier.has("setup") else None
    minimum = price_of(supplier, "minimum_charge", currency) if supplier.has("minimum_charge") else None
    for_items = _as_range(price) * items
    for_setup = _as_range(setup) if setup else Range.exact(0.0)
    floor = _as_range(minimum) if minimum else Range.exact(0.0)
    if minimum is not None and floor.best > for_setup.best + for_items.best:
        at_least = Range(
            max(floor.low, for_setup.low + for_items.low),
            floor.best,
            max(floor.high, for_setup.high + for_items.high),
        )
        yield line(f"{step.title} (its least charge for an order)", 1, "order", minimum, at_least)
        return
    if setup is not None:
        yield line(f"set-up for {step.title}", 1, "order", setup, for_setup)
    # At its ends the minimum may still bite; it then weighs on the items.
    weighed = Range(
        min(max(for_items.low, floor.low - for_setup.low), for_items.best),
        for_items.best,
        max(for_items.high, floor.high - for_setup.high),
    )
    yield line(step.title, items, price.per, price, weighed)


def price_of(entry: Entry, key: str, currency: str) -> Price:
    """A price of a catalogue entry, in the quote's currency.

    Args:
        entry: the entry; key: which of its prices.
        currency: ISO 4217 code that the quote is in.

    Returns:
        The price.

    Raises:
        RequestInvalid: there is none, or it is in another currency.
    """
    try:
        price = entry.price(key)
    except MissingValue:
        raise RequestInvalid(
            Fault(
                message=f"{entry.title} has no price ({key}), so the job cannot be priced",
                remedy=f"Give {entry.kind}/{entry.name} a value for {key} on your bench.",
            )
        ) from None
    if price.currency != currency:
        raise RequestInvalid(
            Fault(
                message=f"{entry.title} has a price in {price.currency}, but the quote is in {currency}",
                remedy=(
                    f"Ask for the quote in {price.currency}, or put your own {currency} prices on the bench; "
                    "exchange rates are not guessed."
                ),
                pointer="#/currency",
            )
        )
    return price


def _direct(
    job: Job,
    *,
    category: str,
    what: str,
    shared: bool,
    quantity: float,
    unit: str,
    unit_price: Decimal,
    terms: tuple[Term, ...],
    sources: tuple[Price, ...],
    from_step: str | None = None,
    from_material: str | None = None,
) -> DirectCost:
    # Rounded first (a milligram, a few milliseconds), so that the printed factors give the printed amount.
    quantity = round(quantity, 6)
    line = CostLine(
        category=category,
        what=what,
        amount=to_coin(Decimal(repr(quantity)) * unit_price, job.terms.currency),
        shared=shared,
        quantity=quantity,
        unit=unit,
        unit_price=unit_price,
        from_step=from_step,
        from_material=from_material,
        source="; ".join(dict.fromkeys(price.source for price in sources)),
        # Of several prices the oldest date: that is how stale the line may be.
        price_as_of=min(price.as_of for price in sources),
    )
    return DirectCost(line, terms)


def _price_factor(entry: Entry, key: str, price: Price) -> Factor:
    label = {"price": f"price of {entry.title}", "purchase": f"purchase price of {entry.title}"}.get(
        key, f"price of a {key} for {entry.title}"
    )
    return Factor(_as_range(price), Cause(f"price/{entry.kind}/{entry.name}/{key}", label))


def _as_range(price: Price) -> Range:
    return Range(float(price.low), float(price.amount), float(price.high))


def _spread_of(quantity: Quantity) -> Range:
    return Range(quantity.low, quantity.value, quantity.high)


def _repeats(step: Step) -> bool:
    """Whether the step is done again for a piece that has to be made again."""
    return step.unit in PIECE_UNITS and not step.shared


def _if(condition: bool, factor: Factor) -> tuple[Factor, ...]:
    return (factor,) if condition else ()
