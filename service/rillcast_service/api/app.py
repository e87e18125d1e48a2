"""The Flask app: parts in, one blueprint a resource, and what holds for every exchange."""

from __future__ import annotations

import logging
import re
import secrets
import time
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, g, request
from flask.json.provider import DefaultJSONProvider
from werkzeug.routing import BaseConverter

from rillcast_service.api import bench, corrections, layouts, operations, problems, quotes, routes, rules
from rillcast_service.api.auth import owner_of
from rillcast_service.api.context import Service
from rillcast_service.jobs.dispatch import Dispatcher
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store

_log = logging.getLogger(__name__)

_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,128}")


def create_app(settings: Settings, store: Store, dispatcher: Dispatcher, readers: ReaderPool) -> Flask:
    """The service as a WSGI app.

    Args:
        settings: limits and keys.
        store: migrated.
        dispatcher: tells workers of new quotes.
        readers: read layout files.

    Returns:
        The app; it starts no worker.
    """
    app = Flask("rillcast_service", static_folder=None)
    app.json = StrictJson(app)
    app.config["MAX_CONTENT_LENGTH"] = settings.max_body_bytes
    # A form may hold the layout as text, so a field may be as large as a body.
    app.config["MAX_FORM_MEMORY_SIZE"] = settings.max_body_bytes
    app.url_map.converters.update(id=_Id, name=_Name, slug=_Slug)
    Service(settings, store, dispatcher, readers).install(app)

    @app.before_request
    def identify() -> None:
        g.request_id, g.begun = _request_id(request.headers.get("X-Request-Id")), time.monotonic()
        if request.path.startswith("/v1/"):
            g.owner = owner_of(request, settings.api_keys)

    app.after_request(_finish)
    problems.register(app)
    for resource in (layouts, corrections, quotes, routes, rules, bench, operations):
        app.register_blueprint(resource.blueprint)
    return app


class StrictJson(DefaultJSONProvider):
    """JSON without NaN and Infinity, which JSON does not have; members keep their order."""

    sort_keys = False
    ensure_ascii = False
    compact = True

    def dumps(self, obj: Any, **options: Any) -> str:
        """JSON text. Raises ValueError: a number is not finite."""
        return super().dumps(obj, allow_nan=False, **options)


class _Id(BaseConverter):
    regex = r"[A-Za-z0-9_-]{1,64}"


class _Name(BaseConverter):
    regex = r"[a-z0-9][a-z0-9_]{0,63}"


class _Slug(BaseConverter):
    regex = r"[a-z][a-z0-9-]{0,63}"


def _request_id(given: str | None) -> str:
    """The sender's id when it can stand in a header and a log line, else one of our own."""
    if given is not None and _REQUEST_ID.fullmatch(given):
        return given
    return f"req_{secrets.token_hex(8)}"


def _finish(response: Response) -> Response:
    response.headers["X-Request-Id"] = g.request_id
    response.headers["X-Content-Type-Options"] = "nosniff"
    if response.status_code == HTTPStatus.NO_CONTENT:
        response.headers.pop("Content-Type", None)  # there is no content that could have a type
    if "Cache-Control" not in response.headers:
        response.cache_control.no_store = True
    _log.info(
        "%s %s %r %d %.0f ms",  # %r: a line break in a path must not begin a line of the log
        g.request_id,
        request.method,
        request.path,
        response.status_code,
        1000.0 * (time.monotonic() - g.begun),
    )
    return response
