"""What a catalogue entry is: values that carry their unit, range and source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any, Literal, NamedTuple

#: The kinds of thing that a bench holds; also the `kind` of /v1/bench/{kind}/{name}.
KINDS = (
    "printers",
    "resins",
    "silicones",
    "moulds",
    "ovens",
    "uv_lamps",
    "vacuum_chambers",
    "plasma",
    "syringes",
    "tubing",
    "liquids",
    "consumables",
    "suppliers",
    "rates",
    "stock",
    "calendars",
    "recipes",
)

COMMON_PRACTICE = "common practice, no source"
FROM_MEMORY = "from memory"
BENCH = "bench"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its range, unit and source.

    Args:
        value: best estimate, in `unit`.
        low, high: the range within which the value lies, in `unit`; equal to `value` when exact.
        unit: as printed, e.g. `µm`.
        source: a publication, a standard, `common practice, no source`, `from memory`, or `bench`
            (the user's own figure).
        note: what the number depends on, when a reader must know.
    """

    value: float
    unit: str
    source: str
    low: float
    high: float
    note: str = ""

    def __post_init__(self) -> None:
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} {self.unit} lies outside its range {self.low}..{self.high}")


@dataclass(frozen=True, slots=True)
class Price:
    """Money per unit of something, with range, source and date.

    Args:
        amount, low, high: in `currency`, before tax.
        currency: ISO 4217 code.
        per: what one unit is, e.g. `kg`, `piece`, `h`.
        as_of: ISO 8601 date of the price.
    """

    amount: Decimal
    low: Decimal
    high: Decimal
    currency: str
    per: str
    source: str
    as_of: str

    def __post_init__(self) -> None:
        if not self.low <= self.amount <= self.high:
            raise ValueError(f"price {self.amount} lies outside its range {self.low}..{self.high}")


@dataclass(frozen=True, slots=True)
class Fact:
    """Anything that is not one number: a word, a list, a table. It has a source all the same."""

    value: Any
    source: str
    note: str = ""


Value = Quantity | Price | Fact


class EntryFault(NamedTuple):
    """One thing that is wrong with a written entry: where (JSON pointer), what, and how to mend it."""

    pointer: str
    message: str
    remedy: str


class InvalidEntry(ValueError):
    """A written entry cannot be used; `faults` says everything that is wrong with it."""

    def __init__(self, *faults: EntryFault) -> None:
        if not faults:
            raise ValueError("an InvalidEntry needs at least one fault")
        self.faults = faults
        super().__init__("; ".join(f"{fault.pointer}: {fault.message}" for fault in faults))


class MissingValue(LookupError):
    """An entry lacks a value that a calculation needs."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing of the catalogue: a printer, a resin, an oven.

    Args:
        kind: one of `KINDS`.
        name: unique within its kind, `[a-z0-9_]+`.
        title: for people.
        values: key → value; a `Quantity`'s key ends in its unit (`pixel_um`).
        origin: `shipped` with Rillcast, or the user's `bench`.
    """

    kind: str
    name: str
    title: str
    values: Mapping[str, Value] = field(default_factory=dict)
    origin: Literal["shipped", "bench"] = "shipped"

    def quantity(self, key: str) -> Quantity:
        """The value of `key` with range and source. Raises MissingValue."""
        value = self.values.get(key)
        if not isinstance(value, Quantity):
            raise MissingValue(f"{self.kind}/{self.name} has no number {key!r}")
        return value

    def number(self, key: str) -> float:
        """The best estimate of `key`, in the unit its name ends in. Raises MissingValue."""
        return self.quantity(key).value

    def price(self, key: str = "price") -> Price:
        """A price of this entry. Raises MissingValue."""
        value = self.values.get(key)
        if not isinstance(value, Price):
            raise MissingValue(f"{self.kind}/{self.name} has no price {key!r}")
        return value

    def fact(self, key: str, default: Any = None) -> Any:
        """The plain value of a fact, or `default` when the entry has none."""
        value = self.values.get(key)
        return value.value if isinstance(value, Fact) else default

    def source_of(self, key: str) -> str:
        """Where the value of `key` comes from. Raises MissingValue."""
        value = self.values.get(key)
        if value is None:
            raise MissingValue(f"{self.kind}/{self.name} has no {key!r}")
        return value.source

    def has(self, key: str) -> bool:
        """Whether the entry holds `key`."""
        return key in self.values

    def overlaid(self, other: Entry) -> Entry:
        """This entry with the values of `other` over its own."""
        return replace(self, title=other.title, values={**self.values, **other.values}, origin=other.origin)


class UnknownEntry(LookupError):
    """No entry of that kind and name."""

    def __init__(self, kind: str, name: str, known: tuple[str, ...]) -> None:
        self.kind, self.name, self.known = kind, name, known
        super().__init__(f"no {kind} entry {name!r}; known: {', '.join(known) or 'none'}")


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All that the engine may assume, shipped defaults with the user's bench laid over them.

    Args:
        entries: (kind, name) → entry.
        routes: route id → its catalogue table (steps, materials, limits), as read from TOML.
        rules: rule id → its catalogue table (title, limits), as read from TOML.
        defaults: what a request gets that names nothing: `{"printer": "...", "oven": "...", ...}`,
            with a `Fact` each so that an assumption can say why.
    """

    entries: Mapping[tuple[str, str], Entry]
    routes: Mapping[str, Mapping[str, Any]]
    rules: Mapping[str, Mapping[str, Any]]
    defaults: Mapping[str, Value]

    def get(self, kind: str, name: str) -> Entry:
        """The entry of that kind and name. Raises UnknownEntry."""
        try:
            return self.entries[kind, name]
        except KeyError:
            raise UnknownEntry(kind, name, self.names(kind)) from None

    def names(self, kind: str) -> tuple[str, ...]:
        """Names of all entries of a kind, sorted."""
        return tuple(sorted(name for entry_kind, name in self.entries if entry_kind == kind))

    def of_kind(self, kind: str) -> Iterator[Entry]:
        """All entries of a kind, sorted by name."""
        return (self.entries[kind, name] for name in self.names(kind))

    def with_bench(self, entries: tuple[Entry, ...]) -> Catalogue:
        """This catalogue with the user's own entries over the shipped ones."""
        merged = dict(self.entries)
        for entry in entries:
            shipped = merged.get((entry.kind, entry.name))
            merged[entry.kind, entry.name] = shipped.overlaid(entry) if shipped else entry
        return replace(self, entries=merged)
