"""What every view needs: the service's parts, and whose request this is."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import BoundedSemaphore

from flask import Flask, current_app, g

from rillcast_service.jobs.dispatch import Dispatcher
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store

_KEY = "rillcast"


@dataclass(frozen=True, slots=True)
class Service:
    """The parts that `create_app` was given, and the seats of requests that wait for a quote."""

    settings: Settings
    store: Store
    dispatcher: Dispatcher
    readers: ReaderPool
    seats: BoundedSemaphore = field(init=False)

    def __post_init__(self) -> None:
        # Requests that wait hold a thread each; half of the threads stay free for the others.
        object.__setattr__(self, "seats", BoundedSemaphore(max(1, self.settings.threads // 2)))

    def install(self, app: Flask) -> None:
        """Make these the parts of an app."""
        app.extensions[_KEY] = self


def service() -> Service:
    """The parts of the current app."""
    found: Service = current_app.extensions[_KEY]
    return found


def owner() -> str:
    """Whose request this is."""
    return str(g.owner)


def request_id() -> str:
    """The id of this exchange."""
    return str(g.request_id)
