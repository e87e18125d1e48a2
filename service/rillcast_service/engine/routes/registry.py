"""Finds the routes: every module beside this one that defines a Route with a catalogue table."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from rillcast_service.catalogue.types import Catalogue
from rillcast_service.engine import routes
from rillcast_service.engine.routes.base import Route


def load_routes(catalogue: Catalogue) -> dict[str, Route]:
    """Every route that has both a module here and a table in the catalogue.

    Args:
        catalogue: holds the tables.

    Returns:
        Route id → route, sorted by id.
    """
    return {kind.id: kind(catalogue.routes[kind.id]) for kind in route_kinds() if kind.id in catalogue.routes}


@cache
def route_kinds() -> tuple[type[Route], ...]:
    """Every Route class of this package, sorted by id."""
    found: dict[str, type[Route]] = {}
    for module in pkgutil.iter_modules(routes.__path__):
        members = vars(importlib.import_module(f"{routes.__name__}.{module.name}")).values()
        for member in members:
            if isinstance(member, type) and issubclass(member, Route) and hasattr(member, "id"):
                found[member.id] = member
    return tuple(found[route_id] for route_id in sorted(found))
