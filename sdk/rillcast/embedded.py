"""A service of one's own: started in a child process, stopped when no longer needed."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from rillcast.errors import EmbeddedServiceError

#: What the service cannot start without; the base installation brings the SDK alone.
_NEEDED = ("rillcast_service", "flask", "marshmallow", "numpy", "scipy", "shapely", "sqlalchemy")

START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 15.0


def missing_parts() -> tuple[str, ...]:
    """The packages that a service needs and this installation lacks."""
    return tuple(name for name in _NEEDED if importlib.util.find_spec(name) is None)


def require_service() -> None:
    """Raise EmbeddedServiceError with the remedy when the service is not installed here."""
    missing = missing_parts()
    if missing:
        raise EmbeddedServiceError(
            f"the service is not installed here (missing: {', '.join(missing)}). Install it with "
            "pip install 'rillcast[service]', or name a running one with --url or RILLCAST_BASE_URL."
        )


class EmbeddedService:
    """A service on a free port of this machine, for as long as the `with` block lasts.

        with EmbeddedService() as service, Client(service.url) as client:
            ...

    Args:
        data: folder for its database; None for the usual one of this installation, see `temporary`.
        temporary: use a folder of its own that is deleted afterwards, and no setting from the
            environment; False: the folder and settings of `rillcast serve`.
        start_timeout_s: longest wait until it answers.

    Raises:
        EmbeddedServiceError: on entering, when it is not installed or does not start.
    """

    def __init__(
        self,
        *,
        data: str | os.PathLike[str] | None = None,
        temporary: bool = True,
        start_timeout_s: float = START_TIMEOUT_S,
    ) -> None:
        self._data = data
        self._temporary = temporary and data is None
        self._start_timeout_s = start_timeout_s
        self._process: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._url: str | None = None

    @property
    def url(self) -> str:
        """Its address. Raises EmbeddedServiceError outside the `with` block."""
        if self._url is None:
            raise EmbeddedServiceError("the embedded service is not running")
        return self._url

    def __enter__(self) -> Self:
        require_service()
        # The folder may hold files of a process that is still going down when it is cleaned up.
        self._folder = tempfile.TemporaryDirectory(prefix="rillcast-", ignore_cleanup_errors=True)
        try:
            self._start(Path(self._folder.name))
        except BaseException:
            self.stop()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Stop the service and remove its temporary files."""
        self._url = None
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            try:
                process.wait(STOP_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdin is not None:
                process.stdin.close()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _start(self, folder: Path) -> None:
        ready_file = folder / "ready.json"
        log_file = folder / "service.log"
        command = [sys.executable, "-m", "rillcast_service.serve", "--host", "127.0.0.1", "--port", "0"]
        # The pipe to its standard input is our sign of life: it goes with us, even after kill -9.
        command += ["--with-parent", "--ready-file", str(ready_file)]
        if self._temporary:
            command += ["--data", str(folder / "data")]
        elif self._data is not None:
            command += ["--data", str(Path(self._data).absolute())]
        with log_file.open("wb") as log:
            self._process = subprocess.Popen(  # noqa: S603 - the command is ours
                command,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=_bare_environment() if self._temporary else None,
                # Ctrl-C is for the command: it stops the service itself, in order.
                start_new_session=True,
            )
        deadline = time.monotonic() + self._start_timeout_s
        while not (url := _announced(ready_file)):
            if self._process.poll() is not None:
                raise EmbeddedServiceError(
                    f"the service did not start: {_last_words(log_file)}; `rillcast serve` shows more"
                )
            if time.monotonic() > deadline:
                raise EmbeddedServiceError(
                    f"the service was not ready after {self._start_timeout_s:g} s: {_last_words(log_file)}"
                )
            time.sleep(0.05)
        self._url = url


def _bare_environment() -> dict[str, str]:
    """The environment without settings that are meant for another, shared service."""
    return {key: value for key, value in os.environ.items() if not key.startswith("RILLCAST_")}


def _announced(ready_file: Path) -> str | None:
    try:
        return str(json.loads(ready_file.read_text(encoding="utf-8"))["url"])
    except (OSError, ValueError, KeyError):
        return None  # not written yet, or only half


def _last_words(log_file: Path) -> str:
    """The last line that the service wrote, which is the one that says why it ended."""
    lines = log_file.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return lines[-1] if lines else "it said nothing"
