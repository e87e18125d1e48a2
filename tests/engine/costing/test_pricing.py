"""A price followed by hand, and the laws every price keeps."""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from itertools import pairwise
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rillcast_service.catalogue.types import Price
from rillcast_service.engine.costing.currencies import EXPONENTS
from rillcast_service.engine.costing.lines import remaking
from rillcast_service.engine.costing.money import coin, to_coin
from rillcast_service.engine.costing.pricing import net_price, price
from rillcast_service.engine.errors import RequestInvalid
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Cost, Severity
from rillcast_service.engine.routes.base import Process

PERCENT = st.decimals(min_value=0, max_value=60, places=1)


def quote(workshop: SimpleNamespace, *, risks: int = 1, plan: object = None, **job: object) -> Cost:
    entries = job.get("entries", workshop.ENTRIES)
    plan = plan or workshop.plan(quantity=job.get("quantity", 10), entries=entries)
    findings = tuple(workshop.finding(f"rule_{n}", Severity.RISK) for n in range(risks))
    return price(workshop.job(**job), plan, workshop.process(plan), findings)


def amounts(cost: Cost, category: str) -> list[Decimal]:
    return [line.amount for line in cost.lines if line.category == category]


def before_contingency(cost: Cost) -> Decimal:
    return cost.net - sum(amounts(cost, "contingency"), Decimal(0))


def test_a_price_by_hand_to_the_cent(workshop):
    """Every figure below was worked out with pencil and paper from the workshop's prices."""
    cost = quote(workshop)

    assert amounts(cost, "material") == [Decimal("10.00")]  # 0.25 l at 40
    assert amounts(cost, "consumable") == [Decimal("2.40")]  # 12 at 0.20
    # 400/2000 + 20/100 + 0.06 kW at 0.30 = 0.2 + 0.2 + 0.018 = 0.418 an hour, 3 h
    assert amounts(cost, "machine") == [Decimal("1.25")]
    assert amounts(cost, "labour") == [Decimal("30.00"), Decimal("75.00"), Decimal("135.00")]
    assert amounts(cost, "bought_in") == [Decimal("60.00")]  # 45 lies under the minimum of 60
    # first time: direct 236.25, of it bought 70.00; every time: direct 77.40, of it bought 2.40;
    # handling 10 % of what is bought; overhead 20 % of 243.25 and of 77.64
    assert amounts(cost, "overhead") == [Decimal("7.00"), Decimal("48.65"), Decimal("0.24"), Decimal("15.53")]
    assert amounts(cost, "risk") == [Decimal("19.25")]  # 5 % of 291.90 + 93.17
    # 20 % of the price is a quarter of the cost: 291.90 / 4 and (93.17 + 19.25) / 4
    assert amounts(cost, "margin") == [Decimal("72.98"), Decimal("28.11")]
    assert amounts(cost, "discount") == [Decimal("-18.24"), Decimal("-7.03")]  # 5 % of 364.88 and of 140.53
    (contingency,) = amounts(cost, "contingency")
    assert cost.net - contingency == Decimal("480.14")
    assert cost.net == cost.total.p50, "the price stands at the middle of its range"
    assert amounts(cost, "tax") == [to_coin(cost.net * 19 / 100, "EUR")]
    assert cost.amount == cost.net + amounts(cost, "tax")[0]
    assert cost.shared == Decimal("346.64")  # 364.88 − 18.24
    assert cost.unit_price == to_coin(cost.net / 10, "EUR")
    assert cost.currency == "EUR"
    assert cost.price_breaks == ()


def test_each_line_says_where_it_comes_from(workshop):
    lines = quote(workshop).lines
    resin = next(line for line in lines if line.from_material == "resin")
    assert (resin.quantity, resin.unit, resin.unit_price, resin.from_step) == (
        0.25,
        "l",
        Decimal("40"),
        "print",
    )
    assert (resin.source, resin.price_as_of, resin.shared) == ("price list (l)", "2026-11-01", True)
    machine = next(line for line in lines if line.category == "machine")
    assert machine.unit_price == Decimal("0.4180")
    assert machine.source == "price list (piece); price list (kWh)"
    assert machine.price_as_of == "2026-06-01", "of several prices the oldest date"
    bond = next(line for line in lines if line.from_step == "bond" and line.category == "labour")
    assert (bond.quantity, bond.unit, bond.shared) == (1.25, "h", False)
    bought = next(line for line in lines if line.category == "bought_in")
    assert bought.unit == "order"
    assert "least charge" in bought.what


@pytest.mark.parametrize(
    ("items", "setup", "expected"),
    [
        (1, None, [("60.00", "order")]),  # 45 lies under the least charge of 60
        (3, None, [("135.00", "piece")]),
        (1, "10", [("60.00", "order")]),  # 10 + 45 still does
        (1, "25", [("25.00", "order"), ("45.00", "piece")]),
    ],
)
def test_a_supplier_charges_set_up_and_pieces_but_no_less_than_the_minimum(workshop, items, setup, expected):
    entries = tuple(
        dataclasses.replace(item, values={**item.values, "setup": workshop.money(setup, "5", "40", "order")})
        if item.name == "mask_shop" and setup
        else item
        for item in workshop.ENTRIES
    )
    plan = workshop.plan(entries=entries)
    steps = tuple(
        dataclasses.replace(timed, items=items) if timed.step.id == "mask" else timed for timed in plan.steps
    )
    cost = quote(workshop, plan=dataclasses.replace(plan, steps=steps), entries=entries)
    bought = [(str(line.amount), line.unit) for line in cost.lines if line.category == "bought_in"]
    assert bought == expected


def test_margin_is_a_part_of_the_price_not_of_the_cost(workshop):
    """At 40 % margin a cost of 60 sells for 100; a mark-up of 40 % would sell it for 84."""
    terms = {"overhead": "0", "discount": "0", "tax": "0", "risks": 0}
    at_cost = before_contingency(quote(workshop, margin="0", **terms))
    sold = quote(workshop, margin="40", **terms)
    margin = sum(amounts(sold, "margin"), Decimal(0))
    # two margin lines, each rounded to the cent, so half a cent each
    assert abs(margin - Decimal("0.40") * before_contingency(sold)) <= Decimal("0.01")
    assert abs(before_contingency(sold) - at_cost / Decimal("0.60")) <= Decimal("0.01")


def test_several_places_of_one_rule_bring_one_allowance_and_notes_none(workshop):
    plan = workshop.plan()
    job = workshop.job(rules={"width": {"title": "Wide enough"}})
    findings = (
        workshop.finding("width", Severity.RISK),
        workshop.finding("width", Severity.RISK),
        workshop.finding("gap", Severity.NOTE),
    )
    risks = [
        line for line in price(job, plan, workshop.process(plan), findings).lines if line.category == "risk"
    ]
    assert len(risks) == 1
    assert risks[0].what.endswith("Wide enough")


def test_terms_of_nought_leave_no_lines_behind(workshop):
    cost = quote(workshop, risks=0, overhead="0", margin="0", discount="0", tax="0")
    assert {line.category for line in cost.lines} == {
        "material", "consumable", "machine", "labour", "bought_in", "overhead", "contingency",
    }  # fmt: skip
    assert amounts(cost, "overhead") == [Decimal("7.00"), Decimal("0.24")], "handling only"
    assert cost.amount == cost.net


def test_net_price_is_the_net_of_the_price_before_contingency(workshop):
    plan = workshop.plan()
    job, process = workshop.job(), workshop.process(plan)
    findings = (workshop.finding("width", Severity.RISK),)
    whole = price(job, plan, process, findings)
    assert net_price(job, plan, process, findings) == before_contingency(whole) < whole.net


@settings(max_examples=60, deadline=None)
@given(
    currency=st.sampled_from(sorted(EXPONENTS)),
    quantity=st.integers(1, 10_000),
    overhead=PERCENT,
    margin=PERCENT,
    discount=PERCENT,
    tax=PERCENT,
    risks=st.integers(0, 4),
)
def test_lines_add_up_to_the_last_coin(workshop, currency, quantity, overhead, margin, discount, tax, risks):
    cost = quote(
        workshop,
        risks=risks,
        quantity=quantity,
        currency=currency,
        entries=workshop.in_currency(workshop.ENTRIES, currency),
        overhead=str(overhead),
        margin=str(margin),
        discount=str(discount),
        tax=str(tax),
    )
    untaxed = [line for line in cost.lines if line.category != "tax"]
    assert cost.amount == sum(line.amount for line in cost.lines)
    assert cost.net == sum(line.amount for line in untaxed)
    assert cost.shared == sum(line.amount for line in untaxed if line.shared)
    smallest = coin(currency)
    for amount in (cost.amount, cost.unit_price, cost.total.p10, *(line.amount for line in cost.lines)):
        assert amount % smallest == 0
        assert amount.as_tuple().exponent == -EXPONENTS[currency]
    for line in cost.lines:
        if line.unit_price is not None:  # the printed factors give the printed amount
            product = Decimal(str(line.quantity)) * line.unit_price
            assert abs(line.amount - product) <= smallest / 2
    assert abs(cost.unit_price * quantity - cost.net) <= smallest / 2 * quantity
    assert cost.total.p10 <= cost.total.p50 <= cost.total.p90


PRICES = ("resin", "slide", "printer", "bench_labour", "design_labour", "energy", "mask_shop")


@pytest.mark.parametrize("dearer", PRICES)
@settings(max_examples=15, deadline=None)
@given(factor=st.decimals(min_value="1.0", max_value="20", places=2))
def test_a_dearer_input_never_lowers_the_price(workshop, dearer, factor):
    def raised(price: Price) -> Price:
        return dataclasses.replace(
            price, amount=price.amount * factor, low=price.low * factor, high=price.high * factor
        )

    entries = tuple(
        workshop.with_prices((item,), raised)[0] if item.name == dearer else item for item in workshop.ENTRIES
    )
    before, after = quote(workshop), quote(workshop, entries=entries)
    assert after.net >= before.net
    assert after.amount >= before.amount
    low, high = before.total, after.total
    assert (low.p10 <= high.p10, low.p50 <= high.p50, low.p90 <= high.p90) == (True, True, True)


def test_more_hands_on_time_costs_more(workshop):
    plan = workshop.plan()
    nets = []
    for factor in (1.0, 1.5, 3.0):
        steps = tuple(
            dataclasses.replace(timed, hands_on_min=timed.hands_on_min * factor) for timed in plan.steps
        )
        nets.append(quote(workshop, plan=dataclasses.replace(plan, steps=steps)).net)
    assert all(cheaper < dearer for cheaper, dearer in pairwise(nets))


@pytest.mark.parametrize("discount", ["0", "5"])
@pytest.mark.parametrize("margin", ["0", "35"])
def test_without_doubt_the_range_is_the_price(workshop, margin, discount):
    """With every range a point the simulation must find the net price again: the chain from cost to
    price is worked twice, once line by line in coins and once as a factor on each draw. A dozen
    lines rounded by half a cent each may part them by some cents."""

    def sure(value):
        kept = value.amount if isinstance(value, Price) else value.value
        return dataclasses.replace(value, low=kept, high=kept)

    entries = tuple(
        dataclasses.replace(item, values={key: sure(value) for key, value in item.values.items()})
        for item in workshop.ENTRIES
    )
    plan = workshop.plan(entries=entries)
    exact = dataclasses.replace(
        plan,
        materials=tuple(
            dataclasses.replace(need, quantity=Range.exact(need.quantity.best)) for need in plan.materials
        ),
        steps=tuple(
            dataclasses.replace(
                timed,
                hands_on_min=Range.exact(timed.hands_on_min.best),
                machine_min=Range.exact(timed.machine_min.best),
            )
            for timed in plan.steps
        ),
    )
    cost = quote(workshop, plan=exact, entries=entries, margin=margin, discount=discount, risks=2)
    assert cost.total.p10 == cost.total.p50 == cost.total.p90
    assert abs(cost.total.p50 - cost.net) <= Decimal("0.06")
    assert cost.drivers == ()


def test_yield_in_doubt_raises_the_high_side_only(workshop):
    sure = quote(workshop, plan=workshop.plan())
    doubtful = quote(workshop, plan=workshop.plan(part_yield=workshop.number(0.85, 0.40, 0.95, "1")))
    assert before_contingency(doubtful) == before_contingency(sure)
    assert doubtful.total.p90 > sure.total.p90
    assert any("yield" in driver.what for driver in doubtful.drivers)


@pytest.mark.parametrize(
    ("unit", "counts"), [("part", True), ("pour", True), ("mould", False), ("job", False)]
)
def test_only_what_is_done_for_every_piece_is_done_again(workshop, unit, counts):
    plan = workshop.plan(part_yield=workshop.number(0.85, 0.40, 0.95, "1"))
    steps = tuple(dataclasses.replace(one.step, unit=unit) for one in plan.steps if one.step.id == "bond")
    assert (remaking(Process(steps), plan).high > 1) is counts


@pytest.mark.parametrize(
    ("worst", "unit", "expected"),
    [
        (0.5, "1", 10 / 0.5 / 12),  # 20 pieces must be begun, the plan begins 12
        (50, "%", 10 / 0.5 / 12),
        (0.9, "1", 1.0),  # 12 of 11.1 are begun already
    ],
)
def test_making_again_follows_the_worst_yield(workshop, worst, unit, expected):
    best = 0.92 if unit == "1" else 92
    plan = workshop.plan(part_yield=workshop.number(best, worst, best, unit))
    factor = remaking(workshop.process(plan), plan)
    assert (factor.low, factor.best, factor.high) == (1.0, 1.0, pytest.approx(expected))


def test_the_range_holds_the_drawn_costs_and_the_seed_repeats_it(workshop):
    one, again, other = quote(workshop), quote(workshop), quote(workshop, seed=2)
    assert one == again
    assert other.total != one.total
    assert before_contingency(other) == before_contingency(one)
    # 10 000 draws: between seeds the ends move by about a hundredth of the spread
    spread = one.total.p90 - one.total.p10
    assert abs(other.total.p90 - one.total.p90) < spread * Decimal("0.03")
    assert 0 < sum(driver.share for driver in one.drivers) <= 1.02
    assert len(one.drivers) == 5


def test_what_drives_the_price_is_named(workshop):
    """Labour is most of this price, and review time and pace of the operator are least sure."""
    drivers = quote(workshop).drivers
    assert [driver.what for driver in drivers[:2]] == [
        "time for design and review of the layout",
        "pace of the operator",
    ]
    shares = [driver.share for driver in drivers]
    assert shares == sorted(shares, reverse=True)


def test_a_slower_operator_is_slower_at_every_step(workshop):
    """At a pace of 1.2 the 0.5 h and 1.25 h become 0.6 h and 1.5 h; review is not bench work."""
    slow = workshop.number(1.2, 1.2, 1.2, "1")
    entries = tuple(
        dataclasses.replace(item, values={**item.values, "hands_on_factor_ratio": slow})
        if item.name == "bench_labour"
        else item
        for item in workshop.ENTRIES
    )
    assert amounts(quote(workshop, entries=entries), "labour") == [
        Decimal("36.00"),
        Decimal("90.00"),
        Decimal("135.00"),
    ]


@pytest.mark.parametrize(
    ("changes", "pointer", "said"),
    [
        ({"margin": "100"}, "#/commercial/margin_percent", "part of the price"),
        ({"discount": "101"}, "#/commercial/discount_percent", "discount"),
        ({"tax": "-1"}, "#/commercial/tax_percent", "tax"),
        ({"currency": "USD"}, "#/currency", "EUR"),
        ({"currency": "ZZZ", "entries": "ZZZ"}, "#/currency", "ISO 4217"),
    ],
)
def test_terms_that_cannot_be_are_refused_with_a_remedy(workshop, changes, pointer, said):
    if "entries" in changes:
        changes = {**changes, "entries": workshop.in_currency(workshop.ENTRIES, "ZZZ")}
    with pytest.raises(RequestInvalid) as refused:
        quote(workshop, **changes)
    fault = refused.value.faults[0]
    assert said in fault.message
    assert fault.remedy
    assert fault.pointer == pointer


def test_a_missing_price_says_which(workshop):
    entries = tuple(
        dataclasses.replace(item, values={}) if item.name == "resin" else item for item in workshop.ENTRIES
    )
    with pytest.raises(RequestInvalid, match="Resin has no price") as refused:
        quote(workshop, entries=entries)
    assert "resins/resin" in refused.value.faults[0].remedy


def test_a_unit_that_is_not_the_price_s_is_refused(workshop):
    plan = workshop.plan()
    wrong = dataclasses.replace(plan.materials[0], unit="kg")
    with pytest.raises(RequestInvalid, match="per l, but the plan counts it in kg"):
        quote(workshop, plan=dataclasses.replace(plan, materials=(wrong,)))


def test_a_machine_without_a_life_is_refused(workshop):
    entries = tuple(
        dataclasses.replace(
            item, values={key: value for key, value in item.values.items() if key != "life_h"}
        )
        for item in workshop.ENTRIES
    )
    with pytest.raises(RequestInvalid, match="life_h") as refused:
        quote(workshop, entries=entries)
    assert "printers/printer" in refused.value.faults[0].remedy
