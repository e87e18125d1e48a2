"""/v1/quotes: asking, waiting, repeating, reading, cancelling."""

from datetime import UTC, datetime, timedelta

import pytest

from rillcast_service.api import quotes
from rillcast_service.store.rows import QuoteState


def test_a_quote_is_accepted_and_announced(client, ask, dispatcher):
    response = ask()
    assert response.status_code == 202
    quote = response.json
    assert response.headers["Location"] == f"/v1/quotes/{quote['quote_id']}"
    assert int(response.headers["Retry-After"]) >= 1
    assert (quote["state"], quote["progress"], quote["step"]) == ("queued", 0, None)
    assert quote["result"] is quote["problem"] is quote["finished_at"] is None
    assert dispatcher.notified == [quote["quote_id"]]


def test_start_is_now_unless_it_is_said(ask):
    start = datetime.fromisoformat(ask().json["request"]["start"])
    assert abs(datetime.now(UTC) - start) < timedelta(seconds=30)
    said = ask(start="2027-03-01T09:00:00+01:00").json["request"]["start"]
    assert said == "2027-03-01T09:00:00+01:00"


def test_the_request_is_echoed_as_it_was_understood(ask, layout_id):
    asked = {"routes": ["cast_printed_mould"], "bench": {"plasma": None}, "rule_sets": ["interoperability"]}
    request = ask(quantity=24.0, seed=7, **asked).json["request"]
    assert request["layout_id"] == layout_id
    assert request["quantity"] == 24
    assert {key: request[key] for key in asked} == asked
    assert request["seed"] == 7


def test_the_job_gets_a_snapshot_that_later_changes_do_not_reach(client, store, ask, layout_id):
    client.put("/v1/bench/printers/masked_lcd_35um", json={"values": {"setup_min": 3}})
    quote_id = ask().json["quote_id"]
    client.delete(f"/v1/layouts/{layout_id}")
    client.delete("/v1/bench/printers/masked_lcd_35um")
    claim = store.claim("test", lease_s=30, max_attempts=3)
    assert claim.quote_id == quote_id
    assert set(claim.payload) == {"layout", "request", "bench"}
    assert [layer["role"] for layer in claim.payload["layout"]["layers"]].count("channels") == 1
    assert claim.payload["bench"] == [
        {"kind": "printers", "name": "masked_lcd_35um", "values": {"setup_min": 3}}
    ]
    assert claim.payload["request"]["start"]
    assert client.get(f"/v1/quotes/{quote_id}").status_code == 200


def test_progress_shows_while_the_work_goes_on(client, store, ask):
    quote_id = ask().json["quote_id"]
    claim = store.claim("test", lease_s=30, max_attempts=3)
    store.report(claim, progress=0.4, step="as made and review")
    response = client.get(f"/v1/quotes/{quote_id}")
    assert (response.json["state"], response.json["progress"]) == ("running", 0.4)
    assert response.json["step"] == "as made and review"
    assert response.headers["Retry-After"] == "1"
    assert response.cache_control.no_store
    assert "ETag" not in response.headers


def test_a_finished_quote_holds_its_result(client, store, ask, finish, example_result):
    quote_id = ask().json["quote_id"]
    finish(store)
    response = client.get(f"/v1/quotes/{quote_id}")
    assert response.json["state"] == "done"
    assert response.json["progress"] == 1
    assert response.json["result"] == example_result
    assert response.json["assumptions"] == example_result["assumptions"]
    assert response.json["links"]["document"] == f"/v1/quotes/{quote_id}/document"
    assert "cancel" not in response.json["links"]
    assert datetime.fromisoformat(response.json["finished_at"]).tzinfo


def test_a_failed_quote_is_a_quote_with_a_problem(client, store, ask):
    quote_id = ask().json["quote_id"]
    claim = store.claim("test", lease_s=30, max_attempts=3)
    problem = {
        "type": "/problems/layout-invalid",
        "title": "The layout cannot be used",
        "status": 422,
        "detail": "Port 'sample' touches no channel.",
        "errors": [{"message": "Port 'sample' touches no channel.", "remedy": "Move it."}],
    }
    store.fail(claim, problem=problem)
    response = client.get(f"/v1/quotes/{quote_id}")
    assert response.status_code == 200
    assert (response.json["state"], response.json["problem"]) == ("failed", problem)


class TestWaiting:
    def test_a_quote_done_within_the_time_is_201(self, ask, dispatcher, finish):
        dispatcher.work = finish
        response = ask(headers={"Prefer": "wait=5"})
        assert response.status_code == 201
        assert response.json["state"] == "done"
        assert response.headers["Preference-Applied"] == "wait=5"
        assert response.headers["Location"] == f"/v1/quotes/{response.json['quote_id']}"
        assert response.headers["ETag"]

    def test_a_quote_that_takes_longer_is_202(self, ask, monkeypatch):
        monkeypatch.setattr(quotes, "_LOOK_S", 0.01)
        response = ask(headers={"Prefer": "respond-async, wait=1"})
        assert response.status_code == 202
        assert response.json["state"] == "queued"

    def test_no_request_waits_longer_than_the_service_allows(self, ask, app, monkeypatch):
        waited = []
        monkeypatch.setattr(quotes.time, "sleep", waited.append)
        clock = iter(range(10_000))
        monkeypatch.setattr(quotes.time, "monotonic", lambda: next(clock))
        assert ask(headers={"Prefer": "wait=999999"}).status_code == 202
        # The clock goes a second a look, so 30 looks are 30 s, the longest by default.
        assert 25 <= len(waited) <= 31

    @pytest.mark.parametrize("prefer", ["wait=soon", "wait=-1", "wait", "handling=lenient"])
    def test_a_preference_that_cannot_be_read_is_ignored(self, ask, prefer):
        response = ask(headers={"Prefer": prefer})
        assert response.status_code == 202
        assert "Preference-Applied" not in response.headers

    def test_requests_that_wait_leave_threads_for_others(self, ask, app):
        seats = app.extensions["rillcast"].seats
        taken = 0
        while seats.acquire(blocking=False):
            taken += 1
        assert taken == 4  # half of 8 threads
        begun = datetime.now(UTC)
        response = ask(headers={"Prefer": "wait=20"})
        assert response.status_code == 202
        assert "Preference-Applied" not in response.headers
        assert datetime.now(UTC) - begun < timedelta(seconds=5)


class TestRepeating:
    def test_the_same_key_and_body_give_the_same_quote(self, ask, dispatcher):
        headers = {"Idempotency-Key": "7c1b8c1e"}
        first, again = ask(headers=headers), ask(headers=headers)
        assert first.status_code == again.status_code == 202
        assert first.json == again.json

    def test_quotation_marks_around_the_key_make_no_difference(self, ask):
        first = ask(headers={"Idempotency-Key": "7c1b8c1e"})
        assert ask(headers={"Idempotency-Key": '"7c1b8c1e"'}).json["quote_id"] == first.json["quote_id"]

    def test_the_same_key_with_another_body_is_refused(self, client, ask):
        ask(headers={"Idempotency-Key": "k"})
        response = ask(headers={"Idempotency-Key": "k"}, quantity=25)
        assert response.status_code == 422
        assert response.json["type"] == "/problems/idempotency-key-reused"
        assert len(client.get("/v1/quotes").json["items"]) == 1

    def test_a_replay_does_not_need_the_layout_any_more(self, client, ask, layout_id, dispatcher):
        headers = {"Idempotency-Key": "7c1b8c1e"}
        first = ask(headers=headers)
        assert client.delete(f"/v1/layouts/{layout_id}").status_code == 204
        again = ask(headers=headers)
        assert again.status_code == 202
        assert again.json == first.json
        assert ask(headers={"Idempotency-Key": "another"}).status_code == 422, "a new quote does need it"
        assert ask(headers=headers, quantity=25).json["type"] == "/problems/idempotency-key-reused"

    def test_a_replay_is_answered_when_no_more_quotes_are_taken(self, ask, monkeypatch):
        headers = {"Idempotency-Key": "7c1b8c1e"}
        first = ask(headers=headers)
        monkeypatch.setattr("rillcast_service.api.quotes.MAX_UNFINISHED", 1)
        assert ask(headers=headers).json["quote_id"] == first.json["quote_id"]
        assert ask(headers={"Idempotency-Key": "another"}).status_code == 429

    def test_another_key_is_another_quote(self, ask):
        quotes = {ask(headers={"Idempotency-Key": key}).json["quote_id"] for key in ("a", "b")}
        assert len(quotes) == 2

    @pytest.mark.parametrize("key", ["", "x" * 256, "two words"])
    def test_a_key_that_cannot_be_one_is_400(self, client, ask, key):
        response = ask(headers={"Idempotency-Key": key})
        assert response.status_code == 400
        assert client.get("/v1/quotes").json["items"] == []


class TestCaching:
    def test_a_finished_quote_is_not_sent_twice(self, client, store, ask, finish):
        path = ask().headers["Location"]
        finish(store)
        etag = client.get(path).headers["ETag"]
        again = client.get(path, headers={"If-None-Match": etag})
        assert (again.status_code, again.data) == (304, b"")
        assert again.headers["X-Request-Id"]
        assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200

    def test_an_unfinished_quote_is_always_sent(self, client, ask):
        path = ask().headers["Location"]
        assert client.get(path, headers={"If-None-Match": "*"}).status_code == 200


class TestCancelling:
    def test_a_waiting_quote_is_cancelled_once_and_for_all(self, client, store, ask):
        path = ask().headers["Location"]
        for _ in range(2):
            response = client.post(f"{path}/cancel")
            assert (response.status_code, response.json["state"]) == (200, "cancelled")
        assert store.claim("test", lease_s=30, max_attempts=3) is None

    def test_a_running_quote_is_cancelled(self, client, store, ask):
        path = ask().headers["Location"]
        claim = store.claim("test", lease_s=30, max_attempts=3)
        assert client.post(f"{path}/cancel").json["state"] == "cancelled"
        assert not store.holds(claim)

    def test_a_finished_quote_stays_finished(self, client, store, ask, finish):
        path = ask().headers["Location"]
        finish(store)
        response = client.post(f"{path}/cancel")
        assert response.status_code == 409
        assert response.json["type"] == "/problems/quote-finished"
        assert client.get(path).json["state"] == "done"

    def test_an_unknown_quote_cannot_be_cancelled(self, client):
        assert client.post("/v1/quotes/quo_none/cancel").status_code == 404


def test_the_list_tells_of_quotes_without_their_results(client, store, ask, finish):
    first, second = ask().json["quote_id"], ask(quantity=48).json["quote_id"]
    finish(store)
    items = client.get("/v1/quotes").json["items"]
    assert [item["quote_id"] for item in items] == [second, first]
    assert [item["quantity"] for item in items] == [48, 24]
    assert [item["state"] for item in items] == ["queued", "done"]
    assert all("result" not in item for item in items)


def test_no_more_quotes_wait_than_may(ask, monkeypatch, client):
    monkeypatch.setattr(quotes, "MAX_UNFINISHED", 1)
    assert ask().status_code == 202
    response = ask()
    assert response.status_code == 429
    assert int(response.headers["Retry-After"]) >= 1
    assert len(client.get("/v1/quotes").json["items"]) == 1


def test_an_inline_layout_becomes_a_layout_of_its_own(client, ask, straight):
    response = ask(layout_id=..., layout=straight)
    assert response.status_code == 202
    assert "layout" not in response.json["request"]
    kept = response.json["request"]["layout_id"]
    assert client.get(f"/v1/layouts/{kept}").json["source_format"] == "geojson"


def test_the_store_knows_the_states_of_the_contract():
    assert {state for state in QuoteState if state.final} == {"done", "failed", "cancelled"}
