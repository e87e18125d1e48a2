"""The HTTP server under the application: waitress, with problem documents for what it refuses by itself."""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Callable
from typing import Any

import waitress
from waitress.channel import HTTPChannel
from waitress.task import ErrorTask

from rillcast_service.settings import Settings

_TYPES = {413: "/problems/body-too-large", 400: "/problems/malformed-request"}


def make_server(app: Callable[..., Any], listener: socket.socket, settings: Settings) -> Any:
    """A server on a socket that listens already; `run` serves until the process is told to stop.

    Args:
        app: the WSGI application.
        listener: bound and listening.
        settings: threads and largest body.
    """
    server = waitress.create_server(
        app,
        sockets=[listener],
        threads=settings.threads,
        ident="rillcast",
        # The application refuses a body over its limit in its own words. This limit only keeps the disk
        # from being filled before the application sees the request.
        max_request_body_size=4 * settings.max_body_bytes + 1_000_000,
    )
    server.channel_class = _Channel
    return server


class _RefusalTask(ErrorTask):  # type: ignore[misc]
    """Answers a request that never reaches the application: malformed, or far too long."""

    def execute(self) -> None:
        """Write the problem document."""
        error = self.request.error
        body = json.dumps(
            {
                "type": _TYPES.get(error.code, "about:blank"),
                "title": error.reason,
                "status": error.code,
                "detail": f"The request was refused before it was read: {error.body}.",
            }
        ).encode()
        self.status = f"{error.code} {error.reason}"
        self.response_headers += [
            ("Content-Type", "application/problem+json"),
            ("Cache-Control", "no-store"),
            ("X-Request-Id", f"req_{secrets.token_hex(8)}"),
        ]
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class _Channel(HTTPChannel):  # type: ignore[misc]
    error_task_class = _RefusalTask
