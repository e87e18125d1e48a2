"""How numbers, money and times are printed: one place, so that every document says them alike."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

NARROW_SPACE = "\u202f"  # no-break, between groups of three digits (ISO 80000-1)
SPACE = "\u00a0"  # no-break, between a number and its unit
MINUS = "\u2212"

#: Numbers from here on are printed as a power of ten.
POWER_FROM = 1e7
POWER_BELOW = 1e-4

#: Words that count as units, and how one of them is called.
_ONE_OF = {"pieces": "piece", "ports": "port", "shapes": "shape", "depths": "depth", "layers": "layer"}

#: Units that prices are kept under, as they are printed.
_PRINTED_UNITS = {"l": "L", "ml": "mL", "ul": "µL", "days": "d"}

#: How the name of a variant ends when it is cured at a temperature of its own.
_CURED_AT = re.compile(r"_(\d+)c$")

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def money(amount: Decimal | str, currency: str = "") -> str:
    """Money as `1 234.50 EUR`.

    Args:
        amount: its decimals are printed as they are.
        currency: ISO 4217 code; left out when empty.

    Returns:
        The printed amount; a negative one with a minus sign.
    """
    value = Decimal(amount)
    printed = f"{abs(value):,}".replace(",", NARROW_SPACE)
    return (MINUS if value < 0 else "") + printed + (SPACE + currency if currency else "")


def number(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, whole numbers never rounded to tens.

    Args:
        value: any finite number.
        digits: significant digits of the fraction.

    Returns:
        The printed number; very large and very small ones as a power of ten.
    """
    if value == 0:
        return "0"
    size = abs(value)
    if size >= POWER_FROM or size < POWER_BELOW:
        exponent = math.floor(math.log10(size))
        mantissa = f"{size / 10.0**exponent:.{digits - 1}f}"
        if float(mantissa) >= 10.0:  # 9.999 rounds up into the next power
            mantissa, exponent = f"{1:.{digits - 1}f}", exponent + 1
        printed = f"{mantissa}{SPACE}×{SPACE}10{str(exponent).translate(_SUPERSCRIPT)}"
    else:
        decimals = max(0, digits - 1 - math.floor(math.log10(size)))
        printed = f"{size:,.{decimals}f}".replace(",", NARROW_SPACE)
        if "." in printed:
            printed = printed.rstrip("0").rstrip(".")
    return (MINUS if value < 0 and printed != "0" else "") + printed


def measure(value: float | None, unit: str | None, digits: int = 3) -> str:
    """A number with its unit.

    Args:
        value: the number; None prints as `–`.
        unit: as printed; `1` is none, `°` follows closely, what is counted has a singular and a plural.
        digits: significant digits.

    Returns:
        The printed value.
    """
    if value is None:
        return "–"
    if unit in (None, "", "1"):
        return number(value, digits)
    printed = "pieces" if unit == "piece" else _PRINTED_UNITS.get(str(unit), str(unit))
    if value == 1:
        printed = _ONE_OF.get(printed, printed)
    return number(value, digits) + ("" if unit == "°" else SPACE) + printed


def span(value: Mapping[str, float] | None, unit: str, digits: int = 3) -> str:
    """A range as `150 µm (140 to 160)`.

    Args:
        value: `low`, `best` and `high`; None prints as `–`.
        unit: of all three.
        digits: significant digits.

    Returns:
        The printed range; the best value alone when it is exact.
    """
    if value is None:
        return "–"
    best = measure(value["best"], unit, digits)
    low, high = number(value["low"], digits), number(value["high"], digits)
    return best if low == high else f"{best} ({low} to {high})"


def when(moment: datetime | str | None) -> str:
    """A time as `Mon 1 Mar 2027, 09:00`, in the zone that it carries; `–` for None."""
    if moment is None:
        return "–"
    at = _moment(moment)
    return f"{day(at)} {at.year}, {at:%H:%M}"


def day(moment: datetime | str) -> str:
    """A date as `Mon 1 Mar`."""
    at = _moment(moment)
    return f"{_DAYS[at.weekday()]}{SPACE}{at.day}{SPACE}{_MONTHS[at.month - 1]}"


def stretch(start: datetime | str, end: datetime | str) -> str:
    """A stretch of time as `Mon 1 Mar, 09:00 to 11:24`; the day of the end only when it is another."""
    last = clock(end) if day(start) == day(end) else f"{day(end)}, {clock(end)}"
    return f"{day(start)}, {clock(start)} to {last}"


def date(moment: datetime | str | None) -> str:
    """A date as `Mon 1 Mar 2027`; `–` for None."""
    return "–" if moment is None else f"{day(moment)}{SPACE}{_moment(moment).year}"


def clock(moment: datetime | str) -> str:
    """A time of day as `09:00`."""
    return f"{_moment(moment):%H:%M}"


def offset(moment: datetime | str) -> str:
    """The time zone of a moment as `UTC+01:00`."""
    written = f"{_moment(moment):%z}"
    return f"UTC{written[:3]}:{written[3:5]}" if written else "no time zone"


def duration(minutes: float) -> str:
    """Minutes as `35 min`, `2 h 10 min` or `3 d 4 h`."""
    whole = round(minutes)
    if whole < 60:
        return f"{number(minutes, 2) if minutes < 10 else whole}{SPACE}min"
    hours, rest = divmod(whole, 60)
    if hours < 48:
        return f"{hours}{SPACE}h" + (f"{SPACE}{rest}{SPACE}min" if rest else "")
    days, hours = divmod(round(minutes / 60), 24)
    return f"{days}{SPACE}d" + (f"{SPACE}{hours}{SPACE}h" if hours else "")


def words(value: Any) -> str:
    """An identifier as words: `cast_printed_mould` → `cast printed mould`."""
    return str(value).replace("_", " ")


def variant(name: str) -> str:
    """The name of a way of building as words: `fast_65c` → `fast, 65 °C`."""
    return words(_CURED_AT.sub(rf", \1{SPACE}°C", name))


def _moment(moment: datetime | str) -> datetime:
    return moment if isinstance(moment, datetime) else datetime.fromisoformat(moment)
