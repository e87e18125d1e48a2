"""Style sheets within the drawing: which rules apply to an element, and the fonts that they carry.

Sources: CSS Syntax Module Level 3; Selectors Level 4 and CSS Cascading and Inheritance Level 4, §6, for the
order of rules; Media Queries Level 4, §2. `tinycss2` takes sheets apart, `cssselect2` matches selectors.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from xml.etree.ElementTree import Element

import cssselect2
import tinycss2

from rillcast_service.engine.errors import Fault, LayoutTooComplex
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.readers.svg.document import NAMESPACE, tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable

#: Property → value and whether it is important.
Declarations = Mapping[str, tuple[str, bool]]

#: At-rules that change nothing that is seen of a still drawing on a screen.
_HARMLESS = frozenset({"charset", "namespace", "keyframes", "-webkit-keyframes", "page", "property",
                       "counter-style", "font-feature-values", "font-palette-values"})  # fmt: skip

#: Declarations without anything that takes more than splitting.
_PLAIN = re.compile(r"(?:\s*[-\w]+\s*:[-\w\s.#%,+]*(?:;|$))*\s*")

#: A selector of more steps would be tried on too many ways through the drawing; brackets nest no deeper.
_MOST_COMPOUNDS, _MOST_BRACKETS = 8, 32
_COMPOUNDS, _BRACKETS = re.compile(r"[^\s>+~]+"), re.compile(r"[()\[\]{}]")

#: Times that rules may be tried, for each element that a drawing may hold.
RULES_TRIED = 20

_REMEDY = "Save it as plain SVG, with attributes."


@dataclass(frozen=True, slots=True)
class FontFace:
    """A font that a style sheet brings, as it states it.

    Args:
        descriptors: such as `font-family` and `src`, in their own words.
    """

    descriptors: Mapping[str, str]


@dataclass(slots=True)
class Rules:
    """The rules of all `style` elements of a drawing.

    Args:
        limits: of the drawing.
        fonts: that they bring.
        left_out: media that rules are meant for and that are not drawn for here.
    """

    limits: Limits
    fonts: list[FontFace] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    _matcher: Any = field(default_factory=cssselect2.Matcher)
    _wrappers: dict[int, Any] = field(default_factory=dict)
    _matched: dict[int, list[Declarations]] = field(default_factory=dict)
    _tried: int = 0

    @classmethod
    def of(cls, root: Element, limits: Limits) -> Rules:
        """The rules that a drawing's `style` elements hold.

        Args:
            root: of the drawing.
            limits: of it.

        Returns:
            The rules, in their order.

        Raises:
            Unusable: a rule that may matter and that is not read.
        """
        rules = cls(limits)
        for element in root.iter():
            if tag(element) != "style" or element.get("type", "text/css").strip() not in ("", "text/css"):
                continue
            if rules._is_for_screens(element.get("media", "")):
                text = "".join(element.itertext())
                _refuse_deep(text)
                rules._take(
                    tinycss2.parse_stylesheet(text, skip_comments=True, skip_whitespace=True),
                    {None: NAMESPACE} if "@namespace" in text else {},
                )
        if rules._matcher.order:
            wrapped = cssselect2.ElementWrapper.from_xml_root(root)
            rules._wrappers = {id(each.etree_element): each for each in wrapped.iter_subtree()}
        return rules

    @property
    def are_none(self) -> bool:
        """Whether no rule can apply to any element."""
        return not self._wrappers

    def declared(self, element: Element) -> list[Declarations]:
        """What the rules declare for an element.

        Args:
            element: of the drawing.

        Returns:
            The declarations of every rule that applies, weakest first.

        Raises:
            LayoutTooComplex: too many rules for so many elements.
        """
        key = id(element)
        if key not in self._matched:
            wrapped = self._wrappers.get(key)
            self._count(element)
            matches = () if wrapped is None else self._matcher.match(wrapped)
            self._matched[key] = [match[3] for match in matches if match[2] is None]
        return self._matched[key]

    def _count(self, element: Element) -> None:
        """Count the rules that are tried on an element; those for another id or class cost nothing."""
        matcher = self._matcher
        self._tried += len(matcher.other_selectors) + len(
            matcher.lower_local_name_selectors.get((tag(element) or "").lower(), ())
        )
        if self._tried > RULES_TRIED * self.limits.elements_count:
            raise LayoutTooComplex(
                Fault(
                    f"The style sheet's rules were tried {self._tried} times on elements; the limit is "
                    f"{RULES_TRIED * self.limits.elements_count}.",
                    "Save it as plain SVG, with attributes.",
                    where="<style>",
                )
            )

    def _take(self, nodes: Sequence[Any], namespaces: dict[str | None, str]) -> None:
        for node in nodes:
            if node.type == "at-rule":
                self._at_rule(node, namespaces)
            elif node.type == "qualified-rule":
                selectors = tinycss2.serialize(node.prelude).strip()
                longest = max(map(len, map(_COMPOUNDS.findall, selectors.split(","))))
                if longest > _MOST_COMPOUNDS:
                    raise Unusable(
                        f"A selector of the style sheet has {longest} steps; {_MOST_COMPOUNDS} are read.",
                        _REMEDY,
                    )
                declared = dict(_of_nodes(tinycss2.parse_blocks_contents(node.content)))
                if not declared:
                    continue
                try:
                    compiled = cssselect2.compile_selector_list(node.prelude, namespaces)
                except cssselect2.SelectorError:
                    raise Unusable(
                        f"The style sheet's selector {selectors!r} is not read.",
                        "Use selectors of Selectors Level 3, or save it as plain SVG, with attributes.",
                    ) from None
                for selector in compiled:
                    self._matcher.add_selector(selector, declared)

    def _at_rule(self, rule: Any, namespaces: dict[str | None, str]) -> None:
        name = rule.lower_at_keyword
        if name == "font-face":
            found = dict(_of_nodes(tinycss2.parse_blocks_contents(rule.content or []), keep_case=True))
            self.fonts.append(FontFace({key: value for key, (value, _) in found.items()}))
        elif name == "media":
            if self._is_for_screens(tinycss2.serialize(rule.prelude)):
                self._take(
                    tinycss2.parse_rule_list(rule.content or [], skip_comments=True, skip_whitespace=True),
                    namespaces,
                )
        elif name == "import":
            raise Unusable(
                f"The style sheet imports {tinycss2.serialize(rule.prelude).strip()}, which is not fetched.",
                "Put the rules into the drawing itself.",
            )
        elif name not in _HARMLESS:
            raise Unusable(f"The style sheet has a rule @{name}, which is not read.", _REMEDY)

    def _is_for_screens(self, media: str) -> bool:
        """Whether rules for some media apply to a drawing on a screen; others are noted."""
        queries = [" ".join(query.lower().split()) for query in media.split(",") if query.strip()]
        for query in queries:
            if "(" in query:
                raise Unusable(
                    f"The style sheet has rules for {query!r}, which depend on the viewer.",
                    _REMEDY,
                )
        negated = {query.removeprefix("not ") for query in queries if query.startswith("not ")}
        named = {query.removeprefix("only ") for query in queries if not query.startswith("not ")}
        if not queries or named & {"all", "screen"} or negated - {"all", "screen"}:
            return True
        self.left_out.append(", ".join(queries))
        return False


def declarations(text: str) -> Declarations:
    """The declarations of a `style` attribute.

    Args:
        text: of the attribute.

    Returns:
        The last of each property; what is not of the standard's form is passed over, as the standard says.
    """
    if _PLAIN.fullmatch(text):
        pairs = (part.partition(":") for part in text.split(";"))
        return {
            name.strip().lower(): (plain(value), False)
            for name, colon, value in pairs
            if colon and value.strip()
        }
    _refuse_deep(text)
    return dict(_of_nodes(tinycss2.parse_blocks_contents(text)))


def _refuse_deep(text: str) -> None:
    """Refuse brackets within brackets beyond all sense: the libraries go down into each."""
    if sum(map(text.count, "([{")) <= _MOST_BRACKETS:
        return
    depth = 0
    for bracket in _BRACKETS.findall(text):
        depth = depth + 1 if bracket in "([{" else max(0, depth - 1)
        if depth > _MOST_BRACKETS:
            raise Unusable(f"A style has brackets more than {_MOST_BRACKETS} deep.", _REMEDY)


def plain(value: str) -> str:
    """A value as it is compared: keywords in lower case, names and addresses as they are.

    Args:
        value: of a property.

    Returns:
        The value without spaces around it.
    """
    value = value.strip()
    return value if "(" in value or '"' in value or "'" in value else value.lower()


def _of_nodes(nodes: Sequence[Any], *, keep_case: bool = False) -> Iterator[tuple[str, tuple[str, bool]]]:
    found: dict[str, tuple[str, bool]] = {}
    for node in nodes:
        if node.type == "declaration":
            text = tinycss2.serialize([token for token in node.value if token.type != "comment"]).strip()
            value = text if keep_case else plain(text)
            if node.important or not found.get(node.lower_name, ("", False))[1]:
                found[node.lower_name] = (value, node.important)
        elif node.type == "qualified-rule":
            raise Unusable("The style sheet nests rules in one another, which is not read.", _REMEDY)
    return iter(found.items())
