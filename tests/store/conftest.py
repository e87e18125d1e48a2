"""Every store test runs on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rillcast_service.store.repository import Store


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty database."""
    if request.param == "postgres":
        return str(request.getfixturevalue("postgres_url"))
    return f"sqlite:///{tmp_path / 'store.sqlite3'}"


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """An empty store."""
    store = Store(database_url)
    store.migrate()
    yield store
    store.close()
