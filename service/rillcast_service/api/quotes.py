"""/v1/quotes: asking, waiting, reading, cancelling, and the documents of a finished quote."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from flask import Blueprint, Response, jsonify, request

from rillcast_service import MODEL_VERSION, __version__
from rillcast_service.api.answers import SVG, document, instant, svg
from rillcast_service.api.bench import bench_catalogue
from rillcast_service.api.context import owner, service
from rillcast_service.api.inputs import accepted, idempotency_key, json_body, query, wait_s
from rillcast_service.api.layouts import Upload, keep, read_upload
from rillcast_service.api.paging import page_answer
from rillcast_service.api.problems import (
    QUOTE_FINISHED,
    QUOTE_NOT_DONE,
    TOO_MANY_REQUESTS,
    ApiError,
    invalid,
    not_found,
)
from rillcast_service.api.schemas import DocumentQuery, QuoteRequest
from rillcast_service.documents.quotation import Detail, cost_lines_csv, quotation_html
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.engine.layout.serial import layout_from_json
from rillcast_service.engine.preparing import prepare
from rillcast_service.engine.request import QuoteRequest as EngineRequest
from rillcast_service.store.rows import QuoteRow, QuoteState

blueprint = Blueprint("quotes", __name__, url_prefix="/v1/quotes")

#: Unfinished quotes that may wait at once, over all owners.
MAX_UNFINISHED = 5000
#: What a client is asked to wait between two looks at an unfinished quote, s.
RETRY_AFTER_S = 1
#: How often a request that waits looks at the quote, s.
_LOOK_S = 0.1


@blueprint.post("")
def create_quote() -> tuple[Response, int]:
    """Ask for a quote."""
    key = idempotency_key()
    asked = json_body(QuoteRequest())
    fingerprint = _fingerprint(asked) if key else None
    store = service().store
    # A replay is answered whatever has become of the layout, the bench or the queue since.
    if key and fingerprint:
        earlier = store.keyed_quote(owner(), idempotency_key=key, fingerprint=fingerprint)
        if earlier is not None:
            return _asked_answer(earlier)
    if store.queue_length() >= MAX_UNFINISHED:
        raise ApiError(
            TOO_MANY_REQUESTS,
            f"{MAX_UNFINISHED} quotes are unfinished, which is as many as may wait at once.",
            headers={"Retry-After": "10"},
        )
    request_document, layout = _checked(asked)
    row, _ = store.add_quote(
        owner(),
        request=request_document,
        payload={
            "layout": layout,
            "request": request_document,
            "bench": store.list_bench(owner()),
        },
        idempotency_key=key,
        fingerprint=fingerprint,
    )
    service().dispatcher.notify(row.quote_id)
    return _asked_answer(row)


@blueprint.get("")
def list_quotes() -> Response:
    """A page of the owner's quotes."""
    store = service().store
    return page_answer(lambda limit, cursor: store.list_quotes(owner(), limit=limit, cursor=cursor), _summary)


@blueprint.get("/<id:quote_id>")
def get_quote(quote_id: str) -> Response:
    """One quote."""
    response = _quote_answer(_known(quote_id))
    response.make_conditional(request)
    return response


@blueprint.post("/<id:quote_id>/cancel")
def cancel_quote(quote_id: str) -> Response:
    """Stop the work on a quote."""
    row = service().store.cancel_quote(owner(), quote_id)
    if row is None:
        raise _no_quote(quote_id)
    if row.state is not QuoteState.CANCELLED:
        raise ApiError(
            QUOTE_FINISHED,
            f"The quote is {row.state} already.",
            remedy=f"There is nothing to stop; read it at GET /v1/quotes/{quote_id}.",
        )
    return jsonify(quote_resource(row))


@blueprint.get("/<id:quote_id>/document")
def get_quote_document(quote_id: str) -> Response:
    """The quotation."""
    media_type = accepted("text/html", "text/csv")
    detail = Detail(query(DocumentQuery())["detail"])
    row = _done(quote_id)
    if media_type == "text/csv":
        return document(cost_lines_csv(quote_resource(row)), media_type)
    store = service().store
    pictures = {}
    for route, name, kind in store.list_artefacts(owner(), quote_id):
        if kind == SVG and route and (artefact := store.get_artefact(owner(), quote_id, route, name)):
            pictures[f"{route}/{name}"] = artefact.body.decode()
    name, repairs = store.quoted_layout(owner(), quote_id)
    titles = {f"{kind}/{name}": entry.title for (kind, name), entry in bench_catalogue().entries.items()}
    page = quotation_html(
        quote_resource(row), pictures, layout_name=name, repairs=repairs, detail=detail, titles=titles
    )
    return document(page, media_type)


@blueprint.get("/<id:quote_id>/pictures/<name:route_id>/<name:picture>")
def get_quote_picture(quote_id: str, route_id: str, picture: str) -> Response:
    """A picture of one route."""
    accepted(SVG)
    _done(quote_id)
    artefact = service().store.get_artefact(owner(), quote_id, route_id, picture)
    if artefact is None or artefact.media_type != SVG:
        raise not_found(
            f"picture {picture} of route {route_id} in this quote",
            "Ask for findings, as_made, exchange_time, pressure, mixing or timeline of a route of the quote; "
            "one that is not planned has no timeline, one that nothing flows through none of the three "
            "before it, and mixing takes two inlets.",
        )
    return svg(artefact.body)


def quote_resource(row: QuoteRow) -> dict[str, Any]:
    """A quote as the contract shows it."""
    return {
        **_standing(row),
        "request": row.request,
        "assumptions": row.result["assumptions"] if row.result else [],
        "result": row.result,
        "problem": row.problem,
    }


def _summary(row: QuoteRow) -> dict[str, Any]:
    return {
        **_standing(row),
        "layout_id": row.request["layout_id"],
        "quantity": row.request["quantity"],
    }


def _standing(row: QuoteRow) -> dict[str, Any]:
    path = f"/v1/quotes/{row.quote_id}"
    links = {"self": path}
    if not row.state.final:
        links["cancel"] = f"{path}/cancel"
    if row.state is QuoteState.DONE:
        links["document"] = f"{path}/document"
    return {
        "quote_id": row.quote_id,
        "revision": row.revision,
        "state": row.state.value,
        "progress": row.progress,
        "step": row.step or None,
        "created_at": instant(row.created_at),
        "finished_at": instant(row.finished_at),
        "links": links,
    }


def _checked(asked: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The request with everything in it that the engine needs, and its layout; refused early if it can be.

    Both are JSON values, as the store keeps them.

    Raises:
        EngineError, ApiError: with pointers into the request.
    """
    upload = _inline(asked["layout"]) if "layout" in asked else None
    layout = _read_inline(upload) if upload else _stored(asked["layout_id"])
    told = {member: value for member, value in asked.items() if member != "layout"}
    told.setdefault("start", datetime.now(UTC).replace(microsecond=0).isoformat())
    prepare(layout_from_json(layout), EngineRequest.from_json(told), bench_catalogue(to_quote=True))
    if upload:
        told["layout_id"] = keep(upload, layout)[0].layout_id
    return told, layout


def _stored(layout_id: str) -> dict[str, Any]:
    row = service().store.get_layout(owner(), layout_id)
    if row is None:
        raise invalid(
            Fault(
                f"There is no layout {layout_id}.",
                "Send the file to POST /v1/layouts and give the layout_id of its answer.",
                pointer="#/layout_id",
            )
        )
    return row.layout


def _inline(geojson: Mapping[str, Any]) -> Upload:
    body = json.dumps(geojson, ensure_ascii=False, separators=(",", ":")).encode()
    return Upload(body=body, media_type="application/geo+json", options={})


def _read_inline(upload: Upload) -> dict[str, Any]:
    try:
        return read_upload(upload)
    except EngineError as error:
        raise type(error)(
            *(
                replace(fault, pointer="#/layout" + (fault.pointer or "#").removeprefix("#"))
                for fault in error.faults
            )
        ) from None


def _fingerprint(asked: Mapping[str, Any]) -> str:
    """A digest of what was asked, whatever the order and spacing of its members."""
    return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()


def _asked_answer(row: QuoteRow) -> tuple[Response, int]:
    """201 when the quote is finished within the time that the client would wait, else 202."""
    wished_s, seats, applied = wait_s(), service().seats, ""
    # A request that waits holds a thread: when too many do so already, this one is answered at once.
    if wished_s is not None and seats.acquire(blocking=False):
        try:
            row = _waited_for(row, min(wished_s, service().settings.max_wait_s))
        finally:
            seats.release()
        applied = f"wait={wished_s:.0f}"
    response = _quote_answer(row)
    response.headers["Location"] = f"/v1/quotes/{row.quote_id}"
    if applied:
        response.headers["Preference-Applied"] = applied
    return response, 201 if row.state.final else 202


def _waited_for(row: QuoteRow, longest_s: float) -> QuoteRow:
    """The quote when it is finished or the time is up."""
    store, state = service().store, row.state
    deadline = time.monotonic() + longest_s
    while not state.final and (left := deadline - time.monotonic()) > 0:
        time.sleep(min(_LOOK_S, left))
        state = store.quote_state(row.owner, row.quote_id) or state
    return store.get_quote(row.owner, row.quote_id) or row


def _quote_answer(row: QuoteRow) -> Response:
    response = jsonify(quote_resource(row))
    if row.state.final:
        # A finished quote never changes, but a later version may show it in another way.
        response.set_etag(f"{row.quote_id}-{row.revision}-{__version__}-{MODEL_VERSION}")
        response.cache_control.private = True
        response.cache_control.no_cache = True
    else:
        response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return response


def _known(quote_id: str) -> QuoteRow:
    row = service().store.get_quote(owner(), quote_id)
    if row is None:
        raise _no_quote(quote_id)
    return row


def _no_quote(quote_id: str) -> ApiError:
    return not_found(f"quote {quote_id}", "GET /v1/quotes lists the quotes that are kept.")


def _done(quote_id: str) -> QuoteRow:
    """A quote with a result. Raises ApiError: 404 unknown, 409 not done."""
    row = _known(quote_id)
    if row.state is not QuoteState.DONE:
        wait, remedy = {}, "Ask for a new quote with POST /v1/quotes."
        if not row.state.final:
            wait = {"Retry-After": str(RETRY_AFTER_S)}
            remedy = f"Poll GET /v1/quotes/{quote_id} until its state is done, and ask then."
        raise ApiError(
            QUOTE_NOT_DONE,
            f"The quote is {row.state}; only a quote that is done has this.",
            remedy=remedy,
            headers=wait,
        )
    return row
