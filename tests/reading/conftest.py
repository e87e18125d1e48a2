"""Readers with tight limits, whose reader does what the name of the layout says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings

#: What a process that reads must not get to see.
SECRET = "postgresql+psycopg://rillcast:secret@db/rillcast"

MakePool = Callable[..., ReaderPool]


@pytest.fixture(scope="module")
def make_pool(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakePool]:
    """Makes pools of one reader, 1.5 s, 600 MB and 2 MB of output unless told otherwise."""
    pools = []
    folder = tmp_path_factory.mktemp("reading")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(Path(__file__).parent))
        patch.setenv("TMPDIR", str(folder))
        patch.setenv("RILLCAST_DATABASE_URL", SECRET)

        def make(**changes: Any) -> ReaderPool:
            tight = {"read_time_limit_s": 1.5, "read_memory_mb": 600, "read_output_mb": 2, "readers": 1}
            settings = {"data": folder, "reader": "fake_reader:read"} | tight | changes
            pools.append(ReaderPool(Settings(**settings)))
            return pools[-1]

        yield make
        for pool in pools:
            pool.close()


@pytest.fixture(scope="module")
def pool(make_pool: MakePool) -> ReaderPool:
    """One pool for a module: what one test does to it, the next one must not notice."""
    return make_pool()
