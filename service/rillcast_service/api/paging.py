"""Pages of a list: `limit` and `cursor` in, `items` and `next` out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar
from urllib.parse import urlencode

from flask import Response, jsonify, request

from rillcast_service.api.inputs import query
from rillcast_service.api.schemas import PageQuery

Row = TypeVar("Row")


def page_answer(
    rows_of: Callable[[int, str | None], tuple[Sequence[Row], str | None]],
    resource: Callable[[Row], dict[str, Any]],
) -> Response:
    """One page of a list.

    Args:
        rows_of: (limit, cursor) → rows and the cursor of the next page.
        resource: a row as the contract shows it.

    Returns:
        The answer, with a `Link` header when there is a next page.
    """
    asked = query(PageQuery())
    rows, cursor = rows_of(asked["limit"], asked.get("cursor"))
    following = None
    if cursor is not None:
        following = f"{request.path}?{urlencode({'limit': asked['limit'], 'cursor': cursor})}"
    response = jsonify({"items": [resource(row) for row in rows], "next": following})
    if following is not None:
        response.headers["Link"] = f'<{following}>; rel="next"'
    return response
