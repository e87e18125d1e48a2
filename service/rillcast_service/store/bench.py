"""Bench entries: the user's own machines, materials and prices."""

from __future__ import annotations

from typing import Any

from sqlalchemy import delete, select

from rillcast_service.store.database import Database
from rillcast_service.store.tables import bench


class BenchStore:
    """The part of the store that holds bench entries, each as catalogue JSON with `kind` and `name`."""

    _database: Database

    def list_bench(self, owner: str) -> list[dict[str, Any]]:
        """All entries of this owner, by kind and name."""
        statement = select(bench.c.entry).where(bench.c.owner == owner).order_by(bench.c.kind, bench.c.name)
        with self._database.read() as connection:
            return list(connection.execute(statement).scalars())

    def get_bench(self, owner: str, kind: str, name: str) -> dict[str, Any] | None:
        """One entry of this owner, or None."""
        statement = select(bench.c.entry).where(
            bench.c.owner == owner, bench.c.kind == kind, bench.c.name == name
        )
        with self._database.read() as connection:
            entry: dict[str, Any] | None = connection.execute(statement).scalar_one_or_none()
        return entry

    def put_bench(self, owner: str, entry: dict[str, Any]) -> bool:
        """Keep an entry in place of an earlier one. Returns whether there was none before."""
        key = {"owner": owner, "kind": entry["kind"], "name": entry["name"]}
        value = {"entry": entry, "updated_at": self._database.now()}
        insert = self._database.insert(bench).values(**key, **value)
        with self._database.write() as connection:
            created = (
                connection.execute(insert.on_conflict_do_nothing().returning(bench.c.name)).first()
                is not None
            )
            if not created:
                # The row may go between the two statements, so the second inserts as well.
                connection.execute(insert.on_conflict_do_update(index_elements=list(key), set_=value))
        return created

    def delete_bench(self, owner: str, kind: str, name: str) -> bool:
        """Forget an entry, so that the shipped one holds again. Returns whether it was there."""
        statement = delete(bench).where(bench.c.owner == owner, bench.c.kind == kind, bench.c.name == name)
        with self._database.write() as connection:
            return connection.execute(statement).rowcount == 1
