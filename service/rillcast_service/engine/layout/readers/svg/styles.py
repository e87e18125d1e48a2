"""How an element is painted: presentation attributes, `style` attributes and simple style sheets.

Sources: SVG 2, chapters 6 "Styling" and 13 "Painting"; Selectors Level 3, §9 for specificity.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from rillcast_service.engine.layout.readers.svg.document import tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable

#: Inherited properties that shape what is painted, with their initial values.
INHERITED: Mapping[str, str] = {
    "fill": "black",
    "fill-opacity": "1",
    "fill-rule": "nonzero",
    "stroke": "none",
    "stroke-opacity": "1",
    "stroke-width": "1",
    "stroke-linecap": "butt",
    "stroke-linejoin": "miter",
    "stroke-miterlimit": "4",
    "stroke-dasharray": "none",
    "visibility": "visible",
    "marker-start": "none",
    "marker-mid": "none",
    "marker-end": "none",
}

#: Properties of the element alone, with their initial values.
OWN: Mapping[str, str] = {
    "display": "inline",
    "opacity": "1",
    "vector-effect": "none",
    "clip-path": "none",
    "mask": "none",
    "filter": "none",
    "transform-origin": "",
    "transform-box": "",
}

#: Geometry that newer drawings may hold in style sheets instead of attributes; it is not read there.
_GEOMETRY = ("transform", "d", "cx", "cy", "r", "rx", "ry", "x", "y", "width", "height")

#: Property → what to do about it. Each would change what is painted in a way that is not read.
_UNREAD: Mapping[str, str] = {
    "clip-path": "Apply the clip to the shape.",
    "mask": "Remove the mask; draw the shape as it should come out.",
    "filter": "Remove the filter; draw the shape as it should come out.",
    "marker-start": "Remove the marker, or turn it into a shape.",
    "marker-mid": "Remove the marker, or turn it into a shape.",
    "marker-end": "Remove the marker, or turn it into a shape.",
    "stroke-dasharray": "Draw the line without dashes, or turn it into an outline.",
    "transform-origin": "Apply the transform to the shape.",
    "transform-box": "Apply the transform to the shape.",
}

_KNOWN = (*INHERITED, *OWN)

#: Attributes by which an element states a style of its own.
STYLED = frozenset((*_KNOWN, "style"))

_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_COMPOUND = re.compile(r"(\*|[a-zA-Z][\w-]*)?((?:[.#][\w-]+)*)")
_WHITE = re.compile(r"white|#fff|#ffffff|rgb\(\s*(255|100%)\s*,\s*(255|100%)\s*,\s*(255|100%)\s*\)")


@dataclass(frozen=True, slots=True)
class Style:
    """The computed properties of one element."""

    values: Mapping[str, str]

    def __getitem__(self, name: str) -> str:
        return self.values[name]

    def number(self, name: str) -> float:
        """A property that is a plain number, such as an opacity. Raises Unusable."""
        text = self.values[name]
        try:
            return float(text[:-1]) / 100.0 if text.endswith("%") else float(text)
        except ValueError:
            raise Unusable(f"{name} is {text!r}.", "Give a number.") from None

    @property
    def is_filled(self) -> bool:
        """Whether the inside is painted."""
        return self._painted("fill")

    @property
    def is_stroked(self) -> bool:
        """Whether the line is painted (its width is another matter)."""
        return self._painted("stroke")

    @property
    def is_white(self) -> bool:
        """Whether the inside is painted white, which may be meant as a hole."""
        return _WHITE.fullmatch(self.values["fill"].strip().lower()) is not None

    @property
    def why_hidden(self) -> str | None:
        """Why the element and all in it are not seen; None when they are."""
        if self.values["display"] == "none":
            return "they are not displayed (display: none)"
        if self.number("opacity") <= 0.0:
            return "they are fully transparent (opacity: 0)"
        return None

    def refuse_unread(self, *, of_group: bool) -> None:
        """Refuse a property that would change the shape and is not read.

        Args:
            of_group: look only at what acts on a group as a whole; the rest matters at its shapes.

        Raises:
            Unusable: there is one.
        """
        for name, remedy in _UNREAD.items():
            if of_group and name not in OWN:
                continue
            if self.values[name] not in ("none", "") and self._matters(name):
                raise Unusable(f"{name} is set to {self.values[name]!r}, which is not read.", remedy)
        if self.values["vector-effect"] not in ("none", "non-scaling-stroke"):
            raise Unusable(f"vector-effect is {self.values['vector-effect']!r}.", "Remove it.")

    def _painted(self, name: str) -> bool:
        paint = self.values[name].strip().lower()
        return paint not in ("none", "transparent") and self.number(f"{name}-opacity") > 0.0

    def _matters(self, name: str) -> bool:
        return self.is_stroked and not self.is_filled if name == "stroke-dasharray" else True


@dataclass(frozen=True, slots=True)
class _SheetRule:
    """One selector of a style sheet with its declarations."""

    element: str
    classes: frozenset[str]
    ids: frozenset[str]
    order: int
    declared: Mapping[str, str]

    def applies(self, element: Element) -> bool:
        classes = (element.get("class") or "").split()
        return (
            self.element in ("", "*", tag(element))
            and self.classes.issubset(classes)
            and self.ids.issubset({element.get("id")})
        )

    @property
    def rank(self) -> tuple[int, int, int, int]:
        return len(self.ids), len(self.classes), int(self.element not in ("", "*")), self.order


@dataclass(frozen=True, slots=True)
class StyleSheet:
    """The rules of the drawing's `style` elements, weakest first."""

    rules: tuple[_SheetRule, ...] = field(default=())

    @classmethod
    def of(cls, root: Element) -> StyleSheet:
        """All `style` elements of a drawing together.

        Raises:
            Unusable: a rule that matters and whose selector is not simple.
        """
        texts = ["".join(element.itertext()) for element in root.iter() if tag(element) == "style"]
        rules = list(_rules("\n".join(texts)))
        return cls(tuple(sorted(rules, key=lambda rule: rule.rank)))

    def style(self, element: Element, parent: Style) -> Style:
        """The computed style of an element.

        Args:
            element: of the drawing.
            parent: style of the element around it.

        Raises:
            Unusable: geometry in a style sheet, which is not read.
        """
        declared = {name: value.strip() for name in _KNOWN if (value := element.get(name)) is not None}
        weighty: dict[str, str] = {}
        for source in (
            *(rule.declared for rule in self.rules if rule.applies(element)),
            _declarations(element.get("style") or ""),
        ):
            for name, value in source.items():
                if name in _GEOMETRY:
                    raise Unusable(
                        f"{name} is given in a style, which is not read.",
                        "Save it as plain SVG, with attributes.",
                    )
                plain, bang, _ = value.partition("!")
                (weighty if bang else declared)[name] = plain.strip()
        declared |= weighty
        values = {**OWN, **{name: parent[name] for name in INHERITED}}
        for name in _KNOWN:
            value = declared.get(name, "")
            if value == "inherit":
                values[name] = parent[name]
            elif value:
                values[name] = value
        return Style(values)


#: What the root element inherits.
INITIAL = Style({**INHERITED, **OWN})


def _declarations(text: str) -> dict[str, str]:
    pairs = (part.partition(":") for part in _COMMENT.sub("", text).split(";"))
    found = {name.strip().lower(): value.strip() for name, colon, value in pairs if colon}
    if found.get("marker", "none") != "none":
        found |= dict.fromkeys(("marker-start", "marker-mid", "marker-end"), found["marker"])
    return {name: value for name, value in found.items() if name in _KNOWN or name in _GEOMETRY}


def _rules(text: str) -> Iterator[_SheetRule]:
    text = _COMMENT.sub("", text).replace("<!--", "").replace("-->", "")
    if "@" in re.sub(r"@(font-face|charset|namespace)\b", "", text):
        raise Unusable(
            "The style sheet has at-rules, which are not read.", "Save it as plain SVG, with attributes."
        )
    for order, (selectors, body) in enumerate(_RULE.findall(re.sub(r"@[^{;]*;", "", text))):
        declared = _declarations(body)
        if not declared or "@font-face" in selectors:
            continue
        for selector in selectors.split(","):
            match = _COMPOUND.fullmatch(selector.strip())
            if match is None or not selector.strip():
                raise Unusable(
                    f"The style sheet's selector {selector.strip()!r} is not read.",
                    "Use selectors of element, .class and #id only, or save it as plain SVG with attributes.",
                )
            marks = re.findall(r"([.#])([\w-]+)", match[2])
            yield _SheetRule(
                element=match[1] or "",
                classes=frozenset(name for sign, name in marks if sign == "."),
                ids=frozenset(name for sign, name in marks if sign == "#"),
                order=order,
                declared=declared,
            )
