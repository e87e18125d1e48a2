"""Clip paths: the area that an element is cut to. Source: CSS Masking Module Level 1, §5 and §6."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast
from xml.etree.ElementTree import Element

import numpy as np
from shapely import MultiPolygon

from rillcast_service.engine.layout.affine import Matrix, scaling, translation
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.limits import Tally
from rillcast_service.engine.layout.polygons import FillRule, filled, joined, multipolygon
from rillcast_service.engine.layout.readers.svg.conditions import holds
from rillcast_service.engine.layout.readers.svg.document import tag
from rillcast_service.engine.layout.readers.svg.faults import Unusable
from rillcast_service.engine.layout.readers.svg.placing import Placing
from rillcast_service.engine.layout.readers.svg.references import addressed, referred
from rillcast_service.engine.layout.readers.svg.shapes import SHAPES, subpaths
from rillcast_service.engine.layout.readers.svg.styles import INITIAL, Style, StyleSheet, with_geometry
from rillcast_service.engine.layout.readers.svg.transforms import transformed
from rillcast_service.engine.layout.readers.svg.units import Lengths

_REMEDY = "Apply the clip to the shapes."

#: Groups hold their shapes; the rest of these is never painted.
_GROUPS = ("g", "a", "switch")
_UNPAINTED = (
    "title",
    "desc",
    "metadata",
    "defs",
    "style",
    "animate",
    "animateTransform",
    "animateMotion",
    "set",
)


class Clips:
    """Works out what the `clip-path` of an element leaves of it.

    Args:
        by_id: elements of the drawing.
        styles: of the drawing.
        placing: keeps tolerance and limits.
        tally: counts the elements of clip paths, as often as they are used.
    """

    def __init__(
        self, by_id: Mapping[str, Element], styles: StyleSheet, placing: Placing, tally: Tally
    ) -> None:
        self._by_id = by_id
        self._styles = styles
        self._placing = placing
        self._tally = tally
        self._known: dict[tuple[str, bytes, Lengths], MultiPolygon] = {}

    def area(
        self, element: Element, style: Style, to_mm: Matrix, lengths: Lengths, *, passed: frozenset[str]
    ) -> MultiPolygon | None:
        """The area that an element is cut to.

        Args:
            element: that is clipped.
            style: of it.
            to_mm: its user units to mm, shape (3, 3).
            lengths: of the viewport around it.
            passed: names of the clip paths that are being worked out.

        Returns:
            In mm; None when it is not clipped.

        Raises:
            Unusable: a clip that is not read, not there, or that holds itself.
            LayoutTooComplex: a limit is passed.
        """
        value = style["clip-path"]
        if value == "none":
            return None
        name = addressed(value)
        clip = self._by_id.get(name) if name is not None else None
        if name is None:
            raise Unusable(f"clip-path is {value!r}, which is not read.", "Clip with a clipPath element.")
        if clip is None or tag(clip) != "clipPath":
            raise Unusable(
                f"clip-path refers to {name!r}, which is no clipPath in the drawing.",
                "Remove or mend it.",
            )
        if name in passed:
            raise Unusable(f"The clip path {name!r} is clipped by itself.", "Remove the clip path.")
        passed |= {name}
        self._tally.nesting(len(passed))
        clip_style = self._styles.style(clip, INITIAL)
        inside = transformed(clip, clip_style, to_mm, lengths)
        if clip.get("clipPathUnits", "userSpaceOnUse") == "objectBoundingBox":
            low, high = self._bounds(element, lengths)
            # The clip path's own transform moves it in the units of what it clips.
            inside = inside @ translation(*low) @ scaling(*(high - low))
            lengths = Lengths(1.0, 1.0, lengths.px_mm)
        key = name, inside.tobytes(), lengths
        if key not in self._known:
            pieces = [self._piece(child, clip_style, inside, lengths, passed, frozenset()) for child in clip]
            self._known[key] = joined([piece for piece in pieces if piece is not None])
        area = self._known[key]
        outer = self.area(element, clip_style, to_mm, lengths, passed=passed)
        return area if outer is None else multipolygon(area.intersection(outer))

    def _piece(
        self,
        element: Element,
        around: Style,
        to_mm: Matrix,
        lengths: Lengths,
        passed: frozenset[str],
        references: frozenset[str],
    ) -> MultiPolygon | None:
        """What one child of a clip path adds to it."""
        kind = tag(element)
        if kind is None or kind in _UNPAINTED or not holds(element):
            return None
        self._tally.element()
        style = self._styles.style(element, around)
        if style["display"] == "none" or (kind != "use" and style["visibility"] != "visible"):
            return None
        element = with_geometry(element, style)
        inside = transformed(element, style, to_mm, lengths)
        if kind == "use":
            name, target = referred(element, self._by_id, references)
            if tag(target) not in SHAPES:
                raise Unusable(f"A clip path refers to <{tag(target)}>, which is not read.", _REMEDY)
            piece = self._piece(target, style, inside, lengths, passed, references | {name})
        elif kind in SHAPES:
            rule = style["clip-rule"]
            if rule not in ("nonzero", "evenodd"):
                raise Unusable(f"clip-rule is {rule!r}.", "Give nonzero or evenodd.")
            outline = subpaths(element, kind, lengths)
            called = f"clip path {element.get('id')!r}" if element.get("id") else "clip path"
            rings = self._placing.placed(outline, inside, called) if outline and kind != "line" else []
            self._tally.crossing([np.vstack([ring, ring[:1]]) for ring in rings], where=called)
            piece = filled(rings, cast(FillRule, rule)) if rings else None
        else:
            raise Unusable(f"A clip path holds <{kind}>, which is not read.", _REMEDY)
        own = None if piece is None else self.area(element, style, inside, lengths, passed=passed)
        return piece if piece is None or own is None else multipolygon(piece.intersection(own))

    def _bounds(self, element: Element, lengths: Lengths) -> tuple[Points, Points]:
        """Lower and upper corner of an element's own shapes, in its user units."""
        corners = self._corners(element, np.eye(3), lengths, frozenset())
        if not corners:
            raise Unusable("A clip path goes by the size of what it clips, which has none.", _REMEDY)
        points = np.vstack(corners)
        return points.min(axis=0), points.max(axis=0)

    def _corners(
        self, element: Element, to_user: Matrix, lengths: Lengths, references: frozenset[str]
    ) -> list[Points]:
        kind = tag(element)
        if kind is None or kind in _UNPAINTED or not holds(element):
            return []
        self._tally.element()
        self._tally.nesting(len(references))
        if kind in SHAPES:
            outline = subpaths(with_geometry(element, self._styles.style(element, INITIAL)), kind, lengths)
            return self._placing.placed(outline, to_user, f"<{kind}>") if outline else []
        if kind == "use":
            name, target = referred(element, self._by_id, references)
            children, references = [target], references | {name}
        elif kind in _GROUPS:
            children = list(element)
        else:
            raise Unusable(f"A clip path goes by the size of a <{kind}>, which is not known.", _REMEDY)
        corners: list[Points] = []
        for child in children:
            style = self._styles.style(child, INITIAL)
            if style["display"] != "none":
                inside = transformed(child, style, to_user, lengths)
                corners += self._corners(child, inside, lengths, references)
        return corners
