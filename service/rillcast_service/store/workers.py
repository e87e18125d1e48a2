"""Signs of life of the worker processes, for /readyz."""

from __future__ import annotations

from sqlalchemy import delete, func, select

from rillcast_service.store.database import Database
from rillcast_service.store.tables import workers

#: A worker beats at least this often, s.
BEAT_S = 3.0
#: A worker that has not beaten for this long counts as gone, s.
GONE_S = 15.0


class WorkerStore:
    """The part of the store that knows which workers are up."""

    _database: Database

    def beat(self, worker_id: str) -> None:
        """Say that this worker is up."""
        now = self._database.now()
        statement = self._database.insert(workers).values(worker_id=worker_id, started_at=now, beat_at=now)
        with self._database.write() as connection:
            connection.execute(
                statement.on_conflict_do_update(index_elements=["worker_id"], set_={"beat_at": now})
            )
            # Rows of workers that were killed.
            connection.execute(
                delete(workers).where(workers.c.beat_at < self._database.from_now(-20 * GONE_S))
            )

    def sign_off(self, worker_id: str) -> None:
        """Say that this worker stops."""
        with self._database.write() as connection:
            connection.execute(delete(workers).where(workers.c.worker_id == worker_id))

    def live_workers(self) -> int:
        """How many workers are up."""
        statement = select(func.count()).where(workers.c.beat_at >= self._database.from_now(-GONE_S))
        with self._database.read() as connection:
            return int(connection.execute(statement).scalar_one())
