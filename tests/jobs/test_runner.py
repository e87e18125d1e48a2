"""A claimed job comes to its end, whatever its calculation does."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from rillcast_service.jobs.runner import JobRunner
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Claim, QuoteRow, QuoteState


class Bench:
    """A store, a runner, and short words for what the tests do with them."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self.store, self.settings = store, settings
        self.stopping = threading.Event()
        self.runner = JobRunner(store, settings, self.stopping, lambda: None)

    def submit(self, do: str, **payload: Any) -> str:
        return self.store.add_quote("ada", request={}, payload={"do": do, **payload})[0].quote_id

    def claim(self) -> Claim:
        claim = self.store.claim("w", lease_s=self.settings.lease_s, max_attempts=3)
        assert claim is not None
        return claim

    def quote(self, quote_id: str) -> QuoteRow:
        row = self.store.get_quote("ada", quote_id)
        assert row is not None
        return row

    def run(self, do: str, **payload: Any) -> QuoteRow:
        quote_id = self.submit(do, **payload)
        self.runner.run(self.claim())
        return self.quote(quote_id)

    def run_aside(self, claim: Claim) -> threading.Thread:
        thread = threading.Thread(target=self.runner.run, args=(claim,))
        thread.start()
        return thread


@pytest.fixture
def bench(store: Store, settings: Settings) -> Iterator[Bench]:
    bench = Bench(store, settings)
    yield bench
    bench.runner.close()


def wait_for(path: Path, lines: int = 1) -> list[int]:
    """Process ids that the calculation has noted."""
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        if path.exists() and len(found := path.read_text().split()) >= lines:
            return [int(pid) for pid in found]
        time.sleep(0.02)
    raise AssertionError("the calculation did not begin")


def gone(pid: int) -> bool:
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


def test_result_and_files_are_stored(bench: Bench) -> None:
    row = bench.run("quick", number=7)
    assert (row.state, row.progress, row.result) == (QuoteState.DONE, 1.0, {"number": 7, "text": "µ ✓"})
    file = bench.store.get_artefact("ada", row.quote_id, "cast_printed_mould", "findings")
    assert file is not None
    assert (file.media_type, file.body) == ("image/svg+xml", b"<svg>\x00\xff</svg>")


def test_the_process_stays_for_the_next_job(bench: Bench, tmp_path: Path) -> None:
    log = tmp_path / "log"
    rows = [bench.run(do, log=str(log)) for do in ("quick", "refuse", "quick")]
    assert [row.state for row in rows] == [QuoteState.DONE, QuoteState.FAILED, QuoteState.DONE]
    assert len(set(wait_for(log, 3))) == 1


def test_after_a_defect_the_next_job_gets_a_fresh_process(bench: Bench, tmp_path: Path) -> None:
    log = tmp_path / "log"
    assert bench.run("defect", log=str(log)).state is QuoteState.FAILED
    assert bench.run("quick", log=str(log)).state is QuoteState.DONE
    assert len(set(wait_for(log, 2))) == 2


def test_a_process_makes_way_after_enough_jobs(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rillcast_service.jobs.runner.JOBS_PER_PROCESS", 2)
    log = tmp_path / "log"
    for _ in range(3):
        bench.run("quick", log=str(log))
    first, second, third = wait_for(log, 3)
    assert first == second != third


def test_an_input_that_cannot_be_used_fails_with_its_faults(bench: Bench) -> None:
    row = bench.run("refuse")
    assert row.state is QuoteState.FAILED
    assert row.attempts == 1
    assert row.problem == {
        "type": "/problems/request-invalid",
        "title": "The request cannot be answered",
        "status": 422,
        "detail": "the depth is missing (and 1 more)",
        "errors": [
            {"pointer": "#/depths_um", "message": "the depth is missing", "remedy": "give depths_um"},
            {"where": "layer channels, (1.0, 2.0) mm", "message": "too thin", "remedy": "thicken"},
        ],
    }


@pytest.mark.parametrize("do", ["defect", "nan", "no_such_thing", "twins"])
def test_a_defect_fails_at_once_and_tells_nothing_of_the_inside(
    bench: Bench, do: str, capfd: pytest.CaptureFixture[str]
) -> None:
    row = bench.run(do)
    assert row.state is QuoteState.FAILED
    assert row.problem is not None
    assert (row.problem["type"], row.problem["status"]) == ("/problems/calculation-failed", 500)
    assert "secret" not in str(row.problem)
    assert "Traceback" not in str(row.problem)
    if do == "defect":
        log = capfd.readouterr().err
        assert "secret of the inside" in log, "the operator finds it in the log"
        assert row.quote_id in log


def test_too_much_memory_fails_with_the_limit(bench: Bench) -> None:
    row = bench.run("hog")
    assert row.state is QuoteState.FAILED
    assert row.problem is not None
    assert row.problem["type"] == "/problems/job-memory-limit"
    assert "1000 MB" in row.problem["detail"]


def test_too_much_time_fails_and_ends_the_process(store: Store, settings: Settings, tmp_path: Path) -> None:
    bench = Bench(store, replace(settings, job_time_limit_s=1.0))
    log = tmp_path / "log"
    began = time.monotonic()
    row = bench.run("slow", seconds=60, log=str(log))
    assert time.monotonic() - began < 10
    assert row.state is QuoteState.FAILED
    assert row.problem is not None
    assert row.problem["type"] == "/problems/job-time-limit"
    assert gone(wait_for(log)[0])


def test_a_process_that_dies_hands_the_job_back_and_the_next_attempt_finishes(
    bench: Bench, tmp_path: Path
) -> None:
    row = bench.run("die_once", log=str(tmp_path / "log"))
    assert (row.state, row.attempts) == (QuoteState.QUEUED, 1)
    bench.runner.run(bench.claim())
    row = bench.quote(row.quote_id)
    assert (row.state, row.attempts) == (QuoteState.DONE, 2)


def test_a_process_that_always_dies_is_given_up(bench: Bench) -> None:
    row = bench.run("die")
    for _ in range(2):
        assert row.state is QuoteState.QUEUED
        bench.runner.run(bench.claim())
        row = bench.quote(row.quote_id)
    assert row.state is QuoteState.FAILED
    assert row.problem is not None
    assert row.problem["type"] == "/problems/job-attempts-exhausted"
    assert "3 times" in row.problem["detail"]


def test_a_calculation_that_cannot_be_imported_is_given_up(
    store: Store, settings: Settings, capfd: pytest.CaptureFixture[str]
) -> None:
    bench = Bench(store, replace(settings, compute="no_such_module:compute", job_max_attempts=1))
    row = bench.run("quick")
    assert "No module named 'no_such_module'" in capfd.readouterr().err
    assert row.state is QuoteState.FAILED
    assert row.problem is not None
    assert row.problem["type"] == "/problems/job-attempts-exhausted"


def test_the_lease_outlives_a_calculation_longer_than_it(store: Store, settings: Settings) -> None:
    bench = Bench(store, replace(settings, lease_s=1.0))
    quote_id = bench.submit("slow", seconds=2.5)
    working = bench.run_aside(bench.claim())
    while working.is_alive():
        assert store.claim("rival", lease_s=30, max_attempts=9) is None
        time.sleep(0.1)
    row = bench.quote(quote_id)
    assert (row.state, row.attempts) == (QuoteState.DONE, 1)


def test_progress_is_seen_while_the_work_goes_on(bench: Bench) -> None:
    quote_id = bench.submit("slow", seconds=2)
    working = bench.run_aside(bench.claim())
    seen: set[tuple[float, str]] = set()
    while working.is_alive():
        row = bench.quote(quote_id)
        if row.state is QuoteState.RUNNING:
            seen.add((row.progress, row.step))
        time.sleep(0.05)
    assert (0.25, "waiting") in seen


def test_cancelling_ends_the_process(bench: Bench, tmp_path: Path) -> None:
    log = tmp_path / "log"
    quote_id = bench.submit("slow", seconds=60, log=str(log))
    working = bench.run_aside(bench.claim())
    (pid,) = wait_for(log)
    bench.store.cancel_quote("ada", quote_id)
    working.join(5)
    assert not working.is_alive()
    assert gone(pid)
    assert bench.quote(quote_id).state is QuoteState.CANCELLED


def test_a_worker_asked_to_stop_hands_its_job_back_unharmed(bench: Bench, tmp_path: Path) -> None:
    log = tmp_path / "log"
    quote_id = bench.submit("slow", seconds=60, log=str(log))
    working = bench.run_aside(bench.claim())
    (pid,) = wait_for(log)
    bench.stopping.set()
    working.join(5)
    assert not working.is_alive()
    assert gone(pid)
    row = bench.quote(quote_id)
    assert (row.state, row.attempts, row.step) == (QuoteState.QUEUED, 0, "")


def test_a_job_taken_over_by_another_worker_is_dropped(bench: Bench, tmp_path: Path) -> None:
    log = tmp_path / "log"
    quote_id = bench.submit("slow", seconds=60, log=str(log))
    claim = bench.claim()
    working = bench.run_aside(claim)
    (pid,) = wait_for(log)
    bench.store.heartbeat(claim, lease_s=0.0)
    rival = bench.store.claim("rival", lease_s=30, max_attempts=3)
    assert rival is not None
    working.join(5)
    assert not working.is_alive()
    assert gone(pid)
    assert bench.store.finish(rival, result={"by": "rival"})
    assert bench.quote(quote_id).result == {"by": "rival"}


def test_a_frozen_process_is_still_ended_by_its_time_limit(
    store: Store, settings: Settings, tmp_path: Path
) -> None:
    bench = Bench(store, replace(settings, job_time_limit_s=2.0))
    log = tmp_path / "log"
    quote_id = bench.submit("slow", seconds=60, log=str(log))
    working = bench.run_aside(bench.claim())
    (pid,) = wait_for(log)
    os.kill(pid, signal.SIGSTOP)
    working.join(10)
    assert not working.is_alive()
    assert gone(pid)
    assert bench.quote(quote_id).state is QuoteState.FAILED


def test_a_database_that_is_away_for_a_moment_costs_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    finish, calls = bench.store.finish, []

    def flaky(*args: Any, **kwargs: Any) -> bool:
        calls.append(args)
        if len(calls) < 3:
            raise OperationalError("update", {}, Exception("server closed the connection"))
        return finish(*args, **kwargs)

    monkeypatch.setattr(bench.store, "finish", flaky)
    with caplog.at_level(logging.WARNING):
        row = bench.run("quick")
    assert row.state is QuoteState.DONE
    assert len(calls) == 3
    assert "the database is away" in caplog.text
