"""Health, readiness, the contract and what problem types mean. Open to all, without a key."""

from __future__ import annotations

from typing import Any

from flask import Blueprint
from sqlalchemy.exc import SQLAlchemyError

from rillcast_service import __version__
from rillcast_service.api.context import service
from rillcast_service.api.contract import contract
from rillcast_service.api.problems import NOT_READY, TYPES, ApiError, not_found

blueprint = Blueprint("operations", __name__)


@blueprint.get("/healthz")
def get_health() -> dict[str, Any]:
    """Whether the process is alive; touches nothing else."""
    return {"status": "ok", "version": __version__}


@blueprint.get("/readyz")
def get_readiness() -> dict[str, Any]:
    """Whether the store and at least one worker are up."""
    checks = {"store": "up", "workers": "down"}
    try:
        service().store.ping()
        if service().store.live_workers() > 0:
            checks["workers"] = "up"
    except SQLAlchemyError:
        checks["store"] = "down"
    down = [part for part, state in checks.items() if state == "down"]
    if down:
        raise ApiError(NOT_READY, f"Down: {', '.join(down)}.", headers={"Retry-After": "5"})
    return {"status": "ready", "checks": checks}


@blueprint.get("/openapi.json")
def get_contract() -> dict[str, Any]:
    """The contract."""
    return contract()


@blueprint.get("/problems/<slug:slug>")
def get_problem_type(slug: str) -> dict[str, Any]:
    """What a type of problem means."""
    kind = TYPES.get(slug)
    if kind is None:
        known = ", ".join(sorted(TYPES))
        raise not_found(f"problem type {slug}; known: {known}", "Use the `type` of a problem as it came.")
    return {"type": kind.uri, "title": kind.title, "status": kind.status, "meaning": kind.meaning}
