"""JSON → frozen dataclasses, by their type hints; tolerant of what a newer service may add.

Members that a class does not know are kept in its `raw`. A word that an enum does not know stays
a plain string. A member that is missing takes the field's default; without a default the answer
is not what the contract says, and `DecodeError` names the member.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Hashable, Mapping
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from enum import Enum
from functools import cache
from typing import Any, TypeVar

T = TypeVar("T")
Decoder = Callable[[Any, str], Any]


class DecodeError(ValueError):
    """A member is missing or has another type than the contract says."""


def decode(cls: type[T], document: Any, pointer: str = "#") -> T:
    """A JSON object as an instance of a dataclass.

    Args:
        cls: a dataclass; its field `raw`, if it has one, gets the whole object.
        document: what `json.loads` gave.
        pointer: where in the answer this object is, for the message of an error.

    Returns:
        The instance.

    Raises:
        DecodeError: not an object, a member missing or of another type.
    """
    if not isinstance(document, Mapping):
        raise DecodeError(f"{pointer}: an object was expected, not {_kind(document)}")
    values: dict[str, Any] = {}
    for name, decoder, required in _fields(typing.cast("Hashable", cls)):
        if name == "raw":
            values[name] = document
        elif name in document:
            values[name] = decoder(document[name], f"{pointer}/{name}")
        elif required:
            raise DecodeError(f"{pointer}/{name} is missing")
    return cls(**values)


@cache
def _fields(cls: Any) -> tuple[tuple[str, Decoder, bool], ...]:
    hints = typing.get_type_hints(cls)
    return tuple(
        (
            f.name,
            _decoder(hints[f.name]),
            f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING,
        )
        for f in dataclasses.fields(cls)
        if not f.name.startswith("_")
    )


def _decoder(hint: Any) -> Decoder:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any:
        return lambda value, _: value
    if origin in (types.UnionType, typing.Union):
        return _one_of(arguments)
    if origin is tuple:
        return _sequence(_decoder(arguments[0]))
    if origin in (dict, Mapping):
        return _mapping(_decoder(arguments[1]))
    if dataclasses.is_dataclass(hint):
        return lambda value, pointer: decode(typing.cast("type[Any]", hint), value, pointer)
    return _SCALARS[hint]


def _one_of(hints: tuple[Any, ...]) -> Decoder:
    """`X | None`, and `SomeEnum | str` for words that a later service may add to."""
    enum = next((hint for hint in hints if isinstance(hint, type) and issubclass(hint, Enum)), None)
    others = [hint for hint in hints if hint not in (enum, types.NoneType)]
    inner = _decoder(others[0])
    optional = types.NoneType in hints

    def convert(value: Any, pointer: str) -> Any:
        if value is None and optional:
            return None
        plain = inner(value, pointer)
        if enum is not None:
            try:
                return enum(plain)
            except ValueError:
                return plain
        return plain

    return convert


def _sequence(item: Decoder) -> Decoder:
    def convert(value: Any, pointer: str) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise DecodeError(f"{pointer}: an array was expected, not {_kind(value)}")
        return tuple(item(element, f"{pointer}/{index}") for index, element in enumerate(value))

    return convert


def _mapping(item: Decoder) -> Decoder:
    def convert(value: Any, pointer: str) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise DecodeError(f"{pointer}: an object was expected, not {_kind(value)}")
        return {key: item(element, f"{pointer}/{key}") for key, element in value.items()}

    return convert


def _scalar(expected: str, accepted: tuple[type, ...], convert: Callable[[Any], Any]) -> Decoder:
    def decoder(value: Any, pointer: str) -> Any:
        if not isinstance(value, accepted) or (isinstance(value, bool) and bool not in accepted):
            raise DecodeError(f"{pointer}: {expected} was expected, not {_kind(value)}")
        try:
            return convert(value)
        except (ValueError, InvalidOperation):
            raise DecodeError(f"{pointer}: {value!r} is not {expected}") from None

    return decoder


_SCALARS: dict[Any, Decoder] = {
    str: _scalar("a string", (str,), str),
    bool: _scalar("true or false", (bool,), bool),
    int: _scalar("a whole number", (int,), int),
    float: _scalar("a number", (int, float), float),
    Decimal: _scalar("a decimal string", (str, int), Decimal),
    datetime: _scalar("a time", (str,), datetime.fromisoformat),
    date: _scalar("a date", (str,), date.fromisoformat),
}


def _kind(value: Any) -> str:
    return {dict: "an object", list: "an array", str: "a string", type(None): "null"}.get(
        type(value), "true or false" if isinstance(value, bool) else "a number"
    )
