"""What comes in: bodies, parameters and headers, parsed strictly and checked by a schema."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NoReturn

from flask import request
from marshmallow import Schema, ValidationError
from werkzeug.exceptions import RequestEntityTooLarge

from rillcast_service.api.context import service
from rillcast_service.api.faults import faults_of
from rillcast_service.api.problems import (
    MALFORMED,
    NOT_ACCEPTABLE,
    UNSUPPORTED_MEDIA_TYPE,
    ApiError,
    invalid,
)
from rillcast_service.engine.errors import Fault

_JSON = "application/json"
_AS_JSON = "Correct it there; JSON is best written by a program (RFC 8259)."
_CLEAN_TEXT = "Take that character out; it can be neither kept nor shown."
_WAIT = re.compile(r"wait\s*=\s*\"?(\d{1,9})\"?", re.IGNORECASE)
_KEY = re.compile(r"[!-~]{1,255}")


def json_body(schema: Schema) -> dict[str, Any]:
    """The request's JSON object, checked.

    Args:
        schema: what the object may hold.

    Returns:
        The object as the schema loads it.

    Raises:
        ApiError: 415 not JSON by type, 400 not JSON by content, 422 refused by the schema.
    """
    if request.mimetype != _JSON:
        raise ApiError(
            UNSUPPORTED_MEDIA_TYPE,
            f"This operation reads {_JSON}, not {request.mimetype or 'a body without Content-Type'}.",
            remedy=f"Send JSON with the header Content-Type: {_JSON}.",
            where="header Content-Type",
        )
    document = parsed(raw_body())
    if not isinstance(document, dict):
        raise invalid(Fault("The body is not a JSON object.", "Send a JSON object.", pointer="#"))
    return loaded(schema, document)


def raw_body() -> bytes:
    """The request's body, whole. Raises RequestEntityTooLarge: beyond the limit, its length told or not."""
    limit = service().settings.max_body_bytes
    # A body of unknown length ends quietly where the framework stops to read: one byte more tells.
    request.max_content_length = limit + 1
    body = request.get_data()
    if len(body) > limit:
        raise RequestEntityTooLarge
    return body


def parsed(body: bytes) -> Any:
    """JSON text as values; NaN, Infinity, repeated members and unstorable text are refused.

    Raises:
        ApiError: 400, with the place.
    """
    try:
        document = json.loads(
            body.decode("utf-8"), parse_constant=_no_constant, object_pairs_hook=_no_repetition
        )
    except json.JSONDecodeError as error:
        _malformed(
            f"The body is not JSON: {error.msg} at line {error.lineno}, column {error.colno}.", _AS_JSON
        )
    except UnicodeDecodeError as error:
        _malformed(f"The body is not UTF-8 text: byte {error.start} cannot be read.", "Save it as UTF-8.")
    except RecursionError:
        _malformed("The body is nested too deep.", "Send fewer objects and lists within each other.")
    except ValueError as error:
        _malformed(f"The body is not JSON: {error}.", _AS_JSON)
    if not _storable(document):
        _malformed("The body holds text with a NUL character or half a surrogate pair.", _CLEAN_TEXT)
    return document


def loaded(schema: Schema, document: Mapping[str, Any]) -> dict[str, Any]:
    """A document as its schema loads it. Raises ApiError: 422 with every fault."""
    try:
        values: dict[str, Any] = schema.load(document)
    except ValidationError as error:
        raise invalid(*faults_of(error, schema)) from None
    return values


def query(schema: Schema) -> dict[str, Any]:
    """The query parameters, checked. Raises ApiError: 400 malformed, 422 refused."""
    return parameters(schema, request.args.to_dict(flat=False))


def parameters(schema: Schema, given: Mapping[str, list[str]]) -> dict[str, Any]:
    """Parameters or form fields, each given once, checked.

    Args:
        schema: what there may be.
        given: name → every value it was given.

    Returns:
        The values as the schema loads them.

    Raises:
        ApiError: 400 unstorable text, 422 refused; the fault's `where` names the parameter.
    """
    if not _storable(given):
        _malformed("A parameter holds a NUL character or half a surrogate pair.", _CLEAN_TEXT)
    twice = [name for name, values in given.items() if len(values) > 1]
    if twice:
        raise invalid(
            *(
                Fault(f"{name} is given more than once.", "Give it once.", where=f"parameter {name}")
                for name in twice
            )
        )
    try:
        loaded_values: dict[str, Any] = schema.load({name: values[0] for name, values in given.items()})
    except ValidationError as error:
        raise invalid(*map(in_parameters, faults_of(error, schema))) from None
    return loaded_values


def in_parameters(fault: Fault) -> Fault:
    """A fault with its place told as a parameter instead of a pointer into a body."""
    name = (fault.pointer or "").removeprefix("#/")
    return replace(fault, pointer=None, where=f"parameter {name}" if name else fault.where)


def wait_s() -> float | None:
    """The `wait=N` of the `Prefer` headers, s; None when there is none that can be read (RFC 7240)."""
    found = _WAIT.search(",".join(request.headers.getlist("Prefer")))
    return float(found[1]) if found else None


def idempotency_key() -> str | None:
    """The `Idempotency-Key`, with or without the quotation marks of a structured field.

    Raises:
        ApiError: 400, it cannot be one.
    """
    given = request.headers.get("Idempotency-Key")
    if given is None:
        return None
    key = given.strip()
    if len(key) > 2 and key.startswith('"') and key.endswith('"'):
        key = key[1:-1]
    if not _KEY.fullmatch(key):
        _malformed(
            "The Idempotency-Key is not 1 to 255 printable ASCII characters without spaces.",
            "Send a random word of letters and digits, a new one for each new request.",
            where="header Idempotency-Key",
        )
    return key


def accepted(*offered: str) -> str:
    """The best of the offered media types for the `Accept` header; the first when all are as good.

    Raises:
        ApiError: 406, none is accepted.
    """
    best = request.accept_mimetypes.best_match(offered)
    if best is None and request.accept_mimetypes:
        on_offer = " or ".join(offered)
        raise ApiError(
            NOT_ACCEPTABLE,
            f"This resource comes as {on_offer}.",
            remedy=f"Accept {on_offer}, or leave the header out.",
            where="header Accept",
        )
    return best or offered[0]


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a JSON number")


def _no_repetition(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"member {next(n for n in names if names.count(n) > 1)!r} is there twice")
    return members


def _storable(value: Any) -> bool:
    """Whether all text can be kept: databases take no NUL, and UTF-8 no lone surrogate."""
    match value:
        case str():
            return "\x00" not in value and not any("\ud800" <= letter <= "\udfff" for letter in value)
        case dict():
            return all(_storable(key) and _storable(item) for key, item in value.items())
        case list():
            return all(map(_storable, value))
        case _:
            return True


def _malformed(detail: str, remedy: str, *, where: str | None = None) -> NoReturn:
    raise ApiError(MALFORMED, detail, remedy=remedy, where=where)
