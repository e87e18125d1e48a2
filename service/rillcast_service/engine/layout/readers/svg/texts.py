"""Text in fonts that the drawing carries, letter by letter.

Text on a line of its own is set as the standard says: positions and shifts of single letters, parts in other
styles, anchors, distances, white space. Whatever else would move or change letters is refused by name.
Sources: SVG 2, chapter 11 "Text", its layout algorithm above all; CSS Text Module Level 3, §4.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import NamedTuple
from xml.etree.ElementTree import Element

from fontTools.unicodedata import script as script_of

from rillcast_service.engine.layout.curves import Subpath
from rillcast_service.engine.layout.readers.svg.conditions import LANGUAGE, holds
from rillcast_service.engine.layout.readers.svg.document import tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.fontfiles import TO_OUTLINES, FontFile, moved
from rillcast_service.engine.layout.readers.svg.fonts import Fonts
from rillcast_service.engine.layout.readers.svg.shaping import Glyph, shaped
from rillcast_service.engine.layout.readers.svg.styles import Style, StyleSheet
from rillcast_service.engine.layout.readers.svg.units import Lengths
from rillcast_service.engine.layout.sketch import Sketch

#: Property → values with which text is set on a plain line, in letters as the font has them.
_PLAIN: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("font-stretch", "font-variant", "font-variant-ligatures", "font-variant-caps",
         "font-variant-numeric", "font-variant-position", "font-variant-alternates",
         "font-variant-east-asian", "font-feature-settings", "font-variation-settings", "unicode-bidi"),
        ("normal",),
    ),
    "font-kerning": ("auto", "normal"),
    "font-size-adjust": ("none",),
    "kerning": ("auto",),
    "text-decoration": ("none",),
    "text-decoration-line": ("none",),
    "text-orientation": ("mixed",),
    "text-rendering": ("auto", "geometricprecision", "optimizelegibility"),
    "text-transform": ("none",),
    "inline-size": ("auto", "0", "0px"),
    "shape-inside": ("none", "auto"),
    "direction": ("ltr",),
    "writing-mode": ("horizontal-tb", "lr", "lr-tb"),
    "glyph-orientation-vertical": ("auto",),
    "dominant-baseline": ("auto", "alphabetic"),
    "alignment-baseline": ("auto", "baseline", "alphabetic"),
    "baseline-shift": ("baseline", "0", "0px", "0%"),
}  # fmt: skip

#: Attributes that bend, stretch or turn text.
_UNREAD_ATTRIBUTES = ("rotate", "textLength", "lengthAdjust")

_PARTS = frozenset({"tspan", "a"})
_UNPAINTED = frozenset({"title", "desc", "metadata", "style", "script", "animate", "animateTransform", "set"})

#: How white space is kept → whether runs of it are one space.
_SPACES = {"normal": True, "nowrap": True, "pre": False, "preserve-spaces": False}

#: Script of letters that stand one after another → OpenType's tag for it.
_SCRIPTS = {"Latn": "latn", "Grek": "grek", "Cyrl": "cyrl"}
_COMMON = "Zyyy"

#: Between figures it makes a fraction of them.
_FRACTION_SLASH = "\u2044"

NOT_VISIBLE = "they are not visible (visibility: hidden)"

_EM = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)em\s*", re.IGNORECASE)


class Piece(NamedTuple):
    """One letter, or several that the font joins, with its style and its outline in user units."""

    style: Style
    outline: tuple[Subpath, ...]


@dataclass(slots=True)
class _Letter:
    """One letter of the text and where the drawing puts it, in user units; None where it does not say."""

    text: str
    style: Style
    x: float | None = None
    y: float | None = None
    dx: float | None = None
    dy: float | None = None

    @property
    def is_seen(self) -> bool:
        return self.style["visibility"] == "visible" and self.style.why_hidden is None


class _Run(NamedTuple):
    """Letters that are set together."""

    letters: list[_Letter]
    font: FontFile
    size: float
    spacing: float
    script: str | None


class Texts:
    """Sets the text of a drawing.

    Args:
        root: the drawing.
        styles: of its elements, and its fonts.
        sketch: holds the limits, and is told what is not seen.
    """

    def __init__(self, root: Element, styles: StyleSheet, sketch: Sketch) -> None:
        self._styles = styles
        self._sketch = sketch
        self._fonts = Fonts(styles.rules.fonts, sketch.options.limits)
        languages = {
            language.split("-")[0].strip().lower()
            for element in (root.iter() if self._fonts else ())
            for language in (element.get("lang"), element.get("{http://www.w3.org/XML/1998/namespace}lang"))
            if language is not None
        }
        self._is_foreign = not languages <= {"", LANGUAGE}

    @property
    def have_fonts(self) -> bool:
        """Whether the drawing carries any font."""
        return bool(self._fonts)

    def pieces(self, element: Element, style: Style, lengths: Lengths, called: str) -> list[Piece]:
        """The letters of a `text` element that are seen.

        Args:
            element: the text.
            style: of it.
            lengths: of the viewport around.
            called: the text, in messages.

        Returns:
            In the order of the text; none when there are none.

        Raises:
            Unusable: its font is not carried, or it asks for what is not read.
            LayoutTooComplex: too many letters, or a font too large.
        """
        letters: list[_Letter] = []
        self._collect(element, style, lengths, letters, called, depth=0)
        if not any(letter.is_seen for letter in letters):
            return []
        pieces: list[Piece] = []
        x = y = 0.0
        before = "start"
        for chunk in _chunks(letters):
            anchor = chunk[0].style["text-anchor"]
            if chunk[0] is not letters[0] and chunk[0].x is None and {anchor, before} != {"start"}:
                raise Unusable(f"text-anchor is {anchor!r} for text that has an y and no x.", TO_OUTLINES)
            x, y = self._set(chunk, x, y, lengths, pieces)
            before = anchor
        return pieces

    def _collect(
        self,
        element: Element,
        style: Style,
        lengths: Lengths,
        letters: list[_Letter],
        called: str,
        *,
        depth: int,
    ) -> None:
        """Add the letters of an element, white space as it is shown."""
        self._sketch.tally.nesting(depth)
        _refuse_unread(element, style)
        first = len(letters)
        self._add(element.text, style, letters)
        for child in element:
            kind = tag(child)
            if kind in _PARTS and holds(child):
                self._sketch.tally.element()
                inner = self._styles.style(child, style)
                why = NOT_VISIBLE if inner["visibility"] != "visible" else inner.why_hidden
                if why is not None:
                    self._sketch.leave_out(f"part of {called}", why)
                if inner["display"] != "none":
                    self._collect(child, inner, lengths, letters, called, depth=depth + 1)
            elif kind is not None and kind not in _UNPAINTED:
                raise Unusable(f"The text holds a <{kind}> that is not read.", TO_OUTLINES)
            self._add(child.tail, style, letters)
        if depth == 0 and letters and letters[-1].text == " " and _collapses(letters[-1]):
            letters.pop()
        if tag(element) != "a":
            _place(element, style, lengths, letters[first:])

    def _add(self, text: str | None, style: Style, letters: list[_Letter]) -> None:
        if not text:
            return
        kept = style["white-space"]
        if kept not in _SPACES:
            raise Unusable(f"white-space is {kept!r}, which is not read.", TO_OUTLINES)
        text = text.replace("\r\n", "\n")
        if kept == "pre" and ("\n" in text or "\t" in text):
            raise Unusable(
                "The text has line breaks or tabs, which are kept (white-space: pre).", TO_OUTLINES
            )
        self._sketch.tally.element(len(text.split()))
        for letter in re.sub("[\n\r\f\t]", " ", text):
            repeats = not letters or (letters[-1].text == " " and _collapses(letters[-1]))
            if letter != " " or not _SPACES[kept] or not repeats:
                letters.append(_Letter(letter, style))

    def _set(
        self, chunk: list[_Letter], x: float, y: float, lengths: Lengths, pieces: list[Piece]
    ) -> tuple[float, float]:
        """Set letters that stand one after another from a given place; gives the place after them."""
        runs = [(run, self._shaped(run)) for run in self._runs(chunk, lengths)]
        x = x if chunk[0].x is None else chunk[0].x
        y = y if chunk[0].y is None else chunk[0].y
        x -= _anchored(chunk, runs, lengths)
        for run, glyphs in runs:
            scale = run.size / run.font.units_per_em
            for glyph in glyphs:
                letter = run.letters[glyph.first]
                x, y = x + (letter.dx or 0.0), y + (letter.dy or 0.0)
                outline = run.font.outline(glyph.name) if letter.is_seen and scale > 0.0 else ()
                if outline:
                    self._sketch.tally.element()
                    place = {"x": x + glyph.x * scale, "y": y - glyph.y * scale}
                    pieces.append(Piece(letter.style, moved(outline, scale=scale, **place)))
                x += _advance(glyph, run, lengths)
        return x, y

    def _runs(self, chunk: list[_Letter], lengths: Lengths) -> list[_Run]:
        """Letters of one font, size, distance and script together."""
        runs: list[_Run] = []
        for style, alike in _of_one_style(chunk):
            font = self._fonts.of(style, "".join(letter.text for letter in alike))
            size = _length(style["font-size"], "font-size", "y", lengths)
            if size < 0.0:
                raise Unusable(f"font-size is {style['font-size']!r}, below 0.", "Give a size of 0 or more.")
            spacing = _distance(style, "letter-spacing", lengths)
            for letter in alike:
                script = _script(letter.text)
                last = runs[-1] if runs else None
                if (
                    last is None
                    or (last.font, last.size, last.spacing) != (font, size, spacing)
                    or (script is not None and last.script not in (None, script))
                ):
                    runs.append(_Run([letter], font, size, spacing, script))
                else:
                    last.letters.append(letter)
                    runs[-1] = last._replace(script=last.script or script)
        return runs

    def _shaped(self, run: _Run) -> list[Glyph]:
        text = "".join(letter.text for letter in run.letters)
        keywords = {"is_spaced": run.spacing != 0.0, "is_foreign": self._is_foreign}
        glyphs = shaped(run.font, text, scripts=(run.script or "latn",), **keywords)
        # Viewers do not agree on the script of figures and signs alone.
        if run.script is None and shaped(run.font, text, scripts=(), **keywords) != glyphs:
            raise run.font.unread("sets figures and signs in a way that depends on the script")
        for glyph in glyphs:
            first, *others = run.letters[glyph.first : glyph.first + glyph.count]
            if any(other.dx or other.dy or other.style.values != first.style.values for other in others):
                raise run.font.unread("joins letters that the drawing sets apart")
        return glyphs


def _refuse_unread(element: Element, style: Style) -> None:
    """Refuse what would bend, stretch, turn or change the letters of a text."""
    for name in _UNREAD_ATTRIBUTES:
        if element.get(name) is not None:
            raise Unusable(f"The text has the attribute {name}, which is not read.", TO_OUTLINES)
    for name, values in _PLAIN.items():
        if style[name] not in values:
            raise Unusable(f"{name} is set to {style[name]!r}, which is not read for text.", TO_OUTLINES)
    if style["text-anchor"] not in ("start", "middle", "end"):
        raise Unusable(f"text-anchor is {style['text-anchor']!r}.", "Give start, middle or end.")


def _collapses(letter: _Letter) -> bool:
    return _SPACES[letter.style["white-space"]]


def _place(element: Element, style: Style, lengths: Lengths, letters: Sequence[_Letter]) -> None:
    """Give letters the places that an element lists; those of elements within it go first."""
    for name in ("x", "y", "dx", "dy"):
        words = element.get(name, "").replace(",", " ").split()
        for letter, word in zip(letters, words, strict=False):
            if getattr(letter, name) is None:
                setattr(letter, name, _length(word, name, name[-1], lengths, size=style["font-size"]))


def _length(text: str, name: str, along: str, lengths: Lengths, *, size: str | None = None) -> float:
    """A length in user units, also one in ems of a size. Raises Unusable."""
    em = _EM.fullmatch(text)
    try:
        if em is not None and size is not None:
            return float(em[1]) * lengths.read(size, along="y")
        return lengths.read(text, along=along)
    except Unusable:
        raise Unusable(
            f"{name} is {text!r}, which is no length that can be read for text.",
            f"Give it in mm, px or user units, or: {TO_OUTLINES}",
        ) from None


def _distance(style: Style, name: str, lengths: Lengths) -> float:
    """What is added after each letter or space, in user units."""
    text = style[name]
    if text.endswith("%"):
        raise Unusable(f"{name} is {text!r}, which viewers take as they like.", "Give it in mm, px or em.")
    return 0.0 if text == "normal" else _length(text, name, "x", lengths)


def _script(letter: str) -> str | None:
    """OpenType's tag for the script of a letter; None for figures and signs. Raises Unusable."""
    script = script_of(letter)
    is_plain = unicodedata.category(letter)[0] not in "MC" and letter != _FRACTION_SLASH
    if not is_plain or (script != _COMMON and script not in _SCRIPTS):
        raise Unusable(
            f"The text holds {letter!r} (U+{ord(letter):04X}), of a kind that is not read.",
            TO_OUTLINES,
        )
    return _SCRIPTS.get(script)


def _chunks(letters: list[_Letter]) -> Iterator[list[_Letter]]:
    """Letters from one given place to the next."""
    starts = [at for at, letter in enumerate(letters) if at == 0 or (letter.x, letter.y) != (None, None)]
    return (letters[begin:end] for begin, end in pairwise([*starts, len(letters)]))


def _of_one_style(letters: list[_Letter]) -> Iterator[tuple[Style, list[_Letter]]]:
    return (
        (alike[0].style, alike)
        for _, group in groupby(letters, lambda each: id(each.style))
        for alike in [list(group)]
    )


def _advance(glyph: Glyph, run: _Run, lengths: Lengths) -> float:
    """How far a glyph moves the pen, in user units."""
    letter = run.letters[glyph.first]
    more = _distance(letter.style, "word-spacing", lengths) if letter.text in " \u00a0" else 0.0
    return glyph.advance * run.size / run.font.units_per_em + run.spacing + more


def _anchored(chunk: list[_Letter], runs: list[tuple[_Run, list[Glyph]]], lengths: Lengths) -> float:
    """How far a chunk is moved to the left, in user units."""
    anchor = chunk[0].style["text-anchor"]
    if anchor == "start":
        return 0.0
    if any(run.spacing for run, _ in runs) or any(letter.dx for letter in chunk[1:]):
        raise Unusable(
            f"text-anchor is {anchor!r} for text with letter-spacing or a dx within it, whose length viewers "
            "take as they like.",
            f"Anchor it at its start. {TO_OUTLINES}",
        )
    length = sum(_advance(glyph, run, lengths) for run, glyphs in runs for glyph in glyphs)
    return length / 2.0 if anchor == "middle" else length
