"""/v1/rules: every review rule, with the limits that each route sets for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from flask import Blueprint

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.units import unit_of
from rillcast_service.engine.routes.base import Route
from rillcast_service.engine.routes.registry import load_routes

blueprint = Blueprint("rules", __name__, url_prefix="/v1/rules")


@blueprint.get("")
def list_rules() -> dict[str, Any]:
    """Every rule."""
    catalogue = load()
    routes = sorted(load_routes(catalogue).values(), key=lambda route: route.id)
    return {"items": [_resource(rule, table, routes) for rule, table in sorted(catalogue.rules.items())]}


def _resource(rule: str, table: Mapping[str, Any], routes: list[Route]) -> dict[str, Any]:
    applying = [route for route in routes if rule in route.rules]
    unit = str(table.get("unit", "1"))
    return {
        "rule": rule,
        "title": str(table["title"]),
        "why": str(table["why"]),
        "limits": [limit for route in applying for limit in _limits(route, rule, unit)],
        "routes": [route.id for route in applying],
    }


def _limits(route: Route, rule: str, rule_unit: str) -> Iterator[dict[str, Any]]:
    """The numbers of `[limits.<rule>]` of a route: single values, and terms of which the largest counts."""
    table: Mapping[str, Any] = route.table.get("limits", {}).get(rule, {})
    for key, term in table.items():
        if key == "terms":
            for item in term:
                number = "pixels" if "pixels" in item else "um"
                yield _limit(route, "least_size", item, number, unit="px" if number == "pixels" else "µm")
        else:
            yield _limit(route, key, term, "value", unit=unit_of(key) or rule_unit)


def _limit(route: Route, key: str, term: Mapping[str, Any], number: str, *, unit: str) -> dict[str, Any]:
    value = float(term[number])
    return {
        "route": route.id,
        "key": key,
        "value": value,
        "low": float(term.get("low", value)),
        "high": float(term.get("high", value)),
        "unit": str(term.get("unit", unit)),
        "source": str(term["source"]),
        "note": str(term.get("note", "")),
    }
