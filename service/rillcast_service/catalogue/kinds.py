"""What each kind of catalogue entry says about itself: its keys, what they mean, what they may be."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

#: No number of a bench is larger, in whatever unit, or nearer to nothing: what is, is a slip of the pen,
#: and would drown every other number in the arithmetic.
LARGEST = 1e9
SMALLEST = 1e-15


@dataclass(frozen=True, slots=True)
class Key:
    """One thing that an entry of a kind can say.

    Args:
        meaning: in words.
        required: whether every entry of the kind must say it.
        above: a number must be greater than this; None when `least` rules.
        least, most: a number must lie within these; None for no limit.
        form: name of the check in forms.py that a table or list must pass; None for none.
        refers: kind of the entry that its word names; None when it names none.
    """

    meaning: str
    required: bool
    above: float | None
    least: float | None
    most: float | None
    form: str | None
    refers: str | None

    def problem(self, number: float) -> str | None:
        """Why a number cannot stand under this key, in words; None when it can."""
        if self.above is not None and not number > self.above:
            return f"must be above {self.above:g}"
        if self.least is not None and number < self.least:
            return f"must be {self.least:g} or more"
        if self.most is not None and number > self.most:
            return f"must be {self.most:g} or less"
        if abs(number) > LARGEST or 0.0 < abs(number) < SMALLEST:
            return f"must be a size that a bench knows, from {SMALLEST:g} to {LARGEST:g}"
        return None

    @property
    def allowed(self) -> str:
        """The numbers that may stand here, in words."""
        low = f"above {self.above:g}" if self.above is not None else f"of {self.least:g} or more"
        return low if self.most is None else f"{low} and at most {self.most:g}"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry: a title for people and its keys by name."""

    name: str
    title: str
    keys: Mapping[str, Key]

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the keys that every entry must have."""
        return tuple(name for name, key in self.keys.items() if key.required)


@cache
def load_kinds() -> Mapping[str, Kind]:
    """Every kind by name, as described in kinds.toml."""
    text = files("rillcast_service.catalogue").joinpath("kinds.toml").read_text(encoding="utf-8")
    return {name: _kind(name, table) for name, table in tomllib.loads(text).items()}


def _kind(name: str, table: Mapping[str, Any]) -> Kind:
    keys = {
        key: _key({"means": written} if isinstance(written, str) else written, required)
        for group, required in (("required", True), ("optional", False))
        for key, written in table.get(group, {}).items()
    }
    return Kind(name=name, title=table["title"], keys=keys)


def _key(spec: Mapping[str, Any], required: bool) -> Key:
    least = spec.get("least")
    return Key(
        meaning=spec["means"],
        required=required,
        # a size, a time or a price of nothing is a slip, unless the key says otherwise
        above=spec.get("above", 0.0 if least is None else None),
        least=least,
        most=spec.get("most"),
        form=spec.get("form"),
        refers=spec.get("refers"),
    )
