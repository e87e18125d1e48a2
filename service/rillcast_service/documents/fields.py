"""Pictures of what varies along the channels: when it is exchanged, and the pressure that drives it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray
from shapely import Polygon

from rillcast_service.documents.colours import NO_VALUE, colours
from rillcast_service.documents.formats import SPACE, duration, measure, number
from rillcast_service.documents.pictures import (
    HEAD_PX,
    MARGIN_PX,
    WIDTH_PX,
    Board,
    head_of,
    size_in_words,
)
from rillcast_service.documents.svg import FAINT_INK, INK, PAPER, picture, tag, text, text_width
from rillcast_service.engine.fluidics.exchange import Exchange
from rillcast_service.engine.fluidics.hydraulics import LevelFlow
from rillcast_service.engine.fluidics.mixing import Mixing
from rillcast_service.engine.layout.grid import Grid
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.result import RouteResult

Floats = NDArray[np.float64]

#: What is smaller than this on the picture cannot be seen, but would make the file heavy.
FINEST_PX = 0.8
LEAST_COVERED = 0.4
BANDS_MAX = 9
#: Slow places that are named on the picture.
PLACES_SHOWN = 5
ARROW_PX, ARROW_EVERY_PX = 13.0, 34.0
#: No arrow where the liquid is slower than this share of the fastest.
SLOWEST_ARROW = 0.02
_S_PER_MIN = 60.0
_KPA_PER_PA = 1e-3
_PERCENT = 100.0
#: Steps of a share, %: narrow where a stream is nearly pure, and in the middle where it is nearly mixed.
_SHARES = (2.0, 10.0, 25.0, 45.0, 55.0, 75.0, 90.0, 98.0)
_MM_PER_S = 1e3


@dataclass(frozen=True, slots=True)
class _Bands:
    """Steps of a value: their lower edges after the first, and a word for each step."""

    edges: tuple[float, ...]
    words: tuple[str, ...]

    def colours(self) -> list[str]:
        """The highest step is the darkest."""
        return colours(len(self.words), dark_first=False)


def exchange_picture(
    layout: Layout,
    outline: Polygon | None,
    route_result: RouteResult,
    levels: Sequence[LevelFlow],
    exchange: Exchange,
) -> str:
    """When the liquid at each place is 95 % fresh, in steps of time, with the slowest places named.

    Args:
        layout: as drawn; coordinates in mm, y up.
        outline: the chip's edge, mm; None when there is none.
        route_result: the route's answer, of which its title is shown.
        levels: the flow of each level, on whose grid the times are known.
        exchange: the times.

    Returns:
        An SVG document.
    """
    board = Board.of(layout, outline, top=HEAD_PX)
    values = [times.t95_s for times in exchange.levels]
    bands = _time_bands(values)
    slow = exchange.slowest[:PLACES_SHOWN]
    named = [_named(board, place.at.x, place.at.y, _seconds(place.t95_s)) for place in slow]
    said = "; ".join(
        f"{_seconds(place.t95_s)} at ({number(place.at.x)}, {number(place.at.y)}) mm" for place in slow
    )
    return _field_picture(
        board,
        route_result,
        levels,
        values,
        bands,
        missing=exchange.unreached_m3 > 0.0,
        marks=[mark for pair in named for mark in pair],
        caption=(
            "Time after a switch to fresh liquid at all inlets until a place is 95 % fresh. What rings an "
            "open port goes with its hole."
        ),
        title="exchange time",
        summary=f"Every place is 95 % fresh after {_seconds(exchange.t95_s)}. Slowest: {said}.",
    )


def mixing_picture(
    layout: Layout,
    outline: Polygon | None,
    route_result: RouteResult,
    levels: Sequence[LevelFlow],
    mixing: Mixing,
) -> str:
    """Where the first inlet's liquid runs, and how it fades into what runs beside it.

    Args:
        layout: as drawn; coordinates in mm, y up.
        outline: the chip's edge, mm; None when there is none.
        route_result: the route's answer, of which title and mixed places are shown.
        levels: the flow of each level.
        mixing: the liquids.

    Returns:
        An SVG document.
    """
    first = mixing.inlets[0]
    name = mixing.hydraulics.ports[first].name
    values = [_PERCENT * own for own in mixing.on_cells(first)]
    bands = _Bands(_SHARES, tuple(f"{low:g}–{high:g}{SPACE}%" for low, high in pairwise((0, *_SHARES, 100))))
    places = route_result.fluidics.mixing if route_result.fluidics else ()
    said = "; ".join(
        f"{place.place}: {number(_PERCENT * place.mixed_fraction)}{SPACE}% mixed"
        for place in places
        if place.mixed_fraction is not None
    )
    return _field_picture(
        Board.of(layout, outline, top=HEAD_PX),
        route_result,
        levels,
        values,
        bands,
        missing=any(np.isnan(own).any() for own in values),
        marks=(),
        caption=f"Share of the liquid from {name} at the asked flow, by the mean over the depth.",
        title="mixing",
        summary=f"{said}.",
    )


def pressure_picture(
    layout: Layout, outline: Polygon | None, route_result: RouteResult, levels: Sequence[LevelFlow]
) -> str:
    """Pressure in even steps, with arrows where the liquid goes and how fast it is at most.

    Args:
        layout: as drawn; coordinates in mm, y up.
        outline: the chip's edge, mm; None when there is none.
        route_result: the route's answer, of which its title is shown.
        levels: the flow of each level.

    Returns:
        An SVG document.
    """
    board = Board.of(layout, outline, top=HEAD_PX)
    values = [level.pressure_pa * _KPA_PER_PA for level in levels]
    fastest = max(float(level.speed_m_per_s.max(initial=0.0)) for level in levels)
    known = np.concatenate([own[np.isfinite(own)] for own in values])
    highest = float(known.max(initial=0.0))
    lowest = float(known.min(initial=highest))
    return _field_picture(
        board,
        route_result,
        levels,
        values,
        _even_bands(known),
        missing=any(np.isnan(own).any() for own in values),
        marks=[arrow for level in levels for arrow in _arrows(board, level, fastest)],
        caption=(
            "Pressure at the asked flow. Arrows show where the liquid goes; the fastest runs "
            f"{measure(fastest * _MM_PER_S, 'mm/s')}."
        ),
        title="pressure and direction of flow",
        summary=f"{measure(lowest, 'kPa')} to {measure(highest, 'kPa')}.",
    )


def _field_picture(
    board: Board,
    route_result: RouteResult,
    levels: Sequence[LevelFlow],
    values: Sequence[Floats],
    bands: _Bands,
    *,
    missing: bool,
    marks: Sequence[Markup],
    caption: str,
    title: str,
    summary: str,
) -> str:
    key = [(word, {"fill": fill}) for word, fill in zip(bands.words, bands.colours(), strict=True)]
    if missing:
        key.append(("no flow", {"fill": NO_VALUE}))
    legend, height = _legend(key, y=board.bottom + 14)
    parts = [
        head_of(route_result.title, f"{board.layout.name or 'Layout'}, {size_in_words(board)}: {title}"),
        *_backdrop(board),
        # from the lowest level up, so that what is next to the lid lies on top
        *(
            part
            for level, own in sorted(zip(levels, values, strict=True), key=lambda pair: -pair[0].level)
            for part in _banded(board, level.fitted.grid, own, bands)
        ),
        *(
            board.scale.path(layer.geometry, fill="none", stroke=FAINT_INK, stroke_width=0.6)
            for layer in board.layout.channel_layers
        ),
        *board.ports(),
        *board.port_labels(),
        *marks,
        *board.foot(caption, key=()),
        *legend,
    ]
    return picture(
        WIDTH_PX,
        board.bottom + height + 14,
        parts,
        title=f"{route_result.title}: {title}",
        core=(board.top + MARGIN_PX - 18, board.bottom + height + 10),
        summary=summary,
    )


def _backdrop(board: Board) -> Iterator[Markup]:
    if board.outline is not None:
        yield board.scale.path(board.outline, fill=PAPER, stroke=FAINT_INK, stroke_width=1.2)


def _banded(board: Board, grid: Grid, values: Floats, bands: _Bands) -> Iterator[Markup]:
    """Cells by step: blocks of cells no finer than can be seen, runs of them within a row as one box."""
    cell_px = grid.pitch_mm * board.scale.px_per_mm
    size = max(1, math.ceil(FINEST_PX / cell_px))
    wide = grid.columns // size + 1
    block, where = np.unique(grid.row // size * wide + grid.column // size, return_inverse=True)
    known = np.isfinite(values)
    count = np.bincount(where[known], minlength=len(block))
    total = np.bincount(where[known], weights=values[known], minlength=len(block))
    step = np.where(count > 0, np.digitize(total / np.maximum(count, 1), bands.edges), len(bands.words))
    # blocks that lie mostly in the wall would make the channels look wide
    covered = np.bincount(where, weights=grid.coverage) >= LEAST_COVERED * size**2
    block, step = block[covered], step[covered]
    fills = [*bands.colours(), NO_VALUE]
    starts = np.flatnonzero((np.diff(block, prepend=block[0] - 2) != 1) | (np.diff(step, prepend=-1) != 0))
    starts = np.union1d(starts, np.flatnonzero(block % wide == 0))
    lengths = np.diff(np.append(starts, len(block)))
    x, y = board.scale.x(grid.origin_mm[0]), board.scale.y(grid.origin_mm[1])
    across = size * cell_px
    for index, fill in enumerate(fills):
        own = step[starts] == index
        column, row = block[starts][own] % wide, block[starts][own] // wide
        runs = zip(column.tolist(), row.tolist(), lengths[own].tolist(), strict=True)
        if data := "".join(f"M{at} {up}h{long}v1h-{long}z" for at, up, long in runs):
            yield tag(
                "path",
                d=data,
                fill=fill,
                transform=f"matrix({across:.5f} 0 0 {-across:.5f} {x:.3f} {y:.3f})",
                shape_rendering="crispEdges",
            )


def _arrows(board: Board, level: LevelFlow, fastest: float) -> Iterator[Markup]:
    """Arrows on an even lattice, each at the fastest cell near it."""
    grid = level.fitted.grid
    a, b = grid.face.T
    drop = np.nan_to_num(level.pressure_pa[a] - level.pressure_pa[b])
    along = [
        np.bincount(a[axis], weights=drop[axis], minlength=len(grid.cell))
        + np.bincount(b[axis], weights=drop[axis], minlength=len(grid.cell))
        for axis in (grid.upright, ~grid.upright)
    ]
    place = np.floor(grid.centre_mm * board.scale.px_per_mm / ARROW_EVERY_PX).astype(np.int64)
    tile = (place[:, 1] - place[:, 1].min()) * (np.ptp(place[:, 0]) + 1) + place[:, 0] - place[:, 0].min()
    order = np.lexsort((-level.speed_m_per_s, tile))
    first = order[np.flatnonzero(np.diff(tile[order], prepend=-1))]
    for cell in first[level.speed_m_per_s[first] >= SLOWEST_ARROW * fastest].tolist():
        size = math.hypot(along[0][cell], along[1][cell])
        if size == 0.0:
            continue
        dx, dy = along[0][cell] / size, -along[1][cell] / size
        x, y = (
            to(value) for to, value in zip((board.scale.x, board.scale.y), grid.centre_mm[cell], strict=True)
        )
        tip_x, tip_y = x + dx * ARROW_PX / 2, y + dy * ARROW_PX / 2
        back = ARROW_PX * 0.38
        left, right = (
            f"{tip_x - back * (dx * math.cos(turn) - dy * math.sin(turn)):.1f} "
            f"{tip_y - back * (dy * math.cos(turn) + dx * math.sin(turn)):.1f}"
            for turn in (0.5, -0.5)
        )
        tip = f"{tip_x:.1f} {tip_y:.1f}"
        line = f"M{x - dx * ARROW_PX / 2:.1f} {y - dy * ARROW_PX / 2:.1f}L{tip}M{left}L{tip}L{right}"
        for stroke, width in ((PAPER, 3.4), (INK, 1.3)):
            yield tag("path", d=line, fill="none", stroke=stroke, stroke_width=width, stroke_linecap="round")


def _named(board: Board, x_mm: float, y_mm: float, words: str) -> list[Markup]:
    x, y = board.scale.x(x_mm), board.scale.y(y_mm)
    at_x, at_y = board.placer.place(x, y, text_width(words, 13.0), 15.0)
    return [
        tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=PAPER, stroke_width=3.4),
        tag("line", x1=x, y1=y, x2=at_x, y2=at_y, stroke=INK, stroke_width=1.2),
        tag("circle", cx=x, cy=y, r=4.5, fill="none", stroke=PAPER, stroke_width=4.0),
        tag("circle", cx=x, cy=y, r=4.5, fill="none", stroke=INK, stroke_width=1.6),
        text(at_x, at_y + 4.5, words, weight="600", anchor="middle", halo=True),
    ]


def _legend(key: Sequence[tuple[str, dict[str, str]]], *, y: float) -> tuple[list[Markup], float]:
    """Swatches side by side, touching, with the word of each below."""
    wide = min((WIDTH_PX - 2 * MARGIN_PX) / len(key), 110.0)
    parts = []
    for index, (word, look) in enumerate(key):
        x = MARGIN_PX + index * wide
        parts.append(tag("rect", x=x, y=y, width=wide, height=14, stroke=FAINT_INK, stroke_width=0.6, **look))
        parts.append(text(x + wide / 2, y + 30, word, size=12.0, anchor="middle"))
    return parts, 44.0


def _time_bands(values: Sequence[Floats]) -> _Bands:
    """Steps of time at numbers that one says, as many as there are colours."""
    known = np.concatenate([own[np.isfinite(own) & (own > 0.0)] for own in values])
    low, high = float(np.quantile(known, 0.05)), float(known.max())
    edges = [m * unit for unit in (1e-2, 1e-1, 1.0) for m in (1.0, 2.0, 5.0)]
    edges += [m * unit for unit in (1.0, 60.0) for m in (10.0, 20.0, 30.0, 60.0, 120.0, 300.0)]
    edges += [m * 3600.0 for m in (5.0, 10.0, 24.0, 72.0, 240.0, 720.0, 2400.0, 7200.0, 24000.0)]
    seen = [edge for edge in sorted(set(edges)) if low < edge < high]
    return _bands(seen[:: math.ceil(len(seen) / (BANDS_MAX - 1)) or 1], _seconds)


def _even_bands(known: Floats) -> _Bands:
    low, high = float(known.min(initial=0.0)), float(known.max(initial=0.0))
    step = (high - low) / (BANDS_MAX - 1) or 1.0
    power = 10.0 ** math.floor(math.log10(step))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= step)
    edges = [k * step for k in range(math.floor(low / step) + 1, math.ceil(high / step))]
    return _bands(edges, lambda value: measure(value, "kPa"))


def _bands(edges: Sequence[float], words: Callable[[float], str]) -> _Bands:
    if not edges:
        return _Bands((), ("everywhere alike",))
    middle = [f"to {words(high)}" for high in edges[1:]]
    return _Bands(tuple(edges), (f"up to {words(edges[0])}", *middle, f"over {words(edges[-1])}"))


def _seconds(value: float) -> str:
    return duration(value / _S_PER_MIN) if value >= 2 * _S_PER_MIN else f"{number(value, 2)}{SPACE}s"
