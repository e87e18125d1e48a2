"""A picture of a correction: where on the chip it changed, and each place before and after, magnified."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import shapely
from markupsafe import Markup
from shapely import Geometry, Point

from rillcast_service.documents.formats import measure
from rillcast_service.documents.placing import Placer
from rillcast_service.documents.signs import REPAIR, RISK, Sign, sign
from rillcast_service.documents.svg import (
    FAINT_INK,
    INK,
    PAPER,
    RULE,
    Scale,
    picture,
    tag,
    text,
    wrapped,
)
from rillcast_service.engine.corrections.model import Corrected
from rillcast_service.engine.layout.model import Layout, Role
from rillcast_service.engine.shapes import polygons

WIDTH_PX, MARGIN_PX, HEAD_PX = 960.0, 34.0, 66.0
TALLEST_CHIP_PX = 420.0
CELL_WIDTH_PX, CELL_HEIGHT_PX, ROW_GAP_PX = 300.0, 190.0, 22.0
#: Places that are magnified; the answer itself tells all of them.
PLACES_SHOWN = 24
#: A cell shows so many times the extent of what changed, and at least so much of the chip.
_AROUND, _LEAST_SHOWN_MM = 1.8, 0.5

Look = dict[str, str | float | None]

_CHANNEL: Look = {"fill": "#a9c8e6", "stroke": "#3f73a5", "stroke_width": 1.0}
_MARKS: Look = {"fill": "#e4e2dc", "stroke": "#9a968c", "stroke_width": 0.6, "stroke_dasharray": "1 2"}
_PORT: Look = {"fill": PAPER, "stroke": INK, "stroke_width": 1.4}
_CHIP: Look = {"fill": "#fbfbf9", "stroke": FAINT_INK, "stroke_width": 1.2}
#: What was added is told by its edge as well as by its colour, what was taken away by a broken edge.
_ADDED: Look = {"fill": REPAIR.edge, "fill_opacity": 0.45, "stroke": REPAIR.edge, "stroke_width": 1.6}
_TAKEN: Look = {"fill": "none", "stroke": REPAIR.edge, "stroke_width": 1.6, "stroke_dasharray": "5 3"}
_LEFT: Look = {"fill": "none", "stroke": RISK.edge, "stroke_width": 2.4, "stroke_linecap": "round"}


@dataclass(frozen=True, slots=True)
class _Place:
    """A numbered place: a change, or one that is left for a decision."""

    index: int
    kind: Sign
    word: str
    what: str
    where: Geometry | None
    changed: bool


def correction_picture(before: Layout, corrected: Corrected) -> str:
    """The corrected chip with every place numbered, and below it each place before and after.

    Changes come first and then the places that are left for a decision, both in the order of the answer.

    Args:
        before: the layout as it was given; mm, y up.
        corrected: what came of it.

    Returns:
        An SVG document.
    """
    places = _places(corrected)
    shown = [place for place in places if place.where is not None][:PLACES_SHOWN]
    scale, chip_bottom = _chip_scale(corrected.layout)
    rows = [
        part
        for row, place in enumerate(shown)
        for part in _row(place, before, corrected.layout, chip_bottom + row * (CELL_HEIGHT_PX + ROW_GAP_PX))
    ]
    bottom = chip_bottom + len(shown) * (CELL_HEIGHT_PX + ROW_GAP_PX)
    if len(places) > len(shown):
        more = f"And {len(places) - len(shown)} more that have no picture of their own."
        rows.append(text(MARGIN_PX, bottom + 14, more, fill=FAINT_INK))
        bottom += 30
    title = f"{before.name or 'Layout'}: corrections"
    counted = (
        f"{_count(len(corrected.changes), 'place')} changed, "
        f"{_count(len(corrected.decisions), 'place')} left for a decision"
    )
    return picture(
        WIDTH_PX,
        bottom + 12,
        [
            text(MARGIN_PX, 30, title, size=18.0, weight="600"),
            text(MARGIN_PX, 50, counted, fill=FAINT_INK),
            *_drawn(corrected.layout, scale, None),
            *_signs(places, scale, chip_bottom),
            *rows,
        ],
        title=title,
        summary="; ".join(f"{place.index}: {place.word}, {place.what}" for place in places) or counted,
    )


def _places(corrected: Corrected) -> list[_Place]:
    changes = [
        _Place(index, REPAIR, "changed", f"{change.what}.", change.where, changed=True)
        for index, change in enumerate(corrected.changes, start=1)
    ]
    decisions = [
        _Place(index, RISK, "to decide", decision.question, decision.where, changed=False)
        for index, decision in enumerate(corrected.decisions, start=len(changes) + 1)
    ]
    return changes + decisions


def _chip_scale(layout: Layout) -> tuple[Scale, float]:
    """The scale of the whole chip, and where the places below it begin, px."""
    shapes = [layer.geometry for layer in layout.layers if layer.role is not Role.IGNORED]
    shapes += [port.opening for port in layout.ports]
    shapes += [layout.outline] if layout.outline is not None else []
    left, low, right, high = shapely.total_bounds([shape for shape in shapes if not shape.is_empty])
    wide, tall = max(right - left, 1e-6), max(high - low, 1e-6)
    px_per_mm = min((WIDTH_PX - 2 * MARGIN_PX) / wide, TALLEST_CHIP_PX / tall)
    return (
        Scale(px_per_mm, left, high, (WIDTH_PX - wide * px_per_mm) / 2, HEAD_PX + 24),
        HEAD_PX + 24 + tall * px_per_mm + 40,
    )


def _drawn(layout: Layout, scale: Scale, frame: Geometry | None) -> Iterable[Markup]:
    """The chip, or what a frame shows of it."""

    def seen(geometry: Geometry) -> Geometry:
        return geometry if frame is None else geometry.intersection(frame)

    if layout.outline is not None:
        yield scale.path(seen(layout.outline), **_CHIP)
    for layer in layout.with_role(Role.MARKS):
        yield scale.path(seen(layer.geometry), **_MARKS)
    for layer in sorted(layout.channel_layers, key=lambda layer: -layer.level):
        yield scale.path(seen(layer.geometry), **_CHANNEL)
    for port in layout.ports:
        yield scale.path(seen(port.opening), **_PORT)


def _signs(places: list[_Place], scale: Scale, bottom: float) -> Iterable[Markup]:
    placer = Placer(WIDTH_PX, bottom, shapely.MultiPolygon())
    for place in places:
        if place.where is None:
            continue
        at = _middle(place.where)
        x, y = scale.x(at.x), scale.y(at.y)
        at_x, at_y = placer.place(x, y, 23.0, 23.0)
        yield tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=PAPER, stroke_width=3.4)
        yield tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=place.kind.edge, stroke_width=1.4)
        yield tag("circle", cx=x, cy=y, r=2.6, fill=place.kind.edge, stroke=PAPER, stroke_width=0.8)
        yield tag("g", tag("title", place.what), sign(place.kind, at_x, at_y, str(place.index)))


def _row(place: _Place, before: Layout, after: Layout, top: float) -> Iterable[Markup]:
    """A place in words, as it was, and as it is now."""
    assert place.where is not None
    width = WIDTH_PX - 2 * MARGIN_PX - 2 * (CELL_WIDTH_PX + 14)
    yield sign(place.kind, MARGIN_PX + 11, top + 14, str(place.index))
    yield text(MARGIN_PX + 30, top + 19, place.word, weight="600")
    for line, words in enumerate(wrapped(place.what, size=12.0, width=width, lines=9)):
        yield text(MARGIN_PX, top + 44 + 16 * line, words, size=12.0)
    left = MARGIN_PX + width + 14
    yield from _cell(place, before, "before", left, top)
    if place.changed:
        yield from _cell(place, after, "after", left + CELL_WIDTH_PX + 14, top)


def _cell(place: _Place, layout: Layout, caption: str, left: float, top: float) -> Iterable[Markup]:
    """A place magnified: what changed in the middle, with a bar to scale."""
    assert place.where is not None
    x0, y0, x1, y1 = place.where.bounds
    px_per_mm = min(
        CELL_WIDTH_PX / max((x1 - x0) * _AROUND, _LEAST_SHOWN_MM),
        CELL_HEIGHT_PX / max((y1 - y0) * _AROUND, _LEAST_SHOWN_MM),
    )
    wide, tall = CELL_WIDTH_PX / px_per_mm, CELL_HEIGHT_PX / px_per_mm
    left_mm, top_mm = (x0 + x1 - wide) / 2, (y0 + y1 + tall) / 2
    frame = shapely.box(left_mm, top_mm - tall, left_mm + wide, top_mm)
    scale = Scale(px_per_mm, left_mm, top_mm, left, top)
    yield from _drawn(layout, scale, frame)
    if not place.changed:
        yield scale.path(place.where, **_LEFT)
    elif caption == "after":
        drawn = [layer.geometry for layer in layout.layers if layer.role in (Role.CHANNELS, Role.MARKS)]
        now = shapely.union_all(drawn).intersection(frame)
        # a change may do both, where a port moves or writing grows
        for changed, look in (
            (polygons(place.where.difference(now)), _TAKEN),
            (polygons(place.where.intersection(now)), _ADDED),
        ):
            if not changed.is_empty:
                yield scale.path(changed, **look)
    frame_look: Look = {"fill": "none", "stroke": RULE, "stroke_width": 1.0}
    yield tag("rect", x=left, y=top, width=CELL_WIDTH_PX, height=CELL_HEIGHT_PX, **frame_look)
    yield text(left + 8, top + 18, caption, size=12.0, weight="600", halo=True)
    yield from _scale_bar(scale, wide, left + 8, top + CELL_HEIGHT_PX - 10)


def _scale_bar(scale: Scale, wide_mm: float, x: float, y: float) -> Iterable[Markup]:
    length_mm = _round_length(wide_mm / 4)
    end = x + length_mm * scale.px_per_mm
    yield tag("path", d=f"M{x:.1f} {y - 4:.1f}v8M{x:.1f} {y:.1f}H{end:.1f}M{end:.1f} {y - 4:.1f}v8",
              fill="none", stroke=INK, stroke_width=1.5)  # fmt: skip
    label = measure(length_mm, "mm") if length_mm >= 1.0 else measure(1e3 * length_mm, "µm")
    yield text(end + 6, y + 4, label, size=11.0, halo=True)


def _round_length(longest: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is no longer."""
    power = 10.0 ** int(f"{longest:e}".split("e")[1])
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest)


def _middle(where: Geometry) -> Point:
    point: Point = where.representative_point()
    return point


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
