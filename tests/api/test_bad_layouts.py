"""Layout files that cannot be used: each is refused in words, nothing of it is kept, the service stays up."""

import io
import json

import pytest
from werkzeug.test import create_environ, run_wsgi_app

from rillcast_service.engine.layout.readers import MEDIA_TYPES

BOMB = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True))
    + ']><svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm"><text>&i;</text></svg>'
)
EXTERNAL = (
    '<!DOCTYPE svg [<!ENTITY file SYSTEM "file:///etc/hostname">]>'
    '<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm"><title>&file;</title></svg>'
)


def drawing(body: str, size: str = 'width="30mm" height="20mm" viewBox="0 0 30 20"') -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{body}</svg>'


CHANNEL = '<g id="channels"><rect x="5" y="9.9" width="20" height="0.2"/></g>'

DRAWINGS = {
    "empty file": ("", "layout-unreadable"),
    "only spaces": ("  \n ", "layout-unreadable"),
    "malformed XML": ("<svg><g></svg>", "layout-unreadable"),
    "another kind of file": (b"\x89PNG\r\n\x1a\n" + bytes(40), "layout-unreadable"),
    "GeoJSON sent as a drawing": ("{}", "layout-unreadable"),
    "entity expansion": (BOMB, "layout-unreadable"),
    "external entity": (EXTERNAL, "layout-unreadable"),
    "no channel layer": (drawing('<g id="notes"><rect width="1" height="1"/></g>'), "layout-invalid"),
    "no real unit": (drawing(CHANNEL, 'width="30" height="20"'), "layout-units-missing"),
    "text not outlined": (
        drawing('<g id="channels"><rect width="9" height="1"/><text id="label" x="1" y="1">NO3</text></g>'),
        "layout-invalid",
    ),
    "raster image": (
        drawing(
            '<g id="channels"><rect width="9" height="1"/><image href="x.png" width="1" height="1"/></g>'
        ),
        "layout-invalid",
    ),
    "a layout of 10 m": (
        drawing('<g id="channels"><rect width="10000" height="1"/></g>', 'width="10m" height="20mm"').replace(
            'width="10m"', 'width="10000mm" viewBox="0 0 10000 20"'
        ),
        "layout-too-complex",
    ),
    "NaN coordinates": (drawing('<g id="channels"><path d="M 0 0 L NaN 1 L 1 1 z"/></g>'), None),
    "infinite coordinates": (drawing('<g id="channels"><path d="M 0 0 L 1e999 1 L 1 1 z"/></g>'), None),
}


@pytest.mark.parametrize(("body", "slug"), DRAWINGS.values(), ids=DRAWINGS)
def test_a_drawing_that_cannot_be_used_is_refused(client, upload, body, slug):
    response = upload(body)
    assert response.status_code == 422
    kind = response.json["type"].removeprefix("/problems/")
    assert kind == slug if slug else kind.startswith("layout-")
    assert response.json["errors"]
    for error in response.json["errors"]:
        assert error["message"]
        assert error["remedy"]
    assert client.get("/v1/layouts").json["items"] == []
    assert client.get("/healthz").status_code == 200


def test_the_refusal_of_text_names_the_element(upload):
    response = upload(DRAWINGS["text not outlined"][0])
    assert "label" in str(response.json["errors"])
    assert "outline" in str(response.json["errors"]).lower()


def coordinates(straight, value):
    changed = json.loads(json.dumps(straight))
    changed["features"][0]["geometry"]["coordinates"][0][1][0] = value
    return changed


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e400, "25", None, True, [1]])
def test_coordinates_that_are_no_numbers_are_refused(client, upload, straight, value):
    response = upload(json.dumps(coordinates(straight, value)), "application/geo+json")
    assert response.status_code == 422
    assert response.json["type"] in ("/problems/layout-invalid", "/problems/layout-unreadable")
    assert client.get("/v1/layouts").json["items"] == []


def test_a_coordinate_of_too_many_digits_is_refused(upload, straight):
    body = json.dumps(coordinates(straight, 25)).replace("[25, 9.9]", f"[1{'0' * 5000}, 9.9]", 1)
    assert upload(body, "application/geo+json").status_code == 422


@pytest.mark.parametrize(
    ("media_type", "detail"),
    [
        ("image/png", "image/png"),
        ("application/octet-stream", "application/octet-stream"),
        ("application/json", "application/json"),
    ],
)
def test_a_media_type_without_reader_is_415_and_names_those_with(upload, media_type, detail):
    response = upload("x", media_type)
    assert response.status_code == 415
    assert media_type in response.json["detail"]
    assert "image/svg+xml" in response.json["detail"]
    assert "application/geo+json" in response.json["detail"]


def test_a_body_without_media_type_is_415(client):
    assert client.post("/v1/layouts", data=b"<svg/>").status_code == 415


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ({"unit": "furlong"}, "parameter unit"),
        ({"depth_um": "0"}, "parameter depth_um"),
        ({"depth_um": "-5"}, "parameter depth_um"),
        ({"depth_um": "nan"}, "parameter depth_um"),
        ({"depth_um": "inf"}, "parameter depth_um"),
        ({"depth_um": "deep"}, "parameter depth_um"),
        ({"roles": "channels"}, "parameter roles"),
        ({"roles": '["channels"]'}, "parameter roles"),
        ({"roles": '{"a": 1}'}, "parameter roles"),
        ({"roles": '{"a": "plumbing"}'}, "parameter roles"),
        ({"roles": "[" * 100_000}, "parameter roles"),
        ({"name": ""}, "parameter name"),
        ({"name": "x" * 201}, "parameter name"),
        ({"colour": "red"}, "parameter colour"),
        ({"dpi": "100"}, "parameter dpi"),
        ({"dpi": "many"}, "parameter dpi"),
        ({"flattening_um": "0"}, "parameter flattening_um"),
        ({"flattening_um": "1e9"}, "parameter flattening_um"),
        ({"closing_um": "-1"}, "parameter closing_um"),
        ({"gap_um": "nan"}, "parameter gap_um"),
        ({"gap_um": "wide"}, "parameter gap_um"),
        ({"sliver_um": "101"}, "parameter sliver_um"),
        ({"leave": "holes"}, "parameter leave"),
        ({"leave": "gap;tilt"}, "parameter leave"),
        ({"levels": "2"}, "parameter levels"),
        ({"levels": '{"channels": "2"}'}, "parameter levels"),
        ({"levels": '{"channels": true}'}, "parameter levels"),
        ({"levels": '{"channels": 0}'}, "parameter levels/channels"),
        ({"levels": '{"channels": 17}'}, "parameter levels/channels"),
        ({"levels": '{"wells": 2}'}, "parameter levels/wells"),
        ({"roles": '{"a/b": "channels"}'}, "parameter roles/a~1b"),
        ({"cell": ""}, "parameter cell"),
    ],
)
def test_options_that_cannot_be_are_refused_with_their_place(client, upload, query, where):
    response = upload(**query)
    assert response.status_code == 422
    assert response.json["errors"][0]["where"].startswith(where)
    assert response.json["errors"][0]["pointer"] is None
    assert response.json["errors"][0]["remedy"]
    assert client.get("/v1/layouts").json["items"] == []


def test_an_option_given_twice_is_refused(client, straight_svg):
    response = client.post(
        "/v1/layouts?unit=mm",
        data={"file": (io.BytesIO(straight_svg.encode()), "chip.svg"), "unit": "cm"},
    )
    assert response.status_code == 422
    assert response.json["errors"][0]["where"] == "parameter unit"


@pytest.mark.parametrize("parts", [{}, {"drawing": "chip.svg"}, {"file": "chip.svg", "more": "chip.svg"}])
def test_a_form_holds_one_file_in_the_part_file(client, straight_svg, parts):
    data = {part: (io.BytesIO(straight_svg.encode()), name) for part, name in parts.items()}
    response = client.post(
        "/v1/layouts", data=data, content_type="multipart/form-data; boundary=x" if not data else None
    )
    assert response.status_code == 422
    assert response.json["errors"][0]["where"] == "part file"


def test_a_forms_file_of_unknown_kind_is_415(client):
    response = client.post("/v1/layouts", data={"file": (io.BytesIO(b"x"), "chip.dwg")})
    assert response.status_code == 415
    assert "chip.dwg" in response.json["detail"]
    (error,) = response.json["errors"]
    assert all(media_type in error["remedy"] for media_type in MEDIA_TYPES)


def test_a_file_name_of_odd_characters_does_no_harm(client, straight_svg):
    response = client.post(
        "/v1/layouts", data={"file": (io.BytesIO(straight_svg.encode()), "../../<script>\x07é.svg")}
    )
    assert response.status_code == 201
    assert response.json["name"] == "<script>é.svg"


class TestLimits:
    @pytest.fixture
    def settings(self, settings):
        from dataclasses import replace

        return replace(settings, max_body_mb=0.05)

    @pytest.mark.parametrize("media_type", ["image/svg+xml", "application/geo+json"])
    def test_a_body_over_the_limit_is_413(self, client, upload, media_type):
        response = upload(b" " * 50_001, media_type)
        assert response.status_code == 413
        assert response.json["type"] == "/problems/body-too-large"
        assert "0.05 MB" in response.json["detail"]
        (error,) = response.json["errors"]
        assert "0.05 MB at most" in error["remedy"]
        assert client.get("/v1/layouts").json["items"] == []

    def test_a_form_over_the_limit_is_413(self, client):
        response = client.post("/v1/layouts", data={"file": (io.BytesIO(b" " * 50_001), "chip.svg")})
        assert response.status_code == 413

    @pytest.mark.parametrize(("size", "status"), [(50_001, "413"), (50_000, "422")])
    def test_a_body_of_unknown_length_over_the_limit_is_413(self, app, size, status):
        """Sent in chunks, without Content-Length, as the server hands it on."""
        environ = create_environ("/v1/layouts", method="POST", input_stream=io.BytesIO(b" " * size))
        del environ["CONTENT_LENGTH"]
        environ |= {"wsgi.input_terminated": True, "CONTENT_TYPE": "image/svg+xml"}
        _, answer, _ = run_wsgi_app(app, environ)
        assert answer.startswith(status)

    def test_a_json_body_over_the_limit_is_413(self, client):
        response = client.post("/v1/quotes", data=b" " * 50_001, content_type="application/json")
        assert response.status_code == 413
