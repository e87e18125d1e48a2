"""Files that take down, hang or bloat their reader, over HTTP: each gets a reason, and service goes on."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

CHIP = b"""<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
<g id="channels"><rect x="5" y="9.9" width="20" height="0.2"/></g></svg>"""

PLANTED = {
    "segfault": "layout-reader-failed",
    "sleep": "layout-time-limit",
    "hog": "layout-memory-limit",
    "print_for_ever": "layout-output-limit",
}


FAKE_READER = Path(__file__).parent.parent / "reading"


@pytest.fixture
def url(installation: Any, monkeypatch: pytest.MonkeyPatch) -> str:
    """A service whose reader does what the name of the layout says."""
    tight = {"read_time_limit_s": 1.5, "read_memory_mb": 600, "read_output_mb": 2, "readers": 1}
    installation.settings = replace(installation.settings, reader="fake_reader:read", **tight)
    monkeypatch.setenv("PYTHONPATH", str(FAKE_READER))
    return str(installation.serve()[1])


def post(url: str, name: str) -> tuple[int, dict[str, Any]]:
    request = urllib.request.Request(
        f"{url}/v1/layouts?name={name}", data=CHIP, headers={"Content-Type": "image/svg+xml"}
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as refusal:
        return refusal.code, json.load(refusal)


def test_each_gets_its_reason_and_the_next_file_is_read(url: str) -> None:
    for name, slug in PLANTED.items():
        status, problem = post(url, name)
        assert (status, problem["type"]) == (422, f"/problems/{slug}")
        assert problem["errors"][0]["remedy"]
        status, layout = post(url, f"after_{name}")
        assert status == 201
        assert layout["layers"][0]["area_mm2"] == pytest.approx(4.0)
    with urllib.request.urlopen(f"{url}/readyz", timeout=10) as answer:
        assert answer.status == 200
