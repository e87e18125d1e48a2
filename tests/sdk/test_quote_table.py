"""The quote in a terminal: the table of routes at several widths, and the findings below it."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from rillcast._decode import decode
from rillcast.cli.tables import print_quote
from rillcast.models import Quote

BLOCKED = "A channel is 80 µm wide; this route makes 400 µm and up. Published values scatter."


@pytest.fixture
def quote(done: dict[str, Any]) -> dict[str, Any]:
    """The contract's example with a second route, which is blocked twice and carries a risk."""
    finding = {
        "rule": "channel_width",
        "severity": "blocker",
        "message": BLOCKED,
        "why": "Narrower ones close.",
        "remedy": "Widen to 400 µm.",
    }
    findings = [
        finding,
        finding | {"message": "Not a single roof stays open."},
        finding | {"severity": "risk", "message": "A wall may tear."},
    ]
    blocked = {"route": "printed_monolith", "verdict": "not_makeable", "findings": findings}
    done["result"]["routes"].append(blocked)
    done["result"]["routes"][0]["cost"] |= {
        "net": "12345.60",
        "unit_price": "514.40",
        "total": {"p10": "9876.50", "p50": "12000.00", "p90": "23456.70"},
    }
    return done


def printed(quote: dict[str, Any], width: int) -> str:
    file = io.StringIO()
    print_quote(Console(file=file, width=width), decode(Quote, quote))
    return file.getvalue()


def table(quote: dict[str, Any], width: int) -> list[str]:
    """From the head to the line that explains the figures."""
    lines = printed(quote, width).splitlines()
    return lines[2 : 1 + next(index for index, line in enumerate(lines) if line.startswith("* recommended"))]


def test_at_140_columns_a_route_is_one_line_with_all_figures(quote):
    head, _, recommended, *_ = table(quote, 140)
    assert head.split() == ["route", "verdict", "each", "total", "range", "hands-on", "ready"]
    assert recommended.startswith("cast_printed_mould *")
    for part in (
        "makeable",
        "514.40",
        "12,345.60",
        "9,876.50 to 23,456.70",
        " h  ",
        "2027-03-",
    ):
        assert part in recommended


def test_at_100_columns_verdict_prices_range_and_date_stay_on_one_line(quote):
    head, _, recommended, *_ = table(quote, 100)
    assert head.split() == ["route", "verdict", "each", "total", "range", "ready"]
    for part in ("514.40", "12,345.60", "9,876.50 to 23,456.70", "2027-03-"):
        assert part in recommended


def test_at_60_columns_the_range_stands_below_its_route(quote):
    head, _, recommended, below, *_ = table(quote, 60)
    assert "range" not in head
    assert "12,345.60" in recommended
    assert below.split(" ") == ["", "", "range", "9,876.50", "to", "23,456.70"]


@pytest.mark.parametrize("width", [100, 140])
def test_no_line_is_longer_than_the_terminal_or_ends_in_blanks(quote, width):
    for line in printed(quote, width).splitlines():
        assert len(line) <= width
        assert line == line.rstrip()


@pytest.mark.parametrize("width", [60, 100, 140])
def test_a_blocked_route_says_in_words_what_blocks_it(quote, width):
    lines = table(quote, width)
    start = next(index for index, line in enumerate(lines) if line.startswith("printed_monolith"))
    assert "not makeable" in lines[start]
    said = " ".join(" ".join(lines[start + 1 : -1]).split())
    assert said == (
        "blocked: A channel is 80 µm wide; this route makes 400 µm and up. "
        "blocked: Not a single roof stays open."
    ), "each blocker, no risk, and no more than the fact"


def test_the_figures_are_explained(quote):
    assert table(quote, 100)[-1] == (
        "* recommended; prices in EUR before tax, range from 10 to 90 % probability"
    )


def test_a_finding_says_what_why_and_how_to_mend_it(quote):
    said = " ".join(printed(quote, 100).split())
    assert f"1 blocker {BLOCKED} Narrower ones close. remedy: Widen to 400 µm. 2 blocker" in said


def test_the_reason_is_said_in_a_quieter_voice(quote):
    file = io.StringIO()
    print_quote(
        Console(file=file, width=300, force_terminal=True, color_system="standard"), decode(Quote, quote)
    )
    assert "\x1b[2m Narrower ones close.\x1b[0m" in file.getvalue()


def test_no_route_recommended_needs_no_star(quote):
    quote["result"]["comparison"]["recommended"] = None
    assert "*" not in printed(quote, 100)


@pytest.mark.parametrize("width", [20, 60, 100])
def test_no_amount_is_broken_across_lines(quote, width):
    # The documents' narrow no-break space between groups of digits is where a terminal would break the line.
    quote["result"]["comparison"]["reasons"] = ["It costs 2\u202f010.05 EUR less than the next."] * 3
    quote["result"]["routes"][0]["findings"][0]["message"] = "The mould holds 1\u202f234\u202f567 pixels."
    said = printed(quote, width)
    assert "\u202f" not in said
    assert said.count("2,010.05") == 3
    assert said.count("1,234,567") == 1


def test_machines_that_were_compared_are_told_with_their_verdicts(quote):
    told = " ".join(printed(quote, 100).split())
    assert "slow_65c on masked_lcd_35um, taken: makeable with risk" in told
    assert "slow_65c on masked_lcd_22um: makeable with risk" in told
    for variant in quote["result"]["routes"][0]["variants"]:
        variant["machine"] = "masked_lcd_35um"
    assert " on masked_lcd_35um" not in printed(quote, 100)
