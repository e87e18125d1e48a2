"""Processes of the service, started as an operator would and always ended."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import QuoteRow

FAKE_COMPUTE = Path(__file__).parent.parent / "jobs"


def until(condition: Callable[[], Any], what: str, within_s: float = 20.0) -> Any:
    """Wait for something to come true, and return it."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if found := condition():
            return found
        time.sleep(0.02)
    raise AssertionError(f"not within {within_s:g} s: {what}")


def alive(pid: int) -> bool:
    """Whether a process is there and not just waiting to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def children(pid: int) -> list[int]:
    """The living children of a process."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, parent = stat.read_text().rpartition(")")[2].split()[:2]
        except (FileNotFoundError, ProcessLookupError):
            continue
        if int(parent) == pid and state != "Z":
            found.append(int(stat.parent.name))
    return found


class Installation:
    """One data folder with the processes that work on it.

    Args:
        folder: for the database and the notes of the calculation.
        database_url: another database than SQLite in the folder.
    """

    def __init__(self, folder: Path, database_url: str = "", **changes: Any) -> None:
        self.folder = folder
        self.settings = Settings(
            data=folder,
            port=0,
            workers=1,
            database_url=database_url,
            compute="fake_compute:compute",
            **({"lease_s": 1.0} | changes),
        )
        self.store = Store(self.settings.database_url)
        self.store.migrate()
        self._processes: list[subprocess.Popen[bytes]] = []

    until = staticmethod(until)
    alive = staticmethod(alive)
    children = staticmethod(children)

    def start(self, module: str, *arguments: str) -> subprocess.Popen[bytes]:
        """Start `python -m rillcast_service.MODULE`."""
        paths = os.pathsep.join([str(FAKE_COMPUTE), os.environ.get("PYTHONPATH", "")])
        environ = {**os.environ, **self.settings.to_environment(), "PYTHONPATH": paths}
        process = subprocess.Popen(
            [sys.executable, "-m", f"rillcast_service.{module}", *arguments], env=environ
        )
        self._processes.append(process)
        return process

    def worker(self) -> subprocess.Popen[bytes]:
        """Start a worker."""
        return self.start("jobs.worker")

    def serve(self) -> tuple[subprocess.Popen[bytes], str]:
        """Start the service. Returns its process and its address."""
        ready = self.folder / "ready.json"
        ready.unlink(missing_ok=True)
        process = self.start("serve", "--ready-file", str(ready))
        until(lambda: ready.exists() or process.poll() is not None, "the service is up")
        assert process.poll() is None
        return process, json.loads(ready.read_text())["url"]

    def freeze(self, process: subprocess.Popen[bytes]) -> None:
        """Stop a process as SIGSTOP does, at a moment when it is not writing to the database.

        A process that is frozen within a transaction keeps its locks; that is another story.
        """
        engine = self.store._database.engine
        probe = (
            "BEGIN IMMEDIATE" if engine.dialect.name == "sqlite" else "select 1 from quotes for update nowait"
        )

        def caught() -> bool:
            process.send_signal(signal.SIGSTOP)
            connection = engine.raw_connection()
            cursor = connection.cursor()
            try:
                if engine.dialect.name == "sqlite":
                    cursor.execute("PRAGMA busy_timeout=0")
                cursor.execute(probe)
            except (sqlite3.OperationalError, psycopg.errors.LockNotAvailable):
                process.send_signal(signal.SIGCONT)
                return False
            finally:
                connection.rollback()
                connection.invalidate()
            return True

        until(caught, "the process is between two writes")

    def submit(self, do: str, **payload: Any) -> str:
        """Ask for a quote whose calculation does something; it notes its process id."""
        payload = {"do": do, "log": str(self.folder / "calculations"), **payload}
        return self.store.add_quote("ada", request={}, payload=payload)[0].quote_id

    def calculations(self) -> list[int]:
        """Process ids of the calculations so far, in order."""
        log = self.folder / "calculations"
        return [int(pid) for pid in log.read_text().split()] if log.exists() else []

    def began(self, number: int = 1) -> int:
        """Wait until so many calculations have begun; the process id of the last of them."""
        until(lambda: len(self.calculations()) >= number, f"calculation {number} begins")
        return self.calculations()[number - 1]

    def final(self, quote_id: str, within_s: float = 20.0) -> QuoteRow:
        """Wait for the end of a quote."""

        def ended() -> bool:
            state = self.store.quote_state("ada", quote_id)
            return state is not None and state.final

        until(ended, f"{quote_id} is final", within_s)
        return self.quote(quote_id)

    def quote(self, quote_id: str) -> QuoteRow:
        """A quote as it stands."""
        row = self.store.get_quote("ada", quote_id)
        assert row is not None
        return row

    def close(self) -> None:
        """End what is still running."""
        for process in self._processes:
            if process.poll() is None:
                # A frozen process would not hear anything else.
                process.send_signal(signal.SIGCONT)
                process.terminate()
        for process in self._processes:
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self.store.close()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def installation(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Installation]:
    """An installation on each kind of database, with a lease of one second."""
    url = request.getfixturevalue("postgres_url") if request.param == "postgres" else ""
    installation = Installation(tmp_path, url)
    yield installation
    installation.close()
