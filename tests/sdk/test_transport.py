"""Retries, timeouts, credentials and errors of the one function that sends requests."""

from __future__ import annotations

import json
import socket
import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import pytest
import requests
import responses

from rillcast import (
    ApiConnectionError,
    ApiError,
    ApiStatusError,
    ApiTimeoutError,
    AuthenticationError,
    Client,
    ConflictError,
    InvalidInputError,
    LayoutUnitsMissingError,
    NotFoundError,
    RateLimitedError,
    ServerError,
    UnexpectedAnswerError,
)
from rillcast._transport import LONGEST_DELAY_S, LONGEST_RETRY_AFTER_S, Transport

BASE = "http://rillcast.test"
LINK = "/v1/routes"


@pytest.fixture
def pauses() -> list[float]:
    return []


@pytest.fixture
def jitter() -> list[tuple[float, float]]:
    return []


@pytest.fixture
def transport(pauses: list[float], jitter: list[tuple[float, float]]) -> Transport:
    def uniform(low: float, high: float) -> float:
        jitter.append((low, high))
        return high

    return Transport(
        BASE, api_key="secret-key", timeout=(1, 2), max_retries=2, sleep=pauses.append, uniform=uniform
    )


@pytest.fixture
def answers() -> Any:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


@pytest.mark.parametrize("status", [429, 500, 502, 503, 504])
def test_an_answer_that_may_pass_is_asked_for_again(answers, transport, status):
    answers.get(BASE + LINK, status=status)
    answers.get(BASE + LINK, json={"items": []})
    assert transport.request("GET", LINK).json() == {"items": []}
    assert len(answers.calls) == 2


@pytest.mark.parametrize("status", [400, 401, 403, 404, 409, 413, 415, 422])
def test_an_answer_that_will_stay_is_not_asked_for_again(answers, transport, status):
    answers.get(BASE + LINK, status=status)
    with pytest.raises(ApiStatusError) as caught:
        transport.request("GET", LINK)
    assert caught.value.status == status
    assert len(answers.calls) == 1


def test_retries_are_bounded_and_spread_with_full_jitter(answers, transport, pauses, jitter):
    answers.get(BASE + LINK, status=503)
    with pytest.raises(ServerError):
        transport.request("GET", LINK)
    assert len(answers.calls) == 3  # the first attempt and two more
    assert jitter == [(0.0, 0.5), (0.0, 1.0)]  # from zero to a bound that doubles
    assert pauses == [0.5, 1.0]


def test_the_pause_never_grows_beyond_its_bound(answers, pauses, jitter):
    transport = Transport(
        BASE,
        api_key=None,
        timeout=(1, 2),
        max_retries=9,
        sleep=pauses.append,
        uniform=lambda low, high: jitter.append((low, high)) or high,
    )
    answers.get(BASE + LINK, status=503)
    with pytest.raises(ServerError):
        transport.request("GET", LINK)
    assert max(pauses) == LONGEST_DELAY_S


def test_retry_after_in_seconds_is_honoured(answers, transport, pauses):
    answers.get(BASE + LINK, status=429, headers={"Retry-After": "7"})
    answers.get(BASE + LINK, json={})
    transport.request("GET", LINK)
    assert pauses == [7.0]


def test_retry_after_as_a_date_is_honoured(answers, transport, pauses):
    at = format_datetime(datetime.now(UTC) + timedelta(seconds=30), usegmt=True)
    answers.get(BASE + LINK, status=503, headers={"Retry-After": at})
    answers.get(BASE + LINK, json={})
    transport.request("GET", LINK)
    # The date has whole seconds, and a moment passes between writing and reading it.
    assert len(pauses) == 1
    assert 27.0 < pauses[0] <= 30.0


@pytest.mark.parametrize("value", ["soon", "-3", "1.5e3x"])
def test_a_retry_after_that_cannot_be_read_counts_as_unsaid(answers, transport, pauses, value):
    answers.get(BASE + LINK, status=503, headers={"Retry-After": value})
    answers.get(BASE + LINK, json={})
    transport.request("GET", LINK)
    assert pauses == [0.5]


def test_a_long_retry_after_is_left_to_the_caller(answers, transport, pauses):
    answers.get(BASE + LINK, status=429, headers={"Retry-After": str(int(LONGEST_RETRY_AFTER_S) + 1)})
    with pytest.raises(RateLimitedError) as caught:
        transport.request("GET", LINK)
    assert caught.value.retry_after == LONGEST_RETRY_AFTER_S + 1
    assert pauses == []


@pytest.mark.parametrize(
    "fault",
    [
        requests.ConnectionError("reset"),
        requests.Timeout("late"),
        requests.exceptions.ChunkedEncodingError("cut"),
    ],
)
def test_a_lost_connection_is_tried_again(answers, transport, fault):
    answers.get(BASE + LINK, body=fault)
    answers.get(BASE + LINK, json={"ok": True})
    assert transport.request("GET", LINK).json() == {"ok": True}


def test_no_connection_at_all_says_where_it_was_looked_for(answers, transport):
    answers.get(BASE + LINK, body=requests.ConnectionError("refused"))
    with pytest.raises(ApiConnectionError, match="service running") as caught:
        transport.request("GET", LINK)
    assert not isinstance(caught.value, ApiTimeoutError)
    assert len(answers.calls) == 3


def test_a_timeout_has_its_own_error(answers, transport):
    answers.get(BASE + LINK, body=requests.ReadTimeout("late"))
    with pytest.raises(ApiTimeoutError):
        transport.request("GET", LINK)


def test_a_wrong_certificate_is_not_tried_again(answers, transport):
    answers.get(BASE + LINK, body=requests.exceptions.SSLError("certificate"))
    with pytest.raises(ApiConnectionError):
        transport.request("GET", LINK)
    assert len(answers.calls) == 1


def test_a_service_that_does_not_answer_is_given_up_after_the_timeout():
    # A listening socket that nobody reads from: connecting works, an answer never comes.
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        with Client(address, timeout=(1.0, 0.1), max_retries=0) as client, pytest.raises(ApiTimeoutError):
            client.health()


def test_a_connection_that_is_reset_under_way_is_tried_again(pauses):
    """The first connection is cut before an answer; the second gets one."""
    body = b'{"status": "ok", "version": "1"}'

    def serve(listener: socket.socket) -> None:
        connection, _ = listener.accept()
        connection.recv(4096)
        connection.close()
        connection, _ = listener.accept()
        connection.recv(4096)
        connection.sendall(
            b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nConnection: close\r\nContent-Length: "
            + str(len(body)).encode()
            + b"\r\n\r\n"
            + body
        )
        connection.close()

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener,), daemon=True)
        thread.start()
        with Client(f"http://127.0.0.1:{listener.getsockname()[1]}") as client:
            client._transport.sleep = pauses.append
            assert client.health()["status"] == "ok"
        thread.join(5)
    assert len(pauses) == 1


def test_only_an_idempotency_conflict_is_waited_for(answers, transport):
    answers.post(
        BASE + "/v1/quotes", status=409, json={"type": "/problems/idempotency-in-flight", "title": "Busy"}
    )
    answers.post(BASE + "/v1/quotes", status=202, json={})
    assert transport.request("POST", "/v1/quotes", json={}).status_code == 202

    answers.post(
        BASE + "/v1/quotes/q/cancel", status=409, json={"type": "/problems/quote-finished", "title": "Done"}
    )
    with pytest.raises(ConflictError):
        transport.request("POST", "/v1/quotes/q/cancel")


def test_the_idempotency_key_is_made_once_per_call_and_kept_over_retries(answers):
    answers.post(BASE + "/v1/quotes", status=503)
    answers.post(BASE + "/v1/quotes", body=requests.ConnectionError("reset"))
    answers.post(BASE + "/v1/quotes", status=202, json={"quote_id": "quo_1", "state": "queued"})
    with Client(BASE) as client:
        client._transport.sleep = lambda _: None
        client.create_quote("lay_1", quantity=1)
        client.create_quote("lay_1", quantity=1)
        client.create_quote("lay_1", quantity=1, idempotency_key="mine")
    keys = [call.request.headers["Idempotency-Key"] for call in answers.calls]
    assert len(set(keys[:3])) == 1, "each attempt of one call carries the same key"
    assert keys[3] != keys[0], "another call carries another key"
    assert keys[4] == "mine"


def test_a_delete_whose_answer_got_lost_counts_as_done(answers, transport):
    answers.delete(BASE + "/v1/layouts/lay_1", body=requests.ConnectionError("reset"))
    answers.delete(BASE + "/v1/layouts/lay_1", status=404)
    assert transport.request("DELETE", "/v1/layouts/lay_1").status_code == 404

    answers.delete(BASE + "/v1/layouts/lay_2", status=404)
    with pytest.raises(NotFoundError):
        transport.request("DELETE", "/v1/layouts/lay_2")


def test_the_key_travels_as_a_bearer_token_and_shows_nowhere_else(answers, transport):
    answers.get(
        BASE + LINK, status=401, json={"type": "/problems/unauthorized", "title": "No key", "status": 401}
    )
    with pytest.raises(AuthenticationError) as caught:
        transport.request("GET", LINK)
    assert answers.calls[0].request.headers["Authorization"] == "Bearer secret-key"
    assert "secret-key" not in f"{caught.value} {caught.value!r} {Client(BASE, api_key='secret-key')!r}"


def test_without_a_key_no_credentials_are_sent_not_even_from_netrc(answers, tmp_path, monkeypatch):
    netrc = tmp_path / "netrc"
    netrc.write_text("machine rillcast.test login me password hidden\n")
    monkeypatch.setenv("NETRC", str(netrc))
    answers.get(BASE + "/healthz", json={"status": "ok"})
    with Client(BASE) as client:
        client.health()
    assert "Authorization" not in answers.calls[0].request.headers


def test_a_link_to_another_host_is_not_followed(answers, transport):
    answers.get("http://elsewhere.test/v1/routes", json={})
    with pytest.raises(UnexpectedAnswerError, match="another host"):
        transport.request("GET", "http://elsewhere.test/v1/routes")
    assert len(answers.calls) == 0


def test_a_redirect_is_an_error_not_a_detour(answers, transport):
    answers.get(BASE + LINK, status=302, headers={"Location": "http://elsewhere.test/"})
    with pytest.raises(UnexpectedAnswerError, match="redirects"):
        transport.request("GET", LINK)
    assert len(answers.calls) == 1


def test_a_path_prefix_of_the_base_url_is_kept(answers):
    answers.get(BASE + "/rillcast/healthz", json={"status": "ok"})
    with Client(BASE + "/rillcast/") as client:
        assert client.health() == {"status": "ok"}


def test_an_address_that_is_none_is_refused_at_once():
    with pytest.raises(ValueError, match="http://host:port"):
        Client("127.0.0.1:8000")


def test_a_problem_document_becomes_an_error_that_says_what_where_and_how_to_mend_it(answers, transport):
    answers.post(
        BASE + "/v1/layouts",
        status=422,
        body=json.dumps(
            {
                "type": "/problems/layout-units-missing",
                "title": "The layout has no real unit",
                "status": 422,
                "detail": "The sheet is 76 by 26 of nothing.",
                "errors": [
                    {
                        "message": "No unit.",
                        "remedy": "Give unit=mm.",
                        "where": "root element",
                        "pointer": None,
                    }
                ],
            }
        ),
        content_type="application/problem+json",
        headers={"X-Request-Id": "req_42"},
    )
    with pytest.raises(LayoutUnitsMissingError) as caught:
        transport.request("POST", "/v1/layouts", body=b"<svg/>")
    error = caught.value
    assert isinstance(error, InvalidInputError)
    assert isinstance(error, ApiError)
    assert error.problem.slug == "layout-units-missing"
    assert error.problem.errors[0].remedy == "Give unit=mm."
    assert error.request_id == "req_42"
    for part in ("The layout has no real unit", "No unit.", "Give unit=mm.", "root element", "req_42"):
        assert part in str(error)


@pytest.mark.parametrize(
    ("body", "content_type"),
    [
        ("<html>Bad gateway</html>", "text/html"),
        ("{broken", "application/problem+json"),
        ("[1, 2]", "application/json"),
        ('{"title": 7}', "application/problem+json"),
        ("", "application/problem+json"),
    ],
)
def test_an_error_without_a_problem_document_still_says_the_status(answers, transport, body, content_type):
    answers.get(BASE + LINK, status=418, body=body, content_type=content_type)
    with pytest.raises(ApiStatusError, match="418"):
        transport.request("GET", LINK)


def test_every_request_names_the_client(answers, transport):
    answers.get(BASE + LINK, json={})
    transport.request("GET", LINK)
    assert answers.calls[0].request.headers["User-Agent"].startswith("rillcast/0.")


def test_a_session_of_the_caller_is_used_and_left_open():
    class Counting(requests.Session):
        closed = 0

        def close(self) -> None:
            Counting.closed += 1

    with Counting() as session:
        with Client(BASE, session=session):
            pass
        assert Counting.closed == 0
