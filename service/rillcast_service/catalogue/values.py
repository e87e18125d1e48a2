"""How one value is written, in the TOML tables and in JSON alike, and read back with every fault named."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any, TypeGuard

from rillcast_service.catalogue.types import EntryFault, Fact, InvalidEntry, Price, Quantity, Value
from rillcast_service.catalogue.units import SUFFIXES, suffix_of, unit_of

_CURRENCY = re.compile(r"[A-Z]{3}")
_LARGEST_AMOUNT = Decimal(10) ** 12
_MOST_DECIMALS = 12


@dataclass(frozen=True, slots=True)
class Fallbacks:
    """What a written value may leave out.

    Args:
        source: of the value; None when every value must name its own.
        currency, per, as_of: of a price; None when the price must say it.
    """

    source: str | None = None
    currency: str | None = None
    per: str | None = None
    as_of: str | None = None


def value_to_json(value: Value) -> dict[str, Any]:
    """A value as plain JSON; money as decimal strings.

    Args:
        value: a quantity, a price or a fact.

    Returns:
        `{"value", "low", "high", "unit", "source", "note"}` for a quantity, `{"amount", "low", "high",
        "currency", "per", "source", "as_of"}` for a price, `{"value", "source", "note"}` for a fact.
    """
    match value:
        case Quantity():
            return {
                "value": value.value,
                "low": value.low,
                "high": value.high,
                "unit": value.unit,
                "source": value.source,
                "note": value.note,
            }
        case Price():
            return {
                "amount": str(value.amount),
                "low": str(value.low),
                "high": str(value.high),
                "currency": value.currency,
                "per": value.per,
                "source": value.source,
                "as_of": value.as_of,
            }
        case Fact():
            return {"value": value.value, "source": value.source, "note": value.note}


def value_from_document(key: str, written: Any, fallbacks: Fallbacks, *, pointer: str = "#") -> Value:
    """A value as written in a TOML table or a JSON document.

    Args:
        key: the name it is kept under; a number's unit is the suffix of this name.
        written: a table with `amount` (a price), with a number as `value` (a quantity) or with
            anything else as `value` (a fact); or the bare number, word, switch or list itself.
        fallbacks: what may be left out.
        pointer: JSON pointer of the value, for messages.

    Returns:
        The value with its source; `low` and `high` are the value itself where they are not written.

    Raises:
        InvalidEntry: with every fault of this value.
    """
    form = form_of(written)
    table = written if _is_table(written) else {"value": written}
    if form is Price:
        return _price(table, fallbacks, pointer)
    if form is Quantity:
        return _quantity(key, table, fallbacks, pointer)
    return _fact(table, fallbacks, pointer)


def form_of(written: Any) -> type[Value]:
    """What a written value will be read as.

    Args:
        written: as in `value_from_document`.

    Returns:
        `Price` for a table with an `amount`, `Quantity` for a number, `Fact` for anything else.
    """
    if _is_table(written) and "amount" in written:
        return Price
    return Quantity if is_number(plain_value(written)) else Fact


def plain_value(written: Any) -> Any:
    """The bare value of a written one.

    Args:
        written: as in `value_from_document`.

    Returns:
        Its `amount` or `value`, or itself when it stands without a table.
    """
    return written.get("amount", written.get("value")) if _is_table(written) else written


def _is_table(written: Any) -> bool:
    """Whether it is a value's table, and not a fact that happens to be one (opening hours)."""
    return isinstance(written, Mapping) and ("value" in written or "amount" in written)


def _quantity(key: str, table: Mapping[str, Any], fallbacks: Fallbacks, pointer: str) -> Quantity:
    faults = _stray(table, ("value", "low", "high", "unit", "source", "note"), pointer)
    faults += _texts(table, ("source", "note"), fallbacks, pointer)
    unit = unit_of(key)
    if unit is None:
        faults.append(
            EntryFault(
                pointer,
                f"{key} holds a number, and its name carries no known unit.",
                f"End the name in one of {', '.join('_' + suffix for suffix in SUFFIXES)}.",
            )
        )
    elif table.get("unit", unit) not in (unit, suffix_of(key)):
        faults.append(
            EntryFault(
                f"{pointer}/unit",
                f"{key} is in {unit}, not in {table['unit']}.",
                f"Give the number in {unit}.",
            )
        )
    given = {name: table[name] for name in ("low", "value", "high") if name in table}
    for name, number in given.items():
        if not is_number(number) or not is_finite(number):
            faults.append(
                EntryFault(f"{pointer}/{name}", f"{key} is not a finite number.", "Give a plain number.")
            )
    bounds = {name: given.get(name, given["value"]) for name in ("low", "value", "high")}
    if not faults and not bounds["low"] <= bounds["value"] <= bounds["high"]:
        faults.append(_out_of_order(key, bounds["low"], bounds["value"], bounds["high"], pointer))
    if faults:
        raise InvalidEntry(*faults)
    assert unit is not None
    return Quantity(
        value=float(bounds["value"]),
        unit=unit,
        source=table.get("source") or fallbacks.source or "",
        low=float(bounds["low"]),
        high=float(bounds["high"]),
        note=table.get("note", ""),
    )


def _price(table: Mapping[str, Any], fallbacks: Fallbacks, pointer: str) -> Price:
    faults = _stray(table, ("amount", "low", "high", "currency", "per", "source", "as_of"), pointer)
    faults += _texts(table, ("source",), fallbacks, pointer)
    given: dict[str, Decimal] = {}
    for name in ("low", "amount", "high"):
        if name not in table:
            continue
        try:
            given[name] = _money(table[name])
        except ValueError:
            faults.append(
                EntryFault(
                    f"{pointer}/{name}",
                    f"{table[name]!r} is not an amount of money.",
                    'Write a decimal number of zero or more as text, e.g. "12.50".',
                )
            )
    words = {name: table.get(name, getattr(fallbacks, name)) for name in ("currency", "per", "as_of")}
    checks = {
        "currency": (_is_currency, "Give the three capital letters of ISO 4217, e.g. EUR."),
        "per": (_is_text, "Say what one unit is, e.g. kg, l, piece, h."),
        "as_of": (_is_date, "Give the date of the price as in ISO 8601, e.g. 2026-11-25."),
    }
    for name, (is_right, remedy) in checks.items():
        if not is_right(words[name]):
            wrong = "is missing" if words[name] is None else f"cannot be {words[name]!r}"
            faults.append(EntryFault(f"{pointer}/{name}", f"The price's {name} {wrong}.", remedy))
    if faults:
        raise InvalidEntry(*faults)
    bounds = {name: given.get(name, given["amount"]) for name in ("low", "amount", "high")}
    if not bounds["low"] <= bounds["amount"] <= bounds["high"]:
        raise InvalidEntry(
            _out_of_order("The price", bounds["low"], bounds["amount"], bounds["high"], pointer)
        )
    return Price(
        amount=bounds["amount"],
        low=bounds["low"],
        high=bounds["high"],
        currency=str(words["currency"]),
        per=str(words["per"]),
        source=table.get("source") or fallbacks.source or "",
        as_of=str(words["as_of"]),
    )


def _fact(table: Mapping[str, Any], fallbacks: Fallbacks, pointer: str) -> Fact:
    faults = _stray(table, ("value", "source", "note"), pointer)
    faults += _texts(table, ("source", "note"), fallbacks, pointer)
    if table["value"] is None:
        faults.append(
            EntryFault(f"{pointer}/value", "The value is empty.", "Give a value, or leave the key out.")
        )
    if not is_finite(table["value"]):
        faults.append(
            EntryFault(f"{pointer}/value", "It holds a number that is not finite.", "Give plain numbers.")
        )
    if faults:
        raise InvalidEntry(*faults)
    return Fact(
        value=table["value"], source=table.get("source") or fallbacks.source or "", note=table.get("note", "")
    )


def _stray(table: Mapping[str, Any], known: tuple[str, ...], pointer: str) -> list[EntryFault]:
    return [
        EntryFault(f"{pointer}/{name}", f"A value has no {name!r}.", f"Use {', '.join(known)}.")
        for name in table
        if name not in known
    ]


def _texts(
    table: Mapping[str, Any], names: tuple[str, ...], fallbacks: Fallbacks, pointer: str
) -> list[EntryFault]:
    faults = [
        EntryFault(f"{pointer}/{name}", f"{name} is not text.", "Write it as text.")
        for name in names
        if name in table and not isinstance(table[name], str)
    ]
    if not table.get("source") and fallbacks.source is None:
        faults.append(
            EntryFault(
                f"{pointer}/source",
                "The value names no source.",
                "Name the publication or standard, or say `common practice, no source` or `from memory`.",
            )
        )
    return faults


def _out_of_order(what: str, low: Any, value: Any, high: Any, pointer: str) -> EntryFault:
    return EntryFault(
        pointer, f"{what}: {value} lies outside its range {low} to {high}.", "Keep low ≤ value ≤ high."
    )


def _money(written: Any) -> Decimal:
    if isinstance(written, bool) or not isinstance(written, (str, int, float)):
        raise ValueError(written)
    try:
        amount = Decimal(str(written))  # of a float, the digits that were written
    except InvalidOperation:
        raise ValueError(written) from None
    if not amount.is_finite() or not 0 <= amount <= _LARGEST_AMOUNT:
        raise ValueError(written)
    exponent = amount.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < -_MOST_DECIMALS:
        raise ValueError(written)
    return amount


def is_finite(value: Any) -> bool:
    """Whether every number within a plain value is an ordinary finite one.

    Args:
        value: a number, word, switch, or a list or table of them.

    Returns:
        False for a NaN, an infinity, or a whole number beyond every float.
    """
    match value:
        case bool():
            return True
        case float() | int():
            try:
                return math.isfinite(value)
            except OverflowError:
                return False
        case Mapping():
            return all(is_finite(item) for item in value.values())
        case list() | tuple():
            return all(is_finite(item) for item in value)
        case _:
            return True


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a plain value is a number.

    Args:
        value: anything.

    Returns:
        True for whole and decimal numbers; a switch is none.
    """
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_currency(value: Any) -> bool:
    return isinstance(value, str) and _CURRENCY.fullmatch(value) is not None


def _is_date(value: Any) -> bool:
    try:
        return isinstance(value, str) and bool(date.fromisoformat(value))
    except ValueError:
        return False
