"""Running one claimed job to its end, while its lease is kept alive."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from enum import Enum, auto
from functools import partial

from sqlalchemy.exc import InterfaceError, OperationalError, SQLAlchemyError

from rillcast_service.jobs import problems
from rillcast_service.jobs.calculator import (
    Answer,
    Calculator,
    Defect,
    Died,
    OutOfMemory,
    Progress,
    Refused,
)
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Claim

#: How often a running job is looked after: cancelled, asked to stop, out of time? s
LOOK_S = 0.25
#: Progress is written at most this often, s.
REPORT_S = 0.25
#: A process makes way for a fresh one after so many jobs, so that no leak grows for ever.
JOBS_PER_PROCESS = 50

_log = logging.getLogger(__name__)


class Halt(Enum):
    """Why a worker ends a calculation that has not come to its own end."""

    #: The worker was asked to stop.
    STOPPING = auto()
    TIME_LIMIT = auto()
    #: The job was cancelled, or another worker has taken it.
    LOST = auto()


End = Answer | Refused | OutOfMemory | Defect | Died | Halt


class JobRunner:
    """Runs claimed jobs, one at a time.

    Args:
        store: where the job is and where its end is written.
        settings: limits and lease.
        stopping: set when the worker shall stop: the job at hand is then handed back.
        tick: called now and then while a job runs.
    """

    def __init__(
        self, store: Store, settings: Settings, stopping: threading.Event, tick: Callable[[], None]
    ) -> None:
        self._store, self._settings = store, settings
        self._stopping, self._tick = stopping, tick
        self._calculator: Calculator | None = None

    def prepare(self) -> None:
        """Have a process ready, so that a job does not wait for an interpreter and its imports."""
        if self._calculator is None:
            self._calculator = Calculator(self._settings.compute, memory_mb=self._settings.job_memory_mb)

    def close(self) -> None:
        """Stop the process."""
        if self._calculator is not None:
            self._calculator.stop()
            self._calculator = None

    def run(self, claim: Claim) -> None:
        """Run a claimed job until it has an end, is handed back, or no longer belongs to this worker."""
        calculator = self._ready()
        _log.info("%s: attempt %d begins in process %d", claim.quote_id, claim.attempt, calculator.pid)
        end: End = Halt.LOST
        try:
            calculator.begin(claim.quote_id, claim.payload)
            end = self._attend(claim, calculator)
        finally:
            # Only a process that came to a regular end is fit for the next job.
            if not isinstance(end, Answer | Refused):
                self.close()
        conclusion = self._conclusion(claim, end)
        if conclusion is not None:
            self._conclude(claim, conclusion)

    def _ready(self) -> Calculator:
        """The process that waits, or a new one when it has died or served long enough."""
        waiting = self._calculator
        if waiting is not None and (not waiting.alive or waiting.jobs_begun >= JOBS_PER_PROCESS):
            self.close()
        self.prepare()
        assert self._calculator is not None
        return self._calculator

    def _attend(self, claim: Claim, calculator: Calculator) -> End:
        """Wait for the end of the calculation, and keep the lease alive until then."""
        started = time.monotonic()
        look_at, report_at = started + LOOK_S, started
        beat_at = started + self._settings.lease_s / 3
        while True:
            event = calculator.next(max(look_at - time.monotonic(), 0.0))
            now = time.monotonic()
            if isinstance(event, Progress):
                if now >= report_at:
                    report_at = now + REPORT_S
                    self._try(partial(self._store.report, claim, progress=event.progress, step=event.step))
            elif event is not None:
                return event
            if now < look_at:
                continue
            look_at = now + LOOK_S
            self._tick()
            if self._stopping.is_set():
                return Halt.STOPPING
            if now - started > self._settings.job_time_limit_s:
                return Halt.TIME_LIMIT
            if now >= beat_at:
                beat_at = now + self._settings.lease_s / 3
                held = self._try(partial(self._store.heartbeat, claim, lease_s=self._settings.lease_s))
            else:
                held = self._try(partial(self._store.holds, claim))
            # None: the database cannot be asked right now; the fence decides at the end.
            if held is False:
                return Halt.LOST

    def _conclusion(self, claim: Claim, end: End) -> Callable[[], bool] | None:
        """The write that an end calls for; None when there is nothing to write."""
        store, settings = self._store, self._settings
        match end:
            case Answer(result, files):
                return partial(store.finish, claim, result=result, files=files)
            case Refused(problem):
                pass
            case Halt.LOST:
                _log.info("%s: cancelled or taken over by another worker", claim.quote_id)
                return None
            case Halt.STOPPING:
                _log.info("%s: handed back", claim.quote_id)
                return partial(store.release, claim)
            case Halt.TIME_LIMIT:
                _log.warning("%s: met its time limit", claim.quote_id)
                problem = problems.time_limit(settings.job_time_limit_s)
            case OutOfMemory():
                _log.warning("%s: met its memory limit", claim.quote_id)
                problem = problems.memory_limit(settings.job_memory_mb)
            case Defect():
                # The calculation is pure: what it raised once it would raise again.
                _log.error("%s: a defect, logged by the calculation", claim.quote_id)
                problem = problems.calculation_failed()
            case Died(exit_code):
                _log.error("%s: its process ended with code %d", claim.quote_id, exit_code)
                if claim.tries < settings.job_max_attempts:
                    return partial(store.retry, claim)
                problem = problems.attempts_exhausted(claim.tries)
        return partial(store.fail, claim, problem=problem)

    def _conclude(self, claim: Claim, write: Callable[[], bool]) -> None:
        """Write the end; for as long as a lease the database may be away.

        After that the job is left to whoever claims it next: nothing is lost but time.
        """
        deadline = time.monotonic() + self._settings.lease_s
        while True:
            try:
                if not write():
                    _log.info("%s: no longer this worker's, its end is dropped", claim.quote_id)
            except (OperationalError, InterfaceError) as fault:
                if time.monotonic() > deadline:
                    raise
                _log.warning("%s: the database is away: %s", claim.quote_id, fault)
                time.sleep(min(1.0, self._settings.lease_s / 10))
            except (SQLAlchemyError, ValueError):
                _log.exception("%s: its answer cannot be stored", claim.quote_id)
                self._store.fail(claim, problem=problems.calculation_failed())
                return
            else:
                return

    def _try(self, ask: Callable[[], bool]) -> bool | None:
        try:
            return ask()
        except SQLAlchemyError as fault:
            _log.warning("the database is away: %s", fault)
            return None
