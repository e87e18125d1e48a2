"""A fault in one attribute or value, before the reader adds which element it stands in."""

from __future__ import annotations


class Unusable(ValueError):
    """A value that cannot be used.

    Args:
        message: what is wrong, in a sentence without its full stop.
        remedy: how to mend it.
    """

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy
