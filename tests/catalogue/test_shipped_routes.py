"""Route and rule tables that ship: their numbers are sourced and in order, and what they name exists."""

from collections.abc import Iterator
from typing import Any

import pytest

from rillcast_service.catalogue.kinds import load_kinds
from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Price

CATALOGUE = load()
ROUTES = sorted(CATALOGUE.routes)


def tables(node: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every table within a table, with where it stands."""
    if isinstance(node, dict):
        yield path, node
        for key, item in node.items():
            yield from tables(item, f"{path}/{key}")
    elif isinstance(node, list):
        for index, item in enumerate(node):
            yield from tables(item, f"{path}/{index}")


@pytest.mark.parametrize("route", ROUTES)
def test_every_value_of_a_route_has_a_source_and_a_range_in_order(route):
    values = [(path, table) for path, table in tables(CATALOGUE.routes[route]) if "value" in table]
    assert values
    for path, table in values:
        assert table.get("source"), path
        assert table.get("low", table["value"]) <= table["value"] <= table.get("high", table["value"]), path


@pytest.mark.parametrize("route", ROUTES)
def test_every_estimate_of_a_route_is_in_order(route):
    for path, table in tables(CATALOGUE.routes[route]):
        for key, item in table.items():
            if key.endswith(("_min", "_percent")) or key == "amount":
                estimate = item if isinstance(item, list) else [item]
                if all(isinstance(number, int | float) for number in estimate):
                    assert estimate == sorted(estimate), f"{path}/{key}"
                    assert estimate[0] >= 0, f"{path}/{key}"


@pytest.mark.parametrize("route", ROUTES)
def test_every_material_of_a_route_is_priced_in_the_unit_it_is_counted_in(route):
    for material in CATALOGUE.routes[route].get("materials", []):
        price = CATALOGUE.get(material["kind"], material["name"]).price()
        assert price.per == material["unit"], material["name"]


@pytest.mark.parametrize("route", ROUTES)
def test_every_recipe_and_supplier_of_a_route_exists(route):
    keys = load_kinds()["recipes"].keys
    for path, table in tables(CATALOGUE.routes[route]):
        recipe, supplier = table.get("recipe"), table.get("supplier")
        # `passivation` stands for the recipe of the bench, `mould` for the supplier of its wafer mould
        if recipe is not None:
            assert recipe == "passivation" or CATALOGUE.get("recipes", recipe).has(table["key"]), path
            assert table["key"] in keys, path
        if supplier is not None and supplier != "mould":
            assert CATALOGUE.get("suppliers", supplier), path


@pytest.mark.parametrize("route", ROUTES)
def test_every_rule_of_a_route_is_described(route):
    rules = CATALOGUE.routes[route]["rules"]
    assert rules
    assert set(rules) <= set(CATALOGUE.rules)
    assert set(CATALOGUE.routes[route].get("limits", {})) <= set(rules)


@pytest.mark.parametrize("route", ROUTES)
def test_every_file_that_a_route_draws_leads_to_the_chip_seen_from_the_lid_side(route):
    table = CATALOGUE.routes[route]["handedness"]
    assert table["marks_face"] in ("bonded", "viewed")
    assert {table["to_lid"], table["to_body"]} <= {"", "lid", "silicone", "resin"}
    gives = {step["of"]: step["gives"] for step in table["steps"]}
    assert len(gives) == len(table["steps"])
    for at in gives:
        for _ in gives:
            at = gives.get(at, at)
        assert at == "lid_side"
    assert all(isinstance(step["mirrors"], bool) and step["why"] for step in table["steps"])


def test_every_rule_says_why():
    assert [rule for rule, table in CATALOGUE.rules.items() if not table["title"] or not table["why"]] == []


def test_suppliers_charge_in_units_that_a_plan_counts():
    for supplier in CATALOGUE.of_kind("suppliers"):
        price = supplier.values["price"]
        assert isinstance(price, Price)
        assert price.per == "piece"
        assert supplier.price("minimum_charge").per == "order"


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("rule", ["bond_pressure", "seal_depth"])
def test_limits_that_go_by_step_name_steps_of_the_route(route, rule):
    table = CATALOGUE.routes[route]
    steps = {step["id"] for step in table["steps"]}
    assert set(table.get("limits", {}).get(rule, {})) <= steps
