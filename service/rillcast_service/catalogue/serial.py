"""A catalogue entry as JSON, and a user's own entry read back with every fault named."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any

from rillcast_service.catalogue.kinds import Key, Kind, load_kinds
from rillcast_service.catalogue.types import (
    BENCH,
    KINDS,
    Catalogue,
    Entry,
    EntryFault,
    Fact,
    InvalidEntry,
    Price,
    Quantity,
    Value,
)
from rillcast_service.catalogue.values import Fallbacks, is_number, value_from_document, value_to_json

_NAME = re.compile(r"[a-z0-9_]{1,64}")
_MEMBERS = ("kind", "name", "title", "origin", "based_on", "values")
_TITLE_LENGTH = 200


def entry_to_json(entry: Entry) -> dict[str, Any]:
    """An entry as plain JSON.

    Args:
        entry: shipped or the user's own.

    Returns:
        `{"kind", "name", "title", "origin", "values": {key: …}}`, values as in `value_to_json`.
    """
    return {
        "kind": entry.kind,
        "name": entry.name,
        "title": entry.title,
        "origin": entry.origin,
        "values": {key: value_to_json(value) for key, value in entry.values.items()},
    }


def entry_from_json(kind: str, name: str, document: Mapping[str, Any], catalogue: Catalogue) -> Entry:
    """The user's own entry, as sent.

    Args:
        kind, name: what it is and what it is called, `[a-z0-9_]+`.
        document: `title`, `values`, and `based_on` for a new name that says only what differs. A value
            is a table as in `value_to_json`, or the bare number, word, switch, list or amount: its
            source is then `bench`, its range none, its unit that of the key.
        catalogue: gives the entry that `values` are laid over: that of the same name, or `based_on`.

    Returns:
        The whole entry, of origin `bench`.

    Raises:
        InvalidEntry: with every fault: an unknown kind or key, a wrong unit or shape, a number out of
            bounds, a required key that nothing gives.
    """
    kinds = load_kinds()
    if kind not in KINDS:
        raise InvalidEntry(
            EntryFault("#/kind", f"There is no kind {kind!r}.", f"Use one of {', '.join(KINDS)}.")
        )
    faults = _form_faults(kind, name, document)
    if faults:
        raise InvalidEntry(*faults)
    below = _below(kind, name, document, catalogue)
    values = values_from_document(
        kinds[kind],
        document.get("values", {}),
        Fallbacks(source=BENCH),
        pointer="#/values",
        examples=_examples(kind, below, catalogue),
        given=below.values if below else {},
    )
    title = document.get("title") or (below.title if below and below.name == name else name)
    return Entry(kind, name, str(title), {**(below.values if below else {}), **values}, origin="bench")


def values_from_document(
    kind: Kind,
    document: Mapping[str, Any],
    fallbacks: Fallbacks,
    *,
    pointer: str = "#",
    examples: Mapping[str, Value] | None = None,
    given: Mapping[str, Value] | None = None,
) -> dict[str, Value]:
    """The values of one entry, checked against its kind.

    Args:
        kind: says which keys there are and what they may be.
        document: key → written value.
        fallbacks: what a value may leave out.
        pointer: JSON pointer of `document`, for messages.
        examples: key → a value that shows its form (money or not, list or word).
        given: values that an entry below supplies already.

    Returns:
        key → value, in the order written.

    Raises:
        InvalidEntry: with every fault.
    """
    examples, values, faults = examples or {}, {}, []
    for key, written in document.items():
        at = f"{pointer}/{key}"
        if key not in kind.keys:
            faults.append(_unknown_key(key, kind, at))
            continue
        try:
            values[key] = _value(key, kind.keys[key], written, fallbacks, at, examples.get(key))
        except InvalidEntry as error:
            faults += error.faults
    missing = [key for key in kind.required if key not in document and key not in (given or {})]
    if missing:
        faults.append(
            EntryFault(
                pointer,
                f"It lacks {', '.join(missing)}.",
                "Give every one of them, or name the entry that it is `based_on`.",
            )
        )
    if faults:
        raise InvalidEntry(*faults)
    return values


def _form_faults(kind: str, name: str, document: Mapping[str, Any]) -> list[EntryFault]:
    faults = []
    if not _NAME.fullmatch(name):
        faults.append(EntryFault("#/name", f"{name!r} cannot be a name.", "Use 1 to 64 of a-z, 0-9 and _."))
    for member in document:
        if member not in _MEMBERS:
            faults.append(
                EntryFault(f"#/{member}", f"An entry has no {member!r}.", f"Use {', '.join(_MEMBERS)}.")
            )
    for member, expected in (("kind", kind), ("name", name)):
        if document.get(member, expected) != expected:
            faults.append(
                EntryFault(
                    f"#/{member}", f"It says {document[member]!r}.", f"Say {expected!r}, or leave it out."
                )
            )
    title = document.get("title", "")
    if not isinstance(title, str) or len(title) > _TITLE_LENGTH:
        faults.append(
            EntryFault("#/title", "The title is not a short text.", f"Use up to {_TITLE_LENGTH} letters.")
        )
    if not isinstance(document.get("values", {}), Mapping):
        faults.append(EntryFault("#/values", "The values are not a table.", "Write {key: value, …}."))
    return faults


def _below(kind: str, name: str, document: Mapping[str, Any], catalogue: Catalogue) -> Entry | None:
    based_on = document.get("based_on")
    if based_on is None:
        return catalogue.entries.get((kind, name))
    below = catalogue.entries.get((kind, based_on)) if isinstance(based_on, str) else None
    if below is None:
        raise InvalidEntry(
            EntryFault(
                "#/based_on",
                f"There is no {kind} entry {based_on!r}.",
                f"Name one of {', '.join(catalogue.names(kind)) or 'none yet: give every value'}.",
            )
        )
    return below


def _examples(kind: str, below: Entry | None, catalogue: Catalogue) -> dict[str, Value]:
    examples: dict[str, Value] = {}
    for entry in catalogue.of_kind(kind):
        examples = {**entry.values, **examples}
    return {**examples, **(below.values if below else {})}


def _value(
    key: str, spec: Key, written: Any, fallbacks: Fallbacks, pointer: str, example: Value | None
) -> Value:
    if isinstance(example, Price):
        if not isinstance(written, Mapping):
            written = {"amount": written}
        fallbacks = Fallbacks(
            source=fallbacks.source,
            currency=fallbacks.currency or example.currency,
            per=fallbacks.per or example.per,
            as_of=fallbacks.as_of or example.as_of,
        )
    value = value_from_document(key, written, fallbacks, pointer=pointer)
    if isinstance(value, Quantity):
        problem = spec.problem(value.low) or spec.problem(value.value) or spec.problem(value.high)
        if problem:
            raise InvalidEntry(
                EntryFault(pointer, f"{key} {problem} {value.unit}.", f"It is {spec.meaning}.")
            )
    if example is not None and not _alike(value, example):
        raise InvalidEntry(
            EntryFault(
                pointer, f"{key} has not the form it needs.", f"Write it like {value_to_json(example)!r}."
            )
        )
    return value


def _alike(value: Value, example: Value) -> bool:
    if isinstance(value, Fact) and isinstance(example, Fact):
        return _same_form(value.value, example.value)
    return type(value) is type(example)


def _same_form(value: Any, example: Any) -> bool:
    """Whether a fact is built like another: the same kind of thing, lists and tables member by member."""
    match example:
        case list():
            return isinstance(value, list) and all(_same_form(item, example[0]) for item in value if example)
        case Mapping():
            return isinstance(value, Mapping) and all(
                key in ("source", "note") or _same_form(value.get(key), member)
                for key, member in example.items()
            )
        case bool():
            return isinstance(value, bool)
        case int() | float():
            return is_number(value)
        case _:
            return isinstance(value, type(example))


def _unknown_key(key: str, kind: Kind, pointer: str) -> EntryFault:
    likely = difflib.get_close_matches(key, kind.keys, n=3, cutoff=0.5)
    known = f"Perhaps {' or '.join(likely)}. " if likely else ""
    return EntryFault(pointer, f"{kind.title} have no {key!r}.", f"{known}There are: {', '.join(kind.keys)}.")
