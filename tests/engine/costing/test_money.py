"""Rounding, percentages and margins by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest

from rillcast_service.engine.costing.money import margin_on, percent_of, rounding_rule, to_coin
from rillcast_service.engine.errors import RequestInvalid


@pytest.mark.parametrize(
    ("amount", "currency", "expected"),
    [
        ("1.005", "EUR", "1.01"),  # half goes up, where binary floats would give 1.00
        ("1.0049", "EUR", "1.00"),
        ("-1.005", "EUR", "-1.01"),  # a refund rounds as the payment does
        ("-0.001", "EUR", "0.00"),
        ("2.5", "JPY", "3"),
        ("0.0005", "KWD", "0.001"),
    ],
)
def test_half_goes_up_to_the_coin(amount, currency, expected):
    assert str(to_coin(Decimal(amount), currency)) == expected


def test_percent_of():
    assert percent_of(Decimal("471.17"), Decimal(19), "EUR") == Decimal("89.52")


def test_a_fifth_of_the_price_is_a_quarter_of_the_cost():
    assert margin_on(Decimal("80.00"), Decimal(20), "EUR") == Decimal("20.00")
    assert margin_on(Decimal("80.00"), Decimal(0), "EUR") == Decimal("0.00")


@pytest.mark.parametrize("margin", ["100", "-1", "250", "NaN"])
def test_an_impossible_margin_is_refused(margin):
    with pytest.raises(RequestInvalid):
        margin_on(Decimal("80.00"), Decimal(margin), "EUR")


def test_the_rule_names_the_coin():
    assert "0.001 KWD" in rounding_rule("KWD")
