"""The quotation page and the cost lines: complete, safe, and adding up."""

from __future__ import annotations

import copy
import csv
import io
from decimal import Decimal
from html.parser import HTMLParser

import pytest

from rillcast_service.documents.pictures import findings_picture, timeline_picture
from rillcast_service.documents.quotation import CSV_COLUMNS, cost_lines_csv, quotation_html

VOID = {"meta", "link", "br", "img", "hr", "input", "col"}


class _Page(HTMLParser):
    """Elements, attributes and text of a page; fails on tags that do not match."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.parts: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == [], f"left open: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> without a start"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("style", "script"):
            self.parts.append(data)

    @property
    def text(self) -> str:
        joined = " ".join(" ".join(self.parts).split())
        return joined.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-")


@pytest.fixture
def pictures(layout, outline, cast_route, blocked_route):
    return {
        "cast_printed_mould/findings": findings_picture(layout, outline, cast_route),
        "cast_printed_mould/timeline": timeline_picture(cast_route.schedule),
        "printed_monolith/findings": findings_picture(layout, outline, blocked_route),
    }


@pytest.fixture
def page(quote, pictures):
    return _Page(quotation_html(quote, pictures, layout_name="River nitrate chip"))


def test_the_client_finds_price_range_date_and_verdict_at_the_top(page):
    top = page.text[: page.text.index("The routes compared")]
    for part in (
        "River nitrate chip, 24 pieces",
        "estimate",
        "makeable with risk",
        "624.10 EUR",
        "26.00 EUR",
        "548.20 to 748.90 EUR",
        "Thu 4 Mar 2027",
        "within the deadline",
    ):
        assert part in top


def test_every_route_is_told_whole(page, quote):
    for route in quote["result"]["routes"]:
        assert route["title"] in page.text
        assert route["summary"] in page.text
        for finding in route["findings"]:
            for member in ("message", "remedy", "source"):
                assert " ".join(finding[member].split()) in page.text
        for line in route["materials"]:
            assert line["title"] in page.text
            assert line["why"] in page.text
        if route["schedule"]:
            for step in route["schedule"]["steps"]:
                assert step["title"] in page.text
                for caution in step["cautions"]:
                    assert caution in page.text
        if route["cost"]:
            for line in route["cost"]["lines"]:
                assert line["what"] in page.text
                assert line["amount"].replace("-", "") in page.text


def test_reasons_assumptions_exclusions_cautions_and_versions_are_told(page, quote):
    result = quote["result"]
    for part in (
        *result["comparison"]["reasons"],
        *(assumption["why"] for assumption in result["assumptions"]),
        *result["cautions"],
        "Not included",
        "safety data sheet",
        "not a medical device",
        result["model"]["version"],
        result["model"]["data_version"],
    ):
        assert part in page.text


def test_a_step_is_one_row_however_many_batches_it_has(page):
    assert (
        page.text.count(
            "Mix, degas and pour 2 Tue 2 Mar, 09:00 to Wed 3 Mar, 10:12 vacuum chamber 1 h 30 min"
        )
        == 1
    )


def test_a_caution_is_said_once_with_the_steps_it_is_about(page):
    resin = "Uncured resin irritates the skin: gloves and goggles, see the safety data sheet."
    assert page.text.count(f"{resin} Print the moulds; Wash in isopropanol and dry.") == 1
    assert page.text.count(resin) == 1


def test_measured_values_stand_beside_their_limits(page):
    assert "Measured 200 µm, limit 210 µm (between 175 and 250 µm)" in page.text


def test_the_recommended_route_comes_first(page):
    sections = [attributes["id"] for tag, attributes in page.elements if attributes.get("class") == "route"]
    assert sections == ["cast_printed_mould", "printed_monolith"]


def test_the_page_needs_nothing_from_elsewhere_and_runs_nothing(quote, pictures, page):
    assert {"script", "link", "img", "iframe", "object", "base", "form"}.isdisjoint(
        tag for tag, _ in page.elements
    )
    for _, attributes in page.elements:
        assert not any(name.startswith("on") or name in ("src", "style") for name in attributes)
    html = quotation_html(quote, pictures)
    for outside in ("@import", "url(", "http://", "https://"):
        assert outside not in html.replace("http://www.w3.org/2000/svg", "")


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\x1b{{ 7 * 7 }}"


def _poisoned(value):
    """The same JSON with every free text replaced."""
    keep = {
        "route",
        "verdict",
        "severity",
        "state",
        "recommended",
        "start",
        "end",
        "finished_at",
        "created_at",
        "first_article_at",
        "currency",
        "amount",
        "net",
        "shared",
        "unit_price",
        "p10",
        "p50",
        "p90",
        "total",
        "critical_path",
    }

    def poison(item, key=""):
        if isinstance(item, dict):
            return {
                (HOSTILE if key == "depth_um" else name): poison(inner, name) for name, inner in item.items()
            }
        if isinstance(item, list):
            return [poison(inner, key) for inner in item]
        return HOSTILE if isinstance(item, str) and key not in keep else item

    return poison(value)


def test_text_of_strangers_is_escaped_wherever_it_stands(quote):
    poisoned = _poisoned(copy.deepcopy(quote))
    html = quotation_html(poisoned, {}, layout_name=HOSTILE)
    page = _Page(html)
    assert {"script", "img"}.isdisjoint(tag for tag, _ in page.elements)
    assert "\x1b" not in html
    assert page.text.count("<script>alert(1)</script>") > 30, "it is there, as text"
    assert page.text.count("{{ 7 * 7 }}") > 30, "and no template of its own"


def test_a_picture_that_is_not_ours_is_refused(quote):
    with pytest.raises(ValueError, match="SVG document made by"):
        quotation_html(quote, {"cast_printed_mould/findings": "<img src=x>"})


def test_when_no_route_can_make_it_the_page_says_so(quote):
    quote["result"]["comparison"]["recommended"] = None
    quote["result"]["routes"] = [route for route in quote["result"]["routes"] if not route["cost"]]
    quote["result"]["comparison"]["choices"] = quote["result"]["comparison"]["choices"][:1]
    page = _Page(quotation_html(quote, {}))
    assert "No route can make this chip as it is drawn" in page.text
    assert "Net price by route" not in page.text


def test_a_quote_without_a_result_has_no_documents(quote):
    quote |= {"result": None, "state": "running"}
    for make in (lambda: quotation_html(quote, {}), lambda: cost_lines_csv(quote)):
        with pytest.raises(ValueError, match="is running and has no result"):
            make()


def _rows(quote) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(cost_lines_csv(quote), newline="")))


def test_the_cost_lines_add_up_to_the_price(quote):
    for route in quote["result"]["routes"]:
        if route["cost"] is None:
            continue
        lines = [row for row in _rows(quote) if row["route"] == route["route"]]
        assert sum(Decimal(row["amount"]) for row in lines) == Decimal(route["cost"]["amount"])
        before_tax = [row for row in lines if row["category"] != "tax"]
        assert sum(Decimal(row["amount"]) for row in before_tax) == Decimal(route["cost"]["net"])


def test_the_cost_lines_have_one_header_and_crlf(quote):
    written = cost_lines_csv(quote)
    assert written.startswith(",".join(CSV_COLUMNS) + "\r\n")
    assert written.count("\r\n") == 1 + len(quote["result"]["routes"][1]["cost"]["lines"])
    first = _rows(quote)[0]
    assert first["quantity"] == "0.386"
    assert first["shared"] == "false"
    assert first["currency"] == "EUR"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t="])
def test_a_spreadsheet_runs_nothing_of_a_strangers_text(quote, start):
    line = quote["result"]["routes"][1]["cost"]["lines"][0]
    line["what"] = start + 'HYPERLINK("x")'
    line["amount"] = "-9.04"
    row = _rows(quote)[0]
    assert row["what"].startswith("'")
    assert row["amount"] == "-9.04", "a negative amount stays a number"
