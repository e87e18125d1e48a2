"""Pictures of the layout: as drawn, and with the findings of a route on it. To scale, in SVG."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup
from shapely import Geometry, LineString, Point, Polygon, affinity, box, union_all

from rillcast_service.documents.formats import measure, number
from rillcast_service.documents.placing import Placer
from rillcast_service.documents.signs import NOTE, REPAIR, SEVERITIES, VERDICTS, Sign, sign
from rillcast_service.documents.svg import (
    FAINT_INK,
    INK,
    PAPER,
    RULE,
    Scale,
    parts_of,
    picture,
    shortened,
    tag,
    text,
    text_width,
    wrapped,
)
from rillcast_service.documents.timeline import timeline_picture
from rillcast_service.engine.layout.model import Layer, Layout, Port, Repair, Role
from rillcast_service.engine.result import Finding, RouteResult
from rillcast_service.engine.shapes import drawn_levels, polygons

__all__ = ["findings_picture", "layout_picture", "timeline_picture"]

_SENTENCE_END = re.compile(r"(?<=[.!?]) +(?=[A-Z])")

WIDTH_PX = 960.0
MARGIN_PX = 34.0
HEAD_PX = 54.0
TALLEST_DRAWING_PX = 620.0
SMALLEST_DRAWING_PX = 120.0

#: Channel layers take turns in these, light to dark; the edge tells the level.
CHANNEL_FILLS, CHANNEL_EDGE = ("#a9c8e6", "#d6e6f4", "#7fa9d1"), "#3f73a5"
#: Dashes of a channel's edge by its level, the plane next to the lid solid; further levels begin again.
LEVEL_DASHES = (None, "6 3", "2 2.5", "8 3 2 3")
MARK_FILL, MARK_EDGE, MARK_DASHES = "#e4e2dc", "#9a968c", "1 2"
#: A ring that is guessed is broken.
GUESSED_DASHES = "3 2"
CHIP_FILL = "#fbfbf9"
PORT_SIZE = 12.0
RINGED_BELOW_PX, RING_PX = 10.0, 7.0
LEGEND_SIZE = 13.0
#: How many repairs are numbered on the picture; the layout itself tells all of them.
REPAIRS_SHOWN = 60
#: Which way round the chip is shown, where no quote says from which side it is looked at.
AS_DRAWN = "As drawn: seen from the side that a quote names."


def layout_picture(layout: Layout) -> str:
    """The layout as drawn: outline, channels, marks, ports by name, scale bar, and what was mended by number.

    The numbers count the repairs in the order of the layout, as all that tells of them does.

    Args:
        layout: coordinates in mm, y up.

    Returns:
        An SVG document.
    """
    board = Board.of(layout, layout.outline, top=HEAD_PX)
    title = layout.name or "Layout"
    noted = [_of_repair(index, repair) for index, repair in enumerate(layout.repairs, start=1)]
    shown, more = noted[:REPAIRS_SHOWN], len(noted) - REPAIRS_SHOWN
    legend, height = legend_of(shown, y=board.bottom + 8) if shown else ([], 0.0)
    if more > 0:
        legend.append(text(MARGIN_PX, board.bottom + height + 26, f"And {more} more.", fill=FAINT_INK))
        height += 24
    parts = [
        head_of(title, size_in_words(board)),
        *board.drawing(),
        *board.ports(),
        *board.port_labels(),
        *board.level_labels(),
        *board.signs(shown),
        *board.foot(),
        *legend,
    ]
    said = "; ".join(f"{one.index}: {one.word}, {one.message}" for one in shown)
    return picture(
        WIDTH_PX,
        board.bottom + (height + 8 if height else 0),
        parts,
        title=f"{title}: layout as drawn",
        summary=f"Mended: {said}" if said else "",
    )


def findings_picture(layout: Layout, outline: Polygon | None, route_result: RouteResult) -> str:
    """The layout with a route's findings as numbered signs, and what each number says below it.

    The numbers count the findings in the order of the result, as all documents do.

    Args:
        layout: coordinates in mm, y up.
        outline: the chip's edge, mm; None when there is none.
        route_result: the findings, their places in mm.

    Returns:
        An SVG document.
    """
    board = Board.of(layout, outline, top=HEAD_PX)
    noted = [_of_finding(index, finding) for index, finding in enumerate(route_result.findings, start=1)]
    verdict = VERDICTS[route_result.verdict.value].word
    summary = f"{layout.name or 'Layout'}, {size_in_words(board)}: {verdict}"
    legend, height = legend_of(noted, y=board.bottom + 8)
    parts = [
        head_of(route_result.title, summary),
        *board.drawing(),
        *(part for finding in route_result.findings for part in board.highlight(finding)),
        *board.ports(),
        *board.port_labels(),
        *board.level_labels(),
        *board.signs(noted),
        *board.foot(seen_from(route_result)),
        *legend,
    ]
    said = "; ".join(f"{one.index}: {one.word}, {one.message}" for one in noted)
    return picture(
        WIDTH_PX,
        board.bottom + height + 8,
        parts,
        title=f"{route_result.title}: findings",
        core=(board.top + MARGIN_PX - 18, board.bottom),
        summary=said or "No findings.",
    )


def seen_from(route_result: RouteResult) -> str:
    handed = route_result.as_made.handedness
    return AS_DRAWN if handed is None else f"As drawn, which is as seen from the {handed.viewed_from} side."


@dataclass(frozen=True, slots=True)
class Noted:
    """What has a number on the picture and a line below it.

    Args:
        index: the number.
        kind: the sign that bears it.
        word: beside it in the legend.
        message: what it says, whole; `short` is what the legend has room for.
        place: where it stands, mm; None when it concerns the whole chip.
    """

    index: int
    kind: Sign
    word: str
    message: str
    short: str
    place: Point | None


def _of_finding(index: int, finding: Finding) -> Noted:
    kind = SEVERITIES.get(finding.severity.value, NOTE)
    message = finding.message
    return Noted(index, kind, kind.word, message, _first_sentence(message), _anchor(finding))


def _of_repair(index: int, repair: Repair) -> Noted:
    areas = f"{measure(repair.area_before_mm2, 'mm²')} became {measure(repair.area_after_mm2, 'mm²')}"
    said = f"{repair.what} (layer {repair.layer}; {areas})."
    word = repair.kind.value.replace("_", " ")
    return Noted(index, REPAIR, word, said, said, Point(repair.x_mm, repair.y_mm))


@dataclass(frozen=True, slots=True)
class Board:
    """The layout on the picture: what it is drawn from, how large, and where labels are free."""

    layout: Layout
    outline: Geometry | None
    bounds: tuple[float, float, float, float]
    scale: Scale
    top: float
    height: float
    placer: Placer

    @classmethod
    def of(cls, layout: Layout, outline: Polygon | None, *, top: float) -> Board:
        shown = [layer.geometry for layer in layout.layers if layer.role is not Role.IGNORED]
        shown += [port.opening for port in layout.ports]
        if outline is not None:
            shown.append(outline)
        drawn = [geometry for geometry in shown if not geometry.is_empty]
        left, low, right, high = union_all([box(*geometry.bounds) for geometry in drawn]).bounds
        wide, tall = max(right - left, 1e-6), max(high - low, 1e-6)
        px_per_mm = min((WIDTH_PX - 2 * MARGIN_PX) / wide, (TALLEST_DRAWING_PX - 2 * MARGIN_PX) / tall)
        height = max(tall * px_per_mm, SMALLEST_DRAWING_PX) + 2 * MARGIN_PX
        scale = Scale(
            px_per_mm=px_per_mm,
            left_mm=left,
            top_mm=high,
            x_px=(WIDTH_PX - wide * px_per_mm) / 2,
            y_px=top + (height - tall * px_per_mm) / 2,
        )
        channels = union_all([layer.geometry for layer in layout.channel_layers])
        return cls(
            layout=layout,
            outline=outline,
            bounds=(left, low, right, high),
            scale=scale,
            top=top,
            height=height,
            placer=Placer(WIDTH_PX, top + height, _on_picture(channels, scale)),
        )

    @property
    def bottom(self) -> float:
        """Where the scale bar, key and caption end, px."""
        return self.top + self.height + 52

    def drawing(self) -> Iterable[Markup]:
        """The chip without words: edge, marks faint, channels from the lowest level up.

        What passes below another level shows its edge through it.
        """
        if self.outline is not None:
            yield self.scale.path(self.outline, fill=CHIP_FILL, stroke=FAINT_INK, stroke_width=1.2)
        for layer in self.layout.with_role(Role.MARKS):
            yield self.scale.path(layer.geometry, **_MARKS)
        channels = enumerate(self.layout.channel_layers)
        for turn, layer in sorted(channels, key=lambda numbered: -numbered[1].level):
            yield self.scale.path(layer.geometry, **_channel_look(turn, layer))
        levels = {layer.level for layer in self.layout.channel_layers}
        for turn, layer in enumerate(self.layout.channel_layers):
            if layer.level > min(levels):
                yield self.scale.path(layer.geometry, **{**_channel_look(turn, layer), "fill": "none"})

    def level_labels(self) -> Iterable[Markup]:
        """The number of each level beside its channels, where there are several."""
        levels = drawn_levels(self.layout)
        for level, channels in levels.items() if len(levels) > 1 else ():
            others = union_all([geometry for other, geometry in levels.items() if other != level])
            openings = union_all([port.opening for port in self.layout.ports])
            # where nothing else lies; in all of it when it lies nowhere alone
            alone = polygons(channels.difference(others).difference(openings)) or channels
            at = max(alone.geoms, key=lambda part: part.area).representative_point()
            x, y = self.scale.x(at.x), self.scale.y(at.y)
            words = f"level {level}"
            at_x, at_y = self.placer.place(x, y, text_width(words, PORT_SIZE), PORT_SIZE + 2)
            yield tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=CHANNEL_EDGE, stroke_width=1)
            yield tag("circle", cx=x, cy=y, r=2, fill=CHANNEL_EDGE)
            yield text(at_x, at_y + 0.36 * PORT_SIZE, words, size=PORT_SIZE, anchor="middle", halo=True)

    def ports(self) -> Iterable[Markup]:
        """The openings, over everything that a finding colours."""
        for port in self.layout.ports:
            yield self.scale.path(port.opening, **_port_look(port))

    def port_labels(self) -> Iterable[Markup]:
        """The ports' names and roles beside them."""
        for port in self.layout.ports:
            x, y = self.scale.x(port.centre.x), self.scale.y(port.centre.y)
            across = port.bore_mm * self.scale.px_per_mm
            self.placer.take(x, y, across, across)
        for port in self.layout.ports:
            x, y = self.scale.x(port.centre.x), self.scale.y(port.centre.y)
            about = port.role.value + (", guessed" if port.guessed else "")
            name = port.name if port.name == about else f"{port.name} ({about})"
            label = shortened(name, size=PORT_SIZE, width=180)
            at_x, at_y = self.placer.place(x, y, text_width(label, PORT_SIZE), PORT_SIZE + 2)
            yield text(
                at_x, at_y + 0.36 * PORT_SIZE, label, size=PORT_SIZE, weight="600", anchor="middle", halo=True
            )

    def highlight(self, finding: Finding) -> Iterable[Markup]:
        """The places of a finding in the colour of its severity; a ring around those too small to see."""
        colour = SEVERITIES.get(finding.severity.value, NOTE).edge
        for place in parts_of(finding.where) if finding.where is not None else ():
            area = isinstance(place, Polygon)
            yield self.scale.path(
                place,
                fill=colour if area else "none",
                fill_opacity=0.25,
                stroke=colour,
                stroke_width=1.4 if area else 2.4,
                stroke_linecap="round",
            )
            left, low, right, high = place.bounds
            if max(right - left, high - low) * self.scale.px_per_mm < RINGED_BELOW_PX:
                x, y = self.scale.x((left + right) / 2), self.scale.y((low + high) / 2)
                yield tag("circle", cx=x, cy=y, r=RING_PX, fill="none", stroke=colour, stroke_width=1.6)

    def signs(self, noted: list[Noted]) -> list[Markup]:
        """A numbered sign for whatever has a place, with a line to it."""
        lines, signs = [], []
        for one in noted:
            if one.place is None:
                continue
            x, y = self.scale.x(one.place.x), self.scale.y(one.place.y)
            at_x, at_y = self.placer.place(x, y, one.kind.size_px, one.kind.size_px)
            lines.append(tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=PAPER, stroke_width=3.4))
            lines.append(tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=one.kind.edge, stroke_width=1.4))
            lines.append(tag("circle", cx=x, cy=y, r=2.6, fill=one.kind.edge, stroke=PAPER, stroke_width=0.8))
            signs.append(tag("g", tag("title", one.message), sign(one.kind, at_x, at_y, str(one.index))))
        return lines + signs

    def foot(
        self, seen: str = AS_DRAWN, *, key: Iterable[tuple[str, Look]] | None = None
    ) -> Iterable[Markup]:
        """Scale bar, what the colours mean, and which side is shown."""
        y = self.top + self.height + 14
        length_mm = round_length((self.bounds[2] - self.bounds[0]) / 5)
        x1, x2 = MARGIN_PX, MARGIN_PX + length_mm * self.scale.px_per_mm
        bar = f"M{x1:.1f} {y - 5:.1f}v10M{x1:.1f} {y:.1f}H{x2:.1f}M{x2:.1f} {y - 5:.1f}v10"
        yield tag("path", d=bar, fill="none", stroke=INK, stroke_width=1.5)
        label = measure(length_mm, "mm")
        yield text(x2 + 8, y + 4.5, label, size=12.0)
        x = x2 + 8 + text_width(label, 12.0) + 30
        yield text(MARGIN_PX, y + 24, seen, size=12.0, fill=FAINT_INK)
        for name, look in self._key() if key is None else key:
            if x + 22 + text_width(name, 12.0) > WIDTH_PX - MARGIN_PX:
                # What has no room beside the scale bar goes on beside the caption.
                x, y = MARGIN_PX + text_width(seen, 12.0) + 30, y + 20
            yield tag("rect", x=x, y=y - 6, width=16, height=12, **look)
            yield text(x + 22, y + 4.5, name, size=12.0, fill=FAINT_INK)
            x += 22 + text_width(name, 12.0) + 20

    def _key(self) -> Iterable[tuple[str, Look]]:
        several = len({layer.level for layer in self.layout.channel_layers}) > 1
        for turn, layer in enumerate(self.layout.channel_layers[:3]):
            name = shortened(layer.name, size=12.0, width=110)
            level = f", level {layer.level}" if several else ""
            depth = f", {measure(layer.depth_um, 'µm')} deep" if layer.depth_um is not None else ""
            yield f"{name}{level}{depth}", _channel_look(turn, layer)
        if self.layout.with_role(Role.MARKS):
            yield "marks", _MARKS
        for guessed, name in ((False, "ports"), (True, "guessed ports")):
            found = [port for port in self.layout.ports if port.guessed is guessed]
            if found:
                yield name, _port_look(found[0])


Look = dict[str, str | float | None]

_MARKS: Look = {
    "fill": MARK_FILL,
    "stroke": MARK_EDGE,
    "stroke_width": 0.6,
    "stroke_dasharray": MARK_DASHES,
}


def _channel_look(turn: int, layer: Layer) -> Look:
    """How a channel layer is drawn; `turn` counts the channel layers."""
    return {
        "fill": CHANNEL_FILLS[turn % len(CHANNEL_FILLS)],
        "stroke": CHANNEL_EDGE,
        "stroke_width": 0.8 if layer.level == 1 else 1.2,
        "stroke_dasharray": LEVEL_DASHES[(layer.level - 1) % len(LEVEL_DASHES)],
    }


def _port_look(port: Port) -> Look:
    dashes = GUESSED_DASHES if port.guessed else None
    return {"fill": PAPER, "stroke": INK, "stroke_width": 1.5, "stroke_dasharray": dashes}


def head_of(title: str, summary: str) -> Markup:
    width = WIDTH_PX - 2 * MARGIN_PX
    return tag(
        "g",
        text(MARGIN_PX, 26, shortened(title, size=17.0, width=width), size=17.0, weight="700"),
        text(MARGIN_PX, 46, shortened(summary, size=LEGEND_SIZE, width=width), fill=FAINT_INK),
    )


def legend_of(noted: list[Noted], *, y: float) -> tuple[list[Markup], float]:
    """Number, word and message of all that has a number; and how high that is, px."""
    if not noted:
        return [text(MARGIN_PX, y + 16, "No findings.", fill=FAINT_INK)], 28.0
    parts: list[Markup] = []
    # words are bold, which is wider than text is reckoned
    text_x = MARGIN_PX + 46 + max(58.0, *(1.15 * text_width(one.word, LEGEND_SIZE) for one in noted))
    top = y + 8
    for one in noted:
        where = "Whole chip." if one.place is None else _at(one.place)
        said = wrapped(f"{one.short} {where}", size=LEGEND_SIZE, width=WIDTH_PX - MARGIN_PX - text_x, lines=2)
        parts.append(sign(one.kind, MARGIN_PX + 12, top + 13, str(one.index)))
        parts.append(text(MARGIN_PX + 34, top + 17.5, one.word, weight="700"))
        parts.extend(text(text_x, top + 17.5 + 17 * row, line) for row, line in enumerate(said))
        top += 28 + 17 * (len(said) - 1)
    rule = tag("line", x1=MARGIN_PX, x2=WIDTH_PX - MARGIN_PX, y1=y - 4, y2=y - 4, stroke=RULE)
    return [rule, *parts], top - y


def _at(place: Point) -> str:
    return f"At {number(place.x, 4)}, {number(place.y, 4)} mm."


def _first_sentence(message: str) -> str:
    return _SENTENCE_END.split(message, maxsplit=1)[0]


def _anchor(finding: Finding) -> Point | None:
    """The one point that stands for a finding's place; None when it concerns the whole chip."""
    if finding.where is None or finding.where.is_empty:
        return None
    if isinstance(finding.where, LineString):
        return finding.where.interpolate(0.5, normalized=True)
    return finding.where.representative_point()


def _on_picture(geometry: Geometry, scale: Scale) -> Geometry:
    """Layout geometry in the picture's px."""
    k = scale.px_per_mm
    return affinity.affine_transform(
        geometry, [k, 0, 0, -k, scale.x_px - k * scale.left_mm, scale.y_px + k * scale.top_mm]
    )


def size_in_words(board: Board) -> str:
    left, low, right, high = board.bounds
    return f"{number(right - left)} × {number(high - low)} mm"


def round_length(length_mm: float) -> float:
    """The largest of 1, 2, 5 × 10ⁿ that is not longer."""
    power = 10.0 ** math.floor(math.log10(length_mm))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= length_mm * (1 + 1e-9))
