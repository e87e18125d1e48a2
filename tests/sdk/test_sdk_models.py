"""Answers as typed objects, and what becomes of members and words that this version does not know."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from rillcast import Severity, State, Verdict
from rillcast._decode import DecodeError, decode
from rillcast.models import BenchEntry, Cost, Finding, Layout, Problem, Quote, RouteResult


def test_the_contracts_example_of_a_quote_is_read_whole(done):
    quote = decode(Quote, done)
    assert quote.state is State.DONE
    assert quote.finished
    route = quote.routes[0]
    assert route.verdict in set(Verdict)
    assert route.cost is not None
    assert isinstance(route.cost.unit_price, Decimal)
    assert route.cost.unit_price == Decimal(done["result"]["routes"][0]["cost"]["unit_price"])
    assert route.schedule is not None
    assert route.schedule.finished_at.utcoffset() is not None
    assert sum(line.amount for line in route.cost.lines) == route.cost.amount


def test_which_way_round_and_codes_are_read_as_objects(done):
    made = decode(Quote, done).routes[0].as_made
    assert made.handedness.mirrored == {"mould": True, "part": False, "lid": False}
    first = made.handedness.steps[0]
    assert (first.of, first.gives, first.mirrors) == ("mould", "part", True)
    assert made.handedness.ports_clockwise == ("sample", "waste")
    assert [(code.text, code.columns, code.read, code.mirrored) for code in made.codes] == [
        ("NITRATE-01", 21, True, False)
    ]
    assert made.marks[0].min_stroke_um.best == 640


def test_the_contracts_example_of_a_layout_is_read_whole(example):
    layout = decode(Layout, example("Layout"))
    assert layout.bounds_mm is not None
    assert (layout.bounds_mm.max_x_mm, layout.bounds_mm.max_y_mm) == (75.0, 25.0)
    assert [port.name for port in layout.ports] == ["sample", "waste"]
    assert layout.layers[0].depth_um == 150.0


def test_members_of_a_newer_service_are_kept_in_raw(done):
    done["result"]["routes"][0]["carbon_footprint_kg"] = 1.5
    done["mood"] = "fine"
    quote = decode(Quote, done)
    assert quote.raw["mood"] == "fine"
    assert quote.routes[0].raw["carbon_footprint_kg"] == 1.5


def test_words_of_a_newer_service_stay_words(done):
    done["state"] = "paused"
    done["result"]["routes"][0]["verdict"] = "makeable_on_mondays"
    quote = decode(Quote, done)
    assert quote.state == "paused"
    assert not isinstance(quote.state, State)
    assert not quote.finished
    assert quote.routes[0].verdict == "makeable_on_mondays"


def test_known_words_become_enum_members():
    finding = decode(Finding, {"rule": "r", "severity": "blocker", "message": "m", "remedy": "n"})
    assert finding.severity is Severity.BLOCKER
    assert RouteResult("x", Verdict.NOT_MAKEABLE, findings=(finding,)).blockers == (finding,)


def test_a_missing_member_is_named_with_its_place(done):
    del done["result"]["routes"][0]["cost"]["unit_price"]
    with pytest.raises(DecodeError, match="#/result/routes/0/cost/unit_price is missing"):
        decode(Quote, done)


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("quote_id", 7),
        ("progress", "half"),
        ("progress", True),
        ("created_at", "yesterday"),
        ("request", []),
        ("result", [1]),
    ],
)
def test_a_member_of_another_type_is_named_with_its_place(queued, member, value):
    queued[member] = value
    with pytest.raises(DecodeError, match=f"#/{member}"):
        decode(Quote, queued)


def test_money_keeps_every_digit():
    document = {
        "currency": "EUR",
        "net": "0.10",
        "amount": "0.30",
        "unit_price": "12345678901234567.89",
        "total": {"p10": "0.1", "p50": "0.2", "p90": "0.3"},
    }
    cost = decode(Cost, document)
    assert cost.unit_price == Decimal("12345678901234567.89")
    assert cost.net + cost.net + cost.net == Decimal("0.30")


@pytest.mark.parametrize("written", ["a lot", "1,5", ""])
def test_money_that_is_no_number_is_refused(written):
    with pytest.raises(DecodeError, match="decimal"):
        decode(
            Cost,
            {
                "currency": "EUR",
                "net": written,
                "amount": "1",
                "unit_price": "1",
                "total": {"p10": "1", "p50": "1", "p90": "1"},
            },
        )


def test_times_are_read_with_their_offset(queued):
    queued["created_at"] = "2027-03-01T09:00:00Z"
    created = decode(Quote, queued).created_at
    assert created is not None
    assert created.utcoffset() == timedelta(0)
    assert created == datetime.fromisoformat("2027-03-01T10:00:00+01:00")


def test_results_cannot_be_changed_by_accident(done):
    quote = decode(Quote, done)
    with pytest.raises(FrozenInstanceError):
        quote.state = State.FAILED


def test_a_route_is_found_by_its_id_and_a_wrong_id_names_those_there_are(done):
    quote = decode(Quote, done)
    route_id = done["result"]["routes"][0]["route"]
    assert quote.route(route_id) is quote.routes[0]
    with pytest.raises(LookupError, match=route_id):
        quote.route("carved_from_stone")


def test_a_quote_without_a_result_says_so(queued):
    quote = decode(Quote, queued)
    with pytest.raises(LookupError, match="queued"):
        quote.route("cast_printed_mould")
    with pytest.raises(LookupError, match="not given by a client"):
        quote.save("offer.html")


def test_the_recommended_route_is_none_when_no_route_can_make_it(done):
    quote = decode(Quote, done)
    assert quote.recommended is not None
    done["result"]["comparison"]["recommended"] = None
    assert decode(Quote, done).recommended is None


def test_a_problem_reads_as_text_with_each_fault_on_a_line():
    problem = decode(
        Problem,
        {
            "type": "/problems/request-invalid",
            "title": "The request cannot be answered",
            "detail": "Two faults.",
            "errors": [
                {"message": "Too few.", "remedy": "Ask for one or more.", "pointer": "#/quantity"},
                {
                    "message": "No depth.",
                    "remedy": "Give depths_um.",
                    "where": "layer channels",
                    "pointer": None,
                },
            ],
        },
    )
    assert problem.slug == "request-invalid"
    assert problem.text.splitlines() == [
        "The request cannot be answered: Two faults.",
        "  - #/quantity: Too few. Ask for one or more.",
        "  - layer channels: No depth. Give depths_um.",
    ]


def test_a_bench_value_is_read_plain_whatever_its_form():
    entry = decode(
        BenchEntry,
        {
            "kind": "ovens",
            "name": "oven",
            "title": "Oven",
            "origin": "bench",
            "values": {
                "max_c": {"value": 220, "low": 220, "high": 220, "unit": "°C", "source": "bench", "note": ""},
                "purchase": {
                    "amount": "900.10",
                    "low": "600",
                    "high": "1400",
                    "currency": "EUR",
                    "per": "piece",
                    "source": "bench",
                    "as_of": "2026-11-01",
                },
                "fan": {"value": "yes", "source": "bench", "note": ""},
            },
        },
    )
    assert entry.value("max_c") == 220
    assert entry.value("purchase") == Decimal("900.10")
    assert entry.value("fan") == "yes"
    with pytest.raises(KeyError):
        entry.value("colour")
