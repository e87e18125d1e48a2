"""Path data of straight lines is read at once; letter by letter it must come out the same, or be refused."""

from __future__ import annotations

import time
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rillcast_service.engine.layout.readers.svg import paths
from rillcast_service.engine.layout.readers.svg.faults import Unusable

pieces = st.sampled_from(
    [
        "M",
        "L",
        "Z",
        "m",
        "l",
        "z",
        " ",
        ",",
        "\n",
        "1",
        "-2",
        ".5",
        "3e1",
        "4.",
        "-",
        "1e999",
        "H",
        "7 8",
        "0,9",
    ]
)
texts = st.lists(pieces, max_size=14).map(lambda found: "M1 2" + "".join(found)) | st.lists(
    pieces, max_size=8
).map("".join)


def outcome(text):
    try:
        subpaths = paths.parse_path(text)
    except Unusable as fault:
        return fault.message
    return [(subpath.flatten(tolerance=1e-9).tolist(), subpath.closed) for subpath in subpaths]


@settings(max_examples=800, deadline=None, derandomize=True)
@given(texts)
def test_both_ways_agree(text):
    with patch.object(paths, "_polylines", lambda _: None):
        letter_by_letter = outcome(text)
    assert outcome(text) == letter_by_letter


@pytest.mark.parametrize(
    "text", ["M" + " " * 200_000 + "x", "M1 1" * 50_000 + "x", "m" + "z " * 50_000 + "x"]
)
def test_text_that_is_none_is_refused_at_once(text):
    began = time.process_time()
    with pytest.raises(Unusable):
        paths.parse_path(text)
    assert time.process_time() - began < 5.0


def test_a_polygon_of_very_many_corners():
    corners = np.arange(200_000, dtype=float).reshape(-1, 2)
    began = time.process_time()
    (subpath,) = paths.parse_path("M" + "L".join(f"{x:g} {y:g}" for x, y in corners.tolist()) + "Z")
    assert time.process_time() - began < 10.0
    assert subpath.vertex_count(tolerance=1.0) == 100_000
