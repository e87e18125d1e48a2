"""A client that holds every exchange of every API test against the contract, and a worker at hand."""

from __future__ import annotations

import copy
import io
import json
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask
from flask.testing import EnvironBuilder, FlaskClient
from jsonschema import Draft202012Validator
from openapi_core import Config, OpenAPI
from openapi_core.contrib.werkzeug import WerkzeugOpenAPIRequest, WerkzeugOpenAPIResponse
from openapi_core.templating.paths.exceptions import PathError
from werkzeug import Request
from werkzeug.test import TestResponse

from rillcast_service.api.app import create_app
from rillcast_service.api.contract import contract
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Artefact


def _json(body: bytes, **_: str) -> Any:
    return json.loads(body)


class ContractClient(FlaskClient):
    """Fails a test when an answer is not one that the contract describes, or when a request that the
    service accepts is not one that the contract allows."""

    openapi = OpenAPI.from_dict(
        contract(),
        config=Config(
            extra_media_type_deserializers={
                "application/problem+json": _json,
                "text/csv": lambda body, **_: body.decode(),
                "application/geo+json": _json,
            }
        ),
    )
    problem = Draft202012Validator(
        {"$ref": "#/components/schemas/Problem", "components": contract()["components"]}
    )

    def open(self, *args: Any, **kwargs: Any) -> TestResponse:
        options = {key: kwargs.pop(key) for key in ("buffered", "follow_redirects") if key in kwargs}
        builder = EnvironBuilder(self.application, *args, **kwargs)
        builder.environ_base = {**self.environ_base, **(builder.environ_base or {})}
        try:
            environ = builder.get_environ()
        finally:
            builder.close()
        body = environ["wsgi.input"].read()
        response = super().open({**environ, "wsgi.input": io.BytesIO(body)}, **options)
        self._check({**environ, "wsgi.input": io.BytesIO(body)}, response)
        return response

    def _check(self, environ: dict[str, Any], response: TestResponse) -> None:
        request = WerkzeugOpenAPIRequest(Request(environ))
        answer = WerkzeugOpenAPIResponse(response)
        if response.status_code >= 400:
            assert response.mimetype == "application/problem+json"
            self.problem.validate(json.loads(response.data))
            assert response.json["status"] == response.status_code
            assert response.json["errors"], "no refusal without a way out"
            assert all(error["message"] and error["remedy"] for error in response.json["errors"])
            assert b"Traceback" not in response.data
        try:
            self.openapi.validate_response(request, answer)
        except PathError:
            # No operation of the contract, so it can only be a refusal.
            assert response.status_code in (400, 401, 404, 405)
            return
        if response.status_code < 400:
            self.openapi.validate_request(request)


class AtOnce:
    """A dispatcher that is its own worker: the quote is finished before the answer is written.

    `work` says how; by default with the result of the contract's example.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self.notified: list[str] = []
        self.work: Callable[[Store], None] | None = None

    def notify(self, job_id: str) -> None:
        self.notified.append(job_id)
        if self.work is not None:
            self.work(self.store)

    def close(self) -> None:
        pass


EXAMPLE_RESULT = contract()["components"]["examples"]["QuoteDone"]["value"]["result"]

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"></svg>'


def finish_oldest(store: Store) -> None:
    """Finish the oldest waiting quote with the contract's example."""
    claim = store.claim("test", lease_s=30, max_attempts=3)
    assert claim is not None
    picture = Artefact("cast_printed_mould", "findings", "image/svg+xml", SVG.encode())
    assert store.finish(claim, result=EXAMPLE_RESULT, files=[picture])


@pytest.fixture
def dispatcher(store: Store) -> AtOnce:
    return AtOnce(store)


@pytest.fixture
def app(settings: Settings, store: Store, dispatcher: AtOnce, readers: ReaderPool) -> Flask:
    app = create_app(settings, store, dispatcher, readers)
    app.test_client_class = ContractClient
    return app


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


#: A straight channel 200 µm wide and 20 mm long between two ports, on a 30 × 20 mm chip.
STRAIGHT = {
    "type": "FeatureCollection",
    "units": "mm",
    "features": [
        {
            "type": "Feature",
            "properties": {"layer": "channels"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[5, 9.9], [25, 9.9], [25, 10.1], [5, 10.1], [5, 9.9]]],
            },
        },
        *(
            {
                "type": "Feature",
                "properties": {"layer": "ports", "name": name, "role": role, "bore_mm": 1.5},
                "geometry": {"type": "Point", "coordinates": [x, 10]},
            }
            for name, role, x in (("sample", "inlet", 5), ("waste", "outlet", 25))
        ),
        {
            "type": "Feature",
            "properties": {"layer": "outline"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[0, 0], [30, 0], [30, 20], [0, 20], [0, 0]]],
            },
        },
    ],
}

#: The same as a drawing.
STRAIGHT_SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
  <g id="outline"><rect width="30" height="20"/></g>
  <g id="channels"><rect x="5" y="9.9" width="20" height="0.2"/></g>
  <g id="ports"><circle id="sample" cx="5" cy="10" r="0.75"/><circle id="waste" cx="25" cy="10" r="0.75"/></g>
</svg>"""


@pytest.fixture
def upload(client: FlaskClient) -> Callable[..., TestResponse]:
    """Sends a layout; by default the straight channel as a drawing."""

    def send(
        body: str | bytes = STRAIGHT_SVG, media_type: str = "image/svg+xml", **query: Any
    ) -> TestResponse:
        return client.post("/v1/layouts", data=body, content_type=media_type, query_string=query)

    return send


@pytest.fixture
def layout_id(upload: Callable[..., TestResponse]) -> str:
    """The straight channel, kept."""
    return str(upload().json["layout_id"])


@pytest.fixture
def ask(client: FlaskClient, layout_id: str) -> Callable[..., TestResponse]:
    """Asks for a quote of the straight channel, 24 pieces, 150 µm deep, unless told otherwise."""

    def send(headers: dict[str, str] | None = None, **members: Any) -> TestResponse:
        body = {"layout_id": layout_id, "quantity": 24, "depths_um": {"channels": 150}, **members}
        body = {key: value for key, value in body.items() if value is not ...}
        return client.post("/v1/quotes", json=body, headers=headers)

    return send


@pytest.fixture
def finish() -> Callable[[Store], None]:
    """Finishes the oldest waiting quote with the contract's example."""
    return finish_oldest


@pytest.fixture
def example_result() -> dict[str, Any]:
    return copy.deepcopy(EXAMPLE_RESULT)


@pytest.fixture
def straight() -> dict[str, Any]:
    return copy.deepcopy(STRAIGHT)


@pytest.fixture
def straight_svg() -> str:
    return STRAIGHT_SVG
