"""A font made of boxes, whose areas and widths are known, in every container that a drawing can carry."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Mapping
from typing import Any

from fontTools.feaLib.builder import addOpenTypeFeaturesFromString
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTFont

UNITS_PER_EM = 1000

Box = tuple[int, int, int, int]

#: Letter → its boxes (left, bottom, right, top); one drawn the other way round is a hole.
BOXES: Mapping[str, tuple[Box, ...]] = {
    "A": ((100, 0, 500, 700),),
    "B": ((50, 0, 250, 500), (300, 100, 400, 300)),
    "O": ((0, 0, 600, 600), (400, 100, 100, 500)),  # a hole of 300 x 400
    "g": ((100, -200, 300, 400),),
    " ": (),
    "f": ((0, 0, 100, 800),),
    "i": ((0, 0, 50, 400),),
    "1": ((50, 0, 150, 700),),
    "AB": ((0, 0, 500, 100),),  # what stands for A and B where they are joined
}

WIDTHS: Mapping[str, int] = {
    "A": 600, "B": 450, "O": 700, "g": 400, " ": 300, "f": 200, "i": 100, "1": 250, "AB": 700,
}  # fmt: skip

#: Area of each letter in square units of the font.
AREAS: Mapping[str, int] = {
    "A": 400 * 700, "B": 200 * 500 + 100 * 200, "O": 600 * 600 - 300 * 400, "g": 200 * 600, " ": 0,
    "f": 80_000, "i": 20_000, "1": 70_000, "AB": 50_000,
}  # fmt: skip


def glyph_name(letter: str) -> str:
    """The name of a letter's glyph."""
    return {" ": "space", "1": "one"}.get(letter, letter)


def draw(pen: Any, boxes: tuple[Box, ...]) -> None:
    """Draw boxes with a pen; a box with its right edge on the left runs the other way round."""
    for left, bottom, right, top in boxes:
        pen.moveTo((left, bottom))
        for corner in ((left, top), (right, top), (right, bottom)):
            pen.lineTo(corner)
        pen.closePath()


def built(
    *,
    family: str = "Boxes",
    features: str = "",
    cubic: bool = False,
    change: Callable[[FontBuilder], None] | None = None,
) -> TTFont:
    """The font, with outlines of TrueType or, cubic, of CFF.

    Args:
        family: its name.
        features: ligatures and kerning, in the language of feature files.
        change: is given the builder before the font is saved.
    """
    letters = list(BOXES)
    order = [".notdef", *map(glyph_name, letters)]
    builder = FontBuilder(UNITS_PER_EM, isTTF=not cubic)
    builder.setupGlyphOrder(order)
    builder.setupCharacterMap({ord(letter): glyph_name(letter) for letter in letters if len(letter) == 1})
    glyphs, charstrings = {}, {}
    for letter in ("", *letters):
        name, boxes = glyph_name(letter) or ".notdef", BOXES.get(letter, ())
        pen = T2CharStringPen(WIDTHS.get(letter, 500), None) if cubic else TTGlyphPen(None)
        draw(pen, boxes)
        if cubic:
            charstrings[name] = pen.getCharString()
        else:
            glyphs[name] = pen.glyph()
    if cubic:
        builder.setupCFF(family, {}, charstrings, {})
    else:
        builder.setupGlyf(glyphs)
    lefts = {
        glyph_name(letter): min((min(box[0], box[2]) for box in boxes), default=0)
        for letter, boxes in BOXES.items()
    }
    builder.setupHorizontalMetrics(
        {".notdef": (500, 0)}
        | {glyph_name(letter): (width, lefts[glyph_name(letter)]) for letter, width in WIDTHS.items()}
    )
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": family, "styleName": "Regular", "psName": family})
    builder.setupOS2(sTypoAscender=800, sTypoDescender=-200, usWinAscent=800, usWinDescent=200)
    builder.setupPost()
    if change is not None:
        change(builder)
    if features:
        addOpenTypeFeaturesFromString(builder.font, features)
    return builder.font


def saved(font: TTFont, flavor: str | None = None) -> bytes:
    """The font's bytes: SFNT, or `woff` or `woff2`."""
    font.flavor = flavor
    file = io.BytesIO()
    font.save(file)
    return file.getvalue()


def face(data: bytes, *, family: str = "Boxes", more: str = "", media: str = "font/ttf") -> str:
    """A style element with the rule that carries a font."""
    text = base64.b64encode(data).decode()
    rule = f"@font-face {{ font-family: '{family}'; {more} src: url(data:{media};base64,{text}) }}"
    return f"<style>{rule}</style>"
