"""Properties of fonts that stand for several others, or that refer to the element around.

Sources: CSS Fonts Module Level 4, §2.2 to §2.7; CSS Text Module Level 3, §7 and §8; SVG 2, §11.6.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

#: Inherited properties of text, with their initial values.
OF_TEXT: Mapping[str, str] = {
    "font-family": "",
    "font-size": "16px",
    "font-style": "normal",
    "font-weight": "normal",
    "font-stretch": "normal",
    "font-variant": "normal",
    "font-variant-ligatures": "normal",
    "font-variant-caps": "normal",
    "font-variant-numeric": "normal",
    "font-variant-position": "normal",
    "font-variant-alternates": "normal",
    "font-variant-east-asian": "normal",
    "font-feature-settings": "normal",
    "font-variation-settings": "normal",
    "font-kerning": "auto",
    "font-size-adjust": "none",
    "kerning": "auto",
    "text-anchor": "start",
    "text-decoration": "none",
    "text-decoration-line": "none",
    "text-indent": "0",
    "text-orientation": "mixed",
    "text-rendering": "auto",
    "text-transform": "none",
    "letter-spacing": "normal",
    "word-spacing": "normal",
    "white-space": "normal",
    "inline-size": "auto",
    "shape-inside": "none",
    "direction": "ltr",
    "writing-mode": "horizontal-tb",
    "glyph-orientation-vertical": "auto",
}

#: How many user units a keyword's letters are high, at the initial size of 16. Source: CSS Fonts 4, §2.5.1.
_SIZES = {"small": 8 / 9, "medium": 1.0, "large": 6 / 5, "x-large": 3 / 2, "xx-large": 2.0, "xxx-large": 3.0}

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"
_RELATIVE = re.compile(rf"({_NUMBER})(em|%)", re.IGNORECASE)
_LENGTH = re.compile(rf"({_NUMBER})([a-z]*)", re.IGNORECASE)

_SHORTHAND = re.compile(
    r"(?P<before>(?:[-\w]+\s+)*?)(?P<size>[\d.+][\w.%+-]*|(?:xx?-|xxx-)?(?:small|large)|medium)"
    r"(?:\s*/\s*[\w.%]+)?\s+(?P<family>[^\d\s/].*)",
    re.IGNORECASE | re.DOTALL,
)

#: Word of the shorthand → property that it sets. `normal` leaves them all as they are at first.
_WORDS: Mapping[str, str] = {
    "italic": "font-style",
    "oblique": "font-style",
    "small-caps": "font-variant",
    "bold": "font-weight",
    "bolder": "font-weight",
    "lighter": "font-weight",
    **{f"{weight}00": "font-weight" for weight in range(1, 10)},
}

_OF_SHORTHAND = ("font-style", "font-variant", "font-weight", "font-stretch")


def spelt_out(value: str) -> dict[str, str]:
    """The properties that the shorthand `font` sets.

    Args:
        value: such as `bold 3px Name`.

    Returns:
        Property → value; each of them when the whole is one of CSS's own words, such as `inherit`. What is
        not a size and a family is passed on as a size, so that text of it is refused.
    """
    if value in ("inherit", "initial", "unset", "revert", "revert-layer"):
        return dict.fromkeys((*_OF_SHORTHAND, "font-size", "font-family"), value)
    match = _SHORTHAND.fullmatch(value.strip())
    found = dict.fromkeys(_OF_SHORTHAND, "normal")
    words = [] if match is None else match["before"].lower().split()
    if match is None or any(word not in _WORDS and word != "normal" for word in words):
        return {"font-size": f"font: {value}"}
    found |= {_WORDS[word]: word for word in words if word != "normal"}
    return found | {"font-size": match["size"], "font-family": match["family"]}


def font_size(value: str, around: str) -> str:
    """A size that no longer refers to the element around.

    Args:
        value: of font-size.
        around: the size around the element, as this function gave it.

    Returns:
        A length; what viewers take as they like stays as it is.
    """
    return f"{_SIZES[value] * 16.0!r}px" if value in _SIZES else _times(value, around)


def spacing(value: str, size: str) -> str:
    """A distance between letters or words that no longer refers to the font's size.

    Args:
        value: of letter-spacing or word-spacing.
        size: of the font, as `font_size` gave it.

    Returns:
        A length; a percentage, which viewers take as they like, and a keyword stay as they are.
    """
    return _times(value, size) if not value.endswith("%") else value


def weight(value: str, around: str) -> str:
    """A weight that no longer refers to the element around.

    Args:
        value: of font-weight.
        around: the weight around the element, as this function gave it.

    Returns:
        The number as text; what is no weight as it is.
    """
    value = {"normal": "400", "bold": "700"}.get(value, value)
    if value not in ("bolder", "lighter"):
        return value
    try:
        number = float({"normal": "400", "bold": "700"}.get(around, around))
    except ValueError:
        return value
    if value == "bolder":
        return "400" if number < 350.0 else "700" if number < 550.0 else str(max(number, 900.0))
    return str(min(number, 100.0)) if number < 550.0 else "400" if number < 750.0 else "700"


def _times(value: str, size: str) -> str:
    """A length in ems or hundredths of a size, in the size's own unit; any other as it is."""
    relative, length = _RELATIVE.fullmatch(value), _LENGTH.fullmatch(size)
    if relative is None or length is None:
        return value
    times = float(relative[1]) / (100.0 if relative[2] == "%" else 1.0)
    return f"{times * float(length[1])!r}{length[2]}"
