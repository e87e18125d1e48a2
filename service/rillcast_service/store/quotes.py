"""Quotes as their owner sees them: asked for, listed, read, cancelled."""

from __future__ import annotations

import secrets
from datetime import timedelta
from typing import Any

from sqlalchemy import Connection, RowMapping, delete, insert, null, select, update

from rillcast_service.store.database import Database
from rillcast_service.store.paging import Page
from rillcast_service.store.rows import Artefact, IdempotencyMismatch, QuoteRow, QuoteState
from rillcast_service.store.tables import artefacts, idempotency_keys, payloads, quotes

_WITHOUT_RESULT = (
    quotes.c.quote_id,
    quotes.c.owner,
    quotes.c.revision,
    quotes.c.state,
    quotes.c.progress,
    quotes.c.step,
    quotes.c.request,
    quotes.c.problem,
    (quotes.c.attempt - quotes.c.released).label("attempts"),
    quotes.c.created_at,
    quotes.c.updated_at,
    quotes.c.started_at,
    quotes.c.finished_at,
)


class QuoteStore:
    """The part of the store that holds quotes for their owners."""

    _database: Database
    _idempotency_ttl: timedelta

    def add_quote(
        self,
        owner: str,
        *,
        request: dict[str, Any],
        payload: dict[str, Any],
        idempotency_key: str | None = None,
        fingerprint: str | None = None,
    ) -> tuple[QuoteRow, bool]:
        """Ask for a quote. It is on disk when this returns.

        Args:
            request: as sent, to be shown again.
            payload: all that the calculation needs, so that later changes elsewhere don't reach it.
            idempotency_key: the sender's own name for this request.
            fingerprint: digest of the request, given along with the key.

        Returns:
            The row, and whether the key had been used before for the same request (then it is that row).

        Raises:
            IdempotencyMismatch: the key had been used for another request.
        """
        quote_id = f"quo_{secrets.token_hex(12)}"
        with self._database.write() as connection:
            if idempotency_key is not None:
                earlier = self._take_key(connection, owner, idempotency_key, fingerprint or "", quote_id)
                if earlier is not None:
                    return _quote(connection, owner, earlier), True
            now = self._database.now()
            connection.execute(
                insert(quotes).values(
                    quote_id=quote_id,
                    owner=owner,
                    revision=1,
                    state=QuoteState.QUEUED,
                    progress=0.0,
                    step="",
                    attempt=0,
                    released=0,
                    announced_at=now,
                    created_at=now,
                    updated_at=now,
                    request=request,
                )
            )
            connection.execute(insert(payloads).values(quote_id=quote_id, owner=owner, payload=payload))
            return _quote(connection, owner, quote_id), False

    def keyed_quote(self, owner: str, *, idempotency_key: str, fingerprint: str) -> QuoteRow | None:
        """The quote that a key was used for before, so that a replay needs nothing else to be there still.

        Returns:
            The row, or None when the key is new or forgotten.

        Raises:
            IdempotencyMismatch: the key had been used for another request.
        """
        statement = select(idempotency_keys.c.quote_id, idempotency_keys.c.fingerprint).where(
            idempotency_keys.c.owner == owner,
            idempotency_keys.c.key == idempotency_key,
            idempotency_keys.c.created_at >= self._database.now() - self._idempotency_ttl,
        )
        with self._database.read() as connection:
            earlier = connection.execute(statement).one_or_none()
            if earlier is None:
                return None
            _require_same(earlier.fingerprint, fingerprint)
            return _quote(connection, owner, earlier.quote_id)

    def _take_key(
        self, connection: Connection, owner: str, key: str, fingerprint: str, quote_id: str
    ) -> str | None:
        """Tie the key to the new quote, or return the quote that it is tied to already."""
        mine = (idempotency_keys.c.owner == owner, idempotency_keys.c.key == key)
        expired = idempotency_keys.c.created_at < self._database.now() - self._idempotency_ttl
        connection.execute(delete(idempotency_keys).where(*mine, expired))
        # Of two requests at once the second waits here until the first has committed.
        taken = connection.execute(
            self._database.insert(idempotency_keys)
            .values(
                owner=owner,
                key=key,
                fingerprint=fingerprint,
                quote_id=quote_id,
                created_at=self._database.now(),
            )
            .on_conflict_do_nothing()
            .returning(idempotency_keys.c.key)
        )
        if taken.first() is not None:
            return None
        row = connection.execute(select(idempotency_keys).where(*mine)).mappings().one()
        _require_same(row["fingerprint"], fingerprint)
        return str(row["quote_id"])

    def get_quote(self, owner: str, quote_id: str) -> QuoteRow | None:
        """A quote of this owner with its result, or None."""
        statement = select(*_WITHOUT_RESULT, quotes.c.result).where(
            quotes.c.owner == owner, quotes.c.quote_id == quote_id
        )
        with self._database.read() as connection:
            row = connection.execute(statement).mappings().one_or_none()
        return _row(row) if row else None

    def quote_state(self, owner: str, quote_id: str) -> QuoteState | None:
        """Only the state of a quote, for waiting on it, or None."""
        statement = select(quotes.c.state).where(quotes.c.owner == owner, quotes.c.quote_id == quote_id)
        with self._database.read() as connection:
            state = connection.execute(statement).scalar_one_or_none()
        return QuoteState(state) if state else None

    def quoted_layout(self, owner: str, quote_id: str) -> tuple[str, list[dict[str, Any]]]:
        """Name and repairs of a quote's layout when the quote was asked for.

        Returns:
            Empty ones when there is no such quote of this owner.
        """
        layout = payloads.c.payload
        statement = select(
            layout[("layout", "name")].as_string(), layout[("layout", "repairs")].as_json()
        ).where(payloads.c.owner == owner, payloads.c.quote_id == quote_id)
        with self._database.read() as connection:
            name, repairs = connection.execute(statement).one_or_none() or (None, None)
        return name or "", repairs or []

    def list_quotes(
        self, owner: str, *, limit: int = 50, cursor: str | None = None
    ) -> tuple[list[QuoteRow], str | None]:
        """A page of the owner's quotes without results, newest first, and the cursor of the next page.

        Raises:
            CursorInvalid: the cursor was not made here.
        """
        page = Page(quotes.c.created_at, quotes.c.quote_id, limit, cursor)
        columns = (*_WITHOUT_RESULT, null().label("result"))
        statement = page.of(select(*columns).where(quotes.c.owner == owner))
        with self._database.read() as connection:
            rows, following = page.split(list(connection.execute(statement).mappings()))
        return [_row(row) for row in rows], following

    def cancel_quote(self, owner: str, quote_id: str) -> QuoteRow | None:
        """Stop a quote that is not final yet; a final one stays as it is. Returns it, or None if unknown."""
        now = self._database.now()
        mine = (quotes.c.owner == owner, quotes.c.quote_id == quote_id)
        open_states = (QuoteState.QUEUED, QuoteState.RUNNING)
        with self._database.write() as connection:
            connection.execute(
                update(quotes)
                .where(*mine, quotes.c.state.in_(open_states))
                .values(state=QuoteState.CANCELLED, lease_until=None, updated_at=now, finished_at=now)
            )
            row = (
                connection.execute(select(*_WITHOUT_RESULT, quotes.c.result).where(*mine))
                .mappings()
                .one_or_none()
            )
        return _row(row) if row else None

    def get_artefact(self, owner: str, quote_id: str, route: str | None, name: str) -> Artefact | None:
        """A file that the quote's calculation made, or None. `route` None: of the quote as a whole."""
        statement = select(artefacts.c.media_type, artefacts.c.body).where(
            artefacts.c.owner == owner,
            artefacts.c.quote_id == quote_id,
            artefacts.c.route == (route or ""),
            artefacts.c.name == name,
        )
        with self._database.read() as connection:
            row = connection.execute(statement).one_or_none()
        return Artefact(route, name, row.media_type, row.body) if row else None

    def list_artefacts(self, owner: str, quote_id: str) -> list[tuple[str | None, str, str]]:
        """(route, name, media type) of every file of a quote, in that order."""
        statement = (
            select(artefacts.c.route, artefacts.c.name, artefacts.c.media_type)
            .where(artefacts.c.owner == owner, artefacts.c.quote_id == quote_id)
            .order_by(artefacts.c.route, artefacts.c.name)
        )
        with self._database.read() as connection:
            return [(row.route or None, row.name, row.media_type) for row in connection.execute(statement)]


def _require_same(earlier: str, fingerprint: str) -> None:
    if earlier != fingerprint:
        raise IdempotencyMismatch("the idempotency key was used before, with another request")


def _quote(connection: Connection, owner: str, quote_id: str) -> QuoteRow:
    statement = select(*_WITHOUT_RESULT, quotes.c.result).where(
        quotes.c.owner == owner, quotes.c.quote_id == quote_id
    )
    return _row(connection.execute(statement).mappings().one())


def _row(row: RowMapping) -> QuoteRow:
    return QuoteRow(**{**row, "state": QuoteState(row["state"])})
