"""What a child process does at its start: keep its output for frames, take limits, listen for questions."""

from __future__ import annotations

import importlib
import os
import queue
import sys
import threading
from collections.abc import Callable
from typing import Any, BinaryIO

from rillcast_service.processes.frames import Frame, FrameError, read_frame


def take_stdout() -> BinaryIO:
    """Standard output for frames alone; whatever a library prints goes to standard error."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
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
    os._exit(0)


def limit_memory(memory_mb: int) -> None:
    """Hold this process within an address space, MB, and let it leave no memory image when it dies.

    Systems without POSIX resource limits have neither; there a process is held by its time limit alone.
    """
    try:
        import resource
    except ImportError:
        return
    limit = memory_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def imported(entry: str) -> Callable[..., Any]:
    """The function that `module:function` names."""
    module, _, name = entry.partition(":")
    function: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return function
