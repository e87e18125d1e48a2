"""From a schema's refusal to faults that say where and how to mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import Any

from marshmallow import Schema, ValidationError, fields

from rillcast_service.engine.errors import Fault
from rillcast_service.engine.layout.options import escaped

_WHOLE = "_schema"

#: What marshmallow says of its own accord, in our words. Every message begins with "This" and is told with
#: the name of what it is about in its place.
_WORDS = {
    "Missing data for required field.": "This is missing.",
    "Field may not be null.": "This is null.",
    "Invalid input type.": "This is not an object.",
    "Not a valid list.": "This is not a list.",
    "Not a valid mapping type.": "This is not an object.",
    "Not a valid integer.": "This is not a whole number.",
    "Not a valid number.": "This is not a number.",
    "Special numeric values (nan or infinity) are not permitted.": "This is not a finite number.",
}


def faults_of(error: ValidationError, schema: Schema) -> tuple[Fault, ...]:
    """Every fault of a refused document.

    Args:
        error: as `schema.load` raised it.
        schema: the schema that refused.

    Returns:
        Faults with a JSON pointer each, in the order of the schema's findings.
    """
    return tuple(_faults(error.messages, schema, "#"))


def _faults(messages: Any, subject: Any, pointer: str) -> Iterator[Fault]:
    """Walk the tree of messages and, along with it, the tree of fields that they are about."""
    if isinstance(messages, list):
        for message in messages:
            yield Fault(_sentence(message, pointer), _remedy(message, subject), pointer=pointer)
        return
    for key, below in messages.items():
        if key == _WHOLE:
            yield from _faults(below, subject, pointer)
            continue
        member = f"{pointer}/{escaped(str(key))}"
        match subject:
            case Schema():
                field = subject.fields.get(key)
                if field is None:
                    yield _unknown(str(key), subject, member)
                else:
                    yield from _faults(below, field, member)
            case fields.Nested():
                yield from _faults({key: below}, subject.schema, pointer)
            case fields.List():
                yield from _faults(below, subject.inner, member)
            case fields.Dict():
                # {"key": [...], "value": [...]} for each member
                for part, told in below.items():
                    yield from _faults(told, subject.value_field if part == "value" else subject, member)
            case _:
                yield from _faults(below, subject, member)


def _remedy(message: str, subject: Any) -> str:
    if isinstance(subject, Schema):
        return f"Give an object with {_listed(subject)}."
    if isinstance(subject, fields.Nested):
        return f"Give an object with {_listed(subject.schema)}."
    accepts = subject.metadata.get("accepts", "another value")
    null = "" if subject.allow_none or "null" not in message else ", or leave it out"
    return f"Give {accepts}{null}."


def _unknown(key: str, schema: Schema, pointer: str) -> Fault:
    likely = difflib.get_close_matches(key, schema.fields, n=2)
    hint = f"Perhaps {' or '.join(likely)} is meant. " if likely else ""
    return Fault(
        f"There is no {key!r} in {_name(pointer.rpartition('/')[0]) or 'the request'}.",
        f"{hint}There are: {_listed(schema)}.",
        pointer=pointer,
    )


def _listed(schema: Schema) -> str:
    return ", ".join(schema.fields)


def _sentence(message: str, pointer: str) -> str:
    words = _WORDS.get(message, message)
    return (
        (_name(pointer) or "The request") + words.removeprefix("This") if words.startswith("This ") else words
    )


def _name(pointer: str) -> str:
    """What a pointer points at, in words."""
    steps = pointer.split("/")[1:]
    return ".".join(step.replace("~1", "/").replace("~0", "~") for step in steps)
