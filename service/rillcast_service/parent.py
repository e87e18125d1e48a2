"""Ending along with the process that started this one, however that one ends."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

#: What `--with-parent` says of itself in the help of each command that has it.
WITH_PARENT_HELP = "stop when standard input is closed, as the end of the program that started it does"


def when_parent_ends(act: Callable[[], None]) -> None:
    """Do something once standard input is closed: a parent that holds its other end is then gone.

    The system closes a pipe with whoever held it, so this works after `kill -9` as well.

    Args:
        act: called in a thread of its own.
    """

    def wait() -> None:
        # Not sys.stdin: the interpreter would find it locked by this thread when it ends.
        while os.read(0, 4096):
            pass
        act()

    threading.Thread(target=wait, name="parent", daemon=True).start()
