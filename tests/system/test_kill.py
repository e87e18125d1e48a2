"""Whatever is killed or frozen, no quote is lost and none is written twice."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from rillcast_service.store.rows import QuoteState

RESULT = {"number": 0, "text": "µ ✓"}


def test_a_killed_worker_leaves_its_job_to_another(installation: Any) -> None:
    first = installation.worker()
    quote_id = installation.submit("slow", seconds=3)
    calculation = installation.began()
    first.kill()
    first.wait()
    installation.until(lambda: not installation.alive(calculation), "its calculation ends with it")
    installation.worker()
    row = installation.final(quote_id)
    assert (row.state, row.attempts, row.result) == (QuoteState.DONE, 2, RESULT)


def test_a_killed_calculation_is_begun_again_by_its_worker(installation: Any) -> None:
    worker = installation.worker()
    quote_id = installation.submit("slow", seconds=1.5)
    os.kill(installation.began(), signal.SIGKILL)
    row = installation.final(quote_id)
    assert (row.state, row.attempts, row.result) == (QuoteState.DONE, 2, RESULT)
    assert worker.poll() is None, "the worker itself was not hurt"


def test_a_worker_frozen_beyond_its_lease_writes_nothing_when_it_wakes(installation: Any) -> None:
    frozen = installation.worker()
    quote_id = installation.submit("slow", seconds=1.5)
    installation.began()
    installation.freeze(frozen)
    installation.worker()
    done = installation.final(quote_id)
    assert (done.state, done.attempts, done.result) == (QuoteState.DONE, 2, RESULT)
    # The calculation of the frozen worker has long been ready by now, and waits to be written.
    frozen.send_signal(signal.SIGCONT)
    time.sleep(1.0)
    assert installation.quote(quote_id) == done
    assert frozen.poll() is None
    assert len(installation.store.list_artefacts("ada", quote_id)) == 1


def test_a_job_that_kills_whatever_runs_it_is_given_up_and_others_go_on(installation: Any) -> None:
    installation.worker()
    poison, harmless = installation.submit("die"), installation.submit("quick")
    assert installation.final(harmless).state is QuoteState.DONE
    row = installation.final(poison)
    assert (row.state, row.attempts) == (QuoteState.FAILED, 3)
    assert row.problem["type"] == "/problems/job-attempts-exhausted"


def test_a_worker_told_to_stop_hands_back_its_job_at_once(installation: Any) -> None:
    first = installation.worker()
    quote_id = installation.submit("slow", seconds=2)
    calculation = installation.began()
    first.terminate()
    assert first.wait(5) == 0
    assert not installation.alive(calculation)
    assert installation.quote(quote_id).state is QuoteState.QUEUED
    installation.worker()
    row = installation.final(quote_id)
    assert (row.state, row.attempts) == (QuoteState.DONE, 1), "it cost no attempt"


def test_workers_killed_again_and_again_finish_every_job_once(installation: Any) -> None:
    """Twenty jobs, two workers, four kills at moments drawn from a fixed seed."""
    moments = random.Random(20)
    numbers = range(20)
    quote_ids = [installation.submit("slow", seconds=0.15, number=number) for number in numbers]
    workers = [installation.worker(), installation.worker()]
    installation.began()
    for kill in range(4):
        time.sleep(moments.uniform(0.2, 0.8))
        workers[kill % 2].kill()
        workers[kill % 2].wait()
        workers[kill % 2] = installation.worker()
    rows = [installation.final(quote_id, within_s=30) for quote_id in quote_ids]
    assert [row.state for row in rows] == [QuoteState.DONE] * 20
    assert [row.result["number"] for row in rows] == list(numbers)
    assert all(len(installation.store.list_artefacts("ada", quote_id)) == 1 for quote_id in quote_ids)


def workers_of(installation: Any, service: int) -> list[int]:
    """The workers among the processes of a service."""
    return [pid for pid in installation.children(service) if not runs_a_reader(pid)]


def runs_a_reader(pid: int) -> bool:
    """Whether a process reads layouts, and is no worker."""
    return b"rillcast_service.reading" in Path(f"/proc/{pid}/cmdline").read_bytes()


@pytest.mark.parametrize("victim", ["worker", "service"])
def test_the_whole_service_survives_a_kill(installation: Any, victim: str) -> None:
    service, _ = installation.serve()
    (worker,) = workers_of(installation, service.pid)
    (reader,) = set(installation.children(service.pid)) - {worker}
    quote_id = installation.submit("slow", seconds=2)
    calculation = installation.began()
    if victim == "worker":
        os.kill(worker, signal.SIGKILL)
    else:
        service.kill()
        service.wait()
        installation.until(lambda: not installation.alive(worker), "the worker stops with its service")
        installation.until(lambda: not installation.alive(reader), "so does the reader of layouts")
        installation.serve()
    installation.until(lambda: not installation.alive(calculation), "the calculation ends as well")
    row = installation.final(quote_id)
    assert (row.state, row.result) == (QuoteState.DONE, RESULT)


def test_a_killed_command_leaves_no_service_behind(installation: Any, tmp_path: Path) -> None:
    """`kill -9` gives the command no chance to stop the service that it had started for itself."""
    environ = {**os.environ, "TMPDIR": str(tmp_path)}
    command = [sys.executable, "-m", "rillcast", "demo", "--out", str(tmp_path / "out")]
    with subprocess.Popen(command, env=environ, stderr=subprocess.DEVNULL) as demo:
        try:
            (service,) = installation.until(lambda: installation.children(demo.pid), "its service starts")
            worker = installation.until(lambda: workers_of(installation, service), "a worker starts")[0]
            (calculation,) = installation.until(lambda: installation.children(worker), "it has a process")
        finally:
            demo.kill()
    for pid, what in ((service, "service"), (worker, "worker"), (calculation, "calculation")):
        installation.until(lambda pid=pid: not installation.alive(pid), f"the {what} ends as well")


def test_a_service_with_its_parent_ends_in_order_when_its_input_is_closed(tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "rillcast_service.serve",
        "--with-parent",
        "--port",
        "0",
        "--workers",
        "1",
    ]
    command += ["--data", str(tmp_path), "--ready-file", str(tmp_path / "ready.json")]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as service:
        deadline = time.monotonic() + 20
        while not (tmp_path / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        assert service.poll() is None
        assert service.stdin is not None
        service.stdin.close()
        assert service.wait(15) == 0
