"""A calculation for tests: the payload says what it does. Runs in the process that calculates."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.store.rows import Artefact


@dataclass(frozen=True)
class Computed:
    """What the real calculation returns."""

    result: dict[str, Any]
    artefacts: tuple[Artefact, ...]


def compute(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    """Do what `payload["do"]` names."""
    print("a library that prints does not spoil the answer")
    if "log" in payload:
        with Path(payload["log"]).open("a") as log:
            log.write(f"{os.getpid()}\n")
    return globals()[f"do_{payload['do']}"](payload, progress)


def do_quick(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    progress(0.5, "half-way")
    picture = Artefact("cast_printed_mould", "findings", "image/svg+xml", b"<svg>\x00\xff</svg>")
    return Computed({"number": payload.get("number", 0), "text": "µ ✓"}, (picture,))


def do_slow(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    until = time.monotonic() + payload["seconds"]
    while time.monotonic() < until:
        progress(0.25, "waiting")
        time.sleep(0.05)
    return do_quick(payload, progress)


def do_refuse(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    raise RequestInvalid(
        Fault("the depth is missing", "give depths_um", pointer="#/depths_um"),
        Fault("too thin", "thicken", where="layer channels, (1.0, 2.0) mm"),
    )


def do_defect(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    raise RuntimeError("secret of the inside")


def do_nan(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    return Computed({"width_um": float("nan")}, ())


def do_twins(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    twin = Artefact(None, "same", "text/plain", b"")
    return Computed({}, (twin, twin))


def do_hog(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    return Computed({"length": len(bytearray(4_000_000_000))}, ())


def do_die(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("unreachable")


def do_die_once(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    if len(Path(payload["log"]).read_text().split()) == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return do_quick(payload, progress)
