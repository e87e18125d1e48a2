"""What a child process does at its start: keep its output for frames, take limits, listen for questions."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import math
import os
import queue
import sys
import threading
from collections.abc import Callable
from typing import Any, BinaryIO

from rillcast_service.processes.frames import Frame, FrameError, read_frame

#: Exit code of a process that could not even take in its question.
OUT_OF_MEMORY = errno.ENOMEM


def take_stdout() -> BinaryIO:
    """Standard output for frames alone; whatever a library prints goes to standard error."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(line_buffering=True)  # or it would be told when the process ends, if ever
    return answers


def listen() -> queue.SimpleQueue[Frame]:
    """Take in questions in a thread, and end the process when there can be no more.

    The parent keeps its end of standard input open for as long as it lives, so the end of it is ours,
    whatever this process is doing just then.
    """
    questions: queue.SimpleQueue[Frame] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, questions), daemon=True).start()
    return questions


def _listen(stream: BinaryIO, questions: queue.SimpleQueue[Frame]) -> None:
    try:
        while (frame := read_frame(stream)) is not None:
            questions.put(frame)
    except FrameError:
        pass
    except MemoryError:
        os._exit(OUT_OF_MEMORY)
    os._exit(0)


# Systems without POSIX resource limits have no limits of memory, files and processor time; there a process
# is held by the time that its parent waits for it, and by how much it may say.
with contextlib.suppress(ImportError):
    import resource


def limit_memory(memory_mb: int) -> None:
    """Hold this process within an address space, MB, and let it leave no memory image when it dies."""
    if not _limited():
        return
    limit = memory_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def limit_time(seconds: float) -> None:
    """End this process by SIGXCPU after so much more processor time, s, be its parent there or not."""
    if _limited():
        used = resource.getrusage(resource.RUSAGE_SELF)
        _soft_limit(resource.RLIMIT_CPU, math.ceil(used.ru_utime + used.ru_stime + seconds))


def limit_files(*, size_bytes: int, open_files: int) -> None:
    """Let this process write no file larger than `size_bytes` and hold no more than `open_files` open."""
    if _limited():
        _soft_limit(resource.RLIMIT_FSIZE, size_bytes)
        _soft_limit(resource.RLIMIT_NOFILE, open_files)


def _limited() -> bool:
    return "resource" in globals()


def _soft_limit(kind: int, limit: int) -> None:
    """Set a limit anew: the hard one stays, so that the next file can have another."""
    hard = resource.getrlimit(kind)[1]
    resource.setrlimit(kind, (limit if hard == resource.RLIM_INFINITY else min(limit, hard), hard))


def imported(entry: str) -> Callable[..., Any]:
    """The function that `module:function` names."""
    module, _, name = entry.partition(":")
    function: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return function
