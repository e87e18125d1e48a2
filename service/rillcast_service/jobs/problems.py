"""Why a job failed, as RFC 9457 problem documents; nothing of the inside of the service is in them."""

from __future__ import annotations

from typing import Any

from rillcast_service.engine.errors import EngineError

#: Problem types are relative references: the service that answers also explains them.
TYPE_BASE = "/problems/"


def problem(
    slug: str, *, title: str, status: int, detail: str, errors: tuple[dict[str, Any], ...] = ()
) -> dict[str, Any]:
    """A problem document.

    Args:
        slug: names the type for good; clients act on it.
        title: constant for the type.
        status: the HTTP status that the problem would have as an answer of its own.
        detail: what happened this time and what to do.
        errors: `{pointer, where, message, remedy}` of each fault.
    """
    document: dict[str, Any] = {
        "type": TYPE_BASE + slug,
        "title": title,
        "status": status,
        "detail": detail,
    }
    if errors:
        document["errors"] = list(errors)
    return document


def from_engine(error: EngineError) -> dict[str, Any]:
    """The problem of an input that the calculation cannot use."""
    errors = tuple(
        {
            name: value
            for name, value in (
                ("pointer", fault.pointer),
                ("where", fault.where),
                ("message", fault.message),
                ("remedy", fault.remedy),
            )
            if value is not None
        }
        for fault in error.faults
    )
    return problem(error.slug, title=error.title, status=422, detail=error.detail, errors=errors)


def calculation_failed() -> dict[str, Any]:
    """The problem of a defect in the service: the same request would meet it again."""
    return problem(
        "calculation-failed",
        title="The calculation failed",
        status=500,
        detail="The fault lies with the service and is in its log under this quote's id.",
    )


def time_limit(limit_s: float) -> dict[str, Any]:
    """The problem of a calculation that takes too long."""
    return problem(
        "job-time-limit",
        title="The calculation takes too long",
        status=422,
        detail=f"It was stopped after {limit_s:g} s. Ask for fewer routes, simplify the layout, "
        "or let the operator raise job_time_limit_s.",
    )


def memory_limit(limit_mb: int) -> dict[str, Any]:
    """The problem of a calculation that needs too much memory."""
    return problem(
        "job-memory-limit",
        title="The calculation needs too much memory",
        status=422,
        detail=f"It needs more than {limit_mb} MB. Ask for fewer routes, simplify the layout, "
        "or let the operator raise job_memory_mb.",
    )


def attempts_exhausted(attempts: int) -> dict[str, Any]:
    """The problem of a calculation that took down its process again and again."""
    return problem(
        "job-attempts-exhausted",
        title="The calculation was given up",
        status=500,
        detail=f"Its process ended {attempts} times without an answer. "
        "The service's log says more under this quote's id.",
    )
