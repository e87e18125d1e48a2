"""What the service answers when reading a layout does not come to its own end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from rillcast_service.api.app import create_app
from rillcast_service.engine.errors import Fault
from rillcast_service.reading.errors import (
    LayoutMemoryLimit,
    LayoutOutputLimit,
    LayoutReaderFailed,
    LayoutTimeLimit,
    ReadersBusy,
)
from rillcast_service.reading.pool import ReadersUnusable
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store


class FailingReaders:
    """Readers that end as told; how the real ones do is tested with them."""

    error: Exception

    def read(self, data: bytes, **_: Any) -> dict[str, Any]:
        raise self.error


@pytest.fixture
def failing() -> FailingReaders:
    return FailingReaders()


@pytest.fixture
def app(settings: Settings, store: Store, dispatcher: Any, app: Flask, failing: FailingReaders) -> Flask:
    """The app of the other tests with those readers."""
    failing_app = create_app(settings, store, dispatcher, failing)  # type: ignore[arg-type]
    failing_app.test_client_class = app.test_client_class
    return failing_app


KINDS = (LayoutTimeLimit, LayoutMemoryLimit, LayoutOutputLimit, LayoutReaderFailed)


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_is_refused_with_a_type_of_its_own(
    upload: Callable[..., TestResponse], failing: FailingReaders, kind: type[Any], client: FlaskClient
) -> None:
    failing.error = kind(Fault("What.", "How to mend it.", where="file 'x'"))
    response = upload()
    assert response.status_code == 422
    assert response.json["type"] == f"/problems/{kind.slug}"
    assert response.json["errors"] == [
        {"message": "What.", "remedy": "How to mend it.", "pointer": None, "where": "file 'x'"}
    ]
    told = client.get(response.json["type"]).json
    assert (told["title"], told["status"]) == (kind.title, 422)


def test_an_inline_layout_is_pointed_at(
    client: FlaskClient, failing: FailingReaders, straight: dict[str, Any]
) -> None:
    failing.error = LayoutTimeLimit(Fault("What.", "How to mend it."))
    response = client.post("/v1/quotes", json={"layout": straight, "quantity": 1})
    assert response.status_code == 422
    assert response.json["type"] == "/problems/layout-time-limit"
    assert response.json["errors"][0]["pointer"] == "#/layout"


def test_busy_readers_ask_for_patience(upload: Callable[..., TestResponse], failing: FailingReaders) -> None:
    failing.error = ReadersBusy(2)
    response = upload()
    assert (response.status_code, response.headers["Retry-After"]) == (503, "2")
    assert response.json["type"] == "/problems/readers-busy"


def test_readers_that_cannot_be_started_are_a_fault_of_the_service(
    upload: Callable[..., TestResponse], failing: FailingReaders
) -> None:
    failing.error = ReadersUnusable("secret of the inside")
    response = upload()
    assert response.status_code == 500
    assert response.json["type"] == "/problems/internal-error"
    assert b"secret" not in response.data
