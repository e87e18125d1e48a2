"""The worker's side of the process that calculates: start it, listen to it, stop it."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import Any, BinaryIO, cast

from rillcast_service.jobs.frames import FrameError, read_frame, write_frame
from rillcast_service.store.rows import Artefact

#: One calculation uses one core: several run side by side, and threads would only fight for the cores.
_ONE_CORE = {
    f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "BLIS", "VECLIB_MAXIMUM")
}

#: How long a process may take to end after it has closed its side, s.
_LAST_WORDS_S = 2.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the calculation is (0..1), and what it does."""

    progress: float
    step: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The calculation is done."""

    result: dict[str, Any]
    files: tuple[Artefact, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """The input cannot be used; `problem` says why."""

    problem: dict[str, Any]


@dataclass(frozen=True, slots=True)
class OutOfMemory:
    """The calculation met its memory limit."""


@dataclass(frozen=True, slots=True)
class Defect:
    """The calculation raised what it should not; the log has it."""


@dataclass(frozen=True, slots=True)
class Died:
    """The process ended without an answer; `exit_code` is negative for a signal."""

    exit_code: int


Event = Progress | Answer | Refused | OutOfMemory | Defect | Died


class Calculator:
    """A process that calculates, one job after another.

    Args:
        compute: `module:function` to call.
        memory_mb: address space of the process, MB.
    """

    def __init__(self, compute: str, *, memory_mb: int) -> None:
        # A session of its own: Ctrl-C at the terminal is for the worker, which then stops this process.
        self._process = subprocess.Popen(  # noqa: S603 (our own interpreter and module)
            [sys.executable, "-m", "rillcast_service.jobs.child", compute, str(memory_mb)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **_ONE_CORE},
            start_new_session=True,
        )
        self._questions = cast(BinaryIO, self._process.stdin)
        self._answers = cast(BinaryIO, self._process.stdout)
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.jobs_begun = 0
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether the process is still there."""
        return self._process.poll() is None

    def begin(self, quote_id: str, payload: dict[str, Any]) -> None:
        """Hand over a job; its events follow. The one before must have ended with an answer."""
        self.jobs_begun += 1
        # In a thread: a long payload fills the pipe, and the worker must not wait for a stuck process.
        threading.Thread(target=self._send, args=(quote_id, payload), daemon=True).start()

    def next(self, timeout_s: float) -> Event | None:
        """The next event, or None when there is none within `timeout_s`."""
        try:
            return self._events.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def stop(self) -> None:
        """Kill the process, if it is still there, and wait until it is gone."""
        self._process.kill()
        self._process.wait()

    def _send(self, quote_id: str, payload: dict[str, Any]) -> None:
        # A broken pipe: the process has died, which the listener tells.
        with contextlib.suppress(OSError):
            write_frame(self._questions, {"quote_id": quote_id}, json.dumps(payload).encode())

    def _listen(self) -> None:
        """Turn frames into events until the process ends."""
        files: list[Artefact] = []
        try:
            while (frame := read_frame(self._answers)) is not None:
                header, body = frame
                if header.get("kind") == "artefact":
                    files.append(Artefact(header["route"], header["name"], header["media_type"], body))
                else:
                    self._events.put(_event(header, body, tuple(files)))
                    if header["kind"] != "progress":
                        files.clear()
            # It has closed its side, so it is about to end; its own exit code says more than ours would.
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_LAST_WORDS_S)
        except (FrameError, KeyError, ValueError) as fault:
            _log.error("process %d does not speak our language: %s", self.pid, fault)
        self._process.kill()
        self._events.put(Died(self._process.wait()))
        self._answers.close()
        with contextlib.suppress(OSError):
            self._questions.close()


def _event(header: dict[str, Any], body: bytes, files: tuple[Artefact, ...]) -> Event:
    match header.get("kind"):
        case "progress":
            return Progress(header["progress"], header["step"])
        case "result":
            return Answer(json.loads(body), files)
        case "problem":
            return Refused(json.loads(body))
        case "memory":
            return OutOfMemory()
        case "defect":
            return Defect()
        case kind:
            raise FrameError(f"a message of unknown kind {kind!r}")
