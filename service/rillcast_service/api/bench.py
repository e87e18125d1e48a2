"""/v1/bench: machines, materials, rates and recipes; what is shipped and the owner's own over it."""

from __future__ import annotations

import logging
import re
from typing import Any

from flask import Blueprint, Response, jsonify

from rillcast_service.api.context import owner, service
from rillcast_service.api.fields import LONGEST_NAME, NAME_PATTERN
from rillcast_service.api.inputs import json_body
from rillcast_service.api.problems import BENCH_ENTRY_INVALID, ApiError, not_found
from rillcast_service.api.schemas import BenchEntryPut
from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.serial import entry_from_json, entry_to_json
from rillcast_service.catalogue.types import (
    KINDS,
    Catalogue,
    InvalidEntry,
    Price,
    Quantity,
    UnknownEntry,
    Value,
)
from rillcast_service.engine.errors import Fault

blueprint = Blueprint("bench", __name__, url_prefix="/v1/bench")

_log = logging.getLogger(__name__)


def bench_catalogue(*, to_quote: bool = False) -> Catalogue:
    """The shipped catalogue with the owner's entries over it.

    Args:
        to_quote: refuse an entry of the owner that does not fit the catalogue of this version any more,
            since a quote must not pass over it; otherwise it is left out.

    Returns:
        The catalogue.

    Raises:
        ApiError: 422, with the entry's address.
    """
    shipped, own = load(), []
    for document in service().store.list_bench(owner()):
        kind, name = document["kind"], document["name"]
        try:
            own.append(entry_from_json(kind, name, document, shipped))
        except InvalidEntry as error:
            where = f"/v1/bench/{kind}/{name}"
            if to_quote:
                detail = f"Your bench entry {kind}/{name} does not fit this version of the catalogue."
                faults = [Fault(fault.message, fault.remedy, where=where) for fault in error.faults]
                raise ApiError(BENCH_ENTRY_INVALID, detail, faults=faults) from None
            _log.warning("%s of %s is left out: %s", where, owner(), error)
    return shipped.with_bench(tuple(own))


@blueprint.get("")
def list_bench() -> dict[str, Any]:
    """Everything."""
    catalogue = bench_catalogue()
    return {
        "items": [entry_to_json(entry) for kind in sorted(KINDS) for entry in catalogue.of_kind(kind)],
        "kinds": sorted(KINDS),
        "defaults": [_default(what, value) for what, value in catalogue.defaults.items()],
    }


@blueprint.get("/<name:kind>")
def list_bench_entries(kind: str) -> dict[str, Any]:
    """Everything of one kind."""
    _check(kind)
    return {"items": [entry_to_json(entry) for entry in bench_catalogue().of_kind(kind)]}


# A name is checked in the views and not by the address: who sends one that cannot be is told the rule.
@blueprint.get("/<name:kind>/<name>")
def get_bench_entry(kind: str, name: str) -> dict[str, Any]:
    """One thing."""
    _check(kind)
    try:
        return entry_to_json(bench_catalogue().get(kind, name))
    except UnknownEntry as error:
        known = ", ".join(error.known) or "none"
        raise not_found(
            f"entry {name} in {kind}; known: {known}",
            f"Use a name that is known, or make the entry with PUT /v1/bench/{kind}/{name}.",
        ) from None


@blueprint.put("/<name:kind>/<name>")
def put_bench_entry(kind: str, name: str) -> tuple[Response, int]:
    """The owner's values of a thing."""
    _check(kind)
    if not _can_be_a_name(name):
        raise _no_name(name)
    document = json_body(BenchEntryPut())
    below = bench_catalogue() if "based_on" in document else load()
    entry = entry_from_json(kind, name, document, below)
    # An entry built on another takes its values now; it does not change when the other does.
    kept = entry_to_json(entry) if "based_on" in document else {**document, "kind": kind, "name": name}
    created = service().store.put_bench(owner(), kept)
    response = jsonify(entry_to_json(entry))
    if not created:
        return response, 200
    response.headers["Location"] = f"/v1/bench/{kind}/{name}"
    return response, 201


@blueprint.delete("/<name:kind>/<name>")
def delete_bench_entry(kind: str, name: str) -> tuple[str, int]:
    """Forget the owner's values."""
    _check(kind)
    if not _can_be_a_name(name) or not service().store.delete_bench(owner(), kind, name):
        raise not_found(
            f"entry of yours called {name} in {kind}; what is shipped stays",
            f"GET /v1/bench/{kind} says by `origin` which entries are yours.",
        )
    return "", 204


def _check(kind: str) -> None:
    if kind not in KINDS:
        known = ", ".join(sorted(KINDS))
        raise not_found(f"kind {kind} of bench entry; known: {known}", "Use a kind that is known.")


def _can_be_a_name(name: str) -> bool:
    return len(name) <= LONGEST_NAME and re.fullmatch(NAME_PATTERN, name) is not None


def _no_name(name: str) -> ApiError:
    message = f"{name[:LONGEST_NAME]!r} cannot be the name of a bench entry."
    rule = f"1 to {LONGEST_NAME} of a to z, 0 to 9 and _, and does not begin with _"
    likely = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:LONGEST_NAME]
    example = f"; {likely} would do" if likely else ""
    return ApiError(
        BENCH_ENTRY_INVALID,
        message,
        remedy=f"A name is {rule}{example}. Words for people go into the `title`.",
        where="name in the address",
    )


def _default(what: str, value: Value) -> dict[str, str]:
    why = "" if isinstance(value, Price) else value.note
    return {"what": what, "value": _printed(value), "why": why, "source": value.source}


def _printed(value: Value) -> str:
    match value:
        case Quantity():
            return f"{value.value:g} {value.unit}" if value.unit != "1" else f"{value.value:g}"
        case Price():
            return f"{value.amount} {value.currency} per {value.per}"
        case _:
            return str(value.value)
