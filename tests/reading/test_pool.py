"""Whatever a reader does, its file gets a reason, and the next file is read right."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rillcast_service.engine.errors import EngineError, Fault, LayoutInvalid, LayoutTooComplex
from rillcast_service.engine.layout.serial import layout_from_json
from rillcast_service.reading import pool as pool_module
from rillcast_service.reading.errors import (
    LayoutMemoryLimit,
    LayoutOutputLimit,
    LayoutReaderFailed,
    LayoutTimeLimit,
    ReadersBusy,
)
from rillcast_service.reading.pool import ReaderPool, ReadersUnusable

CHIP = b"""<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
<g id="channels"><rect x="5" y="9.9" width="20" height="0.2"/></g></svg>"""


def read(pool: ReaderPool, name: str = "chip", data: bytes = CHIP, **given: Any) -> dict[str, Any]:
    return pool.read(data, media_type="image/svg+xml", name=name, given=given, bytes_limit=1_000_000)


def refusal(pool: ReaderPool, name: str, **keywords: Any) -> EngineError:
    with pytest.raises(EngineError) as caught:
        read(pool, name, **keywords)
    return caught.value


def told(pool: ReaderPool) -> dict[str, str]:
    """What the process that reads says of itself."""
    return dict(layer["name"].split("=", 1) for layer in read(pool, "tell")["layers"])


def gone(pid: int) -> bool:
    """Whether a process has ended, or only waits to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def logged(caplog: pytest.LogCaptureFixture, words: str) -> bool:
    """Whether the log holds some words, or soon does: what a process says comes in its own time."""
    deadline = time.monotonic() + 5.0
    while words not in caplog.text and time.monotonic() < deadline:
        time.sleep(0.02)
    return words in caplog.text


def aside(*calls: Callable[[], Any]) -> list[threading.Thread]:
    threads = [threading.Thread(target=call) for call in calls]
    for thread in threads:
        thread.start()
    return threads


class TestRegularEnds:
    def test_a_layout_comes_out_as_it_was_read(self, pool: ReaderPool) -> None:
        layout = layout_from_json(read(pool, depths_um={"channels": 120}))
        assert layout.channel_layers[0].geometry.area == pytest.approx(4.0)
        assert layout.channel_layers[0].depth_um == 120.0

    def test_a_refusal_comes_out_with_its_class_and_every_fault(self, pool: ReaderPool) -> None:
        refused = refusal(pool, "refuse")
        assert type(refused) is LayoutInvalid
        assert refused.faults == (
            Fault("A fault.", "A remedy.", where="layer 'channels' at (1, 2) mm"),
            Fault("Another.", "And its remedy.", pointer="#/roles/top~1left"),
        )

    def test_options_and_limits_get_there(self, pool: ReaderPool) -> None:
        assert refusal(pool, "chip", roles={"a": "plumbing"}).faults[0].pointer == "#/roles/a"
        assert refusal(pool, "chip", leave=["everything"]).faults[0].pointer == "#/leave"
        with pytest.raises(LayoutTooComplex, match="bytes"):
            pool.read(CHIP, media_type="image/svg+xml", name="x", given={}, bytes_limit=10)

    def test_what_a_library_prints_does_not_spoil_the_answer(
        self, pool: ReaderPool, caplog: pytest.LogCaptureFixture
    ) -> None:
        assert read(pool, "print")["layers"]
        assert logged(caplog, "does not spoil the answer")

    def test_a_process_reads_many_files_and_then_makes_way(
        self, make_pool: Callable[..., ReaderPool], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(pool_module, "FILES_PER_PROCESS", 2)
        pool = make_pool()
        first, second, third = (told(pool)["pid"] for _ in range(3))
        assert first == second != third
        assert gone(int(first))

    def test_the_process_has_no_secrets_no_open_files_and_a_session_of_its_own(
        self, pool: ReaderPool
    ) -> None:
        with open(os.devnull) as inherited:
            os.set_inheritable(inherited.fileno(), True)
            says = told(pool)
        assert says["secrets"] == "[]"
        assert int(says["files"]) <= 5, "standard input, output, error, the answers, and the list itself"
        assert says["core"] == "0"
        assert says["session"] == "True"


#: What a reader may do → how its file is refused, and what the refusal names.
PLANTED = {
    "abort": (LayoutReaderFailed, "the fault lies with the service"),
    "segfault": (LayoutReaderFailed, "the fault lies with the service"),
    "leave": (LayoutReaderFailed, "the fault lies with the service"),
    "raise_exit": (LayoutReaderFailed, "the fault lies with the service"),
    "babble": (LayoutReaderFailed, "the fault lies with the service"),
    "defect": (LayoutReaderFailed, "the fault lies with the service"),
    "nan": (LayoutReaderFailed, "the fault lies with the service"),
    "write_for_ever": (LayoutReaderFailed, "the fault lies with the service"),
    "open_for_ever": (LayoutReaderFailed, "the fault lies with the service"),
    "sleep": (LayoutTimeLimit, "1.5 s"),
    "spin": (LayoutTimeLimit, "1.5 s"),
    "spin_in_c": (LayoutTimeLimit, "1.5 s"),
    "hog": (LayoutMemoryLimit, "600 MB"),
    "print_for_ever": (LayoutOutputLimit, "2 MB"),
    "large": (LayoutOutputLimit, "2 MB"),
}


class TestIrregularEnds:
    @pytest.mark.parametrize("name", PLANTED)
    def test_the_file_is_refused_with_the_reason_and_the_next_one_is_read_right(
        self, pool: ReaderPool, name: str
    ) -> None:
        before = read(pool)
        began = time.monotonic()
        refused = refusal(pool, name)
        assert time.monotonic() - began < 10.0
        kind, says = PLANTED[name]
        assert type(refused) is kind
        (fault,) = refused.faults
        assert says in fault.message
        assert fault.where == f"file {name!r} (image/svg+xml, {len(CHIP)} bytes)"
        assert fault.remedy.endswith(".")
        assert "secret" not in f"{fault}"
        assert read(pool) == before

    def test_the_operator_finds_a_defect_in_the_log(
        self, pool: ReaderPool, caplog: pytest.LogCaptureFixture
    ) -> None:
        refusal(pool, "defect")
        assert logged(caplog, "secret of the inside")
        assert logged(caplog, "file 'defect'")

    def test_what_a_reader_started_ends_with_it(self, pool: ReaderPool) -> None:
        assert type(refusal(pool, "hang_with_helper")) is LayoutTimeLimit
        helper = int(Path(os.environ["TMPDIR"], "helper").read_text())
        deadline = time.monotonic() + 5.0
        while not gone(helper) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert gone(helper)

    def test_a_frozen_process_is_ended_by_the_time_limit(self, pool: ReaderPool) -> None:
        pid = int(told(pool)["pid"])
        os.kill(pid, signal.SIGSTOP)
        assert type(refusal(pool, "chip")) is LayoutTimeLimit
        assert gone(pid)
        assert read(pool)["layers"]

    def test_a_process_that_is_killed_while_it_waits_costs_nothing(self, pool: ReaderPool) -> None:
        pid = int(told(pool)["pid"])
        os.kill(pid, signal.SIGKILL)
        while not gone(pid):
            time.sleep(0.01)
        assert read(pool)["layers"]

    def test_a_file_too_large_for_the_memory_limit_is_refused_as_such(self, pool: ReaderPool) -> None:
        # It does not fit in the process, so the reader never sees it.
        assert type(refusal(pool, "chip", data=bytes(700_000_000))) is LayoutMemoryLimit

    def test_a_reader_that_cannot_be_imported_is_no_fault_of_the_file(
        self, make_pool: Callable[..., ReaderPool]
    ) -> None:
        with pytest.raises(ReadersUnusable):
            read(make_pool(reader="no_such_module:read"))


class TestSharing:
    def test_files_are_read_side_by_side(self, make_pool: Callable[..., ReaderPool]) -> None:
        pool = make_pool(readers=2, threads=12)
        pids: list[str] = []
        threads = aside(*[lambda: pids.append(told(pool)["pid"])] * 8)
        for thread in threads:
            thread.join()
        assert len(pids) == 8, "those that find both readers busy wait for one"
        assert len(set(pids)) <= 2

    def test_the_wait_for_a_reader_is_bounded(self, make_pool: Callable[..., ReaderPool]) -> None:
        pool = make_pool(read_wait_s=0.3)
        read(pool)
        (hanging,) = aside(lambda: refusal(pool, "sleep"))
        time.sleep(0.2)
        began = time.monotonic()
        with pytest.raises(ReadersBusy):
            read(pool)
        assert 0.2 < time.monotonic() - began < 1.7
        hanging.join()
        assert read(pool)["layers"]

    def test_so_is_the_number_of_those_who_wait(self, make_pool: Callable[..., ReaderPool]) -> None:
        pool = make_pool(threads=2)  # one may wait
        read(pool)
        (hanging,) = aside(lambda: refusal(pool, "sleep"))
        time.sleep(0.2)
        (waiting,) = aside(lambda: read(pool))
        time.sleep(0.1)
        began = time.monotonic()
        with pytest.raises(ReadersBusy):
            read(pool)
        assert time.monotonic() - began < 1.5
        hanging.join()
        waiting.join()

    def test_closing_ends_every_process_and_what_they_read(
        self, make_pool: Callable[..., ReaderPool]
    ) -> None:
        pool = make_pool(read_time_limit_s=60.0)
        pid = int(told(pool)["pid"])
        ends: list[BaseException] = []

        def reading_aside() -> None:
            try:
                read(pool, "sleep")
            except ReadersUnusable as end:
                ends.append(end)

        (reading,) = aside(reading_aside)
        time.sleep(0.2)
        pool.close()
        reading.join(5.0)
        assert len(ends) == 1
        assert gone(pid)
        with pytest.raises(ReadersUnusable):
            read(pool)
