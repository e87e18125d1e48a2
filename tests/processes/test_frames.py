"""Frames between a process and its child."""

from __future__ import annotations

import io
import math

import pytest

from rillcast_service.processes.frames import FrameError, read_frame, write_frame


def written(header: dict[str, object], body: bytes = b"") -> bytes:
    stream = io.BytesIO()
    write_frame(stream, header, body)
    return stream.getvalue()


def test_frames_come_out_as_they_went_in_and_in_order() -> None:
    stream = io.BytesIO(written({"kind": "a", "µ": [1]}, b"\x00\xff\n") + written({"kind": "b"}))
    assert read_frame(stream) == ({"kind": "a", "µ": [1]}, b"\x00\xff\n")
    assert read_frame(stream) == ({"kind": "b"}, b"")
    assert read_frame(stream) is None


def test_a_stream_cut_anywhere_within_a_frame_is_an_error() -> None:
    whole = written({"kind": "a"}, b"body")
    for length in range(1, len(whole)):
        with pytest.raises(FrameError):
            read_frame(io.BytesIO(whole[:length]))


@pytest.mark.parametrize("text", [b"Traceback (most recent call last)", b"\xff" * 40, b"\x00" * 40])
def test_what_is_no_frame_is_an_error_and_not_an_allocation(text: bytes) -> None:
    with pytest.raises(FrameError):
        read_frame(io.BytesIO(text))


def test_a_header_that_is_no_object_is_an_error() -> None:
    with pytest.raises(FrameError):
        read_frame(io.BytesIO(written([1, 2])))  # type: ignore[arg-type]


def test_nan_does_not_get_into_a_header() -> None:
    with pytest.raises(ValueError, match="JSON"):
        written({"progress": math.nan})
