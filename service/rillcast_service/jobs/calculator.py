"""The worker's side of the process that calculates: what it is asked and what its answers mean."""

from __future__ import annotations

import json
import logging
import time
from dataclasses import dataclass
from typing import Any

from rillcast_service.processes.frames import FrameError
from rillcast_service.processes.outside import ChildProcess, Ended
from rillcast_service.store.rows import Artefact

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
        self._child = ChildProcess("rillcast_service.jobs.child", compute, str(memory_mb))
        self._files: list[Artefact] = []
        self.jobs_begun = 0

    @property
    def pid(self) -> int:
        """Process id."""
        return self._child.pid

    @property
    def alive(self) -> bool:
        """Whether the process is still there."""
        return self._child.alive

    def begin(self, quote_id: str, payload: dict[str, Any]) -> None:
        """Hand over a job; its events follow. The one before must have ended with an answer."""
        self.jobs_begun += 1
        self._files.clear()
        self._child.send({"quote_id": quote_id}, json.dumps(payload).encode())

    def next(self, timeout_s: float) -> Event | None:
        """The next event, or None when there is none within `timeout_s`."""
        deadline = time.monotonic() + timeout_s
        while True:
            heard = self._child.next(deadline - time.monotonic())
            if heard is None:
                return None
            if isinstance(heard, Ended):
                return Died(heard.exit_code)
            try:
                event = self._event(*heard)
            except (FrameError, KeyError, ValueError) as fault:
                _log.error("process %d does not speak our language: %s", self.pid, fault)
                self.stop()
                continue  # what comes next is its end
            if event is not None:
                return event

    def stop(self) -> None:
        """Kill the process, if it is still there, and wait until it is gone."""
        self._child.stop()

    def _event(self, header: dict[str, Any], body: bytes) -> Event | None:
        """What a message means; None for a file, which is kept until the result comes."""
        match header.get("kind"):
            case "artefact":
                self._files.append(Artefact(header["route"], header["name"], header["media_type"], body))
                return None
            case "progress":
                return Progress(header["progress"], header["step"])
            case "result":
                return Answer(json.loads(body), tuple(self._files))
            case "problem":
                return Refused(json.loads(body))
            case "memory":
                return OutOfMemory()
            case "defect":
                return Defect()
            case kind:
                raise FrameError(f"a message of unknown kind {kind!r}")
