"""What the engine says when it cannot go on: what is wrong, where, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with an input.

    Args:
        message: what is wrong, in a sentence.
        remedy: what the sender can do about it, in a sentence.
        pointer: JSON pointer into the request (`#/quantity`), when the fault is in the request.
        where: layer, element and coordinates in mm, when the fault is in the layout.
    """

    message: str
    remedy: str
    pointer: str | None = None
    where: str | None = None


class EngineError(Exception):
    """Base of every error that the sender of the input can mend.

    `slug` names the problem type for good (clients act on it); `title` is constant per type.
    """

    slug = "invalid-input"
    title = "The input cannot be used"

    def __init__(self, *faults: Fault) -> None:
        if not faults:
            raise ValueError("an EngineError needs at least one Fault")
        self.faults = faults
        super().__init__("; ".join(fault.message for fault in faults))

    @property
    def detail(self) -> str:
        """The first fault in words, with a count of the others."""
        more = len(self.faults) - 1
        return self.faults[0].message + (f" (and {more} more)" if more else "")


class LayoutUnreadable(EngineError):
    """The file is not what it claims to be, or is damaged beyond reading."""

    slug = "layout-unreadable"
    title = "The layout file cannot be read"


class LayoutInvalid(EngineError):
    """The file was read but does not hold a usable chip layout."""

    slug = "layout-invalid"
    title = "The layout cannot be used"


class LayoutUnitsMissing(EngineError):
    """The drawing states no real unit, and none was given with the request."""

    slug = "layout-units-missing"
    title = "The layout has no real unit"


class LayoutTooComplex(EngineError):
    """The layout passes a published limit of size, count or extent."""

    slug = "layout-too-complex"
    title = "The layout is beyond a limit"


class RequestInvalid(EngineError):
    """The quote request is well-formed but cannot be answered."""

    slug = "request-invalid"
    title = "The request cannot be answered"


class UnknownName(EngineError):
    """A route, printer or other catalogue entry of that name does not exist."""

    slug = "unknown-name"
    title = "No such name"
