"""Health, readiness, contract, problem types, and what holds for every exchange."""

import pytest
from sqlalchemy.exc import OperationalError
from werkzeug.test import create_environ, run_wsgi_app

from rillcast_service import __version__
from rillcast_service.api.contract import contract
from rillcast_service.api.problems import TYPES


def test_alive(client):
    assert client.get("/healthz").json == {"status": "ok", "version": __version__}


def test_not_ready_without_a_worker(client):
    response = client.get("/readyz")
    assert response.status_code == 503
    assert response.json["type"] == "/problems/not-ready"
    assert "workers" in response.json["detail"]
    assert response.headers["Retry-After"]


def test_ready_with_store_and_worker(client, store):
    store.beat("worker-1")
    assert client.get("/readyz").json == {"status": "ready", "checks": {"store": "up", "workers": "up"}}


def away(*_, **__):
    raise OperationalError("select 1", {}, Exception("could not connect to server: secret-host"))


def test_not_ready_and_not_broken_when_the_store_is_away(client, store, monkeypatch):
    monkeypatch.setattr(type(store), "ping", away)
    monkeypatch.setattr(type(store), "list_quotes", away)
    assert client.get("/healthz").status_code == 200
    assert "store" in client.get("/readyz").json["detail"]
    response = client.get("/v1/quotes")
    assert response.status_code == 503
    assert b"secret" not in response.data


def test_the_contract_is_served_as_it_is(client):
    assert client.get("/openapi.json").json == contract()


@pytest.mark.parametrize("slug", TYPES)
def test_every_problem_type_is_explained_at_its_own_address(client, slug):
    told = client.get(f"/problems/{slug}").json
    assert told["type"] == f"/problems/{slug}"
    assert told["title"]
    assert told["meaning"]


def test_an_unknown_problem_type_is_404(client):
    assert client.get("/problems/bad-luck").status_code == 404


class TestRequestId:
    def test_every_answer_has_its_own(self, client):
        ids = {client.get(path).headers["X-Request-Id"] for path in ("/healthz", "/nowhere", "/v1/layouts")}
        assert len(ids) == 3

    def test_the_senders_is_kept(self, client):
        response = client.get("/nowhere", headers={"X-Request-Id": "run-7.3_b"})
        assert response.headers["X-Request-Id"] == "run-7.3_b"
        assert response.json["instance"] == "/problems/not-found#run-7.3_b"

    @pytest.mark.parametrize("given", ["", "a b", "x" * 129, "é", "<b>"])
    def test_one_that_cannot_stand_in_a_header_or_log_is_replaced(self, client, given):
        response = client.get("/healthz", headers={"X-Request-Id": given})
        assert response.headers["X-Request-Id"].startswith("req_")


class TestRefusals:
    def test_an_address_of_nothing(self, client):
        response = client.get("/v2/quotes")
        assert (response.status_code, response.json["type"]) == (404, "/problems/not-found")

    @pytest.mark.parametrize("path", ["/v1/layouts/lay_1/", "/v1/quotes/../../etc", "/v1/quotes/a%00b"])
    def test_an_odd_address(self, client, path):
        assert client.get(path).status_code == 404

    @pytest.mark.parametrize(
        ("method", "path", "allowed"),
        [
            ("DELETE", "/v1/quotes", {"GET", "POST"}),
            ("PATCH", "/v1/quotes/quo_1", {"GET"}),
            ("POST", "/v1/bench/ovens/mine", {"GET", "PUT", "DELETE"}),
            ("POST", "/healthz", {"GET"}),
        ],
    )
    def test_a_method_that_is_not_there_names_those_that_are(self, client, method, path, allowed):
        response = client.open(path, method=method)
        assert (response.status_code, response.json["type"]) == (405, "/problems/method-not-allowed")
        assert allowed <= set(response.headers["Allow"].split(", "))
        (error,) = response.json["errors"]
        assert all(name in error["remedy"] for name in allowed)

    def test_a_defect_tells_the_log_and_not_the_client(self, client, store, monkeypatch, caplog):
        def broken(*_, **__):
            raise ZeroDivisionError("secret of the inside")

        monkeypatch.setattr(type(store), "list_quotes", broken)
        response = client.get("/v1/quotes")
        assert (response.status_code, response.json["type"]) == (500, "/problems/internal-error")
        assert b"secret" not in response.data
        assert "secret of the inside" in caplog.text
        assert response.headers["X-Request-Id"] in caplog.text

    def test_a_result_that_is_not_finite_never_leaves_as_json(self, app):
        with pytest.raises(ValueError, match="not JSON compliant"):
            app.json.dumps({"reynolds": float("nan")})
        with pytest.raises(ValueError, match="not JSON compliant"):
            app.json.dumps({"reynolds": float("inf")})


def test_nothing_is_cached_or_sniffed_unless_it_says_so(client):
    response = client.get("/v1/layouts")
    assert response.cache_control.no_store
    assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_every_exchange_is_one_line_of_the_log(app, caplog):
    caplog.set_level("INFO", logger="rillcast_service.api.app")
    environ = create_environ(headers={"X-Request-Id": "run-7"})
    run_wsgi_app(app, environ | {"PATH_INFO": "/nowhere\nbut a new line"})
    (record,) = [record for record in caplog.records if record.name == "rillcast_service.api.app"]
    assert record.getMessage().startswith(r"run-7 GET '/nowhere\nbut a new line' 404 ")
