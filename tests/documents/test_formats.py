"""How numbers, money and times are printed."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal

import pytest

from rillcast_service.documents import formats

MONDAY = datetime(2027, 3, 1, 9, 5, tzinfo=timezone(timedelta(hours=1)))


def _spaced(text: str) -> str:
    """The text with plain spaces, so that an expected value can be read."""
    return text.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-")


@pytest.mark.parametrize(
    ("value", "digits", "printed"),
    [
        (0, 3, "0"),
        (1, 3, "1"),
        (149.9999, 3, "150"),
        (0.123456, 3, "0.123"),
        (-18.04, 3, "-18"),
        (1234567.4, 3, "1 234 567"),
        (2.1e11, 3, "2.10 × 10¹¹"),
        (9.9999e11, 3, "1.00 × 10¹²"),
        (4.3e-10, 2, "4.3 × 10⁻¹⁰"),
        (1e7, 3, "1.00 × 10⁷"),
        (0.5, 3, "0.5"),
        (100, 1, "100"),
    ],
)
def test_numbers_to_significant_digits(value, digits, printed):
    assert _spaced(formats.number(value, digits)) == printed


@pytest.mark.parametrize(
    ("amount", "currency", "printed"),
    [
        ("1234.50", "EUR", "1 234.50 EUR"),
        ("-9.04", "EUR", "-9.04 EUR"),
        (Decimal("0.10"), "", "0.10"),
        ("1234567", "JPY", "1 234 567 JPY"),
    ],
)
def test_money_keeps_its_decimals(amount, currency, printed):
    assert _spaced(formats.money(amount, currency)) == printed


@pytest.mark.parametrize(
    ("minutes", "printed"),
    [
        (0, "0 min"), (2.5, "2.5 min"), (35, "35 min"), (59.6, "1 h"), (60, "1 h"), (130, "2 h 10 min"),
        (47 * 60, "47 h"), (48 * 60, "2 d"), (76 * 60, "3 d 4 h"),
    ],
)  # fmt: skip
def test_durations(minutes, printed):
    assert _spaced(formats.duration(minutes)) == printed


def test_measures_and_their_units():
    assert _spaced(formats.measure(200.0, "µm")) == "200 µm"
    assert formats.measure(None, "µm") == "–"
    assert formats.measure(4.7, "1") == "4.7"
    assert _spaced(formats.measure(93.0, "%")) == "93 %"
    assert formats.measure(45.0, "°") == "45°"
    assert _spaced(formats.measure(1.0, "piece")) == "1 piece"
    assert _spaced(formats.measure(28.0, "piece")) == "28 pieces"


def test_a_range_is_printed_only_where_there_is_one():
    assert _spaced(formats.span({"low": 140.0, "best": 150.0, "high": 160.0}, "µm")) == "150 µm (140 to 160)"
    assert _spaced(formats.span({"low": 150.0, "best": 150.0, "high": 150.0}, "µm")) == "150 µm"
    assert formats.span(None, "µm") == "–"


def test_times_are_the_same_as_text_and_as_datetime():
    for moment in (MONDAY, MONDAY.isoformat()):
        assert _spaced(formats.when(moment)) == "Mon 1 Mar 2027, 09:05"
        assert _spaced(formats.date(moment)) == "Mon 1 Mar 2027"
        assert formats.clock(moment) == "09:05"
        assert formats.offset(moment) == "UTC+01:00"
    later = MONDAY + timedelta(hours=2)
    assert _spaced(formats.stretch(MONDAY, later)) == "Mon 1 Mar, 09:05 to 11:05"
    assert (
        _spaced(formats.stretch(MONDAY, later + timedelta(days=1))) == "Mon 1 Mar, 09:05 to Tue 2 Mar, 11:05"
    )
    assert formats.when(None) == formats.date(None) == "–"
    assert formats.offset("2027-03-01T09:00:00-03:30") == "UTC-03:30"
