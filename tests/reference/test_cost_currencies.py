"""Decimals of currencies against ISO 4217, list one (current currencies), state of January 2026."""

from __future__ import annotations

from decimal import Decimal

import pytest

from rillcast_service.engine.costing.currencies import EXPONENTS
from rillcast_service.engine.costing.money import coin
from rillcast_service.engine.errors import RequestInvalid


@pytest.mark.parametrize(
    ("currency", "smallest"),
    [
        ("EUR", "0.01"),
        ("USD", "0.01"),
        ("CHF", "0.01"),  # coins end at 0.05, the standard's minor unit is 0.01
        ("JPY", "1"),
        ("KRW", "1"),
        ("ISK", "1"),
        ("CLP", "1"),
        ("BHD", "0.001"),
        ("KWD", "0.001"),
        ("TND", "0.001"),
        ("MRU", "0.01"),  # five khoums to the ouguiya, but two decimals in the standard
    ],
)
def test_smallest_coin(currency, smallest):
    assert coin(currency) == Decimal(smallest)
    assert str(coin(currency)) == smallest


def test_all_currencies_without_decimals_and_with_three():
    by_exponent = {n: {code for code, exponent in EXPONENTS.items() if exponent == n} for n in (0, 3)}
    assert by_exponent[0] == {
        "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW",
        "PYG", "RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF",
    }  # fmt: skip
    assert by_exponent[3] == {"BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"}
    assert set(EXPONENTS.values()) == {0, 2, 3}


@pytest.mark.parametrize("code", ["HRK", "BGN", "ANG", "CUC", "SLL", "ZWL", "XAU", "XTS", "eur", ""])
def test_withdrawn_and_other_codes_are_refused(code):
    with pytest.raises(RequestInvalid):
        coin(code)
