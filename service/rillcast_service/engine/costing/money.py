"""Money to the coin.

The rule, here and in every total: a line is rounded once, half up, to the smallest coin of its
currency, and a total is the sum of its rounded lines. So what is printed always adds up.
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from rillcast_service.engine.costing.currencies import EXPONENTS
from rillcast_service.engine.errors import Fault, RequestInvalid

HUNDRED = Decimal(100)


def coin(currency: str) -> Decimal:
    """The smallest coin of a currency.

    Args:
        currency: ISO 4217 alphabetic code.

    Returns:
        Such as 0.01 (EUR), 1 (JPY) or 0.001 (KWD), with as many decimals as the currency has.

    Raises:
        RequestInvalid: no current currency has that code.
    """
    try:
        return Decimal(1).scaleb(-EXPONENTS[currency])
    except KeyError:
        raise RequestInvalid(
            Fault(
                message=f"{currency!r} is not a current ISO 4217 currency code",
                remedy="Give a three-letter code such as EUR, USD or JPY.",
                pointer="#/currency",
            )
        ) from None


def to_coin(amount: Decimal, currency: str) -> Decimal:
    """An amount rounded half up (away from zero) to the smallest coin.

    Args:
        amount: any amount of the currency.
        currency: ISO 4217 alphabetic code.

    Returns:
        The amount with exactly the decimals of the currency.

    Raises:
        RequestInvalid: no current currency has that code.
    """
    # Adding zero turns the -0.00 of a rounded-off refund into 0.00.
    return amount.quantize(coin(currency), rounding=ROUND_HALF_UP) + 0


def grouped(amount: Decimal) -> str:
    """An amount as printed, thousands apart by a thin space that does not break.

    Args:
        amount: to the coin.

    Returns:
        Such as `2 007.13`.

    Source: ISO 80000-1, 7.3.1.
    """
    return f"{amount:,}".replace(",", "\u202f")


def percent_of(amount: Decimal, percent: Decimal, currency: str) -> Decimal:
    """A percentage of an amount, to the coin.

    Args:
        amount: the base, in the currency; percent: such as 19 for 19 %.
        currency: ISO 4217 alphabetic code.

    Returns:
        The part, rounded as a line.
    """
    return to_coin(amount * percent / HUNDRED, currency)


def margin_on(cost: Decimal, margin_percent: Decimal, currency: str) -> Decimal:
    """What to add to a cost so that it holds a margin of the price.

    A margin is a part of the price, a mark-up a part of the cost: a margin of 20 % needs a mark-up
    of 25 %. Formula: price = cost / (1 − m), so margin = cost · m / (1 − m).

    Args:
        cost: all that lies under the margin, in the currency.
        margin_percent: part of the price, 0 up to but not including 100.
        currency: ISO 4217 alphabetic code.

    Returns:
        The margin, rounded as a line.

    Raises:
        RequestInvalid: no price has a margin of 100 % or more on a cost above zero.
    """
    if not margin_percent.is_finite() or not 0 <= margin_percent < HUNDRED:
        raise RequestInvalid(
            Fault(
                message=f"a margin of {margin_percent} % is not possible: a margin is a part of the price",
                remedy="Give a margin from 0 to below 100 %; a mark-up of 25 % is a margin of 20 %.",
                pointer="#/commercial/margin_percent",
            )
        )
    return to_coin(cost * margin_percent / (HUNDRED - margin_percent), currency)


def rounding_rule(currency: str) -> str:
    """The rule in words, for the foot of a quotation.

    Args:
        currency: ISO 4217 alphabetic code.

    Returns:
        One or two sentences.
    """
    return (
        f"Each line is rounded half up to {coin(currency)} {currency} and totals are sums of rounded lines. "
        "The unit price is the net price divided by the quantity, rounded the same way, so quantity times "
        "unit price may differ from the net price by up to half a coin per piece."
    )
