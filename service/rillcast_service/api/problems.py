"""Problem documents (RFC 9457): one table of types, and every error as one of them."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, current_app, request
from sqlalchemy.exc import OperationalError
from werkzeug.exceptions import HTTPException

from rillcast_service.api.context import request_id, service
from rillcast_service.catalogue.types import InvalidEntry
from rillcast_service.engine import errors
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.reading.errors import (
    LayoutMemoryLimit,
    LayoutOutputLimit,
    LayoutReaderFailed,
    LayoutTimeLimit,
    ReadersBusy,
)
from rillcast_service.store.rows import CursorInvalid, IdempotencyMismatch

MEDIA_TYPE = "application/problem+json"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ProblemType:
    """A type of problem: stable `slug`, constant `title`, the `status` it comes with, and when it happens.

    `remedy` is what the sender can do, where a refusal itself knows nothing more to the point.
    """

    slug: str
    title: str
    status: int
    meaning: str
    remedy: str = "GET /openapi.json says what the service takes at which address."

    @property
    def uri(self) -> str:
        """The `type` member: a path on this service that says what the type means."""
        return f"/problems/{self.slug}" if self.slug else "about:blank"


def _of_engine(kind: type[EngineError]) -> ProblemType:
    return ProblemType(kind.slug, kind.title, 422, " ".join((kind.__doc__ or "").split()))


MALFORMED = ProblemType(
    "malformed-request",
    "The request cannot be parsed",
    400,
    "The body, a header or a parameter is not what its syntax allows.",
)
UNAUTHORIZED = ProblemType(
    "unauthorized", "An API key is needed", 401, "The request carries no API key, or one that is not known."
)
NOT_FOUND = ProblemType(
    "not-found", "There is no such thing", 404, "The address names nothing, or something of another owner."
)
METHOD_NOT_ALLOWED = ProblemType(
    "method-not-allowed",
    "The method is not allowed here",
    405,
    "The address exists, but not for this method; the header Allow names those that do.",
)
NOT_ACCEPTABLE = ProblemType(
    "not-acceptable",
    "None of the accepted media types is on offer",
    406,
    "The header Accept names no form in which this resource comes.",
)
QUOTE_NOT_DONE = ProblemType(
    "quote-not-done",
    "The quote is not done",
    409,
    "Documents and pictures can be had when the quote's state is done.",
)
QUOTE_FINISHED = ProblemType(
    "quote-finished", "The quote is finished", 409, "A quote that is done or failed cannot be cancelled."
)
BODY_TOO_LARGE = ProblemType(
    "body-too-large", "The body is too large", 413, "The body has more bytes than the service takes."
)
UNSUPPORTED_MEDIA_TYPE = ProblemType(
    "unsupported-media-type",
    "The media type is not one that can be read",
    415,
    "The Content-Type is none that this operation reads.",
)
IDEMPOTENCY_KEY_REUSED = ProblemType(
    "idempotency-key-reused",
    "The idempotency key was used for another request",
    422,
    "An Idempotency-Key belongs to one request body for as long as it is kept.",
)
BENCH_ENTRY_INVALID = ProblemType(
    "bench-entry-invalid",
    "The bench entry cannot be used",
    422,
    "A value of the entry is unknown, missing, malformed or out of its limits.",
)
TOO_MANY_REQUESTS = ProblemType(
    "too-many-requests",
    "Too many requests",
    429,
    "As many quotes are unfinished as may wait at once; ask again after Retry-After.",
    "Ask again after the seconds that the header Retry-After says.",
)
INTERNAL_ERROR = ProblemType(
    "internal-error",
    "The service made a mistake",
    500,
    "The service could not answer; its log holds the reason under the request id.",
    "Ask again; when it stays, give the request id to whoever runs the service.",
)
NOT_READY = ProblemType(
    "not-ready",
    "The service is not ready",
    503,
    "The store cannot be reached, or no worker is up.",
    "Ask again after the seconds that the header Retry-After says.",
)

READERS_BUSY = ProblemType(
    "readers-busy",
    "Every reader is busy",
    503,
    "No process that reads layout files came free in time.",
    "Ask again after the seconds that the header Retry-After says.",
)

#: What a failed quote may say; made by the workers.
_OF_JOBS = (
    ProblemType(
        "calculation-failed",
        "The calculation failed",
        500,
        "A defect of the service; its log holds the reason under the quote's id.",
    ),
    ProblemType(
        "job-time-limit",
        "The calculation takes too long",
        422,
        "It was stopped at the service's time limit. Ask for fewer routes or simplify the layout.",
    ),
    ProblemType(
        "job-memory-limit",
        "The calculation needs too much memory",
        422,
        "It was stopped at the service's memory limit. Ask for fewer routes or simplify the layout.",
    ),
    ProblemType(
        "job-attempts-exhausted",
        "The calculation was given up",
        500,
        "Its process ended several times without an answer; the log holds more under the quote's id.",
    ),
)

_ENGINE_TYPES = {
    kind: _of_engine(kind)
    for kind in (
        errors.EngineError,
        errors.LayoutUnreadable,
        errors.LayoutInvalid,
        errors.LayoutUnitsMissing,
        errors.LayoutTooComplex,
        errors.RequestInvalid,
        errors.UnknownName,
        LayoutTimeLimit,
        LayoutMemoryLimit,
        LayoutOutputLimit,
        LayoutReaderFailed,
    )
}
REQUEST_INVALID = _ENGINE_TYPES[errors.RequestInvalid]

#: Every type that a request or a failed quote can meet, by slug.
TYPES: Mapping[str, ProblemType] = {
    kind.slug: kind
    for kind in (
        MALFORMED,
        UNAUTHORIZED,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        QUOTE_NOT_DONE,
        QUOTE_FINISHED,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        IDEMPOTENCY_KEY_REUSED,
        BENCH_ENTRY_INVALID,
        TOO_MANY_REQUESTS,
        INTERNAL_ERROR,
        NOT_READY,
        READERS_BUSY,
        *_ENGINE_TYPES.values(),
        *_OF_JOBS,
    )
}

#: HTTP errors that the framework raises.
_BY_STATUS = {
    kind.status: kind
    for kind in (
        MALFORMED,
        UNAUTHORIZED,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        TOO_MANY_REQUESTS,
        INTERNAL_ERROR,
        NOT_READY,
    )
}


class ApiError(Exception):
    """A refusal by a view.

    Args:
        kind: type of the problem.
        detail: what happened this time.
        remedy: what the sender can do about it.
        where: the header that is at fault, when one is.
        faults: each thing that is wrong, when there may be several; else it is `detail` with its `remedy`.
        headers: of the answer.
    """

    def __init__(
        self,
        kind: ProblemType,
        detail: str,
        *,
        remedy: str = "",
        where: str | None = None,
        faults: Iterable[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.kind, self.detail = kind, detail
        self.faults = tuple(faults) or (Fault(detail, remedy or kind.remedy, where=where),)
        self.headers = dict(headers or {})


def invalid(*faults: Fault) -> ApiError:
    """The refusal of a request whose values cannot be."""
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return ApiError(REQUEST_INVALID, faults[0].message + more, faults=faults)


def not_found(what: str, remedy: str) -> ApiError:
    """The refusal for something that is not there, e.g. `layout lay_1`, and where to find what is."""
    return ApiError(NOT_FOUND, f"There is no {what}.", remedy=remedy)


def register(app: Flask) -> None:
    """Have every error of the app answered with a problem document."""
    app.register_error_handler(ApiError, _api_problem)
    app.register_error_handler(EngineError, _engine_error)
    app.register_error_handler(InvalidEntry, _invalid_entry)
    app.register_error_handler(CursorInvalid, _cursor_invalid)
    app.register_error_handler(IdempotencyMismatch, _idempotency_mismatch)
    app.register_error_handler(OperationalError, _store_away)
    app.register_error_handler(ReadersBusy, _readers_busy)
    app.register_error_handler(HTTPException, _http_exception)
    app.register_error_handler(Exception, _unexpected)


def _answer(
    kind: ProblemType,
    detail: str,
    *,
    faults: Sequence[Fault] = (),
    headers: Mapping[str, str] | None = None,
) -> Response:
    document: dict[str, Any] = {
        "type": kind.uri,
        "title": kind.title,
        "status": kind.status,
        "detail": detail,
        "instance": f"{kind.uri}#{request_id()}",
        "errors": [asdict(fault) for fault in faults or (Fault(detail, kind.remedy),)],
    }
    response = Response(
        current_app.json.dumps(document), status=kind.status, content_type=MEDIA_TYPE, headers=headers
    )
    response.cache_control.no_store = True
    return response


def _api_problem(error: ApiError) -> Response:
    return _answer(error.kind, error.detail, faults=error.faults, headers=error.headers)


def _engine_error(error: EngineError) -> Response:
    return _answer(
        _ENGINE_TYPES.get(type(error)) or _of_engine(type(error)), error.detail, faults=error.faults
    )


def _invalid_entry(error: InvalidEntry) -> Response:
    faults = [Fault(fault.message, fault.remedy, pointer=fault.pointer) for fault in error.faults]
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return _answer(BENCH_ENTRY_INVALID, faults[0].message + more, faults=faults)


def _cursor_invalid(error: CursorInvalid) -> Response:  # noqa: ARG001
    fault = Fault(
        "The cursor does not come from this list.",
        "Follow `next` of the page before, or leave the cursor out.",
        where="parameter cursor",
    )
    return _answer(MALFORMED, fault.message, faults=[fault])


def _idempotency_mismatch(error: IdempotencyMismatch) -> Response:  # noqa: ARG001
    fault = Fault(
        "The Idempotency-Key was used before, with another request.",
        "Use a new key for a new request.",
        where="header Idempotency-Key",
    )
    return _answer(IDEMPOTENCY_KEY_REUSED, fault.message, faults=[fault])


def _store_away(error: OperationalError) -> Response:
    _log.error("request %s: the store cannot be reached: %s", request_id(), error.orig)
    return _answer(NOT_READY, "The store cannot be reached just now.", headers={"Retry-After": "5"})


def _readers_busy(error: ReadersBusy) -> Response:
    return _answer(READERS_BUSY, str(error), headers={"Retry-After": str(error.retry_after_s)})


def _http_exception(error: HTTPException) -> Response:
    status = error.code or 500
    kind = _BY_STATUS.get(status) or ProblemType("", HTTPStatus(status).phrase, status, "")
    headers = {name: value for name, value in error.get_headers() if name in ("Allow", "Retry-After")}
    detail, remedy = error.description or kind.title, kind.remedy
    if status == HTTPStatus.NOT_FOUND:
        detail = "There is nothing at this address; GET /openapi.json names those that there are."
    elif status == HTTPStatus.METHOD_NOT_ALLOWED:
        detail = f"{request.method} is not allowed at this address."
        remedy = f"Use one of: {headers['Allow']}."
    elif status == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        limit = f"{service().settings.max_body_mb:g} MB"
        detail = f"The body is larger than {limit}."
        remedy = (
            f"Send {limit} at most: leave out pictures and what the chip does not need, or simplify curves. "
            "Whoever runs the service can raise the limit (max_body_mb)."
        )
    return _answer(kind, detail, faults=[Fault(detail, remedy)], headers=headers)


def _unexpected(error: Exception) -> Response:
    _log.exception("request %s failed", request_id(), exc_info=error)
    return _answer(INTERNAL_ERROR, INTERNAL_ERROR.meaning)
