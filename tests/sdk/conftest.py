"""A real HTTP server with canned answers, and finished quotes from the contract's own examples."""

from __future__ import annotations

import copy
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import yaml

from rillcast import Client

CONTRACT = Path(__file__).parents[2] / "openapi" / "rillcast.yaml"


@dataclass
class Seen:
    """A request as the server saw it."""

    method: str
    path: str
    query: dict[str, str]
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class CannedService:
    """Answers by method and path, in the order given; the last one again and again."""

    url: str = ""
    seen: list[Seen] = field(default_factory=list)
    answers: dict[tuple[str, str], list[tuple[int, dict[str, str], bytes]]] = field(default_factory=dict)

    def answer(
        self,
        method: str,
        path: str,
        body: Any = b"",
        *,
        status: int = 200,
        headers: dict[str, str] | None = None,
    ) -> None:
        kind = {}
        if not isinstance(body, bytes):
            body, kind = json.dumps(body).encode(), {"Content-Type": "application/json"}
        self.answers.setdefault((method, path), []).append((status, kind | (headers or {}), body))

    def problem(self, method: str, path: str, status: int, slug: str, **members: Any) -> None:
        document = {
            "type": f"/problems/{slug}",
            "title": "Refused",
            "status": status,
            "detail": "No.",
            **members,
        }
        self.answer(
            method,
            path,
            document,
            status=status,
            headers={"Content-Type": "application/problem+json", "X-Request-Id": "req_1"},
        )

    def requests(self, method: str, path: str) -> list[Seen]:
        return [seen for seen in self.seen if (seen.method, seen.path) == (method, path)]


@pytest.fixture
def service() -> Iterator[CannedService]:
    canned = CannedService()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_any(self) -> None:
            parts = urlsplit(self.path)
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            query = {key: values[0] for key, values in parse_qs(parts.query).items()}
            canned.seen.append(Seen(self.command, parts.path, query, dict(self.headers), body))
            answers = canned.answers.get((self.command, parts.path)) or [(404, {}, b"nothing here")]
            status, headers, content = answers.pop(0) if len(answers) > 1 else answers[0]
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        do_GET = do_POST = do_PUT = do_DELETE = handle_any  # noqa: N815

        def log_message(self, *_: Any) -> None:
            """Keep the test's output clean."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    canned.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield canned
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """No address, key or proxy of the machine that runs the tests."""
    for name in (
        "RILLCAST_BASE_URL",
        "RILLCAST_API_KEY",
        "HTTP_PROXY",
        "http_proxy",
        "ALL_PROXY",
        "all_proxy",
    ):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def client(service: CannedService) -> Iterator[Client]:
    """A client of the canned service that never really pauses."""
    with Client(service.url) as client:
        client._transport.sleep = lambda _: None
        yield client


@pytest.fixture(scope="session")
def contract() -> dict[str, Any]:
    return yaml.safe_load(CONTRACT.read_text(encoding="utf-8"))


@pytest.fixture
def example(contract: dict[str, Any]) -> Any:
    """An example of the contract by its name, a fresh copy."""
    return lambda name: copy.deepcopy(contract["components"]["examples"][name]["value"])


@pytest.fixture
def done(example: Any) -> dict[str, Any]:
    return example("QuoteDone")


@pytest.fixture
def queued(example: Any) -> dict[str, Any]:
    return example("QuoteQueued")
