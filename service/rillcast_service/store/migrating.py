"""Bringing a database to the present schema."""

from __future__ import annotations

import sqlite3

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from rillcast_service.store.database import Database
from rillcast_service.store.rows import SchemaUnknown, StoreUnusable

#: Any number will do, as long as nothing else locks on it in the same database.
_ADVISORY_LOCK = 0x52494C4C


def migrate(database: Database) -> None:
    """Run the migrations that are missing, in one transaction that others wait for.

    Raises:
        SchemaUnknown: the database is newer than this code.
        StoreUnusable: it cannot be reached, made or read.
    """
    try:
        database.prepare()
        _upgrade(database)
    except (OSError, sqlite3.Error, SQLAlchemyError) as fault:
        # What the driver says, without the statement and without a link to its manual.
        raise StoreUnusable(
            f"the database cannot be used: {getattr(fault, 'orig', None) or fault}"
        ) from fault


def _upgrade(database: Database) -> None:
    config = Config()
    config.set_main_option("script_location", "rillcast_service.store:migrations")
    # A writing transaction on SQLite keeps everybody else out; PostgreSQL needs to be told.
    with database.write() as connection:
        if not database.is_sqlite:
            connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": _ADVISORY_LOCK})
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise SchemaUnknown(
                "the database was written by a newer version of the service; install that version, "
                "or point it at another database"
            ) from error
