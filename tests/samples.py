"""Files that no one here wrote: read from packages of the registry when a test asks, and never kept here."""

from __future__ import annotations

import functools
import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "rillcast-test-samples"


@functools.cache
def wheel(name: str, version: str, sha256: str) -> zipfile.ZipFile:
    """A wheel of the package registry, fetched once and held against its check sum.

    Skips the test where there is no registry, and fails it when CI=true.
    """
    path = next(CACHE.glob(f"{name}-{version}-*.whl"), None) or _fetched(name, version)
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    assert found == sha256, f"{path} has the check sum {found}"
    return zipfile.ZipFile(path)


def _fetched(name: str, version: str) -> Path:
    CACHE.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:"]
    done = subprocess.run(
        [*command, "--dest", str(CACHE), f"{name}=={version}"], capture_output=True, text=True, check=False
    )
    path = next(CACHE.glob(f"{name}-{version}-*.whl"), None)
    if path is None:
        reason = f"{name} {version} cannot be fetched: {done.stderr.strip()[-200:]}"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return path
