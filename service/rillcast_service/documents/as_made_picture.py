"""What comes out, over what was drawn: to scale, and magnified where a chip-size picture hides it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import shapely
from markupsafe import Markup
from shapely import Geometry, LineString, MultiPolygon, Point, Polygon, box

from rillcast_service.documents.formats import measure, number
from rillcast_service.documents.pictures import (
    CHANNEL_EDGE,
    CHANNEL_FILLS,
    CHIP_FILL,
    HEAD_PX,
    MARGIN_PX,
    MARK_EDGE,
    MARK_FILL,
    WIDTH_PX,
    Board,
    Look,
    Noted,
    head_of,
    legend_of,
    round_length,
    seen_from,
    size_in_words,
)
from rillcast_service.documents.signs import CLOSED, LOST, MERGED, NARROWEST, SPLIT, Sign, sign
from rillcast_service.documents.svg import (
    FAINT_INK,
    FINE_MM,
    INK,
    PAPER,
    RULE,
    Scale,
    picture,
    shortened,
    tag,
    text,
    wrapped,
)
from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.asmade.topology import compare
from rillcast_service.engine.asmade.vanished import strip_mm
from rillcast_service.engine.layout.measure import Span, least
from rillcast_service.engine.layout.measure import measure as measured
from rillcast_service.engine.layout.model import Layout, Role
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import RouteResult
from rillcast_service.engine.shapes import drawn_levels, made_levels

#: How many changes of one kind are numbered; the rest is counted.
SHOWN_OF_A_KIND = 12
#: Magnified places: how many, how many side by side, and their size.
INSETS, INSETS_A_ROW, INSET_GAP_PX, INSET_TALL_PX, CAPTION_PX = 8, 4, 16.0, 170.0, 74.0
#: How much wider than what it shows a magnified place is, and the least width, mm.
SURROUNDINGS, SMALLEST_WINDOW_MM = 5.0, 0.12

_DRAWN: Look = {"fill": "none", "stroke": INK, "stroke_width": 1.0, "stroke_dasharray": "4 2.5"}
#: What is gone, by the word of its sign: dotted where nothing comes out, dark where a wall is no more.
_GONE: dict[str, Look] = {
    LOST.word: {"fill": "none", "stroke": INK, "stroke_width": 2.0, "stroke_dasharray": "1 2.5"},
    SPLIT.word: {"fill": "none", "stroke": INK, "stroke_width": 2.0, "stroke_dasharray": "1 2.5"},
    MERGED.word: {"fill": MERGED.edge, "fill_opacity": 0.55, "stroke": MERGED.edge, "stroke_width": 1.0},
}
_CLOSED: Look = {"fill": "none", "stroke": INK, "stroke_width": 2.0, "stroke_dasharray": "1 2.5"}


@dataclass(frozen=True, slots=True)
class _Place:
    """A change, or a narrowest place.

    Args:
        kind: its sign, whose word stands beside it.
        message: what the list below says.
        caption: what the magnified place says of it.
        at: where, mm.
        across_mm: how large what happens there is.
        line: what is measured there, from wall to wall, mm; None when nothing is.
        part: what is gone there, mm; None when nothing is.
    """

    kind: Sign
    message: str
    caption: str
    at: Point
    across_mm: float
    line: LineString | None = None
    part: Polygon | None = None


def as_made_picture(
    layout: Layout, outline: Polygon | None, route_result: RouteResult, as_made: AsMade
) -> str:
    """What a route makes of the drawing: made areas filled, drawn edges dashed over them.

    Features that vanish, run together, fall apart or close have a numbered sign and a word each, as have
    the narrowest channel and wall; these places are shown magnified below, each with a scale of its own.

    Args:
        layout: as drawn; coordinates in mm, y up.
        outline: the chip's edge, mm; None when there is none.
        route_result: the route's answer, of which its title and what comes out in numbers are shown.
        as_made: the geometry behind it, best estimate.

    Returns:
        An SVG document.
    """
    board = Board.of(layout, outline, top=HEAD_PX)
    places, more = _places(layout, as_made, route_result)
    noted = [
        Noted(index, place.kind, place.kind.word, place.message, place.message, place.at)
        for index, place in enumerate(places, start=1)
    ]
    summary = f"{layout.name or 'Layout'}, {size_in_words(board)}: as made over as drawn, best estimate"
    insets, below = _insets(places, layout, as_made, board, y=board.bottom + 4)
    legend, height = legend_of(noted, y=below + 14) if noted else ([], 0.0)
    below += height + (14 if noted else 0)
    if more:
        legend.append(text(MARGIN_PX, below + 16, f"And {more}.", fill=FAINT_INK))
        below += 24
    table, bottom = _table(layout, route_result, as_made, y=below + 10)
    parts = [
        head_of(route_result.title, summary),
        *_drawing(board, layout, as_made),
        *(board.scale.fine_path(place.part, **_GONE[place.kind.word]) for place in places if place.part),
        *board.ports(),
        *board.port_labels(),
        *board.level_labels(),
        *board.signs(noted),
        *board.foot(seen_from(route_result), key=_key(layout, as_made)),
        *insets,
        *legend,
        *table,
    ]
    said = "; ".join(f"{one.index}: {one.word}, {one.message}" for one in noted)
    return picture(
        WIDTH_PX,
        bottom,
        parts,
        title=f"{route_result.title}: as made over as drawn",
        core=(board.top + MARGIN_PX - 18, below + 4),
        summary=said or "Every drawn shape comes out as one.",
    )


def _drawing(board: Board, layout: Layout, as_made: AsMade) -> Iterator[Markup]:
    scale = board.scale
    if board.outline is not None:
        yield scale.path(board.outline, fill=CHIP_FILL, stroke=FAINT_INK, stroke_width=1.2)
    for layer in as_made.marks:
        yield scale.fine_path(layer.geometry, fill=MARK_FILL, stroke=MARK_EDGE, stroke_width=0.6)
    yield from _made_areas(scale, layout, as_made)
    for drawn in layout.channel_layers:
        closed = drawn.name in _closed(as_made)
        yield scale.fine_path(drawn.geometry, **(_CLOSED if closed else _thin(_DRAWN)))


def _made_areas(
    scale: Scale, layout: Layout, as_made: AsMade, within: Polygon | None = None
) -> Iterator[Markup]:
    """The channels as made, from the lowest level up, cut to a window if there is one."""
    turns = {layer.name: turn for turn, layer in enumerate(layout.channel_layers)}
    for channel in sorted(as_made.channels, key=lambda channel: -channel.level):
        if channel.layer in _closed(as_made):
            continue
        fill = CHANNEL_FILLS[turns[channel.layer] % len(CHANNEL_FILLS)]
        area, edge = _cut(channel.geometry, within)
        yield scale.fine_path(area, fill=fill)
        yield scale.fine_path(edge, fill="none", stroke=CHANNEL_EDGE, stroke_width=0.7)


def _cut(geometry: Geometry, within: Polygon | None) -> tuple[Geometry, Geometry]:
    """An area and its edge, as far as they lie in the window; the window's own edge is none of theirs."""
    if within is None:
        return geometry, geometry.boundary
    return geometry.intersection(within), geometry.boundary.intersection(within)


def _thin(look: Look) -> Look:
    return {**look, "stroke_width": 0.6, "stroke_dasharray": "3 2"}


def _closed(as_made: AsMade) -> frozenset[str]:
    """Names of the layers of which no depth stays open at best estimate."""
    return frozenset(channel.layer for channel in as_made.channels if channel.depth_um.best <= 0.0)


def _key(layout: Layout, as_made: AsMade) -> Iterator[tuple[str, Look]]:
    yield "as drawn", _DRAWN
    shown = {channel.layer for channel in as_made.channels} - _closed(as_made)
    for turn, layer in enumerate(layout.channel_layers[:3]):
        if layer.name in shown:
            look: Look = {
                "fill": CHANNEL_FILLS[turn % len(CHANNEL_FILLS)],
                "stroke": CHANNEL_EDGE,
                "stroke_width": 0.8,
            }
            yield f"{shortened(layer.name, size=12.0, width=110)} as made", look
    if _closed(as_made):
        yield "closed in making", _CLOSED
    if as_made.marks:
        yield "marks as made", {"fill": MARK_FILL, "stroke": MARK_EDGE, "stroke_width": 0.6}


# --- what is told ----------------------------------------------------------------------------------


def _places(layout: Layout, as_made: AsMade, route_result: RouteResult) -> tuple[list[_Place], str]:
    """What has a number, and in words what had no room for one."""
    narrowest = list(_narrowest(layout, as_made, route_result))
    closed = list(_closing(layout, as_made))
    changed: dict[str, list[_Place]] = {}
    for place in _changes(layout, as_made):
        changed.setdefault(place.kind.word, []).append(place)
    shown = [place for kind in changed.values() for place in kind[:SHOWN_OF_A_KIND]]
    rest = [
        f"{len(kind) - SHOWN_OF_A_KIND} more {word}"
        for word, kind in changed.items()
        if len(kind) > SHOWN_OF_A_KIND
    ]
    return [*closed, *narrowest, *shown], ", ".join(rest)


def _narrowest(layout: Layout, as_made: AsMade, route_result: RouteResult) -> Iterator[_Place]:
    """The narrowest channel and wall of what is made, with what was drawn at that very place."""
    # what is closed has no width worth a look
    still = tuple(channel for channel in as_made.channels if channel.layer not in _closed(as_made))
    drawn, made = drawn_levels(layout), made_levels(replace(as_made, channels=still))
    found = least(map(measured, made.values()))
    summary = route_result.as_made
    for span, ranged, what in (
        (found.width, summary.min_width_um, "channel"),
        (found.gap, summary.min_gap_um, "wall between channels"),
    ):
        if span is None or span.length_um <= 1000.0 * FINE_MM:
            continue  # walls that meet run together, which is told as that
        before_um = _drawn_there(span, made, drawn, wall=what != "channel")
        changed = _became(before_um, ranged or Range.exact(span.length_um))
        yield _Place(
            kind=NARROWEST,
            message=f"{what.capitalize()}: {changed}.",
            caption=f"Narrowest {what}: {changed}",
            at=span.centre,
            across_mm=max(span.length_um, before_um or 0.0) / 1000.0,
            line=span.chord,
        )


def _drawn_there(
    span: Span, made: dict[int, MultiPolygon], drawn: dict[int, MultiPolygon], *, wall: bool
) -> float | None:
    """What the drawing measures across a made place, µm; None where it has nothing there."""
    level = min(made, key=lambda level: shapely.distance(made[level].boundary, span.chord.boundary))
    (ax, ay), (bx, by) = span.chord.coords[0][:2], span.chord.coords[-1][:2]
    dx, dy = bx - ax, by - ay
    # the drawn walls lie no farther out than the made width itself, or a pixel's light; look well beyond
    reach = 3.0 + 0.3 / max(span.chord.length, 1e-6)
    line = LineString([(ax - reach * dx, ay - reach * dy), (bx + reach * dx, by + reach * dy)])
    inside = line.difference(drawn[level]) if wall else line.intersection(drawn[level])
    parts = [part for part in shapely.get_parts(inside) if part.distance(span.centre) < 1e-9]
    return parts[0].length * 1000.0 if parts else None


def _became(drawn_um: float | None, made: Range) -> str:
    before = f"{measure(drawn_um, 'µm')} drawn → " if drawn_um is not None else ""
    ranged = "" if made.low == made.high else f" ({number(made.low)} to {number(made.high)})"
    return f"{before}{measure(made.best, 'µm')} made{ranged}"


def _of_drawing(span: Span | None) -> str:
    return f"{measure(span.length_um, 'µm')} drawn" if span else "none drawn"


def _closing(layout: Layout, as_made: AsMade) -> Iterator[_Place]:
    closed = _closed(as_made)
    for layer in layout.channel_layers:
        if layer.name in closed and not layer.geometry.is_empty:
            (depth,) = {channel.depth_um for channel in as_made.channels if channel.layer == layer.name}
            said = f"{layer.name} closes: {_became(layer.depth_um, _not_below_zero(depth))} deep"
            biggest = max(layer.geometry.geoms, key=lambda part: part.area)
            yield _Place(CLOSED, f"Layer {said}.", said, biggest.representative_point(), 0.0)


def _changes(layout: Layout, as_made: AsMade) -> Iterator[_Place]:
    """What is lost, run together or interrupted, as the review counts it: channels by level, then marks."""
    made = made_levels(as_made)
    levels = drawn_levels(layout)
    for level, drawn in levels.items():
        where = f" on level {level}" if len(levels) > 1 else ""
        yield from _changed(drawn, made.get(level, MultiPolygon()), "channel", where, as_made)
    made_marks = {layer.layer: layer.geometry for layer in as_made.marks}
    for layer in layout.with_role(Role.MARKS):
        if layer.name in made_marks:
            yield from _changed(layer.geometry, made_marks[layer.name], "mark", "", as_made)


def _changed(
    drawn: MultiPolygon, made: MultiPolygon, what: str, where: str, as_made: AsMade
) -> Iterator[_Place]:
    change = compare(drawn, made, reach_um=as_made.width_reach_um, step_um=as_made.edge_step_um)
    land = drawn.envelope.buffer(1.0).difference(made)
    for part in (*change.lost, *change.arms):
        long, wide = map(_length, strip_mm(part))
        yield _gone(LOST, f"A {what}{where} {wide} wide and {long} long does not come out", part, made)
    for place in change.split:
        if what == "mark" and not isinstance(place, Polygon) and place.length <= FINE_MM:
            continue  # the modules of a code touch in corners, and part there
        wide, over = _across(place)
        yield _gone(
            SPLIT, f"A {what}{where} is interrupted{over}, where it is drawn {wide} wide", place, made
        )
    for part in change.islands:
        long, wide = map(_length, strip_mm(part))
        yield _gone(LOST, f"An island in a {what}{where}, {wide} by {long}, does not come out", part, land)
    for place in change.merged:
        wide, over = _across(place)
        yield _gone(MERGED, f"{what.capitalize()}s{where} drawn {wide} apart run together{over}", place, land)


def _across(place: Geometry) -> tuple[str, str]:
    """How wide what is gone was drawn, and over what length, in words; a chord tells no length."""
    if not isinstance(place, Polygon):
        return _length(place.length), ""
    long, wide = strip_mm(place)
    return _length(wide), f" over {_length(long)}"


def _gone(kind: Sign, said: str, place: Geometry, rest: Geometry) -> _Place:
    """What is gone, seen where it ends, or in its middle when none of it is left or only a chord tells it."""
    if not isinstance(place, Polygon):
        line = place if isinstance(place, LineString) else None
        return _Place(kind, f"{said}.", said, place.centroid, 2.0 * place.length, line=line)
    near = not rest.is_empty and place.distance(rest) < strip_mm(place)[0] / 2.0
    at = shapely.shortest_line(place, rest).interpolate(0.0) if near else place.representative_point()
    return _Place(kind, f"{said}.", said, at, 2.0 * strip_mm(place)[1], part=place)


def _length(length_mm: float) -> str:
    return measure(length_mm, "mm") if length_mm >= 1.0 else measure(1000.0 * length_mm, "µm")


def _not_below_zero(value: Range) -> Range:
    return value.map(lambda depth: max(depth, 0.0))


# --- magnified places --------------------------------------------------------------------------------


def _insets(
    places: list[_Place], layout: Layout, as_made: AsMade, board: Board, *, y: float
) -> tuple[list[Markup], float]:
    """Magnified places side by side, in rows; and where they end, px."""
    chosen = _worth_magnifying(places)
    if not chosen:
        return [], y
    width = (WIDTH_PX - 2 * MARGIN_PX - (INSETS_A_ROW - 1) * INSET_GAP_PX) / INSETS_A_ROW
    parts = [text(MARGIN_PX, y + 14, "Magnified", weight="700")]
    for turn, index in enumerate(chosen):
        row, column = divmod(turn, INSETS_A_ROW)
        x = MARGIN_PX + column * (width + INSET_GAP_PX)
        top = y + 24 + row * (INSET_TALL_PX + CAPTION_PX)
        parts += _inset(index + 1, places[index], layout, as_made, board, x, top, width)
    rows = -(-len(chosen) // INSETS_A_ROW)
    return parts, y + 24 + rows * (INSET_TALL_PX + CAPTION_PX)


def _worth_magnifying(places: list[_Place]) -> list[int]:
    """Indices of the places to magnify: the first of each kind, then the others as far as there is room."""
    sized = [index for index, place in enumerate(places) if place.across_mm > 0.0 or place.line is not None]
    # both narrowest places are firsts: a channel and a wall
    firsts = [
        index
        for turn, index in enumerate(sized)
        if places[index].kind is NARROWEST
        or places[index].kind not in [places[before].kind for before in sized[:turn]]
    ]
    rest = [index for index in sized if index not in firsts]
    return sorted([*firsts, *rest][:INSETS])


def _inset(
    number_of: int,
    place: _Place,
    layout: Layout,
    as_made: AsMade,
    board: Board,
    x: float,
    y: float,
    width: float,
) -> Iterator[Markup]:
    wide_mm = max(place.across_mm * SURROUNDINGS, SMALLEST_WINDOW_MM)
    scale = Scale(
        px_per_mm=width / wide_mm,
        left_mm=place.at.x - wide_mm / 2.0,
        top_mm=place.at.y + wide_mm * INSET_TALL_PX / width / 2.0,
        x_px=x,
        y_px=y,
    )
    tall_mm = INSET_TALL_PX / scale.px_per_mm
    window = box(scale.left_mm, scale.top_mm - tall_mm, scale.left_mm + wide_mm, scale.top_mm)
    yield tag("rect", x=x, y=y, width=width, height=INSET_TALL_PX, fill=CHIP_FILL)
    for layer in as_made.marks:
        area, edge = _cut(layer.geometry, window)
        yield scale.fine_path(area, fill=MARK_FILL)
        yield scale.fine_path(edge, fill="none", stroke=MARK_EDGE, stroke_width=0.8)
    yield from _made_areas(scale, layout, as_made, window)
    made_marks = {layer.layer for layer in as_made.marks}
    for drawn in layout.layers:
        if drawn.role is Role.CHANNELS or (drawn.role is Role.MARKS and drawn.name in made_marks):
            yield scale.fine_path(_cut(drawn.geometry, window)[1], **_DRAWN)
    for port in layout.ports:
        edge = port.opening.boundary.intersection(window)
        yield scale.fine_path(edge, fill="none", stroke=INK, stroke_width=1.5)
    if place.part is not None:
        yield scale.fine_path(place.part.intersection(window), **_GONE[place.kind.word])
    if place.line is not None:
        yield from _measured_line(scale, place.line)
    yield tag("rect", x=x, y=y, width=width, height=INSET_TALL_PX, fill="none", stroke=RULE, stroke_width=1.2)
    yield sign(place.kind, x + 16, y + 17, str(number_of))
    yield from _own_scale_bar(scale, wide_mm, x + 10, y + INSET_TALL_PX - 10)
    enlarged = f"{number(scale.px_per_mm / board.scale.px_per_mm, 2)} × the chip above"
    rows = wrapped(place.caption, size=12.0, width=width, lines=3)
    for row, line in enumerate(rows):
        yield text(x, y + INSET_TALL_PX + 15 + 14 * row, line, size=12.0)
    yield text(x, y + INSET_TALL_PX + 15 + 14 * len(rows), enlarged, size=11.0, fill=FAINT_INK)


def _measured_line(scale: Scale, line: LineString) -> Iterable[Markup]:
    """A line from wall to wall with a stop at either end."""
    (ax, ay), (bx, by) = ((scale.x(x), scale.y(y)) for x, y, *_ in (line.coords[0], line.coords[-1]))
    length = max(((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5, 1e-9)
    ux, uy = -(by - ay) / length * 5.0, (bx - ax) / length * 5.0
    stops = "".join(f"M{x - ux:.1f} {y - uy:.1f}L{x + ux:.1f} {y + uy:.1f}" for x, y in ((ax, ay), (bx, by)))
    path = f"M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}{stops}"
    yield tag("path", d=path, fill="none", stroke=PAPER, stroke_width=4.0)
    yield tag("path", d=path, fill="none", stroke=INK, stroke_width=1.6)


def _own_scale_bar(scale: Scale, wide_mm: float, x: float, y: float) -> Iterable[Markup]:
    length_mm = round_length(wide_mm / 4.0)
    end = x + length_mm * scale.px_per_mm
    bar = f"M{x:.1f} {y - 4:.1f}v8M{x:.1f} {y:.1f}H{end:.1f}M{end:.1f} {y - 4:.1f}v8"
    yield tag("path", d=bar, fill="none", stroke=PAPER, stroke_width=4.0)
    yield tag("path", d=bar, fill="none", stroke=INK, stroke_width=1.5)
    label = measure(length_mm, "mm") if length_mm >= 1.0 else measure(length_mm * 1000.0, "µm")
    yield text(end + 6, y + 4, label, size=11.0, halo=True)


# --- the table ---------------------------------------------------------------------------------------


def _table(
    layout: Layout, route_result: RouteResult, as_made: AsMade, *, y: float
) -> tuple[list[Markup], float]:
    """Widths and depths, drawn and made; and where they end, px."""
    summary = route_result.as_made
    drawn = least(map(measured, drawn_levels(layout).values()))
    # the narrowest of what is drawn and of what is made may be two places
    rows = [
        (f"Narrowest {what}", f"{_of_drawing(before)}; {_became(None, after) if after else 'none is left'}")
        for what, before, after in (
            ("channel", drawn.width, summary.min_width_um),
            ("wall between channels", drawn.gap, summary.min_gap_um),
        )
        if before or after
    ]
    depths = {layer.name: layer.depth_um for layer in layout.channel_layers}
    rows += [
        (f"Depth of {channel.layer}", _became(depths.get(channel.layer), _not_below_zero(channel.depth_um)))
        for channel in as_made.channels
    ]
    rows += [
        (f"Depth of {layer.layer}", _became(None, _not_below_zero(layer.depth_um))) for layer in as_made.marks
    ]
    change = summary.width_change_um
    signed = [
        f"{'+' if value > 0 else ''}{number(value)}" for value in (change.best, change.low, change.high)
    ]
    rows.append(("Width against the drawing", f"{signed[0]} µm ({signed[1]} to {signed[2]})"))
    known = {True: "printer measured", False: "printer not measured: the ranges are wide"}.get(
        as_made.calibrated  # type: ignore[arg-type]
    )
    if known:
        rows.append(("Behind the ranges", known))
    parts = [tag("line", x1=MARGIN_PX, x2=WIDTH_PX - MARGIN_PX, y1=y, y2=y, stroke=RULE)]
    top = y + 20
    for name, said in rows:
        parts.append(text(MARGIN_PX, top, wrapped(name, size=13.0, width=250, lines=1)[0], fill=FAINT_INK))
        parts.append(text(MARGIN_PX + 262, top, said))
        top += 19
    return parts, top
