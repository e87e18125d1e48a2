"""The connection to the database: SQLite on one machine, PostgreSQL for several."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, DateTime, Table, create_engine, event, func
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import make_url
from sqlalchemy.pool import ConnectionPoolEntry

#: How long a statement waits for another writer of the SQLite file, s.
BUSY_TIMEOUT_S = 30.0

_WRITES = "rillcast_writes"

#: A machine that drops off the network is noticed within a minute, and its locks are let go.
_POSTGRES_OPTIONS = {"keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3}
#: A process that was frozen within a transaction loses it after this, and with it its locks, s.
_IDLE_IN_TRANSACTION_S = 60


class Database:
    """Connections, transactions and the time of one database.

    Args:
        url: `sqlite:///FILE` or `postgresql+psycopg://…`.
    """

    def __init__(self, url: str) -> None:
        parsed = make_url(url)
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        if self.is_sqlite and not parsed.database:
            raise ValueError("an SQLite database needs a file: several processes share it")
        self.engine = create_engine(
            parsed,
            # NaN is not JSON: a slip in the physics must fail here and not at the reader.
            json_serializer=partial(json.dumps, allow_nan=False, separators=(",", ":")),
            pool_pre_ping=not self.is_sqlite,
            connect_args={} if self.is_sqlite else _POSTGRES_OPTIONS,
        )
        if self.is_sqlite:
            event.listen(self.engine, "connect", _prepare_sqlite)
            event.listen(self.engine, "begin", _begin_sqlite)
        else:
            event.listen(self.engine, "connect", _prepare_postgres)

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that only reads."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction that writes: committed at the end, rolled back on an exception."""
        with (
            self.engine.connect().execution_options(**{_WRITES: True}) as connection,
            connection.begin(),
        ):
            yield connection

    def now(self) -> Any:
        """The present as a value or an SQL expression.

        PostgreSQL's own clock, as workers on several machines disagree; with SQLite there is one machine.
        """
        if self.is_sqlite:
            return datetime.now(UTC)
        return func.clock_timestamp(type_=DateTime(timezone=True))

    def from_now(self, seconds: float) -> Any:
        """The moment `seconds` from now, as a value or an SQL expression."""
        return self.now() + timedelta(seconds=seconds)

    def insert(self, table: Table) -> Any:
        """An INSERT that knows `on_conflict_do_nothing` and `on_conflict_do_update`."""
        return sqlite.insert(table) if self.is_sqlite else postgresql.insert(table)

    def prepare(self) -> None:
        """Make the folder of an SQLite file, and switch the file to write-ahead logging.

        Readers and the one writer then don't wait for each other.

        Raises:
            OSError, sqlite3.Error: the file cannot be made, or is no database.
        """
        if not self.is_sqlite:
            return
        Path(str(self.engine.url.database)).parent.mkdir(parents=True, exist_ok=True)
        deadline = time.monotonic() + BUSY_TIMEOUT_S
        while not self._switched_to_wal():
            # SQLite does not always wait for a lock when it changes this mode.
            if time.monotonic() > deadline:
                raise sqlite3.OperationalError("the database stays locked by another process")
            time.sleep(0.02)

    def _switched_to_wal(self) -> bool:
        connection = self.engine.raw_connection()
        try:
            connection.cursor().execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as fault:
            if "locked" not in str(fault):
                raise
            return False
        finally:
            connection.close()
        return True

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _prepare_sqlite(connection: Any, _: ConnectionPoolEntry) -> None:
    # The driver must not begin transactions on its own: _begin_sqlite does.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={int(BUSY_TIMEOUT_S * 1000)}")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _prepare_postgres(connection: Any, _: ConnectionPoolEntry) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SET idle_in_transaction_session_timeout = '{_IDLE_IN_TRANSACTION_S}s'")
    connection.commit()


def _begin_sqlite(connection: Connection) -> None:
    # A transaction that turns from reading to writing half-way fails at once instead of waiting.
    writes = connection.get_execution_options().get(_WRITES)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
