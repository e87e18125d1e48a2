"""The quotation page and the cost lines: complete, safe, and adding up."""

from __future__ import annotations

import copy
import csv
import io
from decimal import Decimal
from html.parser import HTMLParser

import pytest

from rillcast_service.documents.pictures import findings_picture, timeline_picture
from rillcast_service.documents.quotation import CSV_COLUMNS, Detail, cost_lines_csv, quotation_html

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


@pytest.fixture
def full_page(quote, pictures):
    return _Page(quotation_html(quote, pictures, layout_name="River nitrate chip", detail=Detail.FULL))


def test_the_client_finds_price_range_date_and_verdict_at_the_top(page):
    top = page.text[: page.text.index("The routes compared")]
    for part in (
        "River nitrate chip, 24 pieces",
        "estimate",
        "Makeable with risk",
        "624.10 EUR",
        "26.00 EUR",
        "548.20 to 748.90 EUR",
        "Thu 4 Mar 2027",
        "within the deadline",
    ):
        assert part in top


def test_in_full_every_route_is_told_whole(full_page, quote):
    page = full_page
    for route in quote["result"]["routes"]:
        assert route["title"] in page.text
        assert route["summary"] in page.text
        for finding in route["findings"]:
            for member in ("message", "why", "remedy", "source"):
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


def _sections(page) -> list[tuple[str, bool]]:
    """Id of each route's section, and whether it tells the route whole."""
    kinds = [(attributes.get("class"), attributes.get("id")) for _, attributes in page.elements]
    return [(id_, kind == "route") for kind, id_ in kinds if kind in ("route", "route brief")]


def test_in_brief_only_the_recommended_route_is_told_whole(page, quote, cast_route):
    assert _sections(page) == [("cast_printed_mould", True), ("printed_monolith", False)]
    for line in cast_route.materials:
        assert line.title in page.text
    for line in cast_route.cost.lines:
        assert line.what in page.text


def test_in_brief_the_others_still_say_verdict_findings_price_and_dates(quote, pictures):
    quote["result"]["comparison"]["recommended"] = "printed_monolith"
    page = _Page(quotation_html(quote, pictures))
    assert _sections(page) == [("printed_monolith", True), ("cast_printed_mould", False)]
    brief = page.text[page.text.index("The other routes in brief") : page.text.index("Assumptions")]
    cast = next(route for route in quote["result"]["routes"] if route["route"] == "cast_printed_mould")
    for finding in cast["findings"]:
        assert " ".join(f"{finding['message']} {finding['why']}".split()) in brief
        assert finding["remedy"] in brief
    for part in ("Makeable with risk", "624.10 EUR", "26.00 EUR", "548.20 to 748.90 EUR", "Thu 4 Mar 2027"):
        assert part in brief
    assert cast["materials"][0]["why"] not in page.text
    assert cast["cost"]["lines"][0]["what"] not in page.text


def test_in_brief_the_first_route_is_told_whole_when_none_is_recommended(quote, pictures):
    quote["result"]["comparison"]["recommended"] = None
    first, *others = [route["route"] for route in quote["result"]["routes"]]
    page = _Page(quotation_html(quote, pictures))
    assert _sections(page) == [(first, True), *((other, False) for other in others)]


@pytest.mark.parametrize("detail", list(Detail))
def test_no_caution_is_lost_and_none_said_twice(quote, pictures, detail):
    page = _Page(quotation_html(quote, pictures, detail=detail))
    plans = [route["schedule"] for route in quote["result"]["routes"] if route["schedule"]]
    cautions = {caution for plan in plans for step in plan["steps"] for caution in step["cautions"]}
    for caution in cautions:
        assert page.text.count(caution) == 1
    for caution in quote["result"]["cautions"]:
        assert caution in page.text[page.text.rindex("Cautions") :]


def test_the_reason_of_a_finding_is_quieter_than_what_it_says(quote, cast_route):
    html = quotation_html(quote, {})
    reasons = [finding.why for finding in cast_route.findings if finding.why]
    assert len(reasons) == 2
    for why in reasons:
        assert f'<span class="why">{why}</span>' in html
    assert html.count('class="why"') == 2, "what has no reason has no empty one"


def test_a_step_is_one_row_however_many_batches_it_has(page):
    row = "Mix, degas and pour (2 batches) Tue 2 Mar, 09:00 to Wed 3 Mar, 10:12 vacuum chamber 1 h 30 min"
    assert page.text.count(row) == 1


def test_steps_have_the_numbers_of_the_timeline(page, cast_route):
    """The picture's own list is cut off in the document, so the table has to be in its order."""
    picture = _Page(timeline_picture(cast_route.schedule)).text
    for number, title in (("1", "Print the moulds"), ("5", "Mix, degas and pour")):
        assert f"{number} {title}" in picture
        assert f"{number} {title}" in page.text


def test_the_price_is_summed_by_category_and_says_a_shared_source_once(quote):
    cast = next(route for route in quote["result"]["routes"] if route["route"] == "cast_printed_mould")
    silicone = next(line for line in cast["cost"]["lines"] if line["category"] == "material")
    glass = silicone | {"what": "glass", "amount": "30.52"}
    cast["cost"]["lines"].append(glass)
    told = _Page(quotation_html(quote, {})).text
    assert "Material list price, invented, 2026-11-01 100.00" in told, "69.48 and 30.52"
    assert told.count("list price, invented") == 1
    glass["source"] = "another list"
    told = _Page(quotation_html(quote, {})).text
    assert "Material 100.00" in told
    assert "glass another list, 2026-11-01" in told
    assert told.count("list price, invented, 2026-11-01") == 1


def test_in_full_a_caution_is_said_once_with_the_steps_it_is_about(full_page):
    page = full_page
    resin = "Uncured resin irritates the skin: gloves and goggles, see the safety data sheet."
    assert page.text.count(f"{resin} Print the moulds; Wash in isopropanol and dry.") == 1
    assert page.text.count(resin) == 1


def test_measured_values_stand_beside_their_limits(page):
    assert "Measured 200 µm, limit 210 µm (between 175 and 250 µm)" in page.text


def test_in_full_the_recommended_route_comes_first(full_page):
    assert _sections(full_page) == [("cast_printed_mould", True), ("printed_monolith", True)]


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


@pytest.mark.parametrize("detail", list(Detail))
def test_text_of_strangers_is_escaped_wherever_it_stands(quote, detail):
    poisoned = _poisoned(copy.deepcopy(quote))
    html = quotation_html(poisoned, {}, layout_name=HOSTILE, detail=detail)
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


def test_one_document_has_one_clock_and_names_it_once(quote, pictures):
    # The fixture plans in UTC+01:00; the request says the same moments in UTC and in a zone far to the west.
    quote["request"] |= {"start": "2027-03-01T08:00:00+00:00", "deadline": "2027-03-05T11:00:00-05:00"}
    quote["created_at"] = "2027-02-26T23:30:00+00:00"
    told = _Page(quotation_html(quote, pictures, detail=Detail.FULL)).text
    assert "asked for on Sat 27 Feb 2027" in told
    assert "Making can begin on Mon 1 Mar 2027, 09:00; the chips are wanted by Fri 5 Mar 2027, 17:00." in told
    assert "All times are UTC+01:00." in told
    page = told.replace(
        "hands-on within 3 d 3 h; finished Thu 4 Mar 2027, 12:00 (UTC+01:00)", ""
    )  # for the blind
    assert page.count("UTC") == 1


def test_a_clock_that_is_put_forward_on_the_way_is_named_with_its_day(quote):
    for route in quote["result"]["routes"]:
        if route["schedule"]:
            # 25 hours after the last step begins in the example, in summer time.
            route["schedule"]["steps"][-1] |= {
                "start": "2027-03-29T10:00:00+02:00", "end": "2027-03-29T11:00:00+02:00",
            }  # fmt: skip
    quote["request"] |= {"deadline": "2027-03-30T10:00:00+00:00"}
    told = _Page(quotation_html(quote, {})).text
    assert "wanted by Tue 30 Mar 2027, 12:00" in told
    assert "All times are UTC+01:00, from Mon 29 Mar UTC+02:00." in told


def test_without_any_plan_the_times_are_the_requests_own(quote):
    for route in quote["result"]["routes"]:
        route["schedule"] = None
    quote["request"]["start"] = "2027-03-01T09:00:00+09:00"
    assert "begin on Mon 1 Mar 2027, 09:00. All times are UTC+09:00." in _Page(quotation_html(quote, {})).text


def test_in_brief_a_blocker_stands_without_notes_and_keeps_its_number(quote):
    (blocked,) = [r for r in quote["result"]["routes"] if r["verdict"] == "not_makeable"]
    (blocker,) = blocked["findings"]
    note = {**blocker, "severity": "note", "message": "The reagent port is near the edge.", "where": None}
    blocked["findings"] = [note, blocker]
    brief = _Page(quotation_html(quote, {})).text
    assert blocker["message"] in brief
    assert note["message"] not in brief
    assert brief[: brief.index(blocker["message"])].endswith("2 Blocker: ")
    assert note["message"] in _Page(quotation_html(quote, {}, detail=Detail.FULL)).text


def test_things_of_the_bench_go_by_their_titles_with_the_name_to_ask_for_them(quote):
    quote["result"]["assumptions"] = [
        {"what": "bench.mould_resin", "value": "grey_mould", "why": "Sharper.", "source": "x"},
        {"what": "use.liquid", "value": "water", "why": "Usual.", "source": "x"},
        {"what": "bench.plasma", "value": "none", "why": "Small.", "source": "x"},
    ]
    titles = {"resins/grey_mould": "grey mould resin, 405 nm", "liquids/water": "water, clean"}
    told = _Page(quotation_html(quote, {}, titles=titles)).text
    assert "bench: mould resin grey mould resin, 405 nm (grey_mould) Sharper." in told
    assert "use: liquid water, clean (water) Usual." in told
    assert "bench: plasma none Small." in told
    assert "Liquid water, clean at 22 °C" in told


def test_ways_of_building_are_told_in_words(quote):
    for route in quote["result"]["routes"]:
        if route["cost"]:
            route["variants"][0]["name"], route["variants"][1]["name"] = "fast_65c", "upright_slow_45c"
    told = _Page(quotation_html(quote, {})).text
    assert "fast, 65 °C, taken:" in told
    assert "upright slow, 45 °C:" in told


def test_one_port_is_measured_in_the_singular(quote):
    finding = quote["result"]["routes"][1]["findings"][0]
    finding |= {"measured": 1.0, "limit": 2.0, "limit_low": None, "limit_high": None, "unit": "ports"}
    assert "Measured 1 port, limit 2 ports" in _Page(quotation_html(quote, {})).text


REPAIRS = [
    {
        "kind": "self_crossing",
        "what": "<path> 'mixer': an outline that crosses itself was filled",
        "layer": "channels",
        "x_mm": 31.25,
        "y_mm": 12.5,
        "area_before_mm2": 4.1,
        "area_after_mm2": 4.3,
    },
    {
        "kind": "gap",
        "what": "channels 3.2 µm apart were joined",
        "layer": "channels",
        "x_mm": 50.0,
        "y_mm": 13.0,
        "area_before_mm2": 0.2,
        "area_after_mm2": 0.21,
    },
]


def test_repairs_of_the_drawing_are_counted_in_brief_and_listed_in_full(quote, pictures):
    brief = _Page(quotation_html(quote, pictures, repairs=REPAIRS)).text
    assert "mended in 2 places" in brief
    assert "apart were joined" not in brief
    full = _Page(quotation_html(quote, pictures, repairs=REPAIRS, detail=Detail.FULL)).text
    assert "1 self crossing channels at 31.25, 12.5 mm <path> 'mixer': an outline that crosses itself" in full
    assert "4.1 → 4.3 mm²" in full
    assert "2 gap channels at 50, 13 mm channels 3.2 µm apart were joined 0.2 → 0.21 mm²" in full


def test_a_drawing_that_needed_no_repair_is_not_told_of(quote, pictures):
    assert "drawing was mended" not in _Page(quotation_html(quote, pictures, detail=Detail.FULL)).text


def test_how_uncured_resin_comes_out_is_told_push_by_push(quote):
    def spread(low, best, high):
        return {"low": low, "best": best, "high": high}

    made = next(route for route in quote["result"]["routes"] if route["route"] == "cast_printed_mould")
    made["draining"] = {
        "pressure_kpa": spread(165.5, 300.0, 300.0),
        "syringe": "Luer-lock syringe, 10 mL",
        "resin": "a clear resin",
        "viscosity_mpa_s": spread(100.0, 200.0, 300.0),
        "pushes": [
            {"port_in": "reagent", "port_out": "<waste>", "seconds": spread(2.0, 4.0, 11.0), "moved_ul": 5.5}
        ],
        "minutes": spread(0.03, 0.07, 0.18),
        "still_ul": 1.25,
        "bypassed_ul": 0.0,
        "notes": ["The film that stays on the walls is not counted."],
    }
    text = _Page(quotation_html(quote, {}, detail=Detail.FULL)).text
    told = text[text.index("How uncured resin comes out") :]
    for part in ("300 kPa", "200 mPa·s", "reagent", "<waste>", "5.5 µL", "1.25 µL", "The film"):
        assert part in told
    del made["draining"]
    assert "How uncured resin comes out" not in _Page(quotation_html(quote, {}, detail=Detail.FULL)).text
