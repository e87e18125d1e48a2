"""A reader for tests: the name of the layout says what it does before it reads. Runs in the process apart."""

from __future__ import annotations

import ctypes
import math
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from shapely import MultiPolygon, Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout import readers
from rillcast_service.engine.layout.model import Layer, Layout, Role


def read(data: bytes, *, name: str, **keywords: Any) -> Layout:
    """Do what the name tells, if it tells anything, and read."""
    planted = globals().get(f"do_{name}")
    layout = planted() if planted else None
    return layout or readers.read(data, name=name, **keywords)


def do_abort() -> None:
    os.abort()


def do_segfault() -> None:
    ctypes.string_at(0)


def do_leave() -> None:
    os._exit(0)


def do_raise_exit() -> None:
    sys.exit(3)


def do_sleep() -> None:
    time.sleep(600)


def do_spin() -> None:
    while True:
        pass


def do_spin_in_c() -> None:
    """Compute within one call of a library, which no thread of Python can interrupt."""
    re.match(r"(a|a)*b", "a" * 60)


def do_hang_with_helper() -> None:
    """Leave a note of a process of one's own, and hang."""
    helper = subprocess.Popen(["sleep", "600"])
    Path(os.environ["TMPDIR"], "helper").write_text(str(helper.pid))
    time.sleep(600)


def do_hog() -> None:
    kept = []
    while True:
        kept.append(bytearray(20_000_000))


def do_print() -> None:
    print("a library that prints does not spoil the answer")
    os.write(1, b"nor one that is written in C\n")


def do_print_for_ever() -> None:
    while True:
        os.write(1, b"la " * 20_000)


def do_write_for_ever() -> None:
    with tempfile.TemporaryFile() as file:
        while True:
            file.write(bytes(1_000_000))


def do_open_for_ever() -> None:
    opened = []
    while True:
        opened.append(os.open("/dev/null", os.O_RDONLY))


def do_babble() -> None:
    """Write to where the answers go."""
    for fd in range(3, 64):
        try:
            os.write(fd, b"\xff" * 64)
        except OSError:
            continue
    time.sleep(600)


def do_defect() -> None:
    raise RuntimeError("secret of the inside")


def do_refuse() -> None:
    raise LayoutInvalid(
        Fault("A fault.", "A remedy.", where="layer 'channels' at (1, 2) mm"),
        Fault("Another.", "And its remedy.", pointer="#/roles/top~1left"),
    )


def do_tell() -> Layout:
    """Tell in names of layers what the process has: its limits, environment and open files."""
    fds = os.listdir("/proc/self/fd")
    told = {
        "secrets": [name for name in os.environ if name.startswith("RILLCAST_")],
        "files": len(fds),
        "core": resource.getrlimit(resource.RLIMIT_CORE)[1],
        "session": os.getsid(0) == os.getpid(),
        "pid": os.getpid(),
    }
    square = MultiPolygon([Polygon([(0, 0), (1, 0), (1, 1)])])
    layers = tuple(Layer(f"{key}={value}", Role.CHANNELS, square) for key, value in told.items())
    return Layout("told", "svg", layers, (), None, 1.0)


def do_large() -> Layout:
    circle = [(math.cos(i), math.sin(i)) for i in range(100_000)]
    return replace(do_tell(), layers=(Layer("large", Role.CHANNELS, MultiPolygon([Polygon(circle)])),))


def do_nan() -> Layout:
    return replace(do_tell(), flattening_um=math.nan)
