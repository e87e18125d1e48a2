"""/v1/rules: every review rule, with the limits that each route sets for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from flask import Blueprint

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Catalogue, Fact, Quantity
from rillcast_service.catalogue.units import unit_of
from rillcast_service.engine.job import BENCH_KINDS
from rillcast_service.engine.routes.base import Route
from rillcast_service.engine.routes.registry import load_routes

blueprint = Blueprint("rules", __name__, url_prefix="/v1/rules")

#: Key under which the terms of a least size are shown; the largest of them counts.
LEAST_SIZE = "least_size"
#: What a term of a least size may be counted in → unit as shown.
TERM_UNITS = {"pixels": "px", "layers": "layers", "um": "µm"}


@blueprint.get("")
def list_rules() -> dict[str, Any]:
    """Every rule."""
    catalogue = load()
    routes = sorted(load_routes(catalogue).values(), key=lambda route: route.id)
    return {"items": [_resource(rule, catalogue, routes) for rule in sorted(catalogue.rules)]}


def _resource(rule: str, catalogue: Catalogue, routes: list[Route]) -> dict[str, Any]:
    table = catalogue.rules[rule]
    in_set = table.get("set")
    applying = [route for route in routes if rule in route.rules or in_set is not None]
    return {
        "rule": rule,
        "title": str(table["title"]),
        "why": str(table["why"]),
        "limits": [limit for route in applying for limit in _limits(rule, route, catalogue)],
        "routes": [route.id for route in applying],
        "rule_set": in_set,
    }


def _limits(rule: str, route: Route, catalogue: Catalogue) -> Iterator[dict[str, Any]]:
    """The numbers of `[limits.<rule>]` of a route's table; what is no number there says how to check."""
    everywhere = {key: value for key, value in catalogue.rules[rule].items() if _is_value(value)}
    for key, value in everywhere.items():
        unit = unit_of(key) or "1"
        yield {"route": route.id, "key": key, **_number(value, value["value"], unit)}
    table: Mapping[str, Any] = route.table.get("limits", {}).get(rule, {})
    for key, limit in table.items():
        if key == "terms":
            for term in limit:
                yield {"route": route.id, "key": LEAST_SIZE, **_term(term, catalogue)}
        elif isinstance(limit, Mapping) and "recipe" in limit:
            recipe = catalogue.get("recipes", str(limit["recipe"]))
            note = f"of the recipe {recipe.title}, where the plan takes it"
            yield {"route": route.id, "key": key, **_quantity(recipe.quantity(str(limit["key"])), note)}
        elif isinstance(limit, Mapping) and "of" in limit:
            yield {"route": route.id, "key": key, **_of_machine(limit, catalogue)}
        elif isinstance(limit, Mapping):
            unit = unit_of(key) or str(catalogue.rules[rule].get("unit", "1"))
            yield {"route": route.id, "key": key, **_number(limit, limit["value"], unit)}


def _is_value(item: Any) -> bool:
    return isinstance(item, Mapping) and "value" in item


def _term(term: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    """A term of a least size: counted in something, or a value of a machine."""
    for counted, unit in TERM_UNITS.items():
        if counted in term:
            return _number(term, term[counted], unit)
    return _of_machine(term, catalogue)


def _of_machine(term: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    """A limit that a machine sets, shown for the default one."""
    machine, key = str(term["of"]).split(".")
    default = catalogue.defaults[machine]
    assert isinstance(default, Fact), machine
    entry = catalogue.get(BENCH_KINDS[machine], default.value)
    note = f"{key} of the chosen {machine}; this is that of the default one, {entry.title}"
    return _quantity(entry.quantity(key), note)


def _quantity(quantity: Quantity, note: str) -> dict[str, Any]:
    return {
        "value": quantity.value,
        "low": quantity.low,
        "high": quantity.high,
        "unit": quantity.unit,
        "source": quantity.source,
        "note": note,
    }


def _number(table: Mapping[str, Any], value: float, unit: str) -> dict[str, Any]:
    return {
        "value": float(value),
        "low": float(table.get("low", value)),
        "high": float(table.get("high", value)),
        "unit": unit,
        "source": str(table["source"]),
        "note": str(table.get("note", "")),
    }
