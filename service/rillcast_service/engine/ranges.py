"""A number and the range around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Range:
    """Low, best and high estimate of one number, in the unit of the name it is kept under."""

    low: float
    best: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.best <= self.high:
            raise ValueError(f"not in order: {self.low}, {self.best}, {self.high}")

    @classmethod
    def exact(cls, value: float) -> Range:
        """A number without doubt."""
        return cls(value, value, value)

    def map(self, function: Callable[[float], float]) -> Range:
        """Each estimate through a monotone function (rising or falling)."""
        low, best, high = function(self.low), function(self.best), function(self.high)
        return Range(min(low, high), best, max(low, high))

    def __add__(self, other: Range | float) -> Range:
        """Sum; ranges that share a cause add end to end."""
        other = other if isinstance(other, Range) else Range.exact(other)
        return Range(self.low + other.low, self.best + other.best, self.high + other.high)

    def __mul__(self, factor: float) -> Range:
        """Scaled by a factor without doubt."""
        return self.map(lambda value: value * factor)
