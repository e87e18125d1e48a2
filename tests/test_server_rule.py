"""Tests that need a server: skipped without it on a desk, failed without it in continuous integration."""

from __future__ import annotations

from collections.abc import Callable

import pytest

NAME = "RILLCAST_TEST_NO_SUCH_URL"


def test_on_a_desk_a_missing_server_skips_with_the_reason(
    require_env: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match=NAME):
        require_env(NAME)


def test_in_continuous_integration_a_missing_server_fails(
    require_env: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match=NAME):
        require_env(NAME)


def test_a_server_that_is_named_is_used(
    require_env: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(NAME, "redis://desk")
    assert require_env(NAME) == "redis://desk"
