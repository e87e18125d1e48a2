"""A small pool of processes that read layout files, so that no file can hurt or hold up the service."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import signal
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from rillcast_service.engine import errors
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.processes import inside
from rillcast_service.processes.outside import ChildProcess, Ended
from rillcast_service.reading.errors import (
    LayoutMemoryLimit,
    LayoutOutputLimit,
    LayoutReaderFailed,
    LayoutTimeLimit,
    ReadersBusy,
)
from rillcast_service.settings import Settings

#: A process makes way for a fresh one after so many files, so that no leak grows for ever.
FILES_PER_PROCESS = 200
#: How long a process may take to start, s.
START_S = 60.0
#: What a client is asked to wait when every reader is busy, s.
RETRY_AFTER_S = 2

#: All that a reader gets of the environment: what finds the interpreter's modules, and no secrets.
_ENVIRONMENT = re.compile(r"PATH|PYTHON\w*|LD_LIBRARY_PATH|DYLD_\w+|SYSTEMROOT|TMPDIR|TEMP|TMP|LANG|LC_\w+")

_SIMPLIFY = "Merge shapes, draw fewer vertices, or leave out what the chip does not need."

_log = logging.getLogger(__name__)


class ReadersUnusable(Exception):
    """No process that reads can be started; the log has the reason."""


class _Killed(Exception):
    """The process that read was killed from outside, or stopped since it spoke no language of ours."""


@dataclass(frozen=True, slots=True)
class _File:
    """A file to read, or a layout to correct, as the process that does it is told of it."""

    data: bytes
    header: dict[str, Any]
    doing: str = "Reading the file"

    @property
    def words(self) -> str:
        """Which file it is, for faults and the log."""
        if "media_type" not in self.header:
            return f"layout {self.header['name']!r}"
        return f"file {self.header['name']!r} ({self.header['media_type']}, {len(self.data)} bytes)"


class ReaderPool:
    """Processes that read layout files, each one file at a time. Threads may share it.

    Args:
        settings: how many, how long a file may wait for one, and the limits of each.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._seats = threading.BoundedSemaphore(settings.readers)
        # A request that waits for a reader holds a thread: half of the threads stay free for others.
        self._queue = threading.BoundedSemaphore(max(1, settings.threads // 2))
        self._lock = threading.Lock()
        self._idle: list[_Reader] = []
        self._busy: set[_Reader] = set()
        self._closed = False

    def warm(self) -> None:
        """Have a process ready, so that the first file does not wait for an interpreter and its imports."""
        with self._lock:
            if not self._closed and not self._idle and not self._busy:
                self._idle.append(_Reader(self._settings))

    def read(
        self, data: bytes, *, media_type: str, name: str, given: Mapping[str, Any], bytes_limit: int
    ) -> dict[str, Any]:
        """Read a layout file.

        Args:
            data: the file.
            media_type: says which format.
            name: of the layout, for people.
            given: options by their names in `ReadOptions`, JSON values; the catalogue's where none are given.
            bytes_limit: of the file.

        Returns:
            The layout as `engine.layout.serial.layout_to_json` writes it.

        Raises:
            EngineError: the file or the options are refused; LayoutTimeLimit, LayoutMemoryLimit,
                LayoutOutputLimit and LayoutReaderFailed when reading did not come to its own end.
            ReadersBusy: no reader came free within `read_wait_s`.
            ReadersUnusable: none can be started.
        """
        header = {
            "task": "read",
            "media_type": media_type,
            "name": name,
            "given": dict(given),
            "bytes_limit": bytes_limit,
            "time_limit_s": self._settings.read_time_limit_s,
        }
        return self._done(_File(data, header))

    def correct(self, payload: Mapping[str, Any], *, name: str) -> dict[str, Any]:
        """Correct a layout that was read, within the same limits as reading it.

        Args:
            payload: as `jobs.correcting.correct` takes it.
            name: of the layout, for people.

        Returns:
            What that function returns.

        Raises:
            EngineError, ReadersBusy, ReadersUnusable: as for `read`.
        """
        header = {"task": "correct", "name": name, "time_limit_s": self._settings.read_time_limit_s}
        data = json.dumps(payload, allow_nan=False).encode()
        return self._done(_File(data, header, doing="Correcting the layout"))

    def _done(self, file: _File) -> dict[str, Any]:
        with self._seat():
            try:
                return self._read(file)
            except _Killed:
                # By whom, and whether over this file, is not known: a second time would tell.
                _log.warning("%s: the process that read it was killed; another tries", file.words)
            try:
                return self._read(file)
            except _Killed:
                raise _failure(file) from None

    def close(self) -> None:
        """Stop every process; a file that is being read fails."""
        with self._lock:
            self._closed = True
            readers = [*self._idle, *self._busy]
            self._idle.clear()
        for reader in readers:
            reader.stop()

    def _read(self, file: _File) -> dict[str, Any]:
        with self._reader() as reader:
            return reader.read(file)

    @contextlib.contextmanager
    def _seat(self) -> Iterator[None]:
        """The right to use one reader. Raises ReadersBusy."""
        if not self._seats.acquire(blocking=False):
            if not self._queue.acquire(blocking=False):
                raise ReadersBusy(RETRY_AFTER_S)
            try:
                if not self._seats.acquire(timeout=self._settings.read_wait_s):
                    raise ReadersBusy(RETRY_AFTER_S)
            finally:
                self._queue.release()
        try:
            yield
        finally:
            self._seats.release()

    @contextlib.contextmanager
    def _reader(self) -> Iterator[_Reader]:
        """A reader for one file, which goes back among the idle ones, or makes way for a fresh one."""
        with self._lock:
            if self._closed:
                raise ReadersUnusable("the readers have been closed")
            reader = self._idle.pop() if self._idle else _Reader(self._settings)
            if not reader.alive:
                reader.stop()
                reader = _Reader(self._settings)
            self._busy.add(reader)
        try:
            yield reader
        finally:
            with self._lock:
                self._busy.discard(reader)
                fit = reader.fit and not self._closed
                if fit:
                    self._idle.append(reader)
                elif reader.came_up and not self._closed:
                    self._idle.append(_Reader(self._settings))
            if not fit:
                reader.stop()


class _Reader:
    """One process that reads."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        output_bytes = settings.read_output_mb * 1_000_000
        self._child = ChildProcess(
            "rillcast_service.reading.child",
            settings.reader,
            str(settings.read_memory_mb),
            str(output_bytes),
            environ={name: value for name, value in os.environ.items() if _ENVIRONMENT.fullmatch(name)},
            max_body=output_bytes,
            max_noise=output_bytes,
        )
        self._files = 0
        self._regular = True
        self.came_up = False

    @property
    def alive(self) -> bool:
        """Whether the process is still there."""
        return self._child.alive

    @property
    def fit(self) -> bool:
        """Whether it came to a regular end and may read another file."""
        return self._regular and self._files < FILES_PER_PROCESS

    def stop(self) -> None:
        """Kill the process, if it is still there."""
        self._child.stop()

    def read(self, file: _File) -> dict[str, Any]:
        """Read one file; see `ReaderPool.read`."""
        self._regular = False
        self._await_start()
        self._files += 1
        self._child.send(file.header, file.data)
        answer = self._child.next(self._settings.read_time_limit_s)
        match answer:
            case ({"kind": "layout"}, body):
                document: dict[str, Any] = json.loads(body)
                self._regular = True
                return document
            case ({"kind": "refused"}, body):
                refusal = _refusal(json.loads(body))
                self._regular = True
                raise refusal
            case None:
                self._too_slow(file)
            case ({"kind": "memory"}, _) | Ended(exit_code=inside.OUT_OF_MEMORY):
                limit = f"{self._settings.read_memory_mb} MB"
                _log.warning("%s: the work met its memory limit", file.words)
                raise LayoutMemoryLimit(
                    _fault(file, f"{file.doing} needs more than {limit} of memory.", "read_memory_mb")
                )
            case ({"kind": "output"}, _) | Ended(flooded=True):
                limit = f"{self._settings.read_output_mb} MB"
                _log.warning("%s: the work met its output limit", file.words)
                raise LayoutOutputLimit(
                    _fault(file, f"{file.doing} gives out more than {limit}.", "read_output_mb")
                )
            case Ended(exit_code) if exit_code == -getattr(signal, "SIGXCPU", 0) != 0:
                self._too_slow(file)
            case Ended(exit_code) if exit_code == -getattr(signal, "SIGKILL", 0) != 0:
                raise _Killed
            case Ended(exit_code):
                _log.error("%s: the process that read it ended with code %d", file.words, exit_code)
            case _:
                _log.error("%s: the reader failed", file.words)
        raise _failure(file)

    def _await_start(self) -> None:
        if self.came_up:
            return
        match self._child.next(START_S):
            case ({"kind": "ready"}, _):
                self.came_up = True
            case answer:
                raise ReadersUnusable(f"the process that reads does not start: {answer}")

    def _too_slow(self, file: _File) -> NoReturn:
        limit = f"{self._settings.read_time_limit_s:g} s"
        _log.warning("%s: the work met its time limit", file.words)
        raise LayoutTimeLimit(_fault(file, f"{file.doing} was stopped after {limit}.", "read_time_limit_s"))


def _failure(file: _File) -> LayoutReaderFailed:
    return LayoutReaderFailed(
        Fault(
            "The reader broke down on this file; the fault lies with the service.",
            "Save the drawing anew or in another format, and tell whoever runs the service, whose log "
            "holds the reason.",
            where=file.words,
        )
    )


def _fault(file: _File, message: str, setting: str) -> Fault:
    remedy = f"{_SIMPLIFY} Whoever runs the service can raise the limit ({setting})."
    return Fault(message, remedy, where=file.words)


def _refusal(told: dict[str, Any]) -> EngineError:
    """The error that the reader raised."""
    kinds: dict[str, type[EngineError]] = {
        kind.slug: kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, EngineError)
    }
    kind = kinds.get(told["slug"], EngineError)
    return kind(*(Fault(**fault) for fault in told["faults"]))
