"""The parent's side of a child process: start it, send it questions, hear its answers, stop it."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, BinaryIO, cast

from rillcast_service.processes.frames import (
    MAX_BODY,
    Frame,
    FrameError,
    FrameTooLong,
    read_frame,
    write_frame,
)

#: One child uses one core: several run side by side, and threads would only fight for the cores.
_ONE_CORE = {
    f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "BLIS", "VECLIB_MAXIMUM")
}

#: How long a process may take to end after it has closed its side, s.
_LAST_WORDS_S = 2.0
#: How much of a watched process's standard error gets into the log, bytes.
_LOGGED_BYTES = 20_000

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Ended:
    """The process is gone.

    Args:
        exit_code: negative for a signal.
        flooded: it was stopped because it said more than it may.
    """

    exit_code: int
    flooded: bool = False


class ChildProcess:
    """A Python process of our own that answers frames with frames.

    Args:
        module: run as `python -m`.
        arguments: of the command.
        environ: its environment; that of this process when None.
        max_body: longest body of an answer, bytes.
        max_noise: how much it may write to standard error, bytes, of which the beginning goes to the log;
            None: its standard error is this process's own.
    """

    def __init__(
        self,
        module: str,
        *arguments: str,
        environ: Mapping[str, str] | None = None,
        max_body: int = MAX_BODY,
        max_noise: int | None = None,
    ) -> None:
        # A session of its own: Ctrl-C at the terminal is for the parent, which then stops this process.
        self._process = subprocess.Popen(  # noqa: S603 (our own interpreter and module)
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=None if max_noise is None else subprocess.PIPE,
            env={**(os.environ if environ is None else environ), **_ONE_CORE},
            start_new_session=True,
        )
        self._questions = cast(BinaryIO, self._process.stdin)
        self._answers = cast(BinaryIO, self._process.stdout)
        self._heard: queue.SimpleQueue[Frame | Ended] = queue.SimpleQueue()
        self._max_body = max_body
        self._flooded = False
        if max_noise is not None:
            noise = cast(BinaryIO, self._process.stderr)
            threading.Thread(target=self._drain, args=(noise, max_noise), daemon=True).start()
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether the process is still there."""
        return self._process.poll() is None

    def send(self, header: dict[str, Any], body: bytes = b"") -> None:
        """Ask something; the answers follow.

        In a thread: a long body fills the pipe, and the parent must not wait for a stuck process.
        """
        threading.Thread(target=self._send, args=(header, body), daemon=True).start()

    def next(self, timeout_s: float) -> Frame | Ended | None:
        """The next answer, or that the process has ended; None when neither comes within `timeout_s`."""
        try:
            return self._heard.get(timeout=max(timeout_s, 0.0))
        except queue.Empty:
            return None

    def stop(self) -> None:
        """Kill the process with all that it has started, and wait until it is gone."""
        self._kill()
        self._process.wait()

    def _kill(self) -> None:
        if self._process.poll() is not None:
            return  # and its number may be another's by now
        if hasattr(os, "killpg"):
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self._process.pid, signal.SIGKILL)
        self._process.kill()

    def _send(self, header: dict[str, Any], body: bytes) -> None:
        # A broken or closed pipe: the process has died, which the listener tells.
        with contextlib.suppress(OSError, ValueError):
            write_frame(self._questions, header, body)

    def _listen(self) -> None:
        """Pass on frames until the process ends."""
        try:
            while (frame := read_frame(self._answers, max_body=self._max_body)) is not None:
                self._heard.put(frame)
            # It has closed its side, so it is about to end; its own exit code says more than ours would.
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_LAST_WORDS_S)
        except FrameTooLong as fault:
            self._flooded = True
            _log.error("process %d says too much: %s", self.pid, fault)
        except FrameError as fault:
            _log.error("process %d does not speak our language: %s", self.pid, fault)
        self._kill()
        self._heard.put(Ended(self._process.wait(), self._flooded))
        self._answers.close()
        with contextlib.suppress(OSError):
            self._questions.close()

    def _drain(self, noise: BinaryIO, limit: int) -> None:
        """Log the beginning of what the process writes to standard error, and end it if that has no end."""
        told = count = 0
        with noise:
            while chunk := os.read(noise.fileno(), 65536):
                count += len(chunk)
                if count > limit:
                    self._flooded = True
                    self._kill()
                    return
                if told < _LOGGED_BYTES:
                    for line in chunk[: _LOGGED_BYTES - told].decode(errors="replace").splitlines():
                        # %r: what a file makes a library print must not look like a line of the log.
                        _log.warning("process %d: %r", self.pid, line)
                    told += len(chunk)
