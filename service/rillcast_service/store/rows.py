"""What the store hands out: one frozen record a row, and the errors it raises."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any


class QuoteState(StrEnum):
    """Where a quote stands; the last three are final."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"

    @property
    def final(self) -> bool:
        """Whether nothing changes any more."""
        return self in (QuoteState.DONE, QuoteState.FAILED, QuoteState.CANCELLED)


class StoreError(Exception):
    """Base of what the store raises on its own account."""


class IdempotencyMismatch(StoreError):
    """The idempotency key was used before, with another request."""


class CursorInvalid(StoreError):
    """The cursor does not come from this list."""


class SchemaUnknown(StoreError):
    """The database was written by a newer version of the service."""


class StoreUnusable(StoreError):
    """The database cannot be reached, made or read."""


@dataclass(frozen=True, slots=True)
class LayoutRow:
    """A layout as it was read; the file itself comes from `Store.get_layout_source`.

    Args:
        digest: of the file's bytes, the options and the model version.
        options: what the reader was told: unit, roles, depths.
        layout: `engine.layout.serial` JSON.
        corrected_from: id of the layout that it was made from; None for one that was uploaded.
    """

    layout_id: str
    owner: str
    digest: str
    name: str
    media_type: str
    options: dict[str, Any]
    layout: dict[str, Any]
    created_at: datetime
    corrected_from: str | None = None


@dataclass(frozen=True, slots=True)
class QuoteRow:
    """A quote and the job behind it.

    Args:
        progress: 0..1 of the work; `step` says what is being done.
        request: as sent.
        result: when done; `Store.list_quotes` leaves it out, because it is long.
        problem: RFC 9457 document, when failed.
        attempts: how often the work was begun and not handed back.
    """

    quote_id: str
    owner: str
    revision: int
    state: QuoteState
    progress: float
    step: str
    request: dict[str, Any]
    result: dict[str, Any] | None
    problem: dict[str, Any] | None
    attempts: int
    created_at: datetime
    updated_at: datetime
    started_at: datetime | None
    finished_at: datetime | None


@dataclass(frozen=True, slots=True)
class Artefact:
    """A file that a calculation made: a picture, a document, a mould.

    Args:
        route: route id; None when it belongs to the quote as a whole.
    """

    route: str | None
    name: str
    media_type: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to work on a job until its lease runs out.

    Args:
        attempt: the fence: a write under an older attempt changes nothing.
        tries: attempts so far that were not handed back, this one included.
        payload: all that the calculation needs.
    """

    quote_id: str
    owner: str
    attempt: int
    tries: int
    payload: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Swept:
    """What a sweep found.

    Args:
        announced: jobs to be announced again, oldest first.
        exhausted: jobs that were given up.
    """

    announced: tuple[str, ...]
    exhausted: tuple[str, ...]
