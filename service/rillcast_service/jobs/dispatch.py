"""Telling workers that there is work. The quotes table is the truth: a lost word costs time, not a job."""

from __future__ import annotations

import logging
from typing import Protocol

from rillcast_service.settings import Settings

_log = logging.getLogger(__name__)


class Dispatcher(Protocol):
    """Says "look now" to workers."""

    def notify(self, job_id: str) -> None:
        """Announce a job that is committed to the store. Never raises: the sweep repeats what got lost."""

    def close(self) -> None:
        """Let go of connections."""


class EmbeddedDispatcher:
    """For workers that share the database: they look into the table themselves, several times a second."""

    def notify(self, job_id: str) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""


class QueueDispatcher:
    """Announces jobs on a message broker; a message holds nothing but the job id.

    Args:
        url: `redis://…` or `amqp://…`.
        queue_name: queue on the broker.
    """

    def __init__(self, url: str, *, queue_name: str) -> None:
        from rillcast_service.jobs.broker import make_broker

        self._broker = make_broker(url, queue_name=queue_name)
        self._queue_name = queue_name

    def notify(self, job_id: str) -> None:
        """Announce a job. A broker that is away is logged, and the sweep announces the job again."""
        from rillcast_service.jobs.broker import announce

        try:
            announce(self._broker, job_id, queue_name=self._queue_name)
        except Exception as fault:  # noqa: BLE001 (every broker library has its own)
            _log.warning("%s could not be announced, the sweep will: %s", job_id, fault)

    def close(self) -> None:
        """Close the connection to the broker."""
        self._broker.close()


def make_dispatcher(settings: Settings) -> Dispatcher:
    """The dispatcher that the settings ask for."""
    if settings.queue_url:
        return QueueDispatcher(settings.queue_url, queue_name=settings.queue_name)
    return EmbeddedDispatcher()
