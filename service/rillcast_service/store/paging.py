"""Pages of a list: newest first, continued by an opaque cursor."""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Column, RowMapping, Select, and_, desc, or_

from rillcast_service.store.rows import CursorInvalid


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a list.

    Args:
        at, key: columns of creation time and id: together a fixed and unique order.
        limit: rows on the page.
        cursor: from `split` of the page before, or None for the first one.
    """

    at: Column[Any]
    key: Column[Any]
    limit: int
    cursor: str | None

    def of(self, statement: Select[Any]) -> Select[Any]:
        """The rows of the page and one more, which tells whether another page follows.

        Raises:
            CursorInvalid: the cursor was not made here.
        """
        if self.cursor is not None:
            moment, last = _decode(self.cursor)
            statement = statement.where(or_(self.at < moment, and_(self.at == moment, self.key < last)))
        return statement.order_by(desc(self.at), desc(self.key)).limit(self.limit + 1)

    def split(self, rows: list[RowMapping]) -> tuple[list[RowMapping], str | None]:
        """The rows of the page, and the cursor of the next one or None."""
        if len(rows) <= self.limit:
            return rows, None
        last = rows[self.limit - 1]
        text = f"{last[self.at].astimezone(UTC).isoformat()}|{last[self.key]}"
        return rows[: self.limit], base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _decode(cursor: str) -> tuple[datetime, str]:
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
        moment, separator, key = text.partition("|")
        parsed = datetime.fromisoformat(moment)
    except (binascii.Error, ValueError):
        raise CursorInvalid("the cursor does not come from this list") from None
    if not separator or not key or "\x00" in key or parsed.tzinfo is None:
        raise CursorInvalid("the cursor does not come from this list")
    return parsed, key
