"""Files for a library that reads and writes nothing else: the one place where the engine touches a disc.

They lie in a private temporary folder, hold what the caller has in memory anyway, and are gone when the call
returns; so the engine still gives the same answer for the same input, and leaves nothing behind.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Result = TypeVar("Result")


def read_as_file(data: bytes, read: Callable[[str], Result]) -> Result:
    """What a library makes of bytes that it wants as a file.

    Args:
        data: of the file.
        read: takes the file's path.

    Returns:
        What `read` returns.

    Raises:
        Exception: as `read` does.
    """
    with tempfile.TemporaryDirectory(prefix="rillcast-") as folder:
        path = Path(folder) / "layout"
        path.write_bytes(data)
        return read(str(path))


def written_as_file(write: Callable[[str], object]) -> bytes:
    """The bytes of what a library only writes to a file.

    Args:
        write: takes the path to write to.

    Returns:
        The file.

    Raises:
        Exception: as `write` does.
    """
    with tempfile.TemporaryDirectory(prefix="rillcast-") as folder:
        path = Path(folder) / "layout"
        write(str(path))
        return path.read_bytes()
