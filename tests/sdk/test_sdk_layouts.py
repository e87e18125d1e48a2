"""Layouts in the client: options of reading, kinds of files, and saving the mended drawing."""

from __future__ import annotations

import re
from typing import Any

import pytest

from rillcast import LayerRole, RepairKind
from rillcast.layout_files import LAYOUT_TYPES, layout_media_type
from rillcast.models import Layout
from rillcast.options import LayoutOptions

LAYOUT_ID = "lay_4Jk2v9QmT1xW"

EVERY_OPTION: LayoutOptions = {
    "name": "River",
    "unit": "mm",
    "dpi": 90,
    "depth_um": 150.5,
    "roles": {"Ebene 1": LayerRole.CHANNELS, "#ff0000": "ports"},
    "levels": {"Ebene 1": 2},
    "flattening_um": 0.5,
    "closing_um": 50.0,
    "gap_um": 0.0,
    "sliver_um": 2.0,
    "leave": [RepairKind.TILT, "gap"],
    "cell": "CHIP",
}


@pytest.fixture
def uploaded(service: Any, client: Any, example: Any) -> Layout:
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    return client.upload_layout(b"<svg/>")


def test_every_option_arrives_as_the_contract_has_it(service, client, example, contract):
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    client.upload_layout(b"<svg/>", **EVERY_OPTION)
    assert service.seen[0].query == {
        "name": "River",
        "unit": "mm",
        "dpi": "90",
        "depth_um": "150.5",
        "roles": '{"Ebene 1": "channels", "#ff0000": "ports"}',
        "levels": '{"Ebene 1": 2}',
        "flattening_um": "0.5",
        "closing_um": "50",
        "gap_um": "0",
        "sliver_um": "2",
        "leave": "tilt,gap",
        "cell": "CHIP",
    }
    parameters = contract["paths"]["/v1/layouts"]["post"]["parameters"]
    names = {
        contract["components"]["parameters"][one["$ref"].rsplit("/", 1)[-1]]["name"] for one in parameters
    }
    assert set(EVERY_OPTION) == set(LayoutOptions.__annotations__) == names


def test_a_quote_takes_the_options_of_its_upload(service, client, example, done):
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    service.answer("POST", "/v1/quotes", done, status=201)
    client.quote(b"<svg/>", quantity=24, seed=3, **EVERY_OPTION)
    assert set(service.requests("POST", "/v1/layouts")[0].query) == set(EVERY_OPTION)
    asked = service.requests("POST", "/v1/quotes")[0].json
    assert asked == {"quantity": 24, "seed": 3, "layout_id": LAYOUT_ID}


def test_a_layout_that_is_read_takes_no_options_of_reading(service, client, uploaded):
    with pytest.raises(TypeError, match="gap_um"):
        client.quote(uploaded, quantity=24, gap_um=3)
    assert service.requests("POST", "/v1/quotes") == []


def test_an_option_that_there_is_not_is_refused_before_anything_is_sent(service, client):
    with pytest.raises(TypeError, match="gaps_um"):
        client.upload_layout(b"<svg/>", gaps_um=3)
    assert service.seen == []


def test_words_are_the_contracts(contract):
    schemas = contract["components"]["schemas"]
    assert [role.value for role in LayerRole] == schemas["LayerRole"]["enum"]
    assert [kind.value for kind in RepairKind] == schemas["RepairKind"]["enum"]


def test_suffixes_are_those_of_the_contract(contract):
    told = contract["paths"]["/v1/layouts"]["post"]["description"]
    rows = re.findall(r"\| `([\w./+]+-?[\w./+]*)`\*? \| ((?:`\.\w+`(?:, )?)+)", told)
    said = {suffix: media_type for media_type, suffixes in rows for suffix in re.findall(r"\.\w+", suffixes)}
    assert said == dict(LAYOUT_TYPES)


@pytest.mark.parametrize(
    ("body", "media_type"),
    [
        (b"<?xml version='1.0'?><svg/>", "image/svg+xml"),
        (b"\xef\xbb\xbf\n<svg/>", "image/svg+xml"),
        (b' {"type": "FeatureCollection"}', "application/geo+json"),
        (b"  0\r\nSECTION\r\n", "image/vnd.dxf"),
        (b"999\nmade by hand\n  0\nSECTION\n", "image/vnd.dxf"),
        (b"AutoCAD Binary DXF\r\n\x1a\x00", "image/vnd.dxf"),
        (b"\x00\x06\x00\x02\x02\x58", "application/vnd.gdsii"),
        (b"%SEMI-OASIS\r\n\x01", "application/vnd.semi.oasis"),
        (b"MultiPolygon (((0 0, 1 0, 1 1, 0 0)))", "application/wkt"),
    ],
)
def test_bytes_are_known_by_how_they_begin(service, client, example, body, media_type):
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    client.upload_layout(body)
    assert service.seen[0].headers["Content-Type"] == media_type
    assert "name" not in service.seen[0].query


def test_the_suffix_goes_before_the_beginning():
    assert layout_media_type("chip.GDS", b"<svg/>") == "application/vnd.gdsii"
    assert layout_media_type("chip", b"<svg/>") == "image/svg+xml"


@pytest.mark.parametrize(
    ("name", "media_type"),
    [
        ("mended.dxf", "image/vnd.dxf"),
        ("mended.SVG", "image/svg+xml"),
        ("a.oas", "application/vnd.semi.oasis"),
    ],
)
def test_a_layout_is_saved_in_the_format_of_the_suffix(service, uploaded, tmp_path, name, media_type):
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}/file", b"\x00drawing\r\n")
    assert uploaded.save(tmp_path / name) == tmp_path / name
    assert (tmp_path / name).read_bytes() == b"\x00drawing\r\n"
    assert service.seen[-1].headers["Accept"] == media_type


def test_a_suffix_of_no_format_is_refused_before_anything_is_sent(service, uploaded, tmp_path):
    with pytest.raises(ValueError, match=r"mended\.pdf: a layout is saved as \.svg, \.dxf"):
        uploaded.save(tmp_path / "mended.pdf")
    assert len(service.seen) == 1


def test_a_layout_shows_its_picture(service, uploaded):
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}/picture", b"<svg ></svg>")
    assert uploaded.picture() == "<svg ></svg>"


def test_layouts_that_are_listed_or_looked_up_can_be_saved_too(service, client, example, tmp_path):
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}", example("Layout"))
    service.answer("GET", "/v1/layouts", {"items": [example("Layout")], "next": None})
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}/file", b"x")
    for layout in (client.layout(LAYOUT_ID), next(client.iter_layouts())):
        assert layout.save(tmp_path / "chip.wkt").read_bytes() == b"x"


def test_a_layout_made_by_hand_says_that_it_has_no_client(tmp_path):
    with pytest.raises(LookupError):
        Layout(layout_id="lay_1").save(tmp_path / "chip.svg")


def test_repairs_and_options_are_typed(uploaded):
    (repair,) = uploaded.repairs
    assert repair.kind is RepairKind.SELF_CROSSING
    assert uploaded.layers[0].role is LayerRole.CHANNELS
    assert uploaded.layers[0].level == 1
    assert uploaded.options["leave"] == ["tilt"]
