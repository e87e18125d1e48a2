"""The process that reads: `python -m rillcast_service.reading.child MODULE:FUNCTION MEMORY_MB OUTPUT_BYTES`.

It corrects what was read, too. It gets its work on standard input, answers each piece with a frame on
standard output, and ends when its input does.
It needs neither network nor files, and knows nothing of store and settings.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from typing import Any

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import EngineError
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.serial import layout_to_json
from rillcast_service.processes.frames import write_frame
from rillcast_service.processes.inside import (
    imported,
    limit_files,
    limit_memory,
    limit_time,
    listen,
    take_stdout,
)

#: A format's library may need a temporary file; none needs many.
_OPEN_FILES = 64

_log = logging.getLogger(__name__)


def main(entry: str, memory_mb: int, output_bytes: int) -> None:
    """Read whatever comes, until the service goes away.

    Args:
        entry: `module:function`, called as `engine.layout.readers.read` is.
        memory_mb: address space, MB.
        output_bytes: longest answer.
    """
    answers = take_stdout()
    limit_memory(memory_mb)
    questions = listen()
    read = imported(entry)
    load()
    write_frame(answers, {"kind": "ready"})
    while True:
        header, data = questions.get()
        limit_time(header["time_limit_s"])
        limit_files(size_bytes=len(data) + output_bytes, open_files=_OPEN_FILES)
        work = _correct if header["task"] == "correct" else partial(_read, read)
        kind, body = _answer(work, header, data)
        if len(body) > output_bytes:
            kind, body = "output", b""
        write_frame(answers, {"kind": kind}, body)


def _answer(
    work: Callable[[dict[str, Any], bytes], dict[str, Any]], header: dict[str, Any], data: bytes
) -> tuple[str, bytes]:
    try:
        return "layout", json.dumps(work(header, data), allow_nan=False).encode()
    except EngineError as error:
        told = {"slug": error.slug, "faults": [asdict(fault) for fault in error.faults]}
        return "refused", json.dumps(told).encode()
    except MemoryError:
        return "memory", b""
    except (Exception, SystemExit):  # noqa: BLE001 (whatever it is: it goes to the log and not to the sender)
        _log.exception("the reader failed")
        return "defect", b""


def _read(read: Callable[..., Layout], header: dict[str, Any], data: bytes) -> dict[str, Any]:
    options = ReadOptions.from_defaults(
        load().defaults,
        **{key: frozenset(value) if key == "leave" else value for key, value in header["given"].items()},
        limits=Limits(bytes_count=header["bytes_limit"]),
    )
    layout = read(data, media_type=header["media_type"], name=header["name"], options=options)
    return layout_to_json(layout)


def _correct(header: dict[str, Any], data: bytes) -> dict[str, Any]:  # noqa: ARG001
    # imported when first asked for: most of what it needs has no part in reading
    corrected: dict[str, Any] = imported("rillcast_service.jobs.correcting:correct")(json.loads(data))
    return corrected


if __name__ == "__main__":
    logging.basicConfig(format="%(levelname)s %(message)s")
    try:
        main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
    except BrokenPipeError:
        pass
    except Exception:  # noqa: BLE001 (most likely the reader cannot be imported)
        _log.exception("the process that reads ends")
    # Not sys.exit: the interpreter would wait for the thread that listens.
    logging.shutdown()
    os._exit(1)
