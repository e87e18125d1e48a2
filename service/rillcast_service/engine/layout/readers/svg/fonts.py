"""The fonts that a drawing carries in its style sheets, and which of them a text is set in.

Source: CSS Fonts Module Level 4, §4 "Font Resources" and §5.2 "Matching font styles". A viewer that lacks the
very font takes another, or slants and thickens one: then nobody knows what is drawn, so text is only read
where the first family that it names is there in the style asked for.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote_to_bytes

import tinycss2

from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.fontfiles import TO_OUTLINES, FontFile
from rillcast_service.engine.layout.readers.svg.styles import Style
from rillcast_service.engine.layout.readers.svg.stylesheet import FontFace

#: Descriptors that change what a font's letters look like, with the values that do not.
_UNREAD = {
    "size-adjust": ("100%",),
    "font-feature-settings": ("normal",),
    "font-variation-settings": ("normal",),
    "font-stretch": ("normal", "100%"),
    "font-width": ("normal", "100%"),
}

_DATA_ADDRESS = re.compile(r"data:([^,]*),(.*)", re.IGNORECASE | re.DOTALL)

#: A viewer thickens a font lighter than this for text at least as heavy. Source: CSS Fonts 4, §2.9.
_BOLD = 600.0

#: Axis of a variable font → the setting that plain text asks for. Weight is matched apart.
_PLAIN_SETTING = {"wdth": 100.0, "slnt": 0.0, "ital": 0.0}


@dataclass(frozen=True, slots=True)
class _Face:
    """One font as its rule describes it.

    Args:
        family: in lower case.
        style: such as `normal` or `italic`.
        weights: that it serves, least and greatest.
        ranges: of letters that it serves; None for all.
        data: the font.
        unread: a descriptor that is not read; None when there is none.
    """

    family: str
    style: str
    weights: tuple[float, float]
    ranges: tuple[range, ...] | None
    data: bytes
    unread: str | None


class Fonts:
    """The fonts of a drawing.

    Args:
        rules: of its style sheets.
        limits: of each font.
    """

    def __init__(self, rules: Sequence[FontFace], limits: Limits) -> None:
        self._faces = [face for rule in rules if (face := _face(rule)) is not None]
        self._limits = limits
        self._files: dict[bytes, FontFile] = {}

    def __bool__(self) -> bool:
        return bool(self._faces)

    def of(self, style: Style, letters: str) -> FontFile:
        """The font that letters are set in.

        Args:
            style: of the text.
            letters: that it has to serve.

        Raises:
            Unusable: the drawing does not carry it, or it is not read.
            LayoutTooComplex: it is too large.
        """
        family = next(iter(_families(style["font-family"])), "")
        faces = [face for face in self._faces if face.family == family.casefold()]
        if not faces:
            raise Unusable(
                f"The drawing holds text in the font {family!r}, which it does not carry."
                if family
                else "The drawing holds text and does not say in which font.",
                TO_OUTLINES,
            )
        slant, weight = style["font-style"].split(" ")[0], _weight(style["font-weight"])
        faces = [face for face in faces if face.style == slant]
        if not faces or weight is None:
            raise Unusable(
                f"The drawing holds text in the font {family!r} of style {style['font-style']!r} and weight "
                f"{style['font-weight']!r}, which it does not carry.",
                TO_OUTLINES,
            )
        nearest = min(_apart(face.weights, weight) for face in faces)
        face = [each for each in faces if _apart(each.weights, weight) == nearest][-1]  # the last rule counts
        if face.unread is not None:
            raise Unusable(f"The font {family!r} is given {face.unread}, which is not read.", TO_OUTLINES)
        if weight >= _BOLD > face.weights[1]:
            raise Unusable(
                f"The drawing holds bold text in the font {family!r}, of which it carries no bold one.",
                TO_OUTLINES,
            )
        if face.ranges is not None and any(
            all(ord(letter) not in each for each in face.ranges) for letter in letters
        ):
            raise Unusable(
                f"The drawing holds text with letters that its font {family!r} is not meant for.", TO_OUTLINES
            )
        return self._opened(face, family, min(max(weight, face.weights[0]), face.weights[1]))

    def _opened(self, face: _Face, family: str, weight: float) -> FontFile:
        if face.data not in self._files:
            self._files[face.data] = FontFile(face.data, family, self._limits)
        font = self._files[face.data]
        font.guarded(lambda: _refuse_settings(font, weight))
        return font


def _refuse_settings(font: FontFile, weight: float) -> None:
    """Refuse a variable font whose letters plain text would have in another form than its first."""
    for axis in font.tables["fvar"].axes if "fvar" in font.tables else ():
        asked = {**_PLAIN_SETTING, "wght": weight}.get(axis.axisTag, axis.defaultValue)
        if min(max(asked, axis.minValue), axis.maxValue) != axis.defaultValue or axis.axisTag == "opsz":
            raise font.unread("is a variable font, used at another setting than its first")


def _face(rule: FontFace) -> _Face | None:
    """A rule's font; None when it brings none of its own."""
    told = rule.descriptors
    family, data = next(iter(_families(told.get("font-family", ""))), ""), _carried(told.get("src", ""))
    if not family or data is None:
        return None
    weights = [_weight(word.lower()) for word in told.get("font-weight", "normal").split()]
    weights = [400.0] if weights == [None] and told["font-weight"].lower() == "auto" else weights
    unread = next(
        (
            f"{name}: {told[name]}"
            for name, plain in _UNREAD.items()
            if told.get(name, plain[0]).lower() not in plain
        ),
        None,
    )
    known = [weight for weight in weights if weight is not None]
    if len(known) != len(weights) or len(known) not in (1, 2):
        unread, known = f"font-weight: {told['font-weight']}", [400.0]
    return _Face(
        family.casefold(),
        told.get("font-style", "normal").lower(),
        (min(known), max(known)),
        _ranges(told["unicode-range"]) if "unicode-range" in told else None,
        data,
        unread,
    )


def _families(text: str) -> Iterable[str]:
    """The names of a list of families, the first choice first."""
    words: list[str] = []
    for token in [*tinycss2.parse_component_value_list(text, skip_comments=True), None]:
        if token is None or (token.type == "literal" and token.value == ","):
            if words:
                yield " ".join(words)
            words = []
        elif token.type in ("string", "ident"):
            words.append(token.value)


def _carried(source: str) -> bytes | None:
    """The first font that a list of sources holds in itself; all of a list are meant to be the same font."""
    for address in _addresses(tinycss2.parse_component_value_list(source)):
        match = _DATA_ADDRESS.fullmatch(address.strip())
        if match is None:
            continue
        data = unquote_to_bytes(match[2])
        if match[1].lower().replace(" ", "").endswith(";base64"):
            try:
                data = base64.b64decode(b"".join(data.split()) + b"==", validate=False)
            except binascii.Error:
                return b""  # refused where text is set in it
        return data
    return None


def _addresses(tokens: Sequence[Any]) -> Iterable[str]:
    for token in tokens:
        if token.type == "url":
            yield token.value
        elif token.type == "function" and token.lower_name == "url":
            yield "".join(part.value for part in token.arguments if part.type == "string")


def _weight(text: str) -> float | None:
    try:
        weight = float({"normal": "400", "bold": "700"}.get(text, text))
    except ValueError:
        return None
    return weight if 1.0 <= weight <= 1000.0 else None


def _apart(weights: tuple[float, float], asked: float) -> tuple[int, float]:
    """How ill a font of some weights serves text of another, the best the least. Source: §5.2, step 4."""
    least, greatest = weights
    if least <= asked <= greatest:
        return 0, 0.0
    heavier = least > asked
    if 400.0 <= asked <= 500.0:
        first = heavier and least <= 500.0
        return (1 if first else 2 if not heavier else 3), abs((least if heavier else greatest) - asked)
    is_wanted = heavier == (asked > 500.0)
    return (1 if is_wanted else 2), (least - asked if heavier else asked - greatest)


def _ranges(text: str) -> tuple[range, ...]:
    """Letters that `unicode-range` names; one that cannot be read names none."""
    found: list[range] = []
    for part in text.upper().split(","):
        match = re.fullmatch(r"\s*U\+([0-9A-F]{1,6})(\?{0,5})(?:-([0-9A-F]{1,6}))?\s*", part)
        if match is not None:
            first = int(match[1] + "0" * len(match[2]), 16)
            last = int(match[3], 16) if match[3] else int(match[1] + "F" * len(match[2]), 16)
            found.append(range(first, last + 1))
    return tuple(found)
