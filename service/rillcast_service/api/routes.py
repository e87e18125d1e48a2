"""/v1/routes: the ways of making a chip."""

from __future__ import annotations

from typing import Any

from flask import Blueprint

from rillcast_service.api.problems import not_found
from rillcast_service.catalogue.loader import load
from rillcast_service.engine.routes.base import Route
from rillcast_service.engine.routes.registry import load_routes

blueprint = Blueprint("routes", __name__, url_prefix="/v1/routes")


@blueprint.get("")
def list_routes() -> dict[str, Any]:
    """Every route."""
    routes = load_routes(load())
    return {"items": [_resource(routes[route_id]) for route_id in sorted(routes)]}


@blueprint.get("/<name:route_id>")
def get_route(route_id: str) -> dict[str, Any]:
    """One route."""
    routes = load_routes(load())
    if route_id not in routes:
        raise not_found(f"route {route_id}; known: {', '.join(sorted(routes))}", "Use a route that is known.")
    return _resource(routes[route_id])


def _resource(route: Route) -> dict[str, Any]:
    return {
        "route": route.id,
        "title": route.title,
        "summary": str(route.table.get("summary", "")),
        "rules": list(route.rules),
    }
