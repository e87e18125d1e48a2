"""Which route is recommended, and whether the sentences name what decided it."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from types import SimpleNamespace

import pytest

from rillcast_service.engine.costing.comparison import compare
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import (
    AsMadeSummary,
    Comparison,
    Cost,
    Driver,
    Finding,
    Percentiles,
    RouteResult,
    Severity,
    Verdict,
)


def route(
    workshop: SimpleNamespace,
    route_id: str,
    *,
    net: str = "100.00",
    finished_h: float = 24,
    hands_on_h: float = 4,
    findings: tuple[Finding, ...] = (),
    meets: bool | None = None,
    doubt: str = "1.00",
) -> RouteResult:
    """A route's result with just what the comparison reads; its verdict follows from the findings."""
    severities = {finding.severity for finding in findings}
    verdict = (
        Verdict.NOT_MAKEABLE
        if Severity.BLOCKER in severities
        else Verdict.MAKEABLE_WITH_RISK
        if Severity.RISK in severities
        else Verdict.MAKEABLE
    )
    made = verdict is not Verdict.NOT_MAKEABLE
    price = Decimal(net)
    cost = Cost(
        currency="EUR",
        lines=(),
        net=price,
        amount=price,
        shared=Decimal("0.00"),
        unit_price=price / 10,
        total=Percentiles(price - Decimal(doubt), price, price + Decimal(doubt)),
        price_breaks=(),
        drivers=(Driver("hands-on time of the operator", 0.7), Driver("bench labour rate", 0.2)),
        rounding="",
    )
    return RouteResult(
        route=route_id,
        title=f"Route {route_id.upper()}",
        verdict=verdict,
        summary="In short.",
        variants=(),
        findings=findings,
        as_made=AsMadeSummary(None, None, {}, {}, Range.exact(0), 0, 0),
        fluidics=None,
        draining=None,
        materials=(),
        schedule=workshop.schedule(finished_h=finished_h, hands_on_h=hands_on_h, meets=meets)
        if made
        else None,
        cost=cost if made else None,
    )


def told(comparison: Comparison) -> str:
    return "\n".join(comparison.reasons)


def test_each_aim_has_its_own_winner(workshop):
    results = (
        route(workshop, "a", net="100.00", finished_h=72, hands_on_h=6),
        route(workshop, "b", net="130.00", finished_h=24, hands_on_h=8),
        route(workshop, "c", net="150.00", finished_h=96, hands_on_h=2),
    )
    picks = {aim: compare(workshop.job(aim=aim), results) for aim in ("price", "date", "hands_on")}
    assert {aim: found.recommended for aim, found in picks.items()} == {
        "price": "a",
        "date": "b",
        "hands_on": "c",
    }
    assert "with the lowest price of the routes that can make it" in told(picks["price"])
    assert "with the earliest date" in told(picks["date"])
    assert "with the least hands-on work" in told(picks["hands_on"])


def test_the_recommendation_and_its_rivals_in_figures(workshop):
    results = (
        route(workshop, "a", net="100.00", finished_h=24, hands_on_h=4),
        route(workshop, "b", net="125.50", finished_h=72, hands_on_h=1.5),
    )
    comparison = compare(workshop.job(), results)
    assert comparison.reasons == (
        "Recommended: Route A, with the lowest price of the routes that can make it: 100.00 EUR before tax "
        "for 10 pieces (10.00 EUR each), ready on Tuesday 2 March 2027, 4.0 h of hands-on work.",
        "With all that may come out otherwise, it lies between 99.00 and 101.00 EUR (10 to 90 % probable); "
        "the largest parts of that doubt are hands-on time of the operator (70 %) and "
        "bench labour rate (20 %).",
        "Route B: 25.50 EUR (26 %) more, ready 2 days later, 2.5 h less hands-on work.",
    )


def test_choices_list_every_route_in_the_order_given(workshop):
    blocked = workshop.finding("gap", Severity.BLOCKER)
    results = (route(workshop, "b", net="90.00"), route(workshop, "a", findings=(blocked,)))
    first, second = compare(workshop.job(), results).choices
    assert (first.route, first.verdict, first.net, first.unit_price) == (
        "b",
        Verdict.MAKEABLE,
        Decimal("90.00"),
        Decimal("9.00"),
    )
    assert (second.route, second.verdict) == ("a", Verdict.NOT_MAKEABLE)
    assert (second.net, second.unit_price, second.finished_at, second.hands_on_h) == (None,) * 4


def test_a_risk_is_said_with_its_remedy_and_what_safety_would_cost(workshop):
    risks = (
        workshop.finding("roof", Severity.RISK, "The roof may close", "Deepen to 250 µm"),
        workshop.finding("roof", Severity.RISK, "The roof may close here too", "Deepen it"),
        workshop.finding("width", Severity.RISK, "Narrow.", "Widen."),
    )
    results = (route(workshop, "a", net="100.00", findings=risks), route(workshop, "b", net="110.00"))
    comparison = compare(workshop.job(), results)
    assert comparison.recommended == "a"
    assert (
        "It carries 2 risks: The roof may close. Deepen to 250 µm. (1 more in its findings.)"
        in comparison.reasons
    )
    assert "Route B would have no open risk and costs 10.00 EUR (10 %) more." in comparison.reasons


def test_what_blocks_a_route_is_said_with_its_remedy(workshop):
    wall = workshop.finding("gap", Severity.BLOCKER, "The wall is 80 µm, too thin", "Move them 120 µm apart")
    results = (route(workshop, "a"), route(workshop, "b", findings=(wall,)))
    comparison = compare(workshop.job(), results)
    assert "the only route that can make the chip" in comparison.reasons[0]
    assert (
        comparison.reasons[-1]
        == "Route B cannot make it: The wall is 80 µm, too thin. Move them 120 µm apart."
    )


def test_nothing_makeable_recommends_nothing_and_points_to_the_nearest(workshop):
    one = workshop.finding("gap", Severity.BLOCKER, "Thin wall.", "Move them apart.")
    two = workshop.finding("roof", Severity.BLOCKER, "Roof closes.", "Deepen to 300 µm.")
    results = (
        route(workshop, "a", findings=(one, two)),
        route(workshop, "b", findings=(two, two)),
    )
    comparison = compare(workshop.job(), results)
    assert comparison.recommended is None
    assert comparison.reasons == (
        "No route can make the chip as it is drawn and on this bench.",
        "Route A cannot make it: Thin wall. Move them apart. (1 more in its findings.)",
        "Route B cannot make it: Roof closes. Deepen to 300 µm.",
        "One change would open Route B: Deepen to 300 µm.",
    )
    assert all(choice.net is None for choice in comparison.choices)


def test_a_dearer_route_wins_when_the_cheap_one_is_late(workshop):
    deadline = workshop.START + timedelta(hours=48)
    results = (
        route(workshop, "a", net="100.00", finished_h=120, meets=False),
        route(workshop, "b", net="140.00", finished_h=24, meets=True),
    )
    comparison = compare(workshop.job(deadline=deadline), results)
    assert comparison.recommended == "b"
    assert "the only route that meets the deadline" in comparison.reasons[0]
    assert (
        "It meets the deadline of Wednesday 3 March 2027, 09:00 with 24 hours to spare." in comparison.reasons
    )
    assert (
        "Route A would be 3 days too late although it would be the better choice otherwise."
        in comparison.reasons
    )


def test_when_all_are_late_the_earliest_is_recommended(workshop):
    deadline = workshop.START + timedelta(hours=1)
    results = (
        route(workshop, "a", net="100.00", finished_h=120, meets=False),
        route(workshop, "b", net="140.00", finished_h=24, meets=False),
    )
    comparison = compare(workshop.job(deadline=deadline), results)
    assert comparison.recommended == "b"
    assert (
        "No route meets the deadline of Monday 1 March 2027, 10:00; the earliest, Route B, is 23 hours late."
        in comparison.reasons
    )


def test_a_tie_goes_to_the_route_without_a_risk_then_to_the_earlier(workshop):
    risk = workshop.finding("roof", Severity.RISK)
    results = (
        route(workshop, "a", findings=(risk,), finished_h=10),
        route(workshop, "c", finished_h=48),
        route(workshop, "b", finished_h=24),
    )
    comparison = compare(workshop.job(), results)
    assert comparison.recommended == "b"
    assert "shares the lowest price with Route C and Route A" in comparison.reasons[0]
    assert "Route C: the same price, ready 24 hours later, the same hands-on work." in comparison.reasons


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_perfect_tie_does_not_depend_on_the_order_given(workshop, order):
    results = (route(workshop, "a"), route(workshop, "b"))
    comparison = compare(workshop.job(), tuple(results[index] for index in order))
    assert comparison.recommended == "a"
    assert "ahead by name only" in comparison.reasons[0]


def test_prices_that_cannot_be_told_apart_are_said_to_be(workshop):
    near = (route(workshop, "a", net="100.00", doubt="20"), route(workshop, "b", net="110.00", doubt="20"))
    far = (route(workshop, "a", net="100.00", doubt="1"), route(workshop, "b", net="110.00", doubt="1"))
    assert "by price alone the choice is not certain" in told(compare(workshop.job(), near))
    assert "not certain" not in told(compare(workshop.job(), far))
