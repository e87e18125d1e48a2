"""/v1/layouts: reading a file, keeping it once, listing, showing and forgetting."""

import copy
import io
import json

import pytest
from flask.testing import FlaskClient
from werkzeug.http import parse_options_header

from rillcast_service.api.contract import contract
from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.writers import MEDIA_TYPES as WRITTEN


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


# --- files again ------------------------------------------------------------------------------------


def read_back(client, body, media_type):
    response = client.post("/v1/layouts", data=body, content_type=media_type)
    assert response.status_code == 201, response.json
    return response.json


def about(layout):
    layers = {
        (layer["name"], layer["role"], layer["depth_um"], layer["level"], round(layer["area_mm2"], 4))
        for layer in layout["layers"]
        if layer["role"] != "ignored"
    }
    return layers, {(port["name"], port["role"], round(port["bore_mm"], 4)) for port in layout["ports"]}


@pytest.mark.parametrize("media_type", sorted(set(WRITTEN) - {"application/wkt"}))
def test_the_file_of_a_layout_is_the_layout_again(client, upload, media_type):
    layout = upload(name="Straight", depth_um=150, levels='{"channels": 2}').json
    response = client.get(layout["links"]["file"], headers={"Accept": media_type})
    assert response.status_code == 200
    assert response.mimetype == media_type
    assert (
        response.headers["Content-Disposition"]
        == f"attachment; filename=Straight{WRITTEN[media_type].suffix}"
    )
    assert response.headers["Vary"] == "Accept"
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    again = read_back(client, response.data, media_type)
    assert about(again) == about(layout)
    assert again["bounds_mm"] == layout["bounds_mm"]
    assert again["repairs"] == []


def test_the_file_is_svg_when_nothing_else_is_asked_for(client, layout_id):
    for headers in ({}, {"Accept": "*/*"}, {"Accept": "image/*"}):
        response = client.get(f"/v1/layouts/{layout_id}/file", headers=headers)
        assert response.mimetype == "image/svg+xml"
    assert "sandbox" in response.headers["Content-Security-Policy"]


def test_a_file_of_no_format_on_offer_is_406_and_names_those_that_are(client, layout_id):
    response = client.get(f"/v1/layouts/{layout_id}/file", headers={"Accept": "application/pdf"})
    assert response.status_code == 406
    assert all(media_type in response.json["detail"] for media_type in WRITTEN)


def test_the_file_has_a_tag_of_its_own_in_each_format(client, layout_id):
    path = f"/v1/layouts/{layout_id}/file"
    tags = {}
    for media_type in ("image/svg+xml", "application/geo+json"):
        response = client.get(path, headers={"Accept": media_type})
        tags[media_type] = response.headers["ETag"]
        unchanged = client.get(path, headers={"Accept": media_type, "If-None-Match": tags[media_type]})
        assert (unchanged.status_code, unchanged.data) == (304, b"")
        assert unchanged.headers["ETag"] == tags[media_type]
    assert len(set(tags.values())) == len(tags)
    other = client.get(path, headers={"If-None-Match": tags["application/geo+json"]})
    assert other.status_code == 200


def test_the_file_of_a_layout_that_is_not_there_is_404(client):
    assert client.get("/v1/layouts/lay_none/file").status_code == 404


@pytest.mark.parametrize(
    ("name", "called"),
    [
        ("chip.svg", "chip.svg"),
        ("chip.v2", "chip.v2.svg"),
        ("../../etc/passwd", "etc_passwd.svg"),
        ('a"b\r\nX-Evil: 1', "a_b_X-Evil_ 1.svg"),
        ("Fluß α", "Fluß α.svg"),
        ("...", "layout.svg"),
        ("x" * 200, "x" * 100 + ".svg"),
    ],
)
def test_a_file_is_called_like_its_layout_with_nothing_that_does_harm(client, upload, name, called):
    link = upload(name=name).json["links"]["file"]
    response = client.get(link)
    stated = response.headers["Content-Disposition"]
    assert parse_options_header(stated) == ("attachment", {"filename": called})
    assert "X-Evil" not in response.headers


# --- options of reading -----------------------------------------------------------------------------


def test_every_tolerance_is_told_with_its_source_unless_it_was_given(upload):
    told = {one["what"]: one for one in upload(gap_um=3).json["assumptions"]}
    assert "gap_um" not in told
    defaults = load().defaults
    for key in ("flattening_um", "closing_um", "sliver_um"):
        assert told[key] == {
            "what": key,
            "value": f"{defaults[key].value:g} µm",
            "why": defaults[key].note,
            "source": defaults[key].source,
        }


def test_the_options_are_kept_with_the_layout(client, upload):
    layout = upload(
        name="chip",
        flattening_um=0.5,
        leave="tilt,gap",
        levels='{"channels": 3}',
        roles='{"ports": "marks"}',
        dpi=90,
    ).json
    assert layout["options"] == {
        "flattening_um": 0.5,
        "leave": ["gap", "tilt"],
        "levels": {"channels": 3},
        "roles": {"ports": "marks"},
        "dpi": 90,
    }
    assert layout["flattening_um"] == 0.5
    (channels,) = [layer for layer in layout["layers"] if layer["role"] == "channels"]
    assert channels["level"] == 3
    assert client.get(layout["links"]["self"]).json == layout


@pytest.mark.parametrize(
    "option",
    [
        {"flattening_um": 2},
        {"closing_um": 2},
        {"gap_um": 2},
        {"sliver_um": 2},
        {"leave": "gap"},
        {"levels": '{"channels": 2}'},
        {"dpi": 96},
    ],
)
def test_every_option_is_part_of_what_a_layout_is_kept_by(upload, option):
    plain, other = upload().json, upload(**option).json
    assert other["layout_id"] != plain["layout_id"]
    assert upload(**option).json["layout_id"] == other["layout_id"]


def test_the_order_of_words_makes_no_other_layout(upload):
    one, other = upload(leave="gap,tilt").json, upload(leave="tilt,gap,gap").json
    assert one["layout_id"] == other["layout_id"]


def test_a_form_takes_the_same_options(app, upload, straight_svg):
    options = {"name": "chip", "leave": "gap,tilt", "levels": '{"channels": 2}', "gap_um": "3", "dpi": "90"}
    raw = upload(**options)
    # A client of its own: the contract's validator takes the numbers of a form for text.
    form = FlaskClient(app).post(
        "/v1/layouts", data={"file": (io.BytesIO(straight_svg.encode()), "chip.svg"), **options}
    )
    assert form.status_code == 200
    assert form.json == raw.json


BOW_TIE = """<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
  <g id="channels"><path id="tie" d="M5 5L15 15L15 5L5 15Z"/></g>
</svg>"""


def test_a_repair_is_told_with_place_and_areas_and_can_be_switched_off(client, upload):
    """Two triangles of 10 × 5 / 2 mm², whose signed areas cancel out."""
    (repair,) = upload(BOW_TIE).json["repairs"]
    assert repair["kind"] == "self_crossing"
    assert "'tie'" in repair["what"]
    assert repair["layer"] == "channels"
    assert 5 < repair["x_mm"] < 15
    assert (repair["area_before_mm2"], repair["area_after_mm2"]) == (
        pytest.approx(0, abs=1e-9),
        pytest.approx(50, abs=1e-6),
    )
    refused = upload(BOW_TIE, leave="self_crossing")
    assert refused.status_code == 422
    (error,) = refused.json["errors"]
    assert "switched off" in error["message"]
    assert "mm" in error["where"]
    file = client.get(upload(BOW_TIE).json["links"]["file"])
    again = upload(file.data)
    assert again.json["repairs"] == []
    assert again.json["layers"][0]["area_mm2"] == pytest.approx(50, abs=1e-4)
