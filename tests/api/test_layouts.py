"""/v1/layouts: reading a file, keeping it once, listing, showing and forgetting."""

import copy
import io
import json

import pytest

from rillcast_service.api.contract import contract


@pytest.fixture
def geojson(straight):
    return json.dumps(straight)


def test_a_drawing_becomes_a_layout(upload):
    response = upload(name="River nitrate chip", depth_um=150)
    assert response.status_code == 201
    layout = response.json
    assert response.headers["Location"] == f"/v1/layouts/{layout['layout_id']}"
    assert layout["name"] == "River nitrate chip"
    assert layout["source_format"] == "svg"
    assert layout["bounds_mm"] == {"min_x_mm": 0, "min_y_mm": 0, "max_x_mm": 30, "max_y_mm": 20}
    channels = next(layer for layer in layout["layers"] if layer["role"] == "channels")
    # 20 mm × 0.2 mm
    assert channels["area_mm2"] == pytest.approx(4.0, abs=1e-6)
    assert channels["depth_um"] == 150
    ports = {port["name"]: port for port in layout["ports"]}
    assert (ports["sample"]["role"], ports["waste"]["role"]) == ("inlet", "outlet")
    assert (ports["waste"]["x_mm"], ports["waste"]["y_mm"]) == pytest.approx((25, 10), abs=1e-6)


def test_depth_stays_open_until_somebody_says_it(upload):
    channels = next(layer for layer in upload().json["layers"] if layer["role"] == "channels")
    assert channels["depth_um"] is None


def test_geojson_is_read_by_its_media_type(upload, geojson):
    response = upload(geojson, "application/geo+json")
    assert response.status_code == 201
    assert response.json["source_format"] == "geojson"


def test_a_form_gives_the_same_layout_as_the_raw_body(client, upload, straight_svg):
    raw = upload(name="chip", unit="mm")
    form = client.post(
        "/v1/layouts",
        data={
            "file": (io.BytesIO(straight_svg.encode()), "whatever.svg", "image/svg+xml"),
            "name": "chip",
            "unit": "mm",
        },
    )
    assert form.status_code == 200
    assert form.json["layout_id"] == raw.json["layout_id"]


@pytest.mark.parametrize("stated", ["application/octet-stream", "text/plain", "image/svg+xml"])
def test_a_forms_file_is_told_by_its_suffix_when_its_type_says_nothing(client, straight_svg, stated):
    response = client.post(
        "/v1/layouts", data={"file": (io.BytesIO(straight_svg.encode()), "chips/chip.SVG", stated)}
    )
    assert response.status_code == 201
    assert response.json["name"] == "chip.SVG"
    assert response.json["source_format"] == "svg"


def test_same_bytes_and_options_are_the_same_layout(upload):
    first, again = upload(), upload()
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json == again.json


@pytest.mark.parametrize(
    "option", [{"name": "other"}, {"depth_um": 100}, {"roles": '{"channels": "marks", "ports": "channels"}'}]
)
def test_other_options_are_another_layout(upload, option):
    assert upload(**option).json["layout_id"] != upload().json["layout_id"]


def test_roles_of_the_request_go_before_names(upload, straight_svg):
    drawing = straight_svg.replace('id="channels"', 'id="Ebene 1"')
    response = upload(drawing, roles='{"Ebene 1": "channels"}')
    assert response.status_code == 201
    assert {layer["name"]: layer["role"] for layer in response.json["layers"]}["Ebene 1"] == "channels"


def test_a_layout_is_there_until_it_is_deleted(client, layout_id):
    path = f"/v1/layouts/{layout_id}"
    assert client.get(path).json["layout_id"] == layout_id
    assert client.delete(path).status_code == 204
    assert client.get(path).status_code == 404
    assert client.delete(path).status_code == 404
    assert client.get("/v1/layouts").json == {"items": [], "next": None}


def test_the_picture_is_svg_that_can_do_nothing(client, layout_id):
    response = client.get(f"/v1/layouts/{layout_id}/picture")
    assert response.status_code == 200
    assert response.mimetype == "image/svg+xml"
    assert response.data.startswith(b"<svg ")
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    assert "sandbox" in response.headers["Content-Security-Policy"]
    assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_the_picture_comes_as_svg_only(client, layout_id):
    response = client.get(f"/v1/layouts/{layout_id}/picture", headers={"Accept": "image/png"})
    assert response.status_code == 406
    assert "image/svg+xml" in response.json["detail"]


def test_pages_follow_one_another_newest_first(client, upload):
    made = [upload(name=f"chip {n}").json["layout_id"] for n in range(5)]
    seen, link = [], "/v1/layouts?limit=2"
    while link:
        response = client.get(link)
        assert len(response.json["items"]) <= 2
        seen += [item["layout_id"] for item in response.json["items"]]
        link = response.json["next"]
        assert response.headers.get("Link") == (f'<{link}>; rel="next"' if link else None)
    assert seen == made[::-1]


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("limit=0", 422),
        ("limit=201", 422),
        ("limit=ten", 422),
        ("limit=1&limit=2", 422),
        ("offset=3", 422),
        ("cursor=nonsense", 400),
        ("cursor=%00", 400),
        ("cursor=", 422),
    ],
)
def test_lists_refuse_parameters_that_cannot_be(client, query, status):
    response = client.get(f"/v1/layouts?{query}")
    assert response.status_code == status
    if status == 422:
        assert response.json["errors"][0]["where"].startswith("parameter ")


def _with_lines(straight, width, bore):
    """The straight channel drawn as a line of a width, and its ports as points."""
    drawn = copy.deepcopy(straight)
    for feature in drawn["features"]:
        if feature["properties"].get("layer") == "channels":
            feature["geometry"] = {"type": "LineString", "coordinates": [[5, 10], [25, 10]]}
            feature["properties"] |= width
        if feature["geometry"]["type"] == "Point":
            del feature["properties"]["bore_mm"]
            feature["properties"] |= bore
    return json.dumps(drawn).encode()


def test_widths_and_bores_may_be_given_in_um_or_mm_as_the_contract_says(upload, straight):
    in_um = upload(_with_lines(straight, {"width_um": 200}, {"bore_um": 1500}), "application/geo+json").json
    in_mm = upload(_with_lines(straight, {"width_mm": 0.2}, {"bore_mm": 1.5}), "application/geo+json").json
    for layout in (in_um, in_mm):
        (channels,) = [layer for layer in layout["layers"] if layer["role"] == "channels"]
        assert channels["area_mm2"] == pytest.approx(20 * 0.2)
        assert [port["bore_mm"] for port in layout["ports"]] == [pytest.approx(1.5)] * 2
    said = contract()["components"]["schemas"]["GeoJsonLayout"]["description"]
    assert all(f"`{key}`" in said for key in ("width_um", "width_mm", "bore_um", "bore_mm"))


def test_a_width_in_both_units_is_refused(upload, straight):
    both = _with_lines(straight, {"width_um": 200, "width_mm": 0.2}, {"bore_mm": 1.5})
    refused = upload(both, "application/geo+json")
    assert refused.status_code == 422
    assert "width_mm or width_um" in refused.json["errors"][0]["remedy"]
