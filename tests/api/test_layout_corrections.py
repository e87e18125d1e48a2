"""/v1/layouts/{layout_id}/corrections over the app; every exchange is held against the contract."""

from __future__ import annotations

import pytest

NECKED = """<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="20mm" viewBox="0 0 40 20">
  <g id="outline"><rect width="40" height="20"/></g>
  <g id="channels" data-depth-um="150">
    <path d="M6 9.75H15V9.95H17V9.75H34V10.25H17V10.05H15V10.25H6Z"/>
    <circle cx="6" cy="10" r="1.25"/><circle cx="34" cy="10" r="1.25"/>
  </g>
  <g id="ports"><circle id="sample" cx="6" cy="10" r="0.75"/><circle id="waste" cx="34" cy="10" r="0.75"/></g>
</svg>"""


@pytest.fixture
def necked(upload) -> str:
    return str(upload(NECKED).json["layout_id"])


def correct(client, layout_id, **members):
    return client.post(
        f"/v1/layouts/{layout_id}/corrections", json={"route": "cast_printed_mould", **members}
    )


def test_a_corrected_layout_is_a_resource_of_its_own(client, necked):
    answer = correct(client, necked, rules=["channel_width"])
    assert answer.status_code == 201
    layout = answer.json["layout"]
    assert layout["layout_id"] != necked
    assert layout["corrected_from"] == answer.json["corrected_from"] == necked
    assert answer.headers["Location"] == layout["links"]["self"]
    (change,) = answer.json["changes"]
    assert (change["rule"], change["measured_before"]) == ("channel_width", 100.0)
    assert client.get(layout["links"]["self"]).json == layout
    assert client.get(f"/v1/layouts/{necked}").json["corrected_from"] is None
    assert answer.json["picture"].startswith("<svg")
    # and it is quoted like any other
    asked = client.post("/v1/quotes", json={"layout_id": layout["layout_id"], "quantity": 24})
    assert asked.status_code == 202


def test_the_same_correction_is_kept_once_and_of_a_corrected_layout_nothing_comes(client, necked):
    first = correct(client, necked).json["layout"]["layout_id"]
    again = correct(client, necked)
    assert (again.status_code, again.json["layout"]["layout_id"]) == (200, first)
    more = correct(client, first)
    assert (more.status_code, more.json["changes"]) == (200, [])
    assert more.json["layout"]["layout_id"] == first


@pytest.mark.parametrize("accept", ["image/svg+xml", "image/vnd.dxf", "application/vnd.gdsii"])
def test_the_corrected_drawing_read_again_has_no_fault(client, necked, upload, accept):
    link = correct(client, necked).json["layout"]["links"]["file"]
    file = client.get(link, headers={"Accept": accept})
    layout_id = upload(file.data, accept).json["layout_id"]
    answer = correct(client, layout_id)
    assert answer.json["changes"] == []
    assert all(outcome["severity_after"] is None for outcome in answer.json["outcomes"])


def test_a_finer_machine_asks_for_less(client, necked):
    wafer = client.post(f"/v1/layouts/{necked}/corrections", json={"route": "cast_wafer_mould"})
    assert wafer.json["outcomes"][1]["rule"] == "channel_width"
    mould = correct(client, necked).json["changes"][0]["measured_after"]
    assert all(change["measured_after"] < mould for change in wafer.json["changes"])


@pytest.mark.parametrize(
    ("members", "slug", "pointer"),
    [
        ({"route": "by_hand"}, "unknown-name", "#/route"),
        ({"rules": ["beauty"]}, "unknown-name", "#/rules/0"),
        ({"rules": ["channel_width", "channel_width"]}, "request-invalid", "#/rules"),
        ({"bench": {"printer": "none_such"}}, "unknown-name", "#/bench/printer"),
        ({"quantity": 3}, "request-invalid", "#/quantity"),
    ],
)
def test_refusals_name_the_member(client, necked, members, slug, pointer):
    answer = correct(client, necked, **members)
    assert answer.status_code == 422
    assert answer.json["type"] == f"/problems/{slug}"
    assert [error["pointer"] for error in answer.json["errors"]] == [pointer]


def test_a_layout_without_depth_asks_for_it_and_takes_it(client, layout_id):
    answer = correct(client, layout_id)
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "#/depths_um")
    assert correct(client, layout_id, depths_um={"channels": 150}).status_code in (200, 201)


def test_of_a_layout_that_is_not_there_nothing_is_corrected(client):
    assert correct(client, "lay_none").status_code == 404
