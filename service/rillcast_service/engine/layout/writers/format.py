"""What a file format is to the writers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rillcast_service.engine.layout.model import Layout


@dataclass(frozen=True, slots=True)
class WrittenFormat:
    """A file format that a layout can be written in.

    Args:
        name: short, that of the `Format` which reads it.
        title: for people.
        media_type: as in an Accept header.
        suffix: of file names, with the dot.
        write: makes the file.
    """

    name: str
    title: str
    media_type: str
    suffix: str
    write: Callable[[Layout], bytes]
