"""A catalogue entry as JSON, and a user's own entry read back with every fault named."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from rillcast_service.catalogue.forms import FORMS
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
from rillcast_service.catalogue.values import (
    Fallbacks,
    form_of,
    plain_value,
    value_from_document,
    value_to_json,
)

#: What an entry may be called.
NAME = re.compile(r"[a-z0-9_]{1,64}")
_OWN_VALUES = " (own values)"
_MEMBERS = ("kind", "name", "title", "origin", "based_on", "values")
_TITLE_LENGTH = 200

#: How a value is called in a message when it should have been one of these.
_IN_WORDS: Mapping[type, str] = {
    Quantity: "a number",
    Price: "an amount of money",
    str: "a word",
    bool: "true or false",
    list: "a list",
    dict: "a table",
}


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


def entry_from_json(
    kind: str, name: str, document: Mapping[str, Any], catalogue: Catalogue, *, as_of: str | None = None
) -> Entry:
    """The user's own entry, as sent.

    Args:
        kind, name: what it is and what it is called, `[a-z0-9_]+`.
        document: `title`, `values`, and `based_on` for a new name that says only what differs. A value
            is a table as in `value_to_json`, or the bare number, word, switch, list or amount: its
            source is then `bench`, its range none, its unit that of the key.
        catalogue: gives the entry that `values` are laid over: that of the same name, or `based_on`.
        as_of: ISO 8601 date of prices that are sent without one; None takes that of the shipped price.

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
    below_values = below.values if below else {}
    values = values_from_document(
        kinds[kind],
        document.get("values", {}),
        Fallbacks(source=BENCH, as_of=as_of),
        pointer="#/values",
        examples=_examples(kind, below, catalogue),
        given=below_values,
    )
    faults = [
        *broken_references(kinds[kind], values, catalogue.names, pointer="#/values"),
        *_units_of_price(below, values),
    ]
    if faults:
        raise InvalidEntry(*faults)
    title = document.get("title") or _own_title(name, below, changed=bool(values))
    return Entry(kind, name, str(title), {**below_values, **values}, origin="bench")


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
    if not NAME.fullmatch(name):
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
        fallbacks = replace(
            fallbacks,
            currency=fallbacks.currency or example.currency,
            per=fallbacks.per or example.per,
            as_of=fallbacks.as_of or example.as_of,
        )
    problem = _wrong_form(written, example)
    if problem is None:
        value = value_from_document(key, written, fallbacks, pointer=pointer)
        problem = _problem(spec, value)
        if problem is None:
            return value
    raise InvalidEntry(_misfit(key, spec, problem, pointer))


def _own_title(name: str, below: Entry | None, *, changed: bool) -> str:
    """A title for what came without one: it must not pass off own values as those that ship."""
    if below is None:
        return name
    if below.name != name:
        return f"{name.replace('_', ' ')} (like: {below.title})"
    return f"{below.title}{_OWN_VALUES}" if changed and not below.title.endswith(_OWN_VALUES) else below.title


def _misfit(key: str, spec: Key, problem: str, pointer: str) -> EntryFault:
    return EntryFault(
        pointer, f"{key} {problem}.", f"Give a number {spec.allowed}; it stands for: {spec.meaning}."
    )


def _wrong_form(written: Any, example: Value | None) -> str | None:
    """What a written value should have been instead, going by a value known to be right."""
    if example is None:
        return None
    form, plain = form_of(written), plain_value(written)
    if form is not type(example):
        wanted = type(example.value) if isinstance(example, Fact) else type(example)
        return f"needs {_IN_WORDS[wanted]}"
    if isinstance(example, Fact) and plain is not None and type(plain) is not type(example.value):
        return f"needs {_IN_WORDS[type(example.value)]}"
    return None


def _problem(spec: Key, value: Value) -> str | None:
    """What is wrong with a well-written value under this key, in words; None when nothing is."""
    match value:
        case Quantity():
            for number in (value.low, value.value, value.high):
                problem = spec.problem(number)
                if problem:
                    return f"{problem} {value.unit}, not {number:g}"
        case Fact() if spec.form is not None:
            return FORMS[spec.form](value.value)
    return None


def broken_references(
    kind: Kind, values: Mapping[str, Value], names: Callable[[str], tuple[str, ...]], *, pointer: str = "#"
) -> Iterator[EntryFault]:
    """Words of an entry that should name another entry and do not.

    Args:
        kind: says which keys name entries of which kind.
        values: of the entry.
        names: kind → names of its entries.
        pointer: JSON pointer of the values, for messages.

    Yields:
        One fault per word.
    """
    for key, value in values.items():
        refers = kind.keys[key].refers
        if refers is not None and isinstance(value, Fact) and value.value not in names(refers):
            yield EntryFault(
                f"{pointer}/{key}",
                f"{key} names no {refers} entry: {value.value!r}.",
                f"Use one of {', '.join(names(refers))}.",
            )


def _units_of_price(below: Entry | None, values: Mapping[str, Value]) -> Iterator[EntryFault]:
    """Prices that are per another unit than the entry below: plans count in that one."""
    for key, value in values.items():
        known = below.values.get(key) if below else None
        if isinstance(value, Price) and isinstance(known, Price) and value.per != known.per:
            yield EntryFault(
                f"#/values/{key}/per",
                f"{key} is per {known.per}, not per {value.per}.",
                f"Give it per {known.per}.",
            )


def _unknown_key(key: str, kind: Kind, pointer: str) -> EntryFault:
    likely = difflib.get_close_matches(key, kind.keys, n=3, cutoff=0.5)
    known = f"Perhaps {' or '.join(likely)}. " if likely else ""
    return EntryFault(pointer, f"{kind.title} have no {key!r}.", f"{known}There are: {', '.join(kind.keys)}.")
