"""The contract as a document: openapi/rillcast.yaml is the truth, and is served as JSON."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import yaml

_NAME = "rillcast.yaml"


@cache
def contract() -> dict[str, Any]:
    """The OpenAPI document.

    Returns:
        Its JSON values; the same object on every call, not to be changed.

    Raises:
        FileNotFoundError: the contract was not installed with the service.
    """
    document: dict[str, Any] = yaml.safe_load(_text())
    return document


def _text() -> str:
    packaged = files("rillcast_service") / "openapi" / _NAME
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    # A working copy keeps the contract at the top of the repository.
    return (Path(__file__).parents[3] / "openapi" / _NAME).read_text(encoding="utf-8")
