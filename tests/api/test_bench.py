"""/v1/bench: what is shipped, the user's own over it, and the refusal of what cannot be."""

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import KINDS

PRINTER = "/v1/bench/printers/masked_lcd_35um"


def test_everything_on_the_bench_has_unit_and_source(client):
    bench = client.get("/v1/bench").json
    assert set(bench["kinds"]) == set(KINDS)
    shipped = {(kind, name) for kind, name in load().entries if kind in KINDS}
    assert {(item["kind"], item["name"]) for item in bench["items"]} == shipped
    for item in bench["items"]:
        for value in item["values"].values():
            assert value["source"]
    defaults = {default["what"]: default for default in bench["defaults"]}
    assert defaults["plasma"]["value"] == ""
    assert defaults["temperature_c"]["value"] == "22 °C"


def test_one_kind(client):
    items = client.get("/v1/bench/ovens").json["items"]
    assert [item["name"] for item in items] == list(load().names("ovens"))


def test_own_values_lie_over_the_shipped_ones_until_they_are_dropped(client):
    shipped = client.get(PRINTER).json
    response = client.put(PRINTER, json={"values": {"setup_min": 3}})
    assert response.status_code == 201
    assert response.headers["Location"] == PRINTER
    own = client.get(PRINTER).json
    assert own == response.json
    assert own["origin"] == "bench"
    assert own["values"]["setup_min"] == {
        "value": 3, "low": 3, "high": 3, "unit": "min", "source": "bench", "note": "",
    }  # fmt: skip
    assert own["values"]["pixel_x_um"] == shipped["values"]["pixel_x_um"]
    assert client.put(PRINTER, json={"values": {"setup_min": 4}}).status_code == 200
    assert client.get(PRINTER).json["values"]["setup_min"]["value"] == 4
    assert client.delete(PRINTER).status_code == 204
    assert client.get(PRINTER).json == shipped
    assert client.delete(PRINTER).status_code == 404


def test_what_was_got_can_be_put(client):
    entry = client.get(PRINTER).json
    assert client.put(PRINTER, json=entry).status_code == 201
    again = client.get(PRINTER).json
    assert again == {**entry, "origin": "bench"}


def test_a_new_thing_takes_the_values_of_another_as_they_are_now(client):
    client.put(PRINTER, json={"values": {"setup_min": 3}})
    response = client.put(
        "/v1/bench/printers/mine",
        json={"title": "The one by the window", "based_on": "masked_lcd_35um", "values": {"layer_um": 25}},
    )
    assert response.status_code == 201
    client.delete(PRINTER)
    mine = client.get("/v1/bench/printers/mine").json
    assert mine["title"] == "The one by the window"
    assert mine["values"]["setup_min"]["value"] == 3
    assert mine["values"]["layer_um"]["value"] == 25
    assert "mine" in [item["name"] for item in client.get("/v1/bench/printers").json["items"]]


BAD = {
    "unknown key": ({"values": {"pixel_um": 30}}, "#/values/pixel_um"),
    "number in words": ({"values": {"setup_min": "long"}}, "#/values/setup_min"),
    "number out of its limits": ({"values": {"layer_um": -50}}, "#/values/layer_um"),
    "another kind": ({"kind": "ovens"}, "#/kind"),
    "another name": ({"name": "other"}, "#/name"),
    "based on nothing known": ({"based_on": "toaster"}, "#/based_on"),
    "values in a list": ({"values": []}, "#/values"),
    "unknown member": ({"colour": "red"}, "#/colour"),
    "title too long": ({"title": "x" * 201}, "#/title"),
}


@pytest.mark.parametrize(("body", "pointer"), BAD.values(), ids=BAD)
def test_an_entry_that_cannot_be_is_refused_with_its_place(client, body, pointer):
    before = client.get(PRINTER).json
    response = client.put(PRINTER, json=body)
    assert response.status_code == 422
    assert pointer in [error["pointer"] for error in response.json["errors"]]
    assert all(error["remedy"] for error in response.json["errors"])
    assert client.get(PRINTER).json == before


def test_a_new_name_needs_all_values_or_something_to_be_based_on(client):
    response = client.put("/v1/bench/printers/mine", json={"values": {"layer_um": 25}})
    assert response.status_code == 422
    assert response.json["type"] == "/problems/bench-entry-invalid"
    assert "based_on" in str(response.json["errors"])


@pytest.mark.parametrize("path", ["/v1/bench/lathes", "/v1/bench/lathes/small", "/v1/bench/printers/toaster"])
def test_unknown_kinds_and_names_are_404_and_name_the_known_ones(client, path):
    response = client.get(path)
    assert response.status_code == 404
    assert "known: " in response.json["detail"]


def test_nothing_can_be_put_where_nothing_can_be(client):
    assert client.put("/v1/bench/lathes/small", json={}).status_code == 404
    assert client.delete("/v1/bench/lathes/small").status_code == 404


@pytest.mark.parametrize(
    ("name", "likely"),
    [
        ("Foo%20Bar", "foo_bar would do"),
        ("Büro-3", "b_ro_3 would do"),
        ("_mine", "mine would do"),
        ("%00", "begin with _. Words"),
        ("x" * 65, "x" * 64 + " would do"),
    ],
)
def test_a_name_that_cannot_be_is_told_the_rule(client, name, likely):
    path = f"/v1/bench/printers/{name}"
    refused = client.put(path, json={"based_on": "masked_lcd_35um"})
    assert (refused.status_code, refused.json["type"]) == (422, "/problems/bench-entry-invalid")
    (error,) = refused.json["errors"]
    assert error["where"] == "name in the address"
    assert "1 to 64 of a to z, 0 to 9 and _" in error["remedy"]
    assert likely in error["remedy"]
    assert client.get(path).status_code == 404
    assert client.delete(path).status_code == 404


def test_an_answer_without_content_has_no_type_of_it(client):
    client.put(PRINTER, json={"values": {"setup_min": 3}})
    gone = client.delete(PRINTER)
    assert gone.status_code == 204
    assert "Content-Type" not in gone.headers
    assert gone.data == b""


def test_an_entry_of_an_older_version_is_passed_over_but_not_by_a_quote(client, store, ask):
    store.put_bench("local", {"kind": "printers", "name": "masked_lcd_35um", "values": {"gone_um": 1}})
    assert client.get(PRINTER).json["origin"] == "shipped"
    assert client.get("/v1/bench").status_code == 200
    response = ask()
    assert (response.status_code, response.json["type"]) == (422, "/problems/bench-entry-invalid")
    assert response.json["errors"][0]["where"] == PRINTER
    assert client.delete(PRINTER).status_code == 204
    assert ask().status_code == 202


def test_a_printer_kept_before_its_light_was_asked_for_still_serves(client, ask):
    newer = ("light_spread_um", "grey_levels_count")
    values = {key: value for key, value in client.get(PRINTER).json["values"].items() if key not in newer}
    assert client.put("/v1/bench/printers/old_one", json={"values": values}).status_code == 201
    kept = client.get("/v1/bench/printers/old_one").json
    assert not set(newer) & set(kept["values"])
    assert ask(bench={"printer": "old_one"}).status_code == 202
