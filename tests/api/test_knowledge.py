"""/v1/routes and /v1/rules: what the service knows, with sources."""

import pytest

from rillcast_service.catalogue.loader import load

ROUTES = ["cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith"]


def test_routes(client):
    items = client.get("/v1/routes").json["items"]
    assert [item["route"] for item in items] == ROUTES
    for item in items:
        assert item["title"]
        assert item["summary"]
        assert item["rules"]


@pytest.mark.parametrize("route", ROUTES)
def test_one_route(client, route):
    assert client.get(f"/v1/routes/{route}").json["route"] == route


def test_an_unknown_route_is_404_and_names_the_known_ones(client):
    response = client.get("/v1/routes/carved_soap")
    assert response.status_code == 404
    assert all(route in response.json["detail"] for route in ROUTES)


def test_rules_are_those_of_the_routes_and_their_limits_have_sources(client):
    items = {item["rule"]: item for item in client.get("/v1/rules").json["items"]}
    assert set(items) == set(load().rules)
    for route in client.get("/v1/routes").json["items"]:
        for rule in route["rules"]:
            assert route["route"] in items[rule]["routes"]
    for item in items.values():
        for limit in item["limits"]:
            assert limit["source"]
            assert limit["low"] <= limit["value"] <= limit["high"]
            assert limit["route"] in item["routes"]


def test_rules_of_a_set_say_so_and_could_hold_every_route_to_them(client):
    items = {item["rule"]: item for item in client.get("/v1/rules").json["items"]}
    in_set = {rule for rule, item in items.items() if item["rule_set"] == "interoperability"}
    assert in_set == {"port_grid", "port_edge", "port_bore"}
    assert all(items[rule]["routes"] == ROUTES for rule in in_set)
    assert items["channel_width"]["rule_set"] is None


def test_what_a_rule_works_with_on_every_route_is_shown_with_its_source(client):
    rule = next(item for item in client.get("/v1/rules").json["items"] if item["rule"] == "roof_sag")
    adhesion = [limit for limit in rule["limits"] if limit["key"] == "adhesion_j_per_m2"]
    assert {limit["unit"] for limit in adhesion} == {"J/m²"}
    assert {limit["route"] for limit in adhesion} == {"cast_printed_mould", "cast_wafer_mould"}


def test_the_least_depth_of_a_print_is_counted_in_layers(client):
    rule = next(item for item in client.get("/v1/rules").json["items"] if item["rule"] == "channel_depth")
    units = {limit["unit"] for limit in rule["limits"] if limit["route"] == "printed_monolith"}
    assert units == {"layers"}


def test_the_narrowest_channel_has_a_limit_in_pixels_for_a_printed_mould(client):
    rule = next(item for item in client.get("/v1/rules").json["items"] if item["rule"] == "channel_width")
    units = {limit["unit"] for limit in rule["limits"] if limit["route"] == "cast_printed_mould"}
    assert "px" in units
