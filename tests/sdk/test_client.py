"""The client against a real HTTP server: what it sends, and what it makes of the answers."""

from __future__ import annotations

import io
import json
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from rillcast import (
    ApiStatusError,
    Client,
    NotFoundError,
    QuoteCancelledError,
    QuoteFailedError,
    QuoteTimeoutError,
    State,
    UnexpectedAnswerError,
)

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="76mm" height="26mm"/>'


@pytest.fixture
def chip(tmp_path: Path) -> Path:
    path = tmp_path / "chip.svg"
    path.write_bytes(SVG)
    return path


def _serve_a_quote(service: Any, layout: dict[str, Any], *states: dict[str, Any]) -> str:
    """Layout upload, quote creation, and one answer after the other to the polls."""
    quote_id = states[0]["quote_id"]
    service.answer("POST", "/v1/layouts", layout, status=201)
    service.answer("POST", "/v1/quotes", states[0], status=202)
    for state in states[1:]:
        service.answer("GET", f"/v1/quotes/{quote_id}", state | {"quote_id": quote_id})
    return quote_id


def test_levels_are_said_with_the_upload_and_of_an_uploaded_layout_with_the_quote(
    service, client, chip, example, queued, done
):
    _serve_a_quote(service, example("Layout"), queued, done)
    client.quote(chip, quantity=1, levels={"low": 2})
    assert json.loads(service.requests("POST", "/v1/layouts")[0].query["levels"]) == {"low": 2}
    assert "levels" not in service.requests("POST", "/v1/quotes")[0].json

    layout = client.upload_layout(chip)
    client.quote(layout, quantity=1, levels={"low": 2})
    assert service.requests("POST", "/v1/quotes")[1].json["levels"] == {"low": 2}
    with pytest.raises(TypeError, match="uploaded already"):
        client.quote(layout, quantity=1, levels={"low": 2}, unit="mm")


def test_the_short_way_uploads_asks_waits_and_gives_the_price(service, client, chip, example, queued, done):
    running = queued | {"state": "running", "progress": 0.4, "step": "checking the printed mould"}
    _serve_a_quote(service, example("Layout"), queued, running, done)
    told: list[tuple[float, str]] = []

    quote = client.quote(
        chip,
        quantity=24,
        depths_um={"channels": 150},
        progress=lambda share, step: told.append((share, step)),
    )

    upload = service.requests("POST", "/v1/layouts")[0]
    assert upload.body == SVG
    assert upload.headers["Content-Type"] == "image/svg+xml"
    assert upload.query == {"name": "chip"}
    asked = service.requests("POST", "/v1/quotes")[0]
    assert asked.json == {
        "quantity": 24,
        "depths_um": {"channels": 150},
        "layout_id": example("Layout")["layout_id"],
    }
    assert told[1] == (0.4, "checking the printed mould")
    assert told[-1][0] == 1.0
    route = done["result"]["routes"][0]
    assert quote.route(route["route"]).cost.unit_price == Decimal(route["cost"]["unit_price"])


def test_every_option_of_a_request_arrives_as_the_contract_has_it(service, client, queued, contract):
    service.answer("POST", "/v1/quotes", queued, status=202)
    client.create_quote(
        "lay_1",
        quantity=24,
        routes=("cast_printed_mould",),
        chip={"thickness_mm": 4.0, "lid": "glass"},
        ports=[{"name": "sample", "x_mm": 6.0, "y_mm": 8.0, "role": "inlet", "bore_mm": 1.5}],
        use={"liquid": "water", "optics": ("visible",)},
        bench={"printer": "masked_lcd_35um", "plasma": None},
        variants=[
            {"orientation_deg": 0, "cure": "slow_65c", "printer": "masked_lcd_22um"},
            {"mould": "wafer_chrome_mask"},
        ],
        aim="date",
        deadline="2027-03-19T17:00:00+01:00",
        start=datetime.fromisoformat("2027-03-01T09:00:00+01:00"),
        first_article=True,
        commercial={"margin_percent": Decimal("20.5"), "tax_percent": 19},
        currency="EUR",
        seed=1,
    )
    sent = service.seen[0].json
    assert sent["start"] == "2027-03-01T09:00:00+01:00"
    assert sent["commercial"] == {"margin_percent": "20.5", "tax_percent": "19"}
    assert sent["bench"] == {"printer": "masked_lcd_35um", "plasma": None}
    assert sent["use"]["optics"] == ["visible"]
    assert sent.keys() <= contract["components"]["schemas"]["QuoteRequest"]["properties"].keys()


def test_every_member_of_the_contracts_request_can_be_asked_for(contract):
    from rillcast.options import QuoteOptions

    members = contract["components"]["schemas"]["QuoteRequest"]["properties"].keys()
    # The layout and the quantity are arguments of their own; an inline layout is uploaded first.
    assert QuoteOptions.__annotations__.keys() == members - {"layout_id", "layout", "quantity"}


def test_a_misspelt_option_is_refused_before_anything_is_sent(service, client):
    with pytest.raises(TypeError, match="depth_um"):
        client.create_quote("lay_1", quantity=1, depth_um=150)
    assert service.seen == []


def test_a_time_without_a_zone_is_refused(client):
    with pytest.raises(ValueError, match="time zone"):
        client.create_quote("lay_1", quantity=1, start=datetime(2027, 3, 1, 9, 0))  # noqa: DTZ001


@pytest.mark.parametrize(
    ("source", "media_type", "sent_as"),
    [
        (SVG, "image/svg+xml", "image/svg+xml"),
        (io.BytesIO(b"{}"), "application/geo+json", "application/geo+json"),
    ],
)
def test_bytes_and_open_files_can_be_uploaded(service, client, example, source, media_type, sent_as):
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    layout = client.upload_layout(
        source, media_type=media_type, name="River", unit="mm", depth_um=150, roles={"Ebene 1": "channels"}
    )
    assert layout.layout_id == example("Layout")["layout_id"]
    seen = service.seen[0]
    assert seen.headers["Content-Type"] == sent_as
    assert seen.query == {
        "name": "River",
        "unit": "mm",
        "depth_um": "150",
        "roles": '{"Ebene 1": "channels"}',
    }


def test_a_file_of_unknown_kind_is_refused_with_the_known_ones(service, client, tmp_path):
    (tmp_path / "chip.png").write_bytes(b"png")
    with pytest.raises(ValueError, match=r"\.svg, \.dxf, \.gds.*\.geojson"):
        client.upload_layout(tmp_path / "chip.png")
    with pytest.raises(ValueError, match="media_type="):
        client.upload_layout(b"nothing known")
    assert service.seen == []


def test_a_layout_that_is_there_is_not_uploaded_again(service, client, example, done):
    service.answer("GET", "/v1/layouts/lay_4Jk2v9QmT1xW", example("Layout"))
    service.answer("POST", "/v1/quotes", done, status=201)
    layout = client.layout("lay_4Jk2v9QmT1xW")
    assert client.quote(layout, quantity=2).state is State.DONE
    assert service.requests("POST", "/v1/layouts") == []


def test_a_failed_quote_raises_with_its_problem(service, client, example, queued):
    quote_id = _serve_a_quote(service, example("Layout"), queued, example("QuoteFailed"))
    with pytest.raises(QuoteFailedError) as caught:
        client.wait(quote_id)
    assert caught.value.problem.title == example("QuoteFailed")["problem"]["title"]
    assert caught.value.quote.quote_id == quote_id


def test_a_cancelled_quote_raises(service, client, example, queued):
    quote_id = _serve_a_quote(service, example("Layout"), queued, example("QuoteCancelled"))
    with pytest.raises(QuoteCancelledError, match=quote_id):
        client.wait(quote_id)


def test_waiting_ends_at_its_deadline_and_can_be_taken_up_again(service, client, example, queued, done):
    quote_id = _serve_a_quote(service, example("Layout"), queued, queued, done)
    with pytest.raises(QuoteTimeoutError) as caught:
        client.wait(quote_id, timeout_s=0.0)
    assert client.wait(caught.value.quote).state is State.DONE


def test_waiting_follows_the_pace_that_the_service_asks_for(service, client, example, queued, done):
    pauses: list[float] = []
    client._transport.sleep = pauses.append
    quote_id = queued["quote_id"]
    service.answer("GET", f"/v1/quotes/{quote_id}", queued)
    service.answer("GET", f"/v1/quotes/{quote_id}", queued, headers={"Retry-After": "3"})
    service.answer("GET", f"/v1/quotes/{quote_id}", done | {"quote_id": quote_id})
    client.wait(quote_id)
    assert pauses[1] == 3.0


def test_cancelling_gives_the_cancelled_quote(service, client, example):
    service.answer("POST", "/v1/quotes/quo_1/cancel", example("QuoteCancelled"))
    assert client.cancel_quote("quo_1").state is State.CANCELLED


def test_pages_are_followed_as_they_are_needed(service, client, example):
    page = example("LayoutPage")
    first = page | {"items": page["items"][:1] * 2, "next": "/v1/layouts?limit=2&cursor=abc"}
    last = page | {"items": page["items"][:1], "next": None}
    service.answer("GET", "/v1/layouts", first)
    service.answer("GET", "/v1/layouts", last)
    layouts = client.iter_layouts(page_size=2)
    next(layouts)
    assert len(service.seen) == 1, "the second page is not fetched before it is needed"
    assert len(list(layouts)) == 2
    assert [seen.query for seen in service.seen] == [{"limit": "2"}, {"limit": "2", "cursor": "abc"}]


def test_a_page_that_leads_to_another_host_is_not_followed(service, example):
    page = example("QuotePage") | {"next": "http://elsewhere.test/v1/quotes?cursor=abc"}
    service.answer("GET", "/v1/quotes", page)
    with (
        Client(service.url, api_key="secret") as client,
        pytest.raises(UnexpectedAnswerError, match="another host"),
    ):
        list(client.iter_quotes())


def test_quotes_are_listed_without_results(service, client, example):
    service.answer("GET", "/v1/quotes", example("QuotePage") | {"next": None})
    quotes = list(client.iter_quotes())
    assert quotes[0].quantity == example("QuotePage")["items"][0]["quantity"]


@pytest.mark.parametrize(
    ("suffix", "accept"), [(".html", "text/html"), (".csv", "text/csv"), (".HTM", "text/html")]
)
def test_a_quote_is_saved_in_the_form_that_the_suffix_names(service, client, done, tmp_path, suffix, accept):
    link = f"/v1/quotes/{done['quote_id']}"
    service.answer("GET", link, done)
    # No charset in the header: the bytes are UTF-8 all the same.
    service.answer("GET", f"{link}/document", "µ;1\r\n".encode(), headers={"Content-Type": accept})
    path = client.get_quote(done["quote_id"]).save(tmp_path / f"offer{suffix}")
    assert path.read_bytes() == "µ;1\r\n".encode()
    assert service.seen[-1].headers["Accept"] == accept


def test_a_quote_saved_as_json_is_the_answer_itself(service, client, done, tmp_path):
    service.answer("GET", f"/v1/quotes/{done['quote_id']}", done)
    path = client.get_quote(done["quote_id"]).save(tmp_path / "quote.json")
    assert json.loads(path.read_text(encoding="utf-8")) == done
    assert len(service.seen) == 1


def test_a_form_that_a_quote_does_not_have_is_refused(service, client, done, tmp_path):
    service.answer("GET", f"/v1/quotes/{done['quote_id']}", done)
    with pytest.raises(ValueError, match=r"offer\.docx"):
        client.get_quote(done["quote_id"]).save(tmp_path / "offer.docx")


def test_pictures_come_as_text(service, client, done):
    picture = "<svg>200 µm</svg>"
    link = f"/v1/quotes/{done['quote_id']}"
    service.answer("GET", link, done)
    service.answer("GET", f"{link}/pictures/cast_printed_mould/timeline", picture.encode())
    assert client.get_quote(done["quote_id"]).picture("cast_printed_mould", "timeline") == picture
    assert service.seen[-1].headers["Accept"] == "image/svg+xml"


def test_every_picture_of_every_route_is_saved(service, client, done, tmp_path):
    link = f"/v1/quotes/{done['quote_id']}"
    service.answer("GET", link, done)
    names = ("findings", "as_made", "exchange_time", "pressure", "timeline")
    for name in names:
        service.answer("GET", f"{link}/pictures/cast_printed_mould/{name}", f"<svg>{name}</svg>".encode())
    written = client.get_quote(done["quote_id"]).save_pictures(tmp_path)
    assert [path.name for path in written] == [f"{name}-cast_printed_mould.svg" for name in names]
    assert [path.read_text() for path in written] == [f"<svg>{name}</svg>" for name in names]


def test_a_name_cannot_lead_to_another_path(service, client):
    with pytest.raises(NotFoundError):
        client.bench_entry("ovens", "../../healthz?x=1#")
    assert service.seen[0].path == "/v1/bench/ovens/..%2F..%2Fhealthz%3Fx%3D1%23"


def test_own_values_are_sent_as_given(service, client, example):
    service.answer("PUT", "/v1/bench/ovens/bench_oven", example("BenchEntry"), status=201)
    entry = client.put_bench_entry(
        "ovens", "bench_oven", {"max_c": 220}, title="Our oven", based_on="small_oven"
    )
    assert service.seen[0].json == {"values": {"max_c": 220}, "title": "Our oven", "based_on": "small_oven"}
    assert entry.origin == "bench"
    service.answer("DELETE", "/v1/bench/ovens/bench_oven", status=204)
    client.delete_bench_entry("ovens", "bench_oven")


@pytest.mark.parametrize("body", [b"", b"<html>Login</html>", b"[1]", b'{"items": 3}', b"{}"])
def test_an_answer_that_is_not_the_contracts_is_an_error_of_its_own(service, client, body):
    service.answer("GET", "/v1/routes", body)
    with pytest.raises(UnexpectedAnswerError):
        client.routes()


def test_the_address_and_the_key_come_from_the_environment_unless_given(service, monkeypatch):
    service.answer("GET", "/healthz", {"status": "ok"})
    monkeypatch.setenv("RILLCAST_BASE_URL", service.url)
    monkeypatch.setenv("RILLCAST_API_KEY", "from-environment")
    with Client() as client:
        client.health()
    with Client(api_key="given") as client:
        client.health()
    assert [seen.headers["Authorization"] for seen in service.seen] == [
        "Bearer from-environment",
        "Bearer given",
    ]


def test_a_service_that_is_not_ready_says_so(service, client):
    service.problem("GET", "/readyz", 503, "not-ready")
    with pytest.raises(ApiStatusError, match="Refused"):
        client.ready()


def test_a_quotation_is_asked_for_in_brief_or_in_full(service, client, done, tmp_path):
    link = f"/v1/quotes/{done['quote_id']}"
    service.answer("GET", link, done)
    service.answer("GET", f"{link}/document", b"<!doctype html>", headers={"Content-Type": "text/html"})
    quote = client.get_quote(done["quote_id"])
    quote.save(tmp_path / "brief.html")
    quote.save(tmp_path / "full.html", detail="full")
    assert [seen.query for seen in service.requests("GET", f"{link}/document")] == [{}, {"detail": "full"}]
