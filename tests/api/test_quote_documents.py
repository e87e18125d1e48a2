"""What a finished quote comes as: page, cost lines, pictures."""

import csv
import io
from decimal import Decimal

import pytest


@pytest.fixture
def quote(store, ask, finish):
    path = ask().headers["Location"]
    finish(store)
    return path


def test_the_quotation_is_a_page_that_can_do_nothing(client, quote):
    response = client.get(f"{quote}/document")
    assert response.status_code == 200
    assert response.content_type == "text/html; charset=utf-8"
    assert b"Silicone cast on a printed mould" in response.data
    assert b"<svg" in response.data
    assert b"<script" not in response.data
    assert "sandbox" in response.headers["Content-Security-Policy"]
    assert response.headers["Referrer-Policy"] == "no-referrer"


def test_the_quotation_keeps_the_name_of_a_layout_that_is_deleted(client, store, upload, ask, finish):
    layout_id = upload(name="River nitrate chip").json["layout_id"]
    path = ask(layout_id=layout_id).headers["Location"]
    finish(store)
    assert client.delete(f"/v1/layouts/{layout_id}").status_code == 204
    assert "<h1>River nitrate chip, 24 pieces</h1>" in client.get(f"{path}/document").text


@pytest.mark.parametrize(("query", "whole"), [("", 1), ("?detail=brief", 1), ("?detail=full", 2)])
def test_detail_says_how_many_routes_are_told_whole(client, store, ask, example_result, query, whole):
    example_result["routes"].append(example_result["routes"][0] | {"route": "cast_wafer_mould"})
    path = ask().headers["Location"]
    claim = store.claim("test", lease_s=30, max_attempts=3)
    assert store.finish(claim, result=example_result, files=[])
    page = client.get(f"{path}/document{query}").text
    assert page.count('<section class="route"') == whole
    assert page.count('<section class="route brief"') == 2 - whole


@pytest.mark.parametrize(
    "query", ["detail=everything", "detail=", "details=full", "detail=full&detail=brief"]
)
def test_a_detail_that_is_none_is_refused(client, quote, query):
    response = client.get(f"{quote}/document?{query}")
    assert response.status_code == 422
    assert response.json["errors"][0]["where"].startswith("parameter detail")


def test_the_cost_lines_add_up_to_the_price_with_tax(client, quote, example_result):
    response = client.get(f"{quote}/document", headers={"Accept": "text/csv"})
    assert response.content_type == "text/csv; charset=utf-8"
    lines = list(csv.DictReader(io.StringIO(response.text)))
    total = sum(Decimal(line["amount"]) for line in lines)
    assert total == Decimal(example_result["routes"][0]["cost"]["amount"]) == Decimal("53.55")


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        ("*/*", "text/html"),
        ("text/*", "text/html"),
        ("text/csv, text/html;q=0.5", "text/csv"),
        ("application/pdf, text/csv;q=0.1", "text/csv"),
    ],
)
def test_accept_chooses_the_form(client, quote, accept, media_type):
    assert client.get(f"{quote}/document", headers={"Accept": accept}).mimetype == media_type


@pytest.mark.parametrize("accept", ["application/pdf", "image/png", "text/html;q=0, application/json"])
def test_a_form_that_is_not_on_offer_is_406(client, quote, accept):
    response = client.get(f"{quote}/document", headers={"Accept": accept})
    assert response.status_code == 406
    assert "text/html" in response.json["detail"]
    assert "text/csv" in response.json["detail"]
    (error,) = response.json["errors"]
    assert error["where"] == "header Accept"
    assert "text/html or text/csv" in error["remedy"]


def test_a_picture_of_a_route(client, quote):
    response = client.get(f"{quote}/pictures/cast_printed_mould/findings")
    assert response.mimetype == "image/svg+xml"
    assert response.data.startswith(b"<svg")
    assert "sandbox" in response.headers["Content-Security-Policy"]


@pytest.mark.parametrize("name", ["cast_printed_mould/portrait", "carved_soap/findings"])
def test_a_picture_that_is_not_there(client, quote, name):
    assert client.get(f"{quote}/pictures/{name}").status_code == 404


@pytest.mark.parametrize("part", ["document", "pictures/cast_printed_mould/findings"])
def test_an_unfinished_quote_has_no_documents(client, ask, part):
    path = ask().headers["Location"]
    response = client.get(f"{path}/{part}")
    assert response.status_code == 409
    assert response.json["type"] == "/problems/quote-not-done"
    assert response.headers["Retry-After"]
    client.post(f"{path}/cancel")
    response = client.get(f"{path}/{part}")
    assert response.status_code == 409
    assert "Retry-After" not in response.headers


@pytest.mark.parametrize("part", ["", "/document", "/pictures/cast_printed_mould/findings"])
def test_an_unknown_quote_is_404(client, part):
    assert client.get(f"/v1/quotes/quo_none{part}").status_code == 404
