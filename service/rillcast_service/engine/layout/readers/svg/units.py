"""Lengths in SVG attributes. Source: SVG 2, §8.9 "Units", and CSS Values and Units Module Level 3, §5.2."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from rillcast_service.engine.layout.lengths import MM_PER_UNIT
from rillcast_service.engine.layout.readers.svg.faults import Unusable

CSS_UNITS = ("mm", "cm", "in", "pt", "pc", "px", "q")

_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z]*|%)\s*")


@dataclass(frozen=True, slots=True)
class Lengths:
    """Reads lengths of shapes in user units.

    Args:
        width, height: of the viewport, in user units, which percentages refer to.
        px_mm: of a pixel, which a user unit counts as where a unit is written.
    """

    width: float
    height: float
    px_mm: float = MM_PER_UNIT["px"]

    def read(self, text: str, *, along: str) -> float:
        """A length in user units.

        Args:
            text: as in the attribute, such as `3`, `0.2mm` or `50%`.
            along: what a percentage refers to: `x`, `y` or `diagonal`.

        Raises:
            Unusable: not a length, relative to a font, or not finite.
        """
        value, unit = number_and_unit(text)
        if unit == "%":
            return value / 100.0 * self._whole(along)
        if unit in ("", "px"):
            return value
        return value * MM_PER_UNIT[unit] / self.px_mm

    def _whole(self, along: str) -> float:
        diagonal = math.hypot(self.width, self.height) / math.sqrt(2.0)
        return {"x": self.width, "y": self.height}.get(along, diagonal)


def number_and_unit(text: str) -> tuple[float, str]:
    """The parts of a length.

    Args:
        text: such as `0.2mm`, `3` or `50%`.

    Returns:
        The number, and the unit in lower case: one of `CSS_UNITS`, `%`, or nothing for user units.

    Raises:
        Unusable: not a length, relative to a font, or not finite.
    """
    match = _LENGTH.fullmatch(text)
    unit = match[2].lower() if match else ""
    if match is None or unit not in ("", "%", *CSS_UNITS):
        raise Unusable(
            f"{text!r} is not a length that can be read.",
            f"Give a number with one of {', '.join(CSS_UNITS)}, or none for user units.",
        )
    value = float(match[1])
    if not math.isfinite(value):
        raise Unusable(f"{text!r} is not finite.", "Give a finite length.")
    return value, unit
