"""The store: one object over one database, a file for each subject."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import text

from rillcast_service.store.bench import BenchStore
from rillcast_service.store.database import Database
from rillcast_service.store.jobs import JobStore
from rillcast_service.store.layouts import LayoutStore
from rillcast_service.store.migrating import migrate
from rillcast_service.store.quotes import QuoteStore
from rillcast_service.store.workers import WorkerStore


class Store(LayoutStore, BenchStore, QuoteStore, JobStore, WorkerStore):
    """Everything the service remembers. Safe to use from several threads.

    Args:
        url: `sqlite:///FILE` or `postgresql+psycopg://…`.
        idempotency_ttl_h: how long an idempotency key is remembered, h.
    """

    def __init__(self, url: str, *, idempotency_ttl_h: float = 24.0) -> None:
        self._database = Database(url)
        self._idempotency_ttl = timedelta(hours=idempotency_ttl_h)

    def migrate(self) -> None:
        """Bring the database to the present schema; several processes may do so at once.

        Raises:
            SchemaUnknown: a newer version of the service has been here.
            StoreUnusable: the database cannot be reached, made or read.
        """
        migrate(self._database)

    def ping(self) -> None:
        """Reach the database and find the schema there. Raises sqlalchemy.exc.SQLAlchemyError."""
        with self._database.read() as connection:
            connection.execute(text("select version_num from alembic_version")).one()

    def close(self) -> None:
        """Close all connections."""
        self._database.close()
