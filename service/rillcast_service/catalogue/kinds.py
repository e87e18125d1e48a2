"""What each kind of catalogue entry says about itself: its keys, what they mean, what they may be."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, slots=True)
class Key:
    """One thing that an entry of a kind can say.

    Args:
        meaning: in words.
        required: whether every entry of the kind must say it.
        above: a number must be greater than this; None when `least` rules.
        least, most: a number must lie within these; None for no limit.
    """

    meaning: str
    required: bool
    above: float | None
    least: float | None
    most: float | None

    def problem(self, number: float) -> str | None:
        """Why a number cannot stand under this key, in words; None when it can."""
        if self.above is not None and not number > self.above:
            return f"must be above {self.above:g}"
        if self.least is not None and number < self.least:
            return f"must be {self.least:g} or more"
        if self.most is not None and number > self.most:
            return f"must be {self.most:g} or less"
        return None


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


def _kind(name: str, table: Mapping[str, object]) -> Kind:
    keys = {}
    for group, required in (("required", True), ("optional", False)):
        members = table.get(group, {})
        assert isinstance(members, Mapping)
        for key, written in members.items():
            spec = {"means": written} if isinstance(written, str) else written
            least = spec.get("least")
            # a size, a time or a price of nothing is a slip, unless the key says otherwise
            above = spec.get("above", 0.0 if least is None else None)
            keys[key] = Key(spec["means"], required, above, least, spec.get("most"))
    return Kind(name=name, title=str(table["title"]), keys=keys)
