"""Reads the shipped catalogue: every TOML table of this package, checked, once per process."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from rillcast_service.catalogue.kinds import load_kinds
from rillcast_service.catalogue.serial import NAME, broken_references, values_from_document
from rillcast_service.catalogue.types import KINDS, Catalogue, Entry, EntryFault, InvalidEntry, Value
from rillcast_service.catalogue.values import Fallbacks, value_from_document

#: Kinds that are read from <kind>.toml: what a bench holds, and dimensions set by standards.
FILES = (*KINDS, "standards")


class InvalidCatalogue(Exception):
    """The shipped data is wrong; the message lists every fault as `file [entry] key: fault`."""


@cache
def load() -> Catalogue:
    """The catalogue that ships with the service.

    Returns:
        Every entry, route table, rule table and default; the same object on every call.

    Raises:
        InvalidCatalogue: with every fault of every file.
    """
    return read_catalogue(_package())


@cache
def data_version() -> str:
    """A short digest that changes whenever any shipped value does."""
    digest = hashlib.sha256()
    for path, file in _toml_files(_package()):
        digest.update(path.encode() + b"\0" + file.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def read_catalogue(folder: Traversable) -> Catalogue:
    """A catalogue from a folder of TOML tables.

    Args:
        folder: holds one file per kind, `defaults.toml`, `rules.toml` and `routes/*.toml`;
            a kind without a file has no entries.

    Returns:
        The checked catalogue.

    Raises:
        InvalidCatalogue: with every fault of every file.
    """
    tables, faults = {}, []
    for path, file in _toml_files(folder):
        try:
            tables[path] = tomllib.loads(file.read_text(encoding="utf-8"))
        except tomllib.TOMLDecodeError as error:
            faults.append(f"{path}: {error}")
    entries: dict[tuple[str, str], Entry] = {}
    for kind in FILES:
        for name, table in _entry_tables(kind, tables.get(f"{kind}.toml", {}), faults):
            try:
                entries[kind, name] = _entry(kind, name, table, tables[f"{kind}.toml"])
            except InvalidEntry as error:
                faults += [_told(f"{kind}.toml [{name}]", fault) for fault in error.faults]
    names = {kind: tuple(sorted(name for of, name in entries if of == kind)) for kind in FILES}
    for (kind, name), entry in entries.items():
        for fault in broken_references(load_kinds()[kind], entry.values, names.__getitem__):
            faults.append(_told(f"{kind}.toml [{name}]", fault))
    defaults = _defaults(tables.get("defaults.toml", {}), faults)
    if faults:
        raise InvalidCatalogue("\n".join(faults))
    return Catalogue(
        entries=entries,
        routes={
            path.removeprefix("routes/").removesuffix(".toml"): table
            for path, table in tables.items()
            if path.startswith("routes/")
        },
        rules=tables.get("rules.toml", {}),
        defaults=defaults,
    )


def _package() -> Traversable:
    return files("rillcast_service.catalogue")


def _toml_files(folder: Traversable) -> list[tuple[str, Traversable]]:
    found = [(file.name, file) for file in folder.iterdir()]
    routes = folder.joinpath("routes")
    if routes.is_dir():
        found += [(f"routes/{file.name}", file) for file in routes.iterdir()]
    return sorted((pair for pair in found if pair[0].endswith(".toml")), key=lambda pair: pair[0])


def _entry_tables(
    kind: str, document: Mapping[str, Any], faults: list[str]
) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The tables of a file that are entries; what stands before them are the file's own fallbacks."""
    for name, table in document.items():
        if isinstance(table, Mapping):
            if NAME.fullmatch(name):
                yield name, table
            else:
                faults.append(f"{kind}.toml [{name}]: a name is 1 to 64 of a-z, 0-9 and _")
        elif name not in ("currency", "prices_as_of"):
            faults.append(f"{kind}.toml: {name} belongs to no entry")


def _entry(kind: str, name: str, table: Mapping[str, Any], document: Mapping[str, Any]) -> Entry:
    title = table.get("title")
    if not isinstance(title, str) or not title.strip():
        raise InvalidEntry(EntryFault("#/title", "The entry has no title.", "Say in words what it is."))
    values = values_from_document(
        load_kinds()[kind],
        {key: written for key, written in table.items() if key != "title"},
        Fallbacks(currency=document.get("currency"), as_of=document.get("prices_as_of")),
    )
    return Entry(kind=kind, name=name, title=title, values=values, origin="shipped")


def _defaults(document: Mapping[str, Any], faults: list[str]) -> dict[str, Value]:
    defaults = {}
    for key, written in document.items():
        try:
            defaults[key] = value_from_document(key, written, Fallbacks())
        except InvalidEntry as error:
            faults += [_told(f"defaults.toml {key}", fault) for fault in error.faults]
    return defaults


def _told(where: str, fault: EntryFault) -> str:
    return f"{where} {fault.pointer.removeprefix('#/').replace('/', ' ')}: {fault.message} {fault.remedy}"
