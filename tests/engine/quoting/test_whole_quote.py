"""The whole answer for a small chip: parts agree with each other, and the same request repeats."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import pytest
from shapely import MultiPolygon, box

from rillcast_service.engine.quoting import quote
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import Verdict, as_json

START = "2027-03-01T09:00:00+01:00"


def _quote(layout, catalogue, **members):
    request = QuoteRequest.from_json({"quantity": 24, "start": START, **members})
    return quote(layout, request, catalogue, data_version="test").result


@pytest.fixture(scope="module")
def layout(make_job):
    # deeper than the two films that a wafer mould takes at most
    layout = make_job().layout
    (channels,) = layout.channel_layers
    return replace(layout, layers=(replace(channels, depth_um=450.0),))


@pytest.fixture(scope="module")
def result(layout, catalogue):
    return _quote(layout, catalogue)


def test_every_route_is_answered(result, catalogue):
    assert [route.route for route in result.routes] == sorted(catalogue.routes)
    assert {choice.route for choice in result.comparison.choices} == set(catalogue.routes)


def test_a_makeable_route_has_a_plan_and_a_price_and_others_have_neither(result):
    assert {route.verdict for route in result.routes} >= {Verdict.NOT_MAKEABLE}
    for route in result.routes:
        planned = route.verdict is not Verdict.NOT_MAKEABLE
        assert (route.schedule is not None) == (route.cost is not None) == planned
        assert sum(variant.chosen for variant in route.variants) == 1


def test_price_lines_add_up_and_the_net_is_the_median(result):
    for route in result.routes:
        if route.cost is None:
            continue
        cost = route.cost
        assert sum((line.amount for line in cost.lines), Decimal(0)) == cost.amount
        assert cost.total.p10 <= cost.total.p50 <= cost.total.p90
        assert cost.net >= cost.total.p50
        assert {price.quantity for price in cost.price_breaks} >= {24}
        at_quantity = next(price for price in cost.price_breaks if price.quantity == 24)
        assert (at_quantity.total, at_quantity.unit_price) == (cost.net, cost.unit_price)


def test_a_larger_order_costs_more_in_all_and_less_a_piece(result):
    for route in result.routes:
        if route.cost is None:
            continue
        totals = [price.total for price in route.cost.price_breaks]
        units = [price.unit_price for price in route.cost.price_breaks]
        assert totals == sorted(totals)
        assert units[0] > units[-1]


def test_materials_trace_to_steps_and_prices_to_materials(result):
    for route in result.routes:
        if route.cost is None or route.schedule is None:
            continue
        steps = {step.step for step in route.schedule.steps}
        materials = {line.material for line in route.materials}
        for line in route.cost.lines:
            assert line.from_material is None or line.from_material in materials
            assert line.from_step is None or line.from_step in steps


def test_the_silicone_of_a_cast_by_hand(result, catalogue):
    """Net silicone of the started pieces: outline 70 × 22 mm, 4 mm thick, less the channel."""
    route = next(route for route in result.routes if route.route == "cast_printed_mould")
    silicone = next(line for line in route.materials if line.material == "general_purpose_10_1")
    started = route.schedule.counts["started_parts"]
    channel_ml = 60.0 * 0.5 * 0.4 * 1e-3
    least_g = (
        started
        * (70.0 * 22.0 * 4.0 * 1e-3 - channel_ml)
        * catalogue.get("silicones", "general_purpose_10_1").number("density_g_per_ml")
    )
    # the pour is a little larger than the chips (land to trim off), and some stays in the cup
    assert least_g < silicone.mass_g < 2.5 * least_g


def test_the_same_request_gives_the_same_answer_to_the_letter(layout, catalogue, result):
    again = _quote(layout, catalogue)
    assert json.dumps(as_json(again)) == json.dumps(as_json(result))


def test_the_aim_rules_the_recommendation(layout, catalogue):
    by_aim = {
        aim: _quote(layout, catalogue, aim=aim, quantity=5).comparison
        for aim in ("price", "date", "hands_on")
    }
    for aim, figure in (
        ("price", lambda choice: choice.net),
        ("date", lambda choice: choice.finished_at),
        ("hands_on", lambda choice: choice.hands_on_h),
    ):
        choices = [choice for choice in by_aim[aim].choices if choice.net is not None]
        best = next(choice for choice in choices if choice.route == by_aim[aim].recommended)
        assert figure(best) == min(figure(choice) for choice in choices)


def test_a_deadline_that_cannot_be_met_is_said(layout, catalogue):
    result = _quote(layout, catalogue, deadline="2027-03-01T12:00:00+01:00")
    assert "deadline" in " ".join(result.comparison.reasons)
    assert not any(choice.meets_deadline for choice in result.comparison.choices)


def test_one_asked_route_is_the_only_one_worked_out(layout, catalogue):
    result = _quote(layout, catalogue, routes=["cast_wafer_mould"])
    assert [route.route for route in result.routes] == ["cast_wafer_mould"]


def test_a_chip_no_route_can_make_gets_reasons_and_no_price(layout, catalogue):
    one_way = replace(layout, ports=layout.ports[:1])
    result = _quote(one_way, catalogue)
    assert result.comparison.recommended is None
    assert all(route.cost is None for route in result.routes)
    assert all("outlet" in " ".join(f.message for f in route.findings) for route in result.routes)


def test_progress_runs_from_nothing_to_all(layout, catalogue):
    seen: list[float] = []
    request = QuoteRequest.from_json({"quantity": 3, "start": START, "routes": ["cast_wafer_mould"]})
    quote(layout, request, catalogue, data_version="test", progress=lambda fraction, _: seen.append(fraction))
    assert seen[0] == 0.0
    assert seen[-1] == 1.0
    assert seen == sorted(seen)


def test_a_route_that_cannot_be_planned_does_not_take_the_others_along(layout, catalogue, monkeypatch):
    from rillcast_service.engine import quoting
    from rillcast_service.engine.errors import Fault, RequestInvalid

    plan_all = quoting.candidates

    def plan_some(job, route, variant, process):
        if route.id == "cast_printed_mould":
            raise RequestInvalid(Fault("No opening of the calendar is long enough.", "Open longer."))
        return plan_all(job, route, variant, process)

    monkeypatch.setattr(quoting, "candidates", plan_some)
    result = _quote(layout, catalogue)
    by_route = {route.route: route for route in result.routes}
    broken = by_route.pop("cast_printed_mould")
    assert broken.verdict is Verdict.NOT_MAKEABLE
    assert broken.findings[0].message == "No opening of the calendar is long enough."
    assert broken.findings[0].remedy == "Open longer."
    assert any(route.cost is not None for route in by_route.values())


def test_channels_on_two_levels_are_printed_in_one_piece_and_no_face_takes_them(layout, catalogue):
    (layer,) = layout.channel_layers
    low = replace(layer, name="low", geometry=MultiPolygon([box(30.0, 4.0, 31.0, 18.0)]), depth_um=600.0)
    holes = [
        {"name": "in low", "role": "inlet", "x_mm": 30.5, "y_mm": 5.0, "bore_mm": 1.5},
        {"name": "out low", "role": "outlet", "x_mm": 30.5, "y_mm": 17.0, "bore_mm": 1.5},
    ]
    made = _quote(
        replace(layout, layers=(replace(layer, depth_um=600.0), low)),
        catalogue,
        quantity=2,
        ports=holes,
        levels={"low": 2},
    )
    by_route = {route.route: route for route in made.routes}
    monolith = by_route.pop("printed_monolith")
    for route in by_route.values():
        assert route.verdict is Verdict.NOT_MAKEABLE
        assert route.findings[0].rule == "levels"
        assert "2 levels" in route.summary
    assert {finding.rule for finding in monolith.findings}.isdisjoint({"levels", "level_stack"})
    names = [port.name for port in monolith.fluidics.ports]
    resistance = monolith.fluidics.resistance_pa_s_per_m3
    assert resistance[names.index("in low")][names.index("out low")] > 0.0
    assert resistance[0][names.index("in low")] is None
    assert monolith.fluidics.reached_fraction == 1.0
