"""Messages between a worker and its calculation: a JSON header and raw bytes, framed by their lengths.

Not pickle: the calculation reads what strangers drew, and nothing that it says may run in the worker.
"""

from __future__ import annotations

import json
import struct
from typing import Any, BinaryIO

_LENGTHS = struct.Struct(">IQ")

#: The longest header and body, bytes.
MAX_HEADER = 16_000_000
MAX_BODY = 1_000_000_000


class FrameError(Exception):
    """The other side did not send a whole frame."""


def write_frame(stream: BinaryIO, header: dict[str, Any], body: bytes = b"") -> None:
    """Send one message.

    Raises:
        ValueError: the header holds NaN or infinity.
        OSError: the other side is gone.
    """
    head = json.dumps(header, allow_nan=False).encode()
    stream.write(_LENGTHS.pack(len(head), len(body)) + head)
    stream.write(body)
    stream.flush()


def read_frame(stream: BinaryIO) -> tuple[dict[str, Any], bytes] | None:
    """Receive one message.

    Returns:
        Header and body; None when the other side has closed the stream between two messages.

    Raises:
        FrameError: the stream ended within a message, or does not hold messages.
    """
    lengths = stream.read(_LENGTHS.size)
    if not lengths:
        return None
    if len(lengths) < _LENGTHS.size:
        raise FrameError("the stream ended within a message")
    head_length, body_length = _LENGTHS.unpack(lengths)
    if head_length > MAX_HEADER or body_length > MAX_BODY:
        raise FrameError("a message is longer than any that is sent")
    head, body = stream.read(head_length), stream.read(body_length)
    if len(head) < head_length or len(body) < body_length:
        raise FrameError("the stream ended within a message")
    try:
        header = json.loads(head)
    except ValueError:
        raise FrameError("the stream does not hold messages") from None
    if not isinstance(header, dict):
        raise FrameError("the stream does not hold messages")
    return header, body
