"""The worker process: `python -m rillcast_service.jobs.worker`, set up by the service's settings.

Without a queue it looks into the table for work; with one it runs what is announced there. Either way it
sweeps: jobs whose worker was lost are announced again, and those that keep failing are given up.
"""

from __future__ import annotations

import argparse
import logging
import os
import secrets
import signal
import socket
import sys
import threading
import time

from sqlalchemy import make_url
from sqlalchemy.exc import SQLAlchemyError

from rillcast_service.jobs import problems
from rillcast_service.jobs.dispatch import Dispatcher, make_dispatcher
from rillcast_service.jobs.runner import JobRunner
from rillcast_service.parent import WITH_PARENT_HELP, when_parent_ends
from rillcast_service.settings import CONFIG_NAME, Settings, SettingsInvalid
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import StoreError
from rillcast_service.store.workers import BEAT_S

#: How often an idle worker without a queue looks for work, s.
POLL_S = 0.2
#: How often a worker sweeps, s.
SWEEP_S = 2.0

_log = logging.getLogger(__name__)


class Worker:
    """Runs jobs until told to stop.

    Args:
        settings: limits, lease, queue.
        store: where the jobs are.
        dispatcher: for jobs to be announced again.
        stopping: set it to stop: the job at hand is handed back.
    """

    def __init__(
        self, settings: Settings, store: Store, dispatcher: Dispatcher, stopping: threading.Event
    ) -> None:
        self.worker_id = f"{socket.gethostname()[:40]}-{os.getpid()}-{secrets.token_hex(3)}"
        self._settings, self._store, self._dispatcher = settings, store, dispatcher
        self._stopping = stopping
        self._beat_at = self._sweep_at = 0.0

    def run(self) -> None:
        """Work until stopped."""
        # With a queue the jobs run in the consumer's thread, and house is kept in this one.
        tick = (lambda: None) if self._settings.queue_url else self._keep_house
        runner = JobRunner(self._store, self._settings, self._stopping, tick)
        runner.prepare()
        try:
            if self._settings.queue_url:
                self._consume(runner)
            else:
                self._poll(runner)
        finally:
            runner.close()
            self._sign_off()

    def _poll(self, runner: JobRunner) -> None:
        while not self._stopping.is_set():
            self._keep_house()
            if not self._run_next(runner, None):
                self._stopping.wait(POLL_S)

    def _consume(self, runner: JobRunner) -> None:
        from rillcast_service.jobs.broker import make_broker, make_consumer

        def run_job(job_id: str) -> None:
            """Run a job that was announced, unless somebody else has it."""
            if not self._stopping.is_set():
                self._run_next(runner, job_id)

        queue_name = self._settings.queue_name
        broker = make_broker(self._settings.queue_url, queue_name=queue_name)
        consumer = make_consumer(broker, run_job, queue_name=queue_name)
        consumer.start()
        try:
            while not self._stopping.wait(POLL_S):
                self._keep_house()
        finally:
            consumer.stop(timeout=int(self._settings.lease_s * 1000))
            broker.close()

    def _run_next(self, runner: JobRunner, quote_id: str | None) -> bool:
        """Claim and run a job. Returns whether there was one."""
        try:
            claim = self._store.claim(
                self.worker_id,
                lease_s=self._settings.lease_s,
                max_attempts=self._settings.job_max_attempts,
                quote_id=quote_id,
            )
            if claim is None:
                return False
            runner.run(claim)
        except SQLAlchemyError:
            _log.exception("the database is away")
            self._stopping.wait(1.0)
            return False
        runner.prepare()
        return True

    def _keep_house(self) -> None:
        """Give a sign of life and sweep, each at its time."""
        now = time.monotonic()
        try:
            if now >= self._beat_at:
                self._beat_at = now + BEAT_S
                self._store.beat(self.worker_id)
            if now >= self._sweep_at:
                self._sweep_at = now + SWEEP_S
                self._sweep()
        except SQLAlchemyError as fault:
            _log.warning("the database is away: %s", fault)

    def _sweep(self) -> None:
        swept = self._store.sweep(
            max_attempts=self._settings.job_max_attempts,
            announce_s=self._settings.lease_s,
            exhausted=problems.attempts_exhausted(self._settings.job_max_attempts),
        )
        for quote_id in swept.exhausted:
            _log.error("%s is given up after %d attempts", quote_id, self._settings.job_max_attempts)
        for quote_id in swept.announced:
            self._dispatcher.notify(quote_id)

    def _sign_off(self) -> None:
        try:
            self._store.sign_off(self.worker_id)
        except SQLAlchemyError as fault:
            _log.warning("the database is away: %s", fault)


def main(arguments: list[str] | None = None) -> int:
    """Run a worker until SIGTERM or SIGINT. Returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="rillcast worker",
        description="Work out the quotes that a service takes, beside the workers of its own, until Ctrl-C "
        "or SIGTERM. It finds them in the database, so it needs the settings of that service.",
    )
    parser.add_argument(
        "--data",
        metavar="DIR",
        help=f"folder of the service's database and {CONFIG_NAME} (RILLCAST_DATA); another database is "
        "named by RILLCAST_DATABASE_URL, a queue by RILLCAST_QUEUE_URL",
    )
    parser.add_argument("--with-parent", action="store_true", help=WITH_PARENT_HELP)
    options = parser.parse_args(arguments)
    try:
        settings = Settings.load(data=options.data)
    except SettingsInvalid as invalid:
        for fault in invalid.faults:
            print(f"rillcast worker: {fault}", file=sys.stderr)  # noqa: T201
        return 2
    logging.basicConfig(
        level=settings.log_level, format="%(asctime)s worker[%(process)d] %(levelname)s %(message)s"
    )
    logging.getLogger("alembic").setLevel(logging.WARNING)
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    if options.with_parent:
        when_parent_ends(stopping.set)
    store = Store(settings.database_url, idempotency_ttl_h=settings.idempotency_ttl_h)
    dispatcher = make_dispatcher(settings)
    try:
        store.migrate()
        if not options.with_parent:
            print(f"Working on the quotes in {_place(settings)} (Ctrl-C stops it)", flush=True)  # noqa: T201
        Worker(settings, store, dispatcher, stopping).run()
    except StoreError as fault:
        print(f"rillcast worker: {fault}", file=sys.stderr)  # noqa: T201
        return 2
    finally:
        dispatcher.close()
        store.close()
    return 0


def _place(settings: Settings) -> str:
    """Where the quotes are, without the password that an address may hold."""
    return make_url(settings.database_url).render_as_string(hide_password=True)


if __name__ == "__main__":
    sys.exit(main())
