"""Files that no one here wrote: read from packages of the registry when a test asks, and never kept here."""

from __future__ import annotations

import functools
import hashlib
import os
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pytest

CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "rillcast-test-samples"


@functools.cache
def wheel(name: str, version: str, sha256: str) -> zipfile.ZipFile:
    """A wheel of the package registry, fetched once and held against its check sum.

    Skips the test where there is no registry, and fails it when CI=true.
    """
    return zipfile.ZipFile(_kept(name, version, sha256, f"{name}-{version}-*.whl", "--only-binary"))


@functools.cache
def source(name: str, version: str, sha256: str) -> Mapping[str, bytes]:
    """The files of a source distribution of the package registry, by path within it; otherwise as `wheel`."""
    path = _kept(name, version, sha256, f"{name}-{version}.tar.gz", "--no-binary")
    with tarfile.open(path) as archive:
        files = ((member, archive.extractfile(member)) for member in archive.getmembers())
        return {member.name.partition("/")[2]: file.read() for member, file in files if file is not None}


def _kept(name: str, version: str, sha256: str, pattern: str, kind: str) -> Path:
    path = next(CACHE.glob(pattern), None) or _fetched(name, version, pattern, kind)
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    assert found == sha256, f"{path} has the check sum {found}"
    return path


def _fetched(name: str, version: str, pattern: str, kind: str) -> Path:
    CACHE.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "pip", "download", "--no-deps", kind, name]
    done = subprocess.run(
        [*command, "--dest", str(CACHE), f"{name}=={version}"], capture_output=True, text=True, check=False
    )
    path = next(CACHE.glob(pattern), None)
    if path is None:
        reason = f"{name} {version} cannot be fetched: {done.stderr.strip()[-200:]}"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return path
