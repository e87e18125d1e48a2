"""The price of a job by one route: direct cost, then what comes on top, in the order of the trade.

    direct cost        materials, machine time, labour, bought-in work
    + handling         percent of materials and bought-in work: ordering, receiving, storing
    + overhead         percent of direct cost and handling
    + risk             percent of all the above for each rule that found a risk
    + margin           a part of the price, not of the cost: cost · m / (1 − m)
    − discount         percent of the price so far
    + contingency      what lifts the price to the middle of its simulated range
    = net              the price per piece comes from this
    + tax              percent of net

Cost that a repeat order would not bring again (moulds, review) carries its own handling, overhead,
margin and discount, so that the lines marked `shared` are the whole price of the first time.
The risk allowance is for making things again and stays with the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from rillcast_service.engine.costing.lines import DirectCost, direct_costs
from rillcast_service.engine.costing.money import (
    HUNDRED,
    grouped,
    margin_on,
    percent_of,
    rounding_rule,
    to_coin,
)
from rillcast_service.engine.costing.uncertainty import simulate
from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.engine.job import Job
from rillcast_service.engine.planning.planner import Plan
from rillcast_service.engine.result import Cost, CostLine, Finding, Percentiles, Severity
from rillcast_service.engine.routes.base import Process

#: Categories that the handling mark-up is for.
_HANDLED = ("material", "consumable", "bought_in")


def price(job: Job, plan: Plan, process: Process, findings: tuple[Finding, ...]) -> Cost:
    """The price of a plan with its lines, range and drivers; price breaks are left empty.

    The lines take every input at its best estimate. Ranges mostly lean to the high side, so a price
    of best estimates alone would be too low more often than not: a line of its own lifts it to p50,
    the contingency that estimating guides ask to be shown (GAO-20-195G, step 9).

    Args:
        job: quantity, terms, catalogue and seed.
        plan: amounts and times of the whole job.
        process: the steps that the plan came from.
        findings: each rule with a risk among them brings an allowance.

    Returns:
        The cost, in the currency of the job's terms.

    Raises:
        RequestInvalid: a price is missing or in another currency, the currency is unknown, or a
            term is out of bounds.
    """
    currency = job.terms.currency
    costs = direct_costs(job, plan, process)
    chain = _chain(job, findings)
    best = tuple(_lines(costs, chain))
    spread = simulate(((chain.weight(cost.line), cost.terms) for cost in costs), seed=job.seed)
    total = Percentiles(
        *(to_coin(Decimal(repr(value)), currency) for value in (spread.p10, spread.p50, spread.p90))
    )
    lines = (*best, *_contingency_line(total.p50 - _total(best)))
    net = _total(lines)
    tax = percent_of(net, chain.tax, currency)
    return Cost(
        currency=currency,
        lines=(*lines, *_tax_line(net, tax, chain)),
        net=net,
        amount=net + tax,
        shared=_total(line for line in lines if line.shared),
        unit_price=to_coin(net / job.quantity, currency),
        total=total,
        price_breaks=(),
        drivers=spread.drivers,
        rounding=rounding_rule(currency),
    )


def net_price(job: Job, plan: Plan, process: Process, findings: tuple[Finding, ...]) -> Decimal:
    """The net price of best estimates, without contingency: quick, to choose among plans.

    Args:
        job, plan, process, findings: as for `price`.

    Returns:
        What `price` gives as `net`, less its contingency.

    Raises:
        RequestInvalid: as for `price`.
    """
    return _total(_lines(direct_costs(job, plan, process), _chain(job, findings)))


@dataclass(frozen=True, slots=True)
class _Chain:
    """What comes on top of direct cost, in percent; `risks` are the titles of the rules at risk."""

    currency: str
    handling: Decimal
    overhead: Decimal
    per_risk: Decimal
    risks: tuple[str, ...]
    margin: Decimal
    discount: Decimal
    tax: Decimal
    sources: dict[str, str]

    def weight(self, line: CostLine) -> float:
        """Net price that one unit of direct cost of this line brings."""
        handled = self.handling if line.category in _HANDLED else Decimal(0)
        return float(
            (1 + handled / HUNDRED)
            * (1 + self.overhead / HUNDRED)
            * (1 + self.per_risk * len(self.risks) / HUNDRED)
            / (1 - self.margin / HUNDRED)
            * (1 - self.discount / HUNDRED)
        )


def _chain(job: Job, findings: Sequence[Finding]) -> _Chain:
    handling = job.catalogue.get("rates", "handling").quantity("markup_percent")
    per_risk = job.catalogue.get("rates", "risk").quantity("per_risk_percent")
    rules = dict.fromkeys(finding.rule for finding in findings if finding.severity is Severity.RISK)
    terms = job.terms
    chain = _Chain(
        currency=terms.currency,
        handling=Decimal(repr(handling.value)),
        overhead=terms.overhead_percent,
        per_risk=Decimal(repr(per_risk.value)),
        risks=tuple(str(job.catalogue.rules.get(rule, {}).get("title", rule)) for rule in rules),
        margin=terms.margin_percent,
        discount=terms.discount_percent,
        tax=terms.tax_percent,
        sources={"handling": handling.source, "risk": per_risk.source},
    )
    _check(chain)
    return chain


def _check(chain: _Chain) -> None:
    for name, value, most in (
        ("overhead", chain.overhead, None),
        ("discount", chain.discount, HUNDRED),
        ("tax", chain.tax, None),
    ):
        if not value.is_finite() or value < 0 or (most is not None and value > most):
            bounds = "0 or more" if most is None else f"from 0 to {most}"
            raise RequestInvalid(
                Fault(
                    message=f"{name} cannot be {value} %",
                    remedy=f"Give {bounds} percent.",
                    pointer=f"#/commercial/{name}_percent",
                )
            )


def _lines(costs: Sequence[DirectCost], chain: _Chain) -> Iterator[CostLine]:
    """All lines up to the net price."""
    direct = [cost.line for cost in costs]
    yield from direct
    on_top: list[CostLine] = []
    for shared in (True, False):
        on_top += _handling_and_overhead([line for line in direct if line.shared is shared], chain, shared)
    base = _total(direct) + _total(on_top)
    on_top += [
        CostLine(
            category="risk",
            what=f"Allowance for a risk, {_percent(chain.per_risk)} of {grouped(base)}: {title}",
            amount=percent_of(base, chain.per_risk, chain.currency),
            shared=False,
            quantity=float(chain.per_risk),
            unit="%",
            source=chain.sources["risk"],
        )
        for title in chain.risks
    ]
    for shared in (True, False):
        cost = _total(line for line in (*direct, *on_top) if line.shared is shared)
        on_top += _margin_and_discount(cost, chain, shared)
    order = ("overhead", "risk", "margin", "discount")
    yield from sorted((line for line in on_top if line.amount), key=lambda line: order.index(line.category))


def _handling_and_overhead(direct: Sequence[CostLine], chain: _Chain, shared: bool) -> Iterator[CostLine]:
    handled = _total(line for line in direct if line.category in _HANDLED)
    handling = percent_of(handled, chain.handling, chain.currency)
    yield CostLine(
        category="overhead",
        what=f"Handling of what is bought, {_percent(chain.handling)} of {grouped(handled)}{_once(shared)}",
        amount=handling,
        shared=shared,
        quantity=float(chain.handling),
        unit="%",
        source=chain.sources["handling"],
    )
    base = _total(direct) + handling
    yield CostLine(
        category="overhead",
        what=f"Overhead, {_percent(chain.overhead)} of {grouped(base)}{_once(shared)}",
        amount=percent_of(base, chain.overhead, chain.currency),
        shared=shared,
        quantity=float(chain.overhead),
        unit="%",
    )


def _margin_and_discount(cost: Decimal, chain: _Chain, shared: bool) -> Iterator[CostLine]:
    margin = margin_on(cost, chain.margin, chain.currency)
    yield CostLine(
        category="margin",
        what=f"Margin, {_percent(chain.margin)} of the price on a cost of {grouped(cost)}{_once(shared)}",
        amount=margin,
        shared=shared,
        quantity=float(chain.margin),
        unit="%",
    )
    yield CostLine(
        category="discount",
        what=f"Discount, {_percent(chain.discount)} of {grouped(cost + margin)}{_once(shared)}",
        amount=-percent_of(cost + margin, chain.discount, chain.currency),
        shared=shared,
        quantity=float(chain.discount),
        unit="%",
    )


def _contingency_line(short_of_middle: Decimal) -> tuple[CostLine, ...]:
    if short_of_middle <= 0:
        return ()
    return (
        CostLine(
            category="contingency",
            what="Contingency: lifts the price to the middle of its range",
            amount=short_of_middle,
            shared=False,
            source="contingency to a stated confidence (50 %), as in GAO-20-195G, step 9",
        ),
    )


def _tax_line(net: Decimal, tax: Decimal, chain: _Chain) -> tuple[CostLine, ...]:
    if not tax:
        return ()
    what = f"Tax, {_percent(chain.tax)} of {grouped(net)}"
    return (CostLine("tax", what, tax, shared=False, quantity=float(chain.tax), unit="%"),)


def _total(lines: Iterable[CostLine]) -> Decimal:
    return sum((line.amount for line in lines), Decimal(0))


def _percent(value: Decimal) -> str:
    return f"{value.normalize():f} %"


def _once(shared: bool) -> str:
    return " (first order only)" if shared else ""
