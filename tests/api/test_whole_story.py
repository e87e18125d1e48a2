"""The real calculation behind the API: what it gives is what the contract describes, number by number."""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest

from rillcast_service.jobs.compute import compute
from rillcast_service.store.rows import Artefact

DEMO = Path(__file__).parents[2] / "sdk" / "rillcast" / "demo" / "river_nitrate_chip.svg"


_computed = {}


def calculate(store):
    """Work off the oldest waiting quote as a worker does."""
    claim = store.claim("test", lease_s=60, max_attempts=3)
    computed = compute(claim.payload, lambda share, step: store.report(claim, progress=share, step=step))
    store_result(store, claim, computed)


def calculate_once(store):
    """The same, but the same question is calculated once for all tests of this file."""
    claim = store.claim("test", lease_s=60, max_attempts=3)
    question = json.dumps(claim.payload, sort_keys=True)
    if question not in _computed:
        _computed[question] = compute(claim.payload, lambda share, step: None)
    store_result(store, claim, _computed[question])


def store_result(store, claim, computed):
    files = [Artefact(file.route, file.name, file.media_type, file.body) for file in computed.artefacts]
    # The store refuses what is not JSON, NaN among it.
    assert store.finish(claim, result=computed.result, files=files)


@pytest.fixture
def quote(client, ask, dispatcher):
    """The straight channel by every route, calculated."""
    dispatcher.work = calculate_once
    response = ask(
        headers={"Prefer": "wait=20"}, start="2027-03-01T09:00:00+01:00", deadline="2027-03-31T17:00:00+02:00"
    )
    assert response.status_code == 201
    assert response.json["state"] == "done"
    return response.json


def test_every_route_is_answered(client, quote):
    known = [item["route"] for item in client.get("/v1/routes").json["items"]]
    routes = quote["result"]["routes"]
    assert [route["route"] for route in routes] == known
    assert quote["assumptions"] == quote["result"]["assumptions"] != []
    for route in routes:
        if route["verdict"] == "not_makeable":
            assert route["cost"] is route["schedule"] is None
            assert any(finding["severity"] == "blocker" for finding in route["findings"])
        else:
            assert route["schedule"]["steps"]
            assert route["cost"]["lines"]
    priced = {route["route"] for route in routes if route["cost"]}
    assert quote["result"]["comparison"]["recommended"] in priced


def test_findings_name_rules_that_the_service_knows(client, quote):
    rules = {item["rule"] for item in client.get("/v1/rules").json["items"]}
    found = {finding["rule"] for route in quote["result"]["routes"] for finding in route["findings"]}
    assert found <= rules


def test_money_adds_up_as_it_is_shown(quote):
    for route in quote["result"]["routes"]:
        if cost := route["cost"]:
            lines = [(line["category"], Decimal(line["amount"])) for line in cost["lines"]]
            assert sum(amount for _, amount in lines) == Decimal(cost["amount"])
            assert sum(amount for category, amount in lines if category != "tax") == Decimal(cost["net"])
            assert (
                Decimal(cost["total"]["p10"])
                <= Decimal(cost["total"]["p50"])
                <= Decimal(cost["total"]["p90"])
            )


def test_steps_lie_between_start_and_finish(quote):
    start = datetime.fromisoformat(quote["request"]["start"])
    for route in quote["result"]["routes"]:
        if plan := route["schedule"]:
            finished = datetime.fromisoformat(plan["finished_at"])
            for step in plan["steps"]:
                assert start <= datetime.fromisoformat(step["start"]) <= datetime.fromisoformat(step["end"])
                assert datetime.fromisoformat(step["start"]) <= finished


def test_documents_and_pictures_come_with_the_result(client, quote):
    path = quote["links"]["self"]
    page = client.get(quote["links"]["document"])
    assert page.mimetype == "text/html"
    table = client.get(quote["links"]["document"], headers={"Accept": "text/csv"}).text
    lines = list(csv.DictReader(io.StringIO(table)))
    for route in quote["result"]["routes"]:
        assert route["title"] in page.text
        assert client.get(f"{path}/pictures/{route['route']}/findings").data.startswith(b"<svg")
        made = client.get(f"{path}/pictures/{route['route']}/as_made", headers={"Accept": "image/svg+xml"})
        assert made.content_type.startswith("image/svg+xml")
        assert "as made over as drawn" in made.text
        timeline = client.get(f"{path}/pictures/{route['route']}/timeline")
        assert timeline.status_code == (200 if route["schedule"] else 404)
        amounts = [Decimal(line["amount"]) for line in lines if line["route"] == route["route"]]
        assert sum(amounts) == Decimal(route["cost"]["amount"] if route["cost"] else 0)


def test_the_same_request_gives_the_same_numbers(ask, dispatcher):
    dispatcher.work = calculate
    asked = {"routes": ["cast_printed_mould"], "start": "2027-03-01T09:00:00+01:00"}
    first, again = (ask(headers={"Prefer": "wait=20"}, **asked).json["result"] for _ in range(2))
    assert json.dumps(first) == json.dumps(again)


def test_own_bench_values_reach_the_price(client, ask, dispatcher):
    dispatcher.work = calculate
    asked = {"routes": ["cast_printed_mould"], "start": "2027-03-01T09:00:00+01:00"}

    def net():
        (route,) = ask(headers={"Prefer": "wait=20"}, **asked).json["result"]["routes"]
        return Decimal(route["cost"]["net"])

    shipped = net()
    labour = client.get("/v1/bench/rates/bench_labour").json["values"]["price"]
    dearer = str(2 * Decimal(labour["amount"]))
    price = {**labour, "amount": dearer, "low": dearer, "high": dearer}
    put = client.put("/v1/bench/rates/bench_labour", json={"values": {"price": price}})
    assert put.status_code == 201
    assert net() > shipped
    client.delete("/v1/bench/rates/bench_labour")
    assert net() == shipped


def test_the_demo_drawing_is_quoted(client, store):
    layout = client.post("/v1/layouts", data=DEMO.read_bytes(), content_type="image/svg+xml")
    assert layout.status_code == 201
    assert [repair["kind"] for repair in layout.json["repairs"]] == ["overlap"]
    assert {port["role"] for port in layout.json["ports"]} == {"inlet", "outlet"}
    request = {
        "layout_id": layout.json["layout_id"],
        "quantity": 24,
        "routes": ["cast_printed_mould"],
        "chip": {"viewed_from": "body"},
        "depths_um": {"channels": 150, "marks": 200},
    }
    path = client.post("/v1/quotes", json=request).headers["Location"]
    calculate(store)
    (route,) = client.get(path).json["result"]["routes"]
    assert route["verdict"] in ("makeable", "makeable_with_risk")
    assert Decimal(route["cost"]["unit_price"]) > 0
    (code,) = route["as_made"]["codes"]
    assert (code["text"], code["read"], code["mirrored"]) == ("NITRATE-01", True, False)
    handed = route["as_made"]["handedness"]
    assert handed["viewed_from"] == "body"
    assert handed["mirrored"] == {"mould": False, "part": True, "lid": True}
    # by eye in the drawing: waste in the east, reagent in the south-west, sample in the north-west
    assert handed["ports_clockwise"] == ["waste", "reagent", "sample"]
    # four layers of 50 µm on the mould, and a cast that shrinks by 1.06 % on cooling from 65 °C
    assert route["as_made"]["marks"][0]["depth_um"]["best"] == pytest.approx(200 * (1 - 0.0106))
    page = client.get(f"{path}/pictures/cast_printed_mould/findings").get_data(as_text=True)
    assert "as seen from the body side" in page


def test_a_lot_on_the_shelf_that_is_past_its_date_is_told(client, ask, dispatcher):
    lot = {"kind": "resins", "name": "clear_standard", "lot": "R7", "expires": "2027-02-01"}
    response = client.put("/v1/bench/stock/old_bottle", json={"title": "bottle by the door", "values": lot})
    assert response.status_code == 201
    dispatcher.work = calculate
    quote = ask(
        headers={"Prefer": "wait=20"}, start="2027-03-01T09:00:00+01:00", routes=["printed_monolith"]
    ).json
    (route,) = quote["result"]["routes"]
    (finding,) = [finding for finding in route["findings"] if finding["rule"] == "expired_lot"]
    assert (finding["severity"], finding["measured"], finding["unit"]) == ("risk", 28.0, "d")
    # the roof closes this channel, so there is nothing to push out
    assert route["draining"] is None
