"""Layouts: content-addressed within one owner."""

from __future__ import annotations

import secrets
from typing import Any

from sqlalchemy import delete, select

from rillcast_service.store.database import Database
from rillcast_service.store.paging import Page
from rillcast_service.store.rows import LayoutRow
from rillcast_service.store.tables import layouts

_COLUMNS = (
    layouts.c.layout_id,
    layouts.c.owner,
    layouts.c.digest,
    layouts.c.name,
    layouts.c.media_type,
    layouts.c.options,
    layouts.c.layout,
    layouts.c.created_at,
    layouts.c.corrected_from,
)


class LayoutStore:
    """The part of the store that holds layouts."""

    _database: Database

    def add_layout(
        self,
        owner: str,
        *,
        digest: str,
        name: str,
        media_type: str,
        source: bytes,
        options: dict[str, Any],
        layout: dict[str, Any],
        corrected_from: str | None = None,
    ) -> tuple[LayoutRow, bool]:
        """Keep a layout, once per owner and digest.

        Args:
            digest: hexadecimal digest of bytes, options and model version.
            source: the file as sent.
            layout: the layout as read, or as corrected.
            corrected_from: id of the layout that it was corrected from.

        Returns:
            The row, and whether it is new; the same digest gives the row that is there already.
        """
        statement = (
            self._database.insert(layouts)
            .values(
                layout_id=f"lay_{secrets.token_hex(12)}",
                owner=owner,
                digest=digest,
                name=name,
                media_type=media_type,
                source=source,
                options=options,
                layout=layout,
                corrected_from=corrected_from,
                created_at=self._database.now(),
            )
            .on_conflict_do_nothing(index_elements=[layouts.c.owner, layouts.c.digest])
            .returning(layouts.c.layout_id)
        )
        same = select(*_COLUMNS).where(layouts.c.owner == owner, layouts.c.digest == digest)
        while True:
            with self._database.write() as connection:
                created = connection.execute(statement).first() is not None
                row = connection.execute(same).mappings().one_or_none()
            # None: somebody deleted the earlier row between the two statements.
            if row is not None:
                return LayoutRow(**row), created

    def get_layout(self, owner: str, layout_id: str) -> LayoutRow | None:
        """A layout of this owner, or None."""
        statement = select(*_COLUMNS).where(layouts.c.owner == owner, layouts.c.layout_id == layout_id)
        with self._database.read() as connection:
            row = connection.execute(statement).mappings().one_or_none()
        return LayoutRow(**row) if row else None

    def get_layout_source(self, owner: str, layout_id: str) -> bytes | None:
        """The file that a layout was read from, or None."""
        statement = select(layouts.c.source).where(layouts.c.owner == owner, layouts.c.layout_id == layout_id)
        with self._database.read() as connection:
            source: bytes | None = connection.execute(statement).scalar_one_or_none()
        return source

    def list_layouts(
        self, owner: str, *, limit: int = 50, cursor: str | None = None
    ) -> tuple[list[LayoutRow], str | None]:
        """A page of the owner's layouts, newest first, and the cursor of the next. Raises CursorInvalid."""
        page = Page(layouts.c.created_at, layouts.c.layout_id, limit, cursor)
        statement = page.of(select(*_COLUMNS).where(layouts.c.owner == owner))
        with self._database.read() as connection:
            rows, following = page.split(list(connection.execute(statement).mappings()))
        return [LayoutRow(**row) for row in rows], following

    def delete_layout(self, owner: str, layout_id: str) -> bool:
        """Forget a layout; quotes made from it keep their own copy. Returns whether it was there."""
        statement = delete(layouts).where(layouts.c.owner == owner, layouts.c.layout_id == layout_id)
        with self._database.write() as connection:
            return connection.execute(statement).rowcount == 1
