"""Forms of an answer that several resources share."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import Response

SVG = "image/svg+xml"

#: A document of ours needs its own inline style and nothing else; it may run, load and frame nothing.
_DOCUMENT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
)


def instant(moment: datetime | None) -> str | None:
    """A moment as ISO 8601 in UTC."""
    return None if moment is None else moment.astimezone(UTC).isoformat()


def svg(body: str | bytes) -> Response:
    """A picture."""
    return document(body, SVG)


def document(body: str | bytes, media_type: str) -> Response:
    """Something that a browser may show: it holds words of strangers, so it may do nothing there."""
    charset = "; charset=utf-8" if media_type.startswith("text/") else ""
    response = Response(body, content_type=media_type + charset)
    response.headers["Content-Security-Policy"] = _DOCUMENT_POLICY
    response.headers["Referrer-Policy"] = "no-referrer"
    return response
