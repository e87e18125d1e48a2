"""How an element is painted: presentation attributes, style sheets and `style` attributes.

Sources: SVG 2, chapters 6 "Styling" and 13 "Painting"; CSS Cascading and Inheritance Level 4, §6 and §7.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.readers.svg.document import tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.font_properties import (
    OF_TEXT,
    font_size,
    spacing,
    spelt_out,
    weight,
)
from rillcast_service.engine.layout.readers.svg.stylesheet import Declarations, Rules, declarations, plain

#: Inherited properties that shape what is painted, with their initial values.
INHERITED: Mapping[str, str] = {
    "color": "black",
    "fill": "black",
    "fill-opacity": "1",
    "fill-rule": "nonzero",
    "clip-rule": "nonzero",
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
    **OF_TEXT,
}

#: Properties of the element alone, with their initial values.
OWN: Mapping[str, str] = {
    "display": "inline",
    "opacity": "1",
    "overflow": "",
    "vector-effect": "none",
    "clip-path": "none",
    "clip": "auto",
    "mask": "none",
    "filter": "none",
    "transform-origin": "",
    "transform-box": "view-box",
    "dominant-baseline": "auto",
    "alignment-baseline": "baseline",
    "baseline-shift": "baseline",
    "unicode-bidi": "normal",
}

#: Properties of the element alone that attributes of the same name do not set.
_OF_SHEETS: Mapping[str, str] = {
    "transform": "",
    "translate": "none",
    "rotate": "none",
    "scale": "none",
    "offset-path": "none",
    "mask-image": "none",
    "zoom": "1",
    "all": "",
}

#: Element → geometry that style sheets may hold in place of its attributes. Source: SVG 2, §6.6, appendix I.
_GEOMETRY_OF: Mapping[str, tuple[str, ...]] = {
    "path": ("d",),
    "circle": ("cx", "cy", "r"),
    "ellipse": ("cx", "cy", "rx", "ry"),
    "rect": ("x", "y", "width", "height", "rx", "ry"),
    **dict.fromkeys(("svg", "symbol", "use", "image", "foreignObject"), ("x", "y", "width", "height")),
}
_GEOMETRY = frozenset(name for names in _GEOMETRY_OF.values() for name in names)

_PATH_DATA = re.compile(r"path\(\s*([\"'])(.*)\1\s*\)", re.IGNORECASE | re.DOTALL)

#: Property → what to do about it. Each would change what is painted in a way that is not read.
_UNREAD: Mapping[str, str] = {
    "clip": "Clip with a clipPath.",
    "mask": "Remove the mask; draw the shape as it should come out.",
    "mask-image": "Remove the mask; draw the shape as it should come out.",
    "filter": "Remove the filter; draw the shape as it should come out.",
    "marker-start": "Remove the marker, or turn it into a shape.",
    "marker-mid": "Remove the marker, or turn it into a shape.",
    "marker-end": "Remove the marker, or turn it into a shape.",
    "stroke-dasharray": "Dashes would be a row of separate channels: draw a plain line, or each as a shape.",
    "translate": "Write it as transform.",
    "rotate": "Write it as transform.",
    "scale": "Write it as transform.",
    "offset-path": "Move the shape to its place.",
    "zoom": "Write it as transform.",
    "all": "Give each property by its own name.",
}

#: Properties that attributes of the same name set.
_ATTRIBUTES = frozenset((*INHERITED, *OWN))
_OF_ELEMENT = {**OWN, **_OF_SHEETS}
_KNOWN = frozenset((*_ATTRIBUTES, *_OF_SHEETS, *_GEOMETRY))
_MARKERS = ("marker-start", "marker-mid", "marker-end")

#: Attributes by which an element states a style of its own.
STYLED = frozenset((*_ATTRIBUTES, "style", "{http://www.w3.org/XML/1998/namespace}space"))

#: How a viewer takes the attribute `xml:space`. Source: SVG 2, appendix "User Agent Style Sheet".
_KEPT_SPACES = "preserve-spaces"


@dataclass(slots=True, eq=False)
class Style:
    """The computed properties of one element.

    Args:
        values: property → value.
        geometry: attributes of the element that its style sheets set.
    """

    values: Mapping[str, str]
    geometry: Mapping[str, str] = field(default_factory=dict)
    _passed_on: dict[str, str] | None = None

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
    def passed_on(self) -> dict[str, str]:
        """What elements within begin with; worked out once for all of them."""
        if self._passed_on is None:
            self._passed_on = {**_OF_ELEMENT, **{name: self.values[name] for name in INHERITED}}
        return self._passed_on

    @property
    def why_hidden(self) -> str | None:
        """Why the element and all in it are not seen; None when they are."""
        if self.values["display"] == "none":
            return "they are not displayed (display: none)"
        if self.number("opacity") <= 0.0:
            return "they are fully transparent (opacity: 0)"
        return None

    def refuse_unread(self, *, of_group: bool, is_filled: bool = False, has_markers: bool = False) -> None:
        """Refuse a property that would change the shape and is not read.

        Args:
            of_group: look only at what acts on a group as a whole; the rest matters at its shapes.
            is_filled: dashes then do not matter, as the edge of a filled shape is not counted.
            has_markers: whether the element is of a kind that markers are drawn on.

        Raises:
            Unusable: there is one.
        """
        values = self.values
        for name, remedy in _UNREAD.items():
            if values[name] == INHERITED.get(name, _OF_ELEMENT.get(name)):
                continue
            if name in INHERITED and of_group:
                continue
            if name in _MARKERS and not has_markers:
                continue
            if name == "stroke-dasharray" and (is_filled or _is_solid(values[name])):
                continue
            raise Unusable(f"{name} is set to {values[name]!r}, which is not read.", remedy)
        if values["vector-effect"] not in ("none", "non-scaling-stroke"):
            raise Unusable(f"vector-effect is {values['vector-effect']!r}.", "Remove it.")


@dataclass(frozen=True, slots=True)
class StyleSheet:
    """What gives the elements of a drawing their style.

    Args:
        rules: of its `style` elements.
    """

    rules: Rules
    _read: dict[str, Declarations] = field(default_factory=dict)

    @classmethod
    def of(cls, root: Element, limits: Limits) -> StyleSheet:
        """All `style` elements of a drawing together.

        Args:
            root: of the drawing.
            limits: of it.

        Returns:
            What gives its elements their style.

        Raises:
            Unusable: a rule that may matter and that is not read.
        """
        return cls(Rules.of(root, limits))

    def style(self, element: Element, parent: Style) -> Style:
        """The computed style of an element.

        Attributes go first, then rules by how special they are, then the `style` attribute; what is important
        goes after all that is not.

        Args:
            element: of the drawing.
            parent: style of the element around it.

        Raises:
            Unusable: a value that is worked out by the viewer.
        """
        declared = {name: plain(value) for name, value in element.items() if name in _ATTRIBUTES}
        space = element.get("{http://www.w3.org/XML/1998/namespace}space")
        if space is not None:
            declared.setdefault("white-space", _KEPT_SPACES if space == "preserve" else "normal")
        text = element.get("style")
        sources = [] if self.rules.are_none else self.rules.declared(element)
        if text is not None:
            if text not in self._read:
                self._read[text] = declarations(text)
            sources = [*sources, self._read[text]]
        weighty: dict[str, str] = {}
        for source in sources:
            for name, (value, is_important) in source.items():
                for each, its_value in _spelt_out(name, value):
                    if each in _KNOWN:
                        (weighty if is_important else declared)[each] = its_value
        return _computed(declared | weighty, parent)


def _computed(declared: Mapping[str, str], parent: Style) -> Style:
    values = dict(parent.passed_on)
    geometry: dict[str, str] = {}
    for name, value in declared.items():
        if "var(" in value or "env(" in value:
            raise Unusable(f"{name} is {value!r}, which is not worked out here.", "Give the value itself.")
        is_inherited = name in INHERITED
        initial = INHERITED[name] if is_inherited else _OF_ELEMENT.get(name, "")
        if value == "inherit" or (is_inherited and value in ("unset", "revert", "revert-layer")):
            values[name] = parent.values.get(name, initial)
        elif value in ("initial", "unset", "revert", "revert-layer"):
            values[name] = initial
        elif name in _GEOMETRY:
            geometry[name] = value
        elif value:
            values[name] = value
    if not OF_TEXT.keys().isdisjoint(declared):
        _relate(values, declared, parent.values)
    return Style(values, geometry)


def _spelt_out(name: str, value: str) -> Iterable[tuple[str, str]]:
    """The properties that one declaration sets."""
    if name == "marker":
        return [(each, value) for each in _MARKERS]
    return spelt_out(value).items() if name == "font" else ((name, value),)


def _relate(values: dict[str, str], declared: Mapping[str, str], around: Mapping[str, str]) -> None:
    """Take what refers to the size or weight around as what it comes to, as that is what is inherited."""
    if "font-size" in declared:
        values["font-size"] = font_size(values["font-size"], around["font-size"])
    if "font-weight" in declared:
        values["font-weight"] = weight(values["font-weight"], around["font-weight"])
    for name in ("letter-spacing", "word-spacing"):
        if name in declared:
            values[name] = spacing(values[name], values["font-size"])


#: What the root element inherits.
INITIAL = Style({**INHERITED, **_OF_ELEMENT})


def _is_solid(dashes: str) -> bool:
    """Whether dashes are of no length, as for a solid line. Source: SVG 2, §13.5.6."""
    return not any(character in "123456789" for character in dashes)


def with_geometry(element: Element, style: Style) -> Element:
    """An element with the geometry that style sheets give it.

    Args:
        element: of the drawing.
        style: of it.

    Returns:
        The element itself where they give it none.

    Raises:
        Unusable: a path that is not given as path data.
    """
    stated = {
        name: value
        for name, value in style.geometry.items()
        if name in _GEOMETRY_OF.get(tag(element) or "", ())
    }
    if not stated:
        return element
    if "d" in stated and stated["d"] != "none":
        data = _PATH_DATA.fullmatch(stated["d"])
        if data is None:
            raise Unusable(f"d is {stated['d']!r} in a style.", 'Give the path data as path("…").')
        stated["d"] = data[2]
    changed = Element(element.tag, {**element.attrib, **stated})
    changed.text = element.text
    changed.extend(element)
    return changed
