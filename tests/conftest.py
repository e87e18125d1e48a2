"""Fixtures that many areas share: settings, a store, and the rule for tests that need a server."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store


def _require_env(name: str) -> str:
    """The value of a variable that names a test server.

    On a developer's machine a missing server skips the test, with the reason. In continuous integration it
    fails it: there the servers are part of the build, and a silent skip would hide that they are gone.
    """
    value = os.environ.get(name)
    if value:
        return value
    reason = f"{name} is not set: it names the server that this test talks to"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture
def require_env() -> Callable[[str], str]:
    """`require_env(name)`: a variable that names a test server; skips without it, and fails when CI=true."""
    return _require_env


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """Settings of a small installation in a folder of its own."""
    return Settings(data=tmp_path / "data", port=0, workers=1)


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    """An empty store on SQLite."""
    store = Store(settings.database_url)
    store.migrate()
    yield store
    store.close()


@pytest.fixture(scope="session")
def readers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ReaderPool]:
    """Processes that read layouts, for all tests together: they know nothing of the one that asks."""
    readers = ReaderPool(Settings(data=tmp_path_factory.mktemp("readers")))
    yield readers
    readers.close()


@pytest.fixture
def postgres_url() -> Iterator[str]:
    """URL of an empty PostgreSQL schema that is dropped afterwards."""
    from sqlalchemy import create_engine, text

    url = _require_env("RILLCAST_TEST_POSTGRES_URL")
    schema = f"rillcast_{secrets.token_hex(6)}"
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"create schema {schema}"))
    yield f"{url}{'&' if '?' in url else '?'}options=-csearch_path%3D{schema}"
    with engine.connect() as connection:
        connection.execute(text(f"drop schema {schema} cascade"))
    engine.dispose()
