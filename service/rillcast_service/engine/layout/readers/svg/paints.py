"""What fills and strokes are painted with: colours, gradients, nothing.

Sources: CSS Color Module Level 4, §4 to §11, for colours, which `tinycss2` reads; SVG 2, §13.2 "Specifying
paint".
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from xml.etree.ElementTree import Element

from tinycss2 import color4

from rillcast_service.engine.layout.readers.svg.document import attribute, tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.styles import Style

_SERVER = re.compile(r"url\(\s*([\"']?)(.*?)\1\s*\)\s*(.*)", re.IGNORECASE | re.DOTALL)

#: SVG 1.1 lets a colour of a printing profile follow the plain one. Source: SVG 1.1, §11.2.
_PROFILED = re.compile(r"\s+icc-color\(.*", re.IGNORECASE)

WHITE = "#ffffff"


@dataclass(frozen=True, slots=True)
class Paint:
    """What a fill or a stroke is painted with.

    Args:
        colour: such as `#ff0000`; None for a gradient, which has several.
    """

    colour: str | None


class Paints:
    """Finds what the styles of a drawing paint with.

    Args:
        by_id: elements of the drawing.
    """

    def __init__(self, by_id: Mapping[str, Element]) -> None:
        self._by_id = by_id
        self._known: dict[tuple[str, str], Paint | None] = {}

    def of(self, style: Style, name: str) -> Paint | None:
        """What the fill or the stroke of an element is painted with.

        Args:
            style: of the element.
            name: `fill` or `stroke`.

        Returns:
            None when it is not painted, or fully transparent.

        Raises:
            Unusable: no colour, or a paint that leaves gaps or is not read.
        """
        key = style[name], style["color"]
        if key not in self._known:
            self._known[key] = self._found(name, *key)
        paint = self._known[key]
        return paint if paint is not None and style.number(f"{name}-opacity") > 0.0 else None

    def _found(self, name: str, text: str, current: str) -> Paint | None:
        server = _SERVER.fullmatch(text.strip())
        if server is not None:
            return self._served(name, server[2], server[3], current)
        if text == "none":
            return None
        colour = _colour(_PROFILED.sub("", text))
        if colour == "currentcolor":
            colour = _colour(current)
        if colour is None or isinstance(colour, str):
            raise Unusable(
                f"{name} is {text!r}, which is no colour.",
                "Give a colour such as #ff0000, or none.",
            )
        if colour.alpha <= 0.0:
            return None
        return Paint(_hex(colour))

    def _served(self, name: str, address: str, fallback: str, current: str) -> Paint | None:
        """A paint that an element of the drawing describes."""
        target = self._by_id.get(address[1:]) if address.startswith("#") else None
        kind = target is not None and tag(target)
        if target is not None and kind in ("linearGradient", "radialGradient"):
            # A gradient without stops is as none. Source: SVG 2, §14.2.4.
            return Paint(None) if self._has_stops(target) else None
        if target is not None and kind == "solidcolor":
            return Paint(None)
        if kind in ("pattern", "hatch", "mesh", "meshgradient"):
            raise Unusable(
                f"{name} is a <{kind}>, whose gaps are not read.",
                "Fill it with a plain colour; draw what the pattern shows as shapes.",
            )
        if not fallback:
            raise Unusable(
                f"{name} refers to {address!r}, which is no paint in the drawing.", "Give a plain colour."
            )
        if _SERVER.fullmatch(fallback) is not None:
            raise Unusable(f"{name} names one paint after another.", "Give a plain colour.")
        return self._found(name, fallback, current)

    def _has_stops(self, gradient: Element) -> bool:
        seen: set[int] = set()
        element: Element | None = gradient
        while element is not None and id(element) not in seen:
            if any(tag(child) == "stop" for child in element):
                return True
            seen.add(id(element))
            element = self._by_id.get((attribute(element, "href") or "").strip().removeprefix("#"))
        return False


def _colour(text: str) -> Any:
    """A colour, `currentcolor`, or None for what is no colour."""
    return color4.parse_color(text.strip())


def _hex(colour: Any) -> str:
    """Six hexadecimal digits; colours that no screen shows go to the nearest."""
    red, green, blue = (min(255, max(0, round(part * 255.0))) for part in colour.to("srgb").coordinates)
    return f"#{red:02x}{green:02x}{blue:02x}"
