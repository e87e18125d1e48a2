"""The process that calculates: `python -m rillcast_service.jobs.child MODULE:FUNCTION MEMORY_MB`.

It gets payloads on standard input, answers with frames on standard output, and ends when its input does. A
process of its own can be stopped at any moment, has its own memory limit, and takes nobody with it when it
dies. It stays for the next job, as the interpreter and its imports cost more than a small quote.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Callable
from typing import Any, BinaryIO

from rillcast_service.engine.errors import EngineError
from rillcast_service.jobs.problems import from_engine
from rillcast_service.processes.frames import write_frame
from rillcast_service.processes.inside import imported, limit_memory, listen, take_stdout

_log = logging.getLogger(__name__)


def main(compute: str, memory_mb: int) -> None:
    """Calculate whatever comes, until the worker goes away.

    Args:
        compute: `module:function`, called as `function(payload, progress)`.
        memory_mb: address space, MB.
    """
    answers = take_stdout()
    limit_memory(memory_mb)
    questions = listen()
    function = imported(compute)
    while True:
        header, payload = questions.get()
        try:
            _answer(function, header["quote_id"], json.loads(payload), answers)
        except BrokenPipeError:
            return


def _answer(function: Callable[..., Any], quote_id: str, payload: dict[str, Any], answers: BinaryIO) -> None:
    def progress(fraction: float, step: str) -> None:
        write_frame(answers, {"kind": "progress", "progress": float(fraction), "step": str(step)})

    try:
        computed = function(payload, progress)
        # First what can still go wrong: NaN is not JSON, and a result that holds one is a defect.
        result = json.dumps(computed.result, allow_nan=False).encode()
        for file in computed.artefacts:
            header = {"kind": "artefact", "route": file.route, "name": file.name}
            write_frame(answers, {**header, "media_type": file.media_type}, file.body)
        write_frame(answers, {"kind": "result"}, result)
    except EngineError as error:
        write_frame(answers, {"kind": "problem"}, json.dumps(from_engine(error)).encode())
    except BrokenPipeError:
        raise
    except MemoryError:
        write_frame(answers, {"kind": "memory"})
    except Exception:  # noqa: BLE001 (whatever it is: it goes to the log and not to the user)
        _log.exception("%s: the calculation failed", quote_id)
        write_frame(answers, {"kind": "defect"})


if __name__ == "__main__":
    logging.basicConfig(format="%(asctime)s calculation[%(process)d] %(levelname)s %(message)s")
    try:
        main(sys.argv[1], int(sys.argv[2]))
    except Exception:  # noqa: BLE001 (most likely the calculation cannot be imported)
        _log.exception("the process that calculates ends")
    # Not sys.exit: the interpreter would wait for the thread that listens.
    logging.shutdown()
    os._exit(1)
