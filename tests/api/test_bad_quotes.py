"""Requests that cannot be answered: each is refused with its place and a remedy, and nothing is queued."""

import json

import pytest


def errors(response, status=422):
    assert response.status_code == status, response.json
    for error in response.json.get("errors", ()):
        assert error["message"]
        assert error["remedy"]
    return {error["pointer"]: error for error in response.json.get("errors", ())}


@pytest.fixture(autouse=True)
def nothing_is_queued(client):
    yield
    assert client.get("/v1/quotes").json["items"] == []
    assert client.get("/healthz").status_code == 200


@pytest.mark.parametrize("quantity", [0, -1, 10**12, 10_001, "ten", "24", 2.5, True, None, [], {}])
def test_quantity_is_a_whole_number_from_1_to_10000(ask, quantity):
    error = errors(ask(quantity=quantity))["#/quantity"]
    assert "1 to 10000" in error["remedy"]


MEMBERS = {
    "no quantity": ({"quantity": ...}, "#/quantity"),
    "unknown member": ({"qantity": 3}, "#/qantity"),
    "member of a later version": ({"inspection": "every_10th"}, "#/inspection"),
    "no layout": ({"layout_id": ...}, "#"),
    "unknown layout": ({"layout_id": "lay_none"}, "#/layout_id"),
    "layout id of odd form": ({"layout_id": "../etc"}, "#/layout_id"),
    "route of odd form": ({"routes": ["Cast!"]}, "#/routes/0"),
    "the same route twice": ({"routes": ["printed_monolith", "printed_monolith"]}, "#/routes"),
    "unknown route": ({"routes": ["printed_monolith", "carved_soap"]}, "#/routes/1"),
    "depth of 0": ({"depths_um": {"channels": 0}}, "#/depths_um/channels"),
    "depth beyond reason": ({"depths_um": {"channels": 1e9}}, "#/depths_um/channels"),
    "depth in words": ({"depths_um": {"a/b": "deep"}}, "#/depths_um/a~1b"),
    "depth missing": ({"depths_um": ...}, "#/depths_um"),
    "depth of an unknown layer": ({"depths_um": {"cellar": 100, "channels": 100}}, "#/depths_um/cellar"),
    "depth beyond the chip": ({"chip": {"thickness_mm": 0.1}}, "#/depths_um"),
    "level of 0": ({"levels": {"channels": 0}}, "#/levels/channels"),
    "level in halves": ({"levels": {"channels": 1.5}}, "#/levels/channels"),
    "level of an unknown layer": ({"levels": {"cellar/1": 2}}, "#/levels/cellar~11"),
    "thickness of 0": ({"chip": {"thickness_mm": 0}}, "#/chip/thickness_mm"),
    "chip in words": ({"chip": "thin"}, "#/chip"),
    "unknown member of the chip": ({"chip": {"thicknes_mm": 4}}, "#/chip/thicknes_mm"),
    "port without name": ({"ports": [{}]}, "#/ports/0/name"),
    "port of unknown role": ({"ports": [{"name": "sample", "role": "door"}]}, "#/ports/0/role"),
    "new port without place": ({"ports": [{"name": "new", "role": "inlet"}]}, "#/ports/0/x_mm"),
    "port with two operating points": (
        {"ports": [{"name": "sample", "flow_ul_per_min": 1, "closed": True}]},
        "#/ports/0",
    ),
    "unknown liquid": ({"use": {"liquid": "mercury"}}, "#/use/liquid"),
    "flow of 0": ({"use": {"flow_ul_per_min": 0}}, "#/use/flow_ul_per_min"),
    "unknown printer": ({"bench": {"printer": "toaster"}}, "#/bench/printer"),
    "no calendar": ({"bench": {"calendar": None}}, "#/bench/calendar"),
    "no silicone": ({"bench": {"silicone": None}}, "#/bench/silicone"),
    "bore of a point": ({"ports": [{"name": "sample", "bore_mm": 1e-9}]}, "#/ports/0/bore_mm"),
    "unknown machine": ({"bench": {"lathe": "small"}}, "#/bench/lathe"),
    "orientation beyond upright": ({"variants": [{"orientation_deg": 91}]}, "#/variants/0/orientation_deg"),
    "variant on an unknown printer": ({"variants": [{"printer": "toaster"}]}, "#/variants/0/printer"),
    "variant on a number": ({"variants": [{"mould": 3}]}, "#/variants/0/mould"),
    "variant on an unknown machine": ({"variants": [{"oven": "big"}]}, "#/variants/0/oven"),
    "unknown aim": ({"aim": "beauty"}, "#/aim"),
    "start without offset": ({"start": "2027-03-01T09:00:00"}, "#/start"),
    "start as a date": ({"start": "2027-03-01"}, "#/start"),
    "start beyond the calendar": ({"start": "9999-12-31T23:59:59Z"}, "#/start"),
    "start on no day": ({"start": "2027-02-30T09:00:00Z"}, "#/start"),
    "deadline as a number": ({"deadline": 1805875200}, "#/deadline"),
    "first article in words": ({"first_article": "yes"}, "#/first_article"),
    "margin as a number": ({"commercial": {"margin_percent": 20}}, "#/commercial/margin_percent"),
    "margin below 0": ({"commercial": {"margin_percent": "-1"}}, "#/commercial/margin_percent"),
    "discount over 100": ({"commercial": {"discount_percent": "101"}}, "#/commercial/discount_percent"),
    "currency in words": ({"currency": "euro"}, "#/currency"),
    "currency of no price": ({"currency": "XXX"}, "#/currency"),
    "seed below 0": ({"seed": -1}, "#/seed"),
    "unknown set of rules": ({"rule_sets": ["nobody_knows"]}, "#/rule_sets/0"),
    "the same set of rules twice": ({"rule_sets": ["interoperability"] * 2}, "#/rule_sets"),
    "null": ({"chip": None}, "#/chip"),
}


@pytest.mark.parametrize(("members", "pointer"), MEMBERS.values(), ids=MEMBERS)
def test_a_member_that_cannot_be_is_refused_with_its_place(ask, members, pointer):
    assert pointer in errors(ask(**members))


def test_every_fault_is_told_at_once(ask):
    told = errors(ask(quantity=0, aim="beauty", chip={"thickness_mm": -1}))
    assert set(told) == {"#/quantity", "#/aim", "#/chip/thickness_mm"}


def test_an_unknown_member_names_the_likely_one(ask):
    assert "quantity" in errors(ask(qantity=3))["#/qantity"]["remedy"]


def test_an_unknown_route_names_the_known_ones(ask):
    remedy = errors(ask(routes=["carved_soap"]))["#/routes/0"]["remedy"]
    for route in ("printed_monolith", "printed_bonded_halves", "cast_printed_mould", "cast_wafer_mould"):
        assert route in remedy


def test_an_unknown_printer_names_the_known_ones_own_ones_too(client, ask):
    client.put("/v1/bench/printers/mine", json={"based_on": "masked_lcd_35um"})
    remedy = errors(ask(bench={"printer": "toaster"}))["#/bench/printer"]["remedy"]
    assert "masked_lcd_35um" in remedy
    assert "mine" in remedy


def test_a_missing_depth_names_the_layer(ask):
    error = errors(ask(depths_um=...))["#/depths_um"]
    assert "channels" in error["message"]


def test_both_layouts_are_one_too_many(ask, straight):
    assert "#" in errors(ask(layout=straight))


def test_an_inline_layout_that_cannot_be_used_is_refused_in_place(client, ask, straight):
    straight["features"][0]["geometry"]["coordinates"][0][0] = ["five", 9.9]
    before = client.get("/v1/layouts").json["items"]
    (pointer,) = errors(ask(layout_id=..., layout=straight))
    assert pointer.startswith("#/layout/features/0/geometry/coordinates")
    assert client.get("/v1/layouts").json["items"] == before


def test_an_inline_layout_of_a_refused_request_is_not_kept(client, ask, straight):
    before = client.get("/v1/layouts").json["items"]
    errors(ask(layout_id=..., layout=straight, routes=["carved_soap"]))
    assert client.get("/v1/layouts").json["items"] == before


def test_a_port_that_touches_nothing_is_told_with_its_place(ask):
    response = ask(ports=[{"name": "lost", "x_mm": 15, "y_mm": 2, "role": "vent", "bore_mm": 1}])
    assert response.status_code == 422
    (error,) = response.json["errors"]
    assert "lost" in error["message"]
    assert "15" in error["where"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b'{"quantity": NaN}',
        b'{"quantity": Infinity}',
        b'{"quantity": -Infinity}',
        b'{"quantity": 1, "quantity": 2}',
        b"[" * 100_000,
        b'{"currency": "\\u0000"}',
        b'{"currency": "\\ud800"}',
        b'{"quantity": ' + b"1" * 5000 + b"}",
    ],
    ids=[
        "empty",
        "cut off",
        "not UTF-8",
        "NaN",
        "Infinity",
        "-Infinity",
        "twice",
        "deep",
        "NUL",
        "surrogate",
        "long",
    ],
)
def test_a_body_that_is_no_json_is_400(client, body):
    response = client.post("/v1/quotes", data=body, content_type="application/json")
    errors(response, 400)
    assert response.json["type"] == "/problems/malformed-request"


@pytest.mark.parametrize("body", [[], "quote", 1, None, True])
def test_a_body_that_is_no_object_is_422(client, body):
    response = client.post("/v1/quotes", data=json.dumps(body), content_type="application/json")
    assert "#" in errors(response)


def test_a_number_beyond_all_bounds_is_refused(client, layout_id):
    body = f'{{"layout_id": "{layout_id}", "quantity": 1, "depths_um": {{"channels": 1e999}}}}'
    response = client.post("/v1/quotes", data=body, content_type="application/json")
    assert "#/depths_um/channels" in errors(response)


@pytest.mark.parametrize("media_type", ["text/plain", "application/x-www-form-urlencoded", None])
def test_a_body_of_another_type_is_415(client, media_type):
    response = client.post("/v1/quotes", data=b"{}", content_type=media_type)
    errors(response, 415)
