"""The schema: made from nothing, by several processes at once, and equal to the tables in code."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text

from rillcast_service.store.repository import Store
from rillcast_service.store.rows import SchemaUnknown
from rillcast_service.store.tables import metadata


def test_the_migrations_make_exactly_the_tables_in_code(store: Store) -> None:
    with store._database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_indexes_and_keys_are_named_alike_in_both(store: Store) -> None:
    found = inspect(store._database.engine)
    for table in metadata.sorted_tables:
        assert {index["name"] for index in found.get_indexes(table.name)} >= {
            index.name for index in table.indexes
        }
        assert found.get_pk_constraint(table.name)["constrained_columns"] == [
            column.name for column in table.primary_key
        ]
        # By hand, as the comparison above skips check constraints.
        assert {check["name"] for check in found.get_check_constraints(table.name)} == {
            constraint.name for constraint in table.constraints if "ck_" in str(constraint.name)
        }


def test_migrating_twice_changes_nothing(store: Store) -> None:
    store.add_quote("ada", request={}, payload={})
    store.migrate()
    assert len(store.list_quotes("ada")[0]) == 1
    store.ping()


def test_several_processes_may_migrate_an_empty_database_at_once(database_url: str) -> None:
    program = "import sys; from rillcast_service.store.repository import Store; Store(sys.argv[1]).migrate()"
    running = [
        subprocess.Popen([sys.executable, "-c", program, database_url], stderr=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    errors = [process.communicate(timeout=60)[1] for process in running]
    assert [process.returncode for process in running] == [0, 0, 0], errors
    store = Store(database_url)
    store.ping()
    with store._database.read() as connection:
        assert connection.execute(text("select count(*) from alembic_version")).scalar_one() == 1
    store.close()


def test_a_database_of_a_newer_version_is_refused_untouched(store: Store) -> None:
    with store._database.write() as connection:
        connection.execute(text("update alembic_version set version_num = '9999'"))
    with pytest.raises(SchemaUnknown, match="newer version"):
        store.migrate()


def test_sqlite_is_set_up_to_survive_a_power_cut(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'new folder' / 'store.sqlite3'}")
    store.migrate()
    with store._database.read() as connection:
        pragma = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    # synchronous 2 is FULL.
    assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 30000}
    store.close()


def test_an_sqlite_store_needs_a_file() -> None:
    with pytest.raises(ValueError, match="needs a file"):
        Store("sqlite://")
