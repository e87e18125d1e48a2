"""A worker with short times and the calculation of `fake_compute`."""

from __future__ import annotations

from pathlib import Path

import pytest

from rillcast_service.settings import Settings


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Settings:
    """Settings of a worker that calculates with `fake_compute`."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    return Settings(
        data=tmp_path, workers=1, port=0, lease_s=2.0, job_memory_mb=1000, compute="fake_compute:compute"
    )
