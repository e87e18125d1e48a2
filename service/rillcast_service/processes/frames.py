"""Messages between a process and its child: a JSON header and raw bytes, framed by their lengths.

Not pickle: the child works on what strangers drew, and nothing that it says may run in its parent.
"""

from __future__ import annotations

import json
import struct
from typing import Any, BinaryIO

_LENGTHS = struct.Struct(">IQ")

#: The longest header and body, bytes. A body holds at least the largest request that a service may take.
MAX_HEADER = 16_000_000
MAX_BODY = 1_100_000_000

Frame = tuple[dict[str, Any], bytes]


class FrameError(Exception):
    """The other side did not send a whole frame."""


class FrameTooLong(FrameError):
    """The other side announced a longer body than it may send."""


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


def read_frame(stream: BinaryIO, *, max_body: int = MAX_BODY) -> Frame | None:
    """Receive one message.

    Args:
        stream: where from.
        max_body: longest body that is taken, bytes.

    Returns:
        Header and body; None when the other side has closed the stream between two messages.

    Raises:
        FrameTooLong: the body is longer than `max_body`; it is not read.
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
    head = stream.read(head_length)
    if len(head) < head_length:
        raise FrameError("the stream ended within a message")
    try:
        header = json.loads(head)
    except (ValueError, RecursionError):
        raise FrameError("the stream does not hold messages") from None
    if not isinstance(header, dict):
        raise FrameError("the stream does not hold messages")
    if body_length > max_body:
        raise FrameTooLong(f"a body of {body_length} bytes where {max_body} may be sent")
    body = stream.read(body_length)
    if len(body) < body_length:
        raise FrameError("the stream ended within a message")
    return header, body
