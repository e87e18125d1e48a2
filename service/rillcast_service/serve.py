"""Serving: `python -m rillcast_service.serve` brings up the web service and its workers, and takes them down.

The web process answers requests; each worker is a process of its own and is started again when it dies.
SIGTERM or Ctrl-C ends all of it in order: no new requests, those under way get a few seconds, and the
workers hand their jobs back, so that the next start goes on with them.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import NoReturn

from sqlalchemy.exc import SQLAlchemyError

from rillcast_service.httpd import make_server
from rillcast_service.jobs.dispatch import make_dispatcher
from rillcast_service.parent import WITH_PARENT_HELP, when_parent_ends
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import CONFIG_NAME, Settings, SettingsInvalid
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import StoreError

#: Workers that don't stop by themselves within this are killed, s; their jobs are picked up by lease.
STOP_S = 10.0
#: A worker that dies at once is started again after a pause that doubles up to this, s.
LONGEST_PAUSE_S = 30.0
#: A worker that lived so long is no longer one that dies at once, s.
SETTLED_S = 20.0

_log = logging.getLogger(__name__)


class CannotServe(Exception):
    """The service cannot start; the message says why and what to do."""


def run(settings: Settings, *, ready_file: Path | None = None) -> None:
    """Serve until SIGTERM or SIGINT.

    Args:
        settings: of this installation.
        ready_file: gets `{"url": …, "pid": …}` once requests and jobs are taken.

    Raises:
        CannotServe: open to the network without keys, or the address is taken.
        StoreError: the database is no use.
    """
    if not settings.on_loopback and not settings.api_keys:
        raise CannotServe(
            f"without api_keys the service is open to everybody who can reach {settings.host}; "
            "set RILLCAST_API_KEYS, or listen on 127.0.0.1"
        )
    # Here and not above: importing this module must not need the web framework's modules yet.
    from rillcast_service.api.app import create_app

    signal.signal(signal.SIGTERM, _stop)
    signal.signal(signal.SIGINT, _stop)
    listener = _listen(settings)
    store = Store(settings.database_url, idempotency_ttl_h=settings.idempotency_ttl_h)
    dispatcher = make_dispatcher(settings)
    workers = WorkerProcesses(settings)
    readers = ReaderPool(settings)
    try:
        store.migrate()
        server = make_server(create_app(settings, store, dispatcher, readers), listener, settings)
        workers.start()
        readers.warm()
        ready = threading.Thread(
            target=_announce, args=(settings, store, _url(listener), ready_file), daemon=True
        )
        ready.start()
        server.run()
        server.close()
    except SystemExit:
        # A signal before the server ran; while it runs it takes the signal as its own end.
        pass
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        listener.close()
        readers.close()
        workers.stop()
        dispatcher.close()
        store.close()
    _log.info("stopped")


class WorkerProcesses:
    """The worker processes of this machine, kept up until stopped.

    Args:
        settings: how many, and what each of them is told.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._processes: list[subprocess.Popen[bytes]] = []
        self._stopping = threading.Event()
        self._watches: list[threading.Thread] = []

    def start(self) -> None:
        """Start them all."""
        for number in range(self._settings.workers):
            watch = threading.Thread(target=self._keep_up, args=(number,), daemon=True)
            self._processes.append(self._spawn())
            self._watches.append(watch)
            watch.start()

    def stop(self) -> None:
        """Ask them to hand back their jobs and stop; kill those that don't."""
        self._stopping.set()
        for watch in self._watches:
            watch.join()
        for process in self._processes:
            process.terminate()
        deadline = time.monotonic() + STOP_S
        for process in self._processes:
            try:
                process.wait(max(deadline - time.monotonic(), 0.0))
            except subprocess.TimeoutExpired:
                _log.warning("worker %d does not stop and is killed", process.pid)
                process.kill()
                process.wait()

    def _spawn(self) -> subprocess.Popen[bytes]:
        # Its standard input is our sign of life: a worker stops when we are gone, however we went.
        return subprocess.Popen(
            [sys.executable, "-m", "rillcast_service.jobs.worker", "--with-parent"],
            stdin=subprocess.PIPE,
            env={**os.environ, **self._settings.to_environment()},
            start_new_session=True,
        )

    def _keep_up(self, number: int) -> None:
        pause_s, started = 0.5, time.monotonic()
        while not self._stopping.wait(0.2):
            code = self._processes[number].poll()
            if code is None:
                continue
            pause_s = 0.5 if time.monotonic() - started > SETTLED_S else min(2 * pause_s, LONGEST_PAUSE_S)
            _log.error("a worker ended with code %d; another starts in %g s", code, pause_s)
            if not self._stopping.wait(pause_s):
                started = time.monotonic()
                self._processes[number] = self._spawn()


def _listen(settings: Settings) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(
            settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as fault:
        raise CannotServe(
            f"cannot listen on {settings.host} port {settings.port} ({fault.strerror or fault}); "
            "choose another with --port, 0 picks a free one"
        ) from None


def _url(listener: socket.socket) -> str:
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def _announce(settings: Settings, store: Store, url: str, ready_file: Path | None) -> None:
    """Say that the service is ready once a worker is; from then on /readyz says so too."""
    while settings.workers and not _worker_up(store):
        time.sleep(0.05)
    if ready_file is not None:
        # Renamed into place: whoever waits for the file never reads half of it.
        half = ready_file.with_name(ready_file.name + ".part")
        half.write_text(json.dumps({"url": url, "pid": os.getpid()}), encoding="utf-8")
        half.replace(ready_file)
    print(f"Rillcast is ready at {url} (Ctrl-C stops it)", flush=True)  # noqa: T201


def _worker_up(store: Store) -> bool:
    try:
        return store.live_workers() > 0
    except SQLAlchemyError as fault:
        _log.warning("the database is away: %s", fault)
        return False


def _stop(*_: object) -> NoReturn:
    raise SystemExit


def main(arguments: list[str] | None = None) -> int:
    """The command. Returns the exit code: 2 when the service cannot start."""
    parser = argparse.ArgumentParser(
        prog="rillcast serve",
        description="Run the HTTP service and its workers until Ctrl-C or SIGTERM.",
        epilog=f"Every setting has a variable RILLCAST_… and a line in {CONFIG_NAME} in the data folder, "
        "both of the same name; an option wins over the variable, the variable over the file.",
    )
    parser.add_argument("--host", help="address to listen on (RILLCAST_HOST; 127.0.0.1)")
    parser.add_argument("--port", type=int, metavar="N", help="0 picks a free one (RILLCAST_PORT; 8000)")
    parser.add_argument(
        "--data", metavar="DIR", help=f"folder of the database and of {CONFIG_NAME} (RILLCAST_DATA)"
    )
    parser.add_argument(
        "--workers", type=int, metavar="N", help="worker processes to start (RILLCAST_WORKERS; 2)"
    )
    parser.add_argument(
        "--ready-file", type=Path, metavar="FILE", help="gets the URL as JSON once requests are taken"
    )
    parser.add_argument("--with-parent", action="store_true", help=WITH_PARENT_HELP)
    options = parser.parse_args(arguments)
    if options.with_parent:
        when_parent_ends(lambda: os.kill(os.getpid(), signal.SIGTERM))
    try:
        settings = Settings.load(
            host=options.host, port=options.port, data=options.data, workers=options.workers
        )
        logging.basicConfig(
            level=settings.log_level, format="%(asctime)s serve[%(process)d] %(levelname)s %(message)s"
        )
        logging.getLogger("alembic").setLevel(logging.WARNING)
        run(settings, ready_file=options.ready_file)
    except SettingsInvalid as invalid:
        for fault in invalid.faults:
            print(f"rillcast serve: {fault}", file=sys.stderr)  # noqa: T201
        return 2
    except (CannotServe, StoreError) as fault:
        print(f"rillcast serve: {fault}", file=sys.stderr)  # noqa: T201
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
