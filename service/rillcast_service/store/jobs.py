"""The job behind a quote: who works on it, until when, and what came of it.

The table is the truth and a queue only says "look now". A worker claims a job for the length of a lease
and keeps the lease alive; when the lease runs out, anybody may claim the job again. Every claim raises
`attempt`, and a worker's writes carry the attempt that it was given: a worker that was frozen, cut off or
believed dead writes nothing when it wakes up late.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, delete, func, insert, or_, select, update

from rillcast_service.store.database import Database
from rillcast_service.store.rows import Artefact, Claim, QuoteState, Swept
from rillcast_service.store.tables import artefacts, idempotency_keys, payloads, quotes

#: Attempts that were begun and not handed back.
_tries = quotes.c.attempt - quotes.c.released


class JobStore:
    """The part of the store that workers use."""

    _database: Database
    _idempotency_ttl: timedelta

    def claim(
        self, worker_id: str, *, lease_s: float, max_attempts: int, quote_id: str | None = None
    ) -> Claim | None:
        """Take a job: a queued one, or one whose worker has let its lease run out.

        Args:
            lease_s: the job is this worker's for so long, and longer with every `heartbeat`.
            max_attempts: jobs that were begun this often are left to `sweep`.
            quote_id: this job only; None for the one that waits longest.

        Returns:
            The claim, or None when there is nothing to do.
        """
        now = self._database.now()
        wanted: list[ColumnElement[bool]] = [self._claimable(), _tries < max_attempts]
        if quote_id is not None:
            wanted.append(quotes.c.quote_id == quote_id)
        # SKIP LOCKED (PostgreSQL; SQLite has one writer anyway): claimants don't queue up for one row.
        longest_waiting = (
            select(quotes.c.quote_id)
            .where(*wanted)
            .order_by(quotes.c.created_at, quotes.c.quote_id)
            .limit(1)
            .with_for_update(skip_locked=True)
            .scalar_subquery()
        )
        take = (
            update(quotes)
            .where(quotes.c.quote_id == longest_waiting)
            .values(
                state=QuoteState.RUNNING,
                attempt=quotes.c.attempt + 1,
                worker_id=worker_id,
                lease_until=self._database.from_now(lease_s),
                progress=0.0,
                step="",
                started_at=now,
                updated_at=now,
            )
            .returning(quotes.c.quote_id, quotes.c.owner, quotes.c.attempt, _tries.label("tries"))
        )
        with self._database.read() as connection:
            # An idle worker looks often; only a worker that sees work takes the writer's lock.
            if connection.execute(select(quotes.c.quote_id).where(*wanted).limit(1)).first() is None:
                return None
        with self._database.write() as connection:
            row = connection.execute(take).one_or_none()
            if row is None:
                return None
            payload = connection.execute(
                select(payloads.c.payload).where(payloads.c.quote_id == row.quote_id)
            ).scalar_one()
        return Claim(row.quote_id, row.owner, row.attempt, row.tries, payload)

    def _claimable(self) -> ColumnElement[bool]:
        return or_(
            quotes.c.state == QuoteState.QUEUED,
            and_(quotes.c.state == QuoteState.RUNNING, quotes.c.lease_until < self._database.now()),
        )

    def holds(self, claim: Claim) -> bool:
        """Whether the claim still counts: not cancelled, and nobody else has taken the job."""
        with self._database.read() as connection:
            return connection.execute(select(quotes.c.attempt).where(*_fence(claim))).first() is not None

    def heartbeat(self, claim: Claim, *, lease_s: float) -> bool:
        """Keep the lease alive for another `lease_s`. Returns whether the claim still counts."""
        return self._update(claim, lease_until=self._database.from_now(lease_s))

    def report(self, claim: Claim, *, progress: float, step: str) -> bool:
        """Say how far the work has come (0..1) and what is being done. Returns whether the claim counts."""
        return self._update(
            claim, progress=min(max(progress, 0.0), 1.0), step=step, updated_at=self._database.now()
        )

    def finish(self, claim: Claim, *, result: dict[str, Any], files: Iterable[Artefact] = ()) -> bool:
        """Store the result and its files, all or nothing.

        Returns:
            Whether they were stored; False when the claim no longer counts.
        """
        rows = [
            {
                "quote_id": claim.quote_id,
                "owner": claim.owner,
                "route": file.route or "",
                "name": file.name,
                "media_type": file.media_type,
                "body": file.body,
            }
            for file in files
        ]
        with self._database.write() as connection:
            done = self._closing(claim, QuoteState.DONE).values(progress=1.0, step="", result=result)
            if connection.execute(done).rowcount != 1:
                return False
            if rows:
                connection.execute(insert(artefacts), rows)
        return True

    def fail(self, claim: Claim, *, problem: dict[str, Any]) -> bool:
        """Store why the work cannot be done. Returns whether the claim still counted."""
        with self._database.write() as connection:
            failed = self._closing(claim, QuoteState.FAILED).values(problem=problem)
            return connection.execute(failed).rowcount == 1

    def retry(self, claim: Claim) -> bool:
        """Hand the job back after a crash: it counts as an attempt. Returns whether the claim counted."""
        return self._hand_back(claim, counts=True)

    def release(self, claim: Claim) -> bool:
        """Hand the job back unharmed, as when a worker is asked to stop: it does not count."""
        return self._hand_back(claim, counts=False)

    def sweep(self, *, max_attempts: int, announce_s: float, exhausted: dict[str, Any]) -> Swept:
        """Find what was left behind.

        Args:
            max_attempts: as in `claim`; jobs that reached it without an end are failed.
            announce_s: a waiting job is announced again after so long, and not more often.
            exhausted: problem document for the jobs that are given up.

        Returns:
            The jobs to announce again, and those given up.
        """
        now = self._database.now()
        given_up = (
            update(quotes)
            .where(self._claimable(), _tries >= max_attempts)
            .values(
                state=QuoteState.FAILED, problem=exhausted, lease_until=None, updated_at=now, finished_at=now
            )
            .returning(quotes.c.quote_id)
        )
        unheard = or_(
            quotes.c.announced_at.is_(None), quotes.c.announced_at < self._database.from_now(-announce_s)
        )
        announce = (
            update(quotes)
            .where(self._claimable(), unheard)
            .values(announced_at=now)
            .returning(quotes.c.quote_id, quotes.c.created_at)
        )
        expired = idempotency_keys.c.created_at < now - self._idempotency_ttl
        with self._database.read() as connection:
            left_behind = connection.execute(
                select(quotes.c.quote_id)
                .where(self._claimable(), or_(_tries >= max_attempts, unheard))
                .limit(1)
            ).first()
            stale_keys = connection.execute(select(idempotency_keys.c.key).where(expired).limit(1)).first()
        if left_behind is None and stale_keys is None:
            return Swept((), ())
        with self._database.write() as connection:
            connection.execute(delete(idempotency_keys).where(expired))
            lost = tuple(sorted(connection.execute(given_up).scalars()))
            waiting = sorted(connection.execute(announce), key=lambda row: (row.created_at, row.quote_id))
        return Swept(tuple(row.quote_id for row in waiting), lost)

    def queue_length(self) -> int:
        """How many jobs wait or run."""
        statement = select(func.count()).where(quotes.c.state.in_((QuoteState.QUEUED, QuoteState.RUNNING)))
        with self._database.read() as connection:
            return int(connection.execute(statement).scalar_one())

    def _update(self, claim: Claim, **values: Any) -> bool:
        with self._database.write() as connection:
            return connection.execute(update(quotes).where(*_fence(claim)).values(**values)).rowcount == 1

    def _closing(self, claim: Claim, state: QuoteState) -> Any:
        now = self._database.now()
        return (
            update(quotes)
            .where(*_fence(claim))
            .values(state=state, lease_until=None, updated_at=now, finished_at=now)
        )

    def _hand_back(self, claim: Claim, *, counts: bool) -> bool:
        return self._update(
            claim,
            state=QuoteState.QUEUED,
            lease_until=None,
            worker_id=None,
            announced_at=None,
            released=quotes.c.released + (0 if counts else 1),
            progress=0.0,
            step="",
            updated_at=self._database.now(),
        )


def _fence(claim: Claim) -> tuple[ColumnElement[bool], ...]:
    return (
        quotes.c.quote_id == claim.quote_id,
        quotes.c.attempt == claim.attempt,
        quotes.c.state == QuoteState.RUNNING,
    )
