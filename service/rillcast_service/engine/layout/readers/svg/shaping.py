"""Which glyphs stand for a text and how far apart: what a viewer does by default with plain letters.

Ligatures, single replacements and kerning are done. What depends on a context is refused where it would act.
Sources: OpenType 1.9, "GSUB", "GPOS", "kern" and "OpenType Layout Common Table Formats"; the order of
features, tables and scripts is that of HarfBuzz, which browsers use.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from rillcast_service.engine.layout.readers.svg.fontfiles import FontFile

#: Features that are on unless the drawing switches them off. Source: CSS Fonts Module Level 4, §6 and §7.1.
_REPLACING = frozenset({"rvrn", "ltra", "ltrm", "ccmp", "locl", "rlig", "rclt", "calt", "liga", "clig"})
_MOVING = frozenset({"kern", "dist", "curs"})

#: Those that a distance between letters switches off. Source: CSS Text Module Level 3, §8.2.
_OPTIONAL = frozenset({"liga", "clig"})

#: Bit of a lookup's flag → class of glyphs that it passes over. Source: OpenType 1.9, "LookupFlag".
_PASSED_OVER = {0x2: 1, 0x4: 2, 0x8: 3}

_MARK_LOOKUPS = (4, 5, 6)

Matches = Callable[[str], bool]


@dataclass(slots=True)
class Glyph:
    """One glyph of a text.

    Args:
        name: in the font.
        first, count: which letters of the text it stands for.
        advance: how far it moves the pen, in the font's units, kerning counted in.
        x, y: how far it stands from the pen, in the font's units, y up.
    """

    name: str
    first: int
    count: int
    advance: float
    x: float = 0.0
    y: float = 0.0


@dataclass(slots=True)
class _Row:
    """The glyphs that one lookup looks at, with their names, and whether these are all there are."""

    glyphs: list[Glyph]
    names: list[str]
    is_whole: bool


def shaped(
    font: FontFile, text: str, *, scripts: Sequence[str], is_spaced: bool, is_foreign: bool
) -> list[Glyph]:
    """The glyphs of a text of one script.

    Args:
        font: that it is set in.
        text: without line breaks.
        scripts: OpenType's tags for it, such as `latn`, the best first.
        is_spaced: whether a distance is set between letters, so that optional ligatures are off.
        is_foreign: whether the drawing names another language than English.

    Returns:
        The glyphs from left to right.

    Raises:
        Unusable: a letter is missing, or the font asks for what is not read.
        LayoutTooComplex: too much of it.
    """
    font.tally.element(len(text))
    glyphs = [Glyph(font.glyph(letter), at, 1, 0.0) for at, letter in enumerate(text)]
    shaper = _Shaper(font, is_foreign)
    replacing = _REPLACING - _OPTIONAL if is_spaced else _REPLACING
    font.guarded(lambda: shaper.replace(glyphs, scripts, replacing))
    for glyph in glyphs:
        glyph.advance = font.advance(glyph.name)
    font.guarded(lambda: shaper.move(glyphs, scripts))
    return glyphs


class _Shaper:
    """Does the lookups of one font."""

    def __init__(self, font: FontFile, is_foreign: bool) -> None:
        self._font = font
        self._is_foreign = is_foreign
        self._tables = font.tables

    def replace(self, glyphs: list[Glyph], scripts: Sequence[str], features: frozenset[str]) -> None:
        """Put other glyphs in place of the first ones."""
        for lookup in self._lookups("GSUB", scripts, features)[1]:
            row = self._row(lookup, glyphs)
            at = 0
            while at < len(row.glyphs):
                at += next(filter(None, (self._replaced(t, row, at) for t in _subtables(lookup))), 1)
            glyphs[:] = [glyph for glyph in glyphs if glyph.count]

    def _replaced(self, table: Any, row: _Row, at: int) -> int:
        """How many glyphs a subtable has dealt with; 0 when it does not apply."""
        here, kind = row.glyphs[at], table.LookupType
        if kind == 1:
            other = table.mapping.get(here.name)
            if other is None:
                return 0
            here.name = row.names[at] = other
            return 1
        if kind == 4:
            return self._ligated(table.ligatures.get(here.name, ()), row, at)
        if kind in (2, 3):
            if here.name in (table.mapping if kind == 2 else table.alternates):
                raise self._font.unread("takes letters apart or offers a choice of them")
            return 0
        return self._by_context(table, row.names, at)

    def _ligated(self, ligatures: Any, row: _Row, at: int) -> int:
        for ligature in ligatures:
            after = slice(at + 1, at + 1 + len(ligature.Component))
            if row.names[after] != ligature.Component:
                continue
            if not row.is_whole:
                raise self._font.unread("joins letters across others")
            here = row.glyphs[at]
            here.name = row.names[at] = ligature.LigGlyph
            for part in row.glyphs[after]:
                here.count += part.count
                part.count = 0
            del row.glyphs[after], row.names[after]
            return 1
        return 0

    def move(self, glyphs: list[Glyph], scripts: Sequence[str]) -> None:
        """Set how far apart the glyphs stand; the older table only counts where the newer has no kerning."""
        features, lookups = self._lookups("GPOS", scripts, _MOVING)
        for lookup in lookups:
            row = self._row(lookup, glyphs)
            at = 0
            while at < len(row.glyphs):
                at += next(filter(None, (self._moved(t, row, at) for t in _subtables(lookup))), 1)
        if "kern" not in features and "kern" in self._tables:
            self._kern(glyphs)

    def _moved(self, table: Any, row: _Row, at: int) -> int:
        """How many glyphs a subtable has dealt with; 0 when it does not apply."""
        here, kind = row.glyphs[at], table.LookupType
        if kind in _MARK_LOOKUPS:
            return 0  # marks are refused before
        if kind > _MARK_LOOKUPS[-1]:
            return self._by_context(table, row.names, at)
        index = self._covered(table.Coverage).get(here.name)
        if index is None:
            return 0
        if kind == 1:
            _shift(here, table.Value if table.Format == 1 else table.Value[index])
            return 1
        if at + 1 == len(row.glyphs):
            return 0
        following = row.glyphs[at + 1]
        if kind == 3:
            if following.name in self._covered(table.Coverage):
                raise self._font.unread("joins letters as in handwriting")
            return 0
        values = self._pair(table, index, here.name, following.name)
        if values is None:
            return 0
        _shift(here, values.Value1)
        _shift(following, values.Value2)
        return 2 if table.ValueFormat2 else 1

    def _pair(self, table: Any, index: int, first: str, second: str) -> Any:
        if table.Format == 1:
            pairs = table.PairSet[index].PairValueRecord
            self._font.tally.element()
            return next((pair for pair in pairs if pair.SecondGlyph == second), None)
        row = table.Class1Record[table.ClassDef1.classDefs.get(first, 0)]
        return row.Class2Record[table.ClassDef2.classDefs.get(second, 0)]

    def _kern(self, glyphs: list[Glyph]) -> None:
        for table in self._tables["kern"].kernTables:
            # Plain distances along the line: no minimum, not across it, not in place of others.
            if getattr(table, "format", None) != 0 or table.apple or table.coverage & 0b1111 != 1:
                raise self._font.unread("states the distances of letters in a rare way (kern)")
            for here, following in pairwise(glyphs):
                here.advance += table.kernTable.get((here.name, following.name), 0)

    def _by_context(self, table: Any, names: list[str], at: int) -> int:
        """Refuse a context that acts; one that matches and does nothing ends the lookup there."""
        for before, within, after, records in self._contexts(table, names[at]):
            begins, ends = at - len(before), at + len(within)
            if begins < 0 or ends + len(after) > len(names):
                continue
            parts = (
                (before, names[begins:at][::-1]),
                (within, names[at:ends]),
                (after, names[ends : ends + len(after)]),
            )
            if all(
                match(name) for matches, found in parts for match, name in zip(matches, found, strict=True)
            ):
                if records:
                    raise self._font.unread("changes letters by those around them")
                return 1
        return 0

    def _contexts(
        self, table: Any, name: str
    ) -> Iterator[tuple[list[Matches], list[Matches], list[Matches], Any]]:
        """Before (the nearest first), within, after, and what is done there."""
        label = type(table).__name__
        chain = "Chain" if label.startswith("Chain") else ""
        kind = "Pos" if label.endswith("Pos") else "Sub"
        done = f"{'Pos' if kind == 'Pos' else 'Subst'}LookupRecord"
        if "Reverse" in label:
            before, after = self._around(table)
            yield before, [self._in(table.Coverage)], after, table.Substitute
        elif table.Format == 3:
            within = [self._in(each) for each in (table.InputCoverage if chain else table.Coverage)]
            before, after = self._around(table) if chain else ([], [])
            yield before, within, after, getattr(table, done)
        else:
            index = self._covered(table.Coverage).get(name)
            if index is None:
                return
            by_class = table.Format == 2
            if by_class:
                index = (table.InputClassDef if chain else table.ClassDef).classDefs.get(name, 0)
            noun = f"{chain}{kind}{'Class' if by_class else 'Rule'}"
            sets = getattr(table, f"{noun}Set")
            rules = sets[index] if index < len(sets) else None
            for rule in [] if rules is None else getattr(rules, f"{chain}{kind}{'Class' * by_class}Rule"):
                self._font.tally.element()
                rest = rule.Class if by_class and not chain else rule.Input
                classes = (
                    [getattr(table, f"{each}ClassDef") for each in ("Backtrack", "Input", "LookAhead")]
                    if chain and by_class
                    else [getattr(table, "ClassDef", None)] * 3
                )
                yield (
                    [_is(each, classes[0]) for each in getattr(rule, "Backtrack", ())],
                    [lambda _: True, *(_is(each, classes[1]) for each in rest)],
                    [_is(each, classes[2]) for each in getattr(rule, "LookAhead", ())],
                    getattr(rule, done),
                )

    def _around(self, table: Any) -> tuple[list[Matches], list[Matches]]:
        return (
            [self._in(each) for each in table.BacktrackCoverage],
            [self._in(each) for each in table.LookAheadCoverage],
        )

    def _in(self, coverage: Any) -> Matches:
        return self._covered(coverage).__contains__

    def _covered(self, coverage: Any) -> dict[str, int]:
        """Glyph → its number in a list of glyphs, worked out once."""
        found: dict[str, int] | None = getattr(coverage, "numbered", None)
        if found is None:
            self._font.tally.vertex(len(coverage.glyphs))
            found = coverage.numbered = {name: index for index, name in enumerate(coverage.glyphs)}
        return found

    def _lookups(
        self, tag: str, scripts: Sequence[str], features: frozenset[str]
    ) -> tuple[set[str], list[Any]]:
        """Features that a script has by default, and the lookups of those asked for, in their order."""
        table = self._tables[tag].table if tag in self._tables else None
        if table is None or table.ScriptList is None or table.FeatureList is None or table.LookupList is None:
            return set(), []
        self._refuse_variations(table)
        records = {record.ScriptTag.strip(): record.Script for record in table.ScriptList.ScriptRecord}
        script = next((records[tag] for tag in (*scripts, "DFLT", "dflt", "latn") if tag in records), None)
        system = script and script.DefaultLangSys
        if self._is_foreign and script is not None and script.LangSysRecord:
            raise self._font.unread("sets some languages in ways of their own")
        if system is None:
            return set(), []
        own = [table.FeatureList.FeatureRecord[index] for index in system.FeatureIndex]
        asked = [record.Feature for record in own if record.FeatureTag in features]
        if system.ReqFeatureIndex != 0xFFFF:
            asked.append(table.FeatureList.FeatureRecord[system.ReqFeatureIndex].Feature)
        indices = sorted({index for feature in asked for index in feature.LookupListIndex})
        self._font.tally.element(len(indices))
        return {record.FeatureTag for record in own}, [table.LookupList.Lookup[index] for index in indices]

    def _refuse_variations(self, table: Any) -> None:
        for record in getattr(getattr(table, "FeatureVariations", None), "FeatureVariationRecord", ()):
            conditions = getattr(record.ConditionSet, "ConditionTable", ())
            if all(
                each.Format != 1 or each.FilterRangeMinValue <= 0.0 <= each.FilterRangeMaxValue
                for each in conditions
            ):
                raise self._font.unread("changes its features by its setting")

    def _row(self, lookup: Any, glyphs: list[Glyph]) -> _Row:
        """The glyphs that a lookup does not pass over."""
        passed = {kind for bit, kind in _PASSED_OVER.items() if lookup.LookupFlag & bit}
        if passed and "GDEF" in self._tables and self._tables["GDEF"].table.GlyphClassDef is not None:
            kinds = self._tables["GDEF"].table.GlyphClassDef.classDefs
            kept = [glyph for glyph in glyphs if kinds.get(glyph.name, 0) not in passed]
        else:
            kept = list(glyphs)
        return _Row(kept, [glyph.name for glyph in kept], is_whole=len(kept) == len(glyphs))


def _subtables(lookup: Any) -> Iterator[Any]:
    for table in lookup.SubTable:
        yield table.ExtSubTable if hasattr(table, "ExtSubTable") else table


def _is(wanted: Any, classes: Any) -> Matches:
    """Whether a glyph is the one wanted, or of the class wanted."""
    if classes is None:
        return lambda name: bool(name == wanted)
    return lambda name: bool(classes.classDefs.get(name, 0) == wanted)


def _shift(glyph: Glyph, value: Any) -> None:
    if value is not None:
        glyph.x += getattr(value, "XPlacement", 0)
        glyph.y += getattr(value, "YPlacement", 0)
        glyph.advance += getattr(value, "XAdvance", 0)
