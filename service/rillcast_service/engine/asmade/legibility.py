"""What can still be read of labels and codes once they are made."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon, Polygon
from shapely.affinity import rotate, scale

from rillcast_service.engine.asmade.codes import Code, find_codes, grouped, read_back
from rillcast_service.engine.asmade.model import AsMade, MadeMarks
from rillcast_service.engine.asmade.tolerances import made_range
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.measure import measure
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import CodeState, MarkState
from rillcast_service.engine.shapes import offset, polygons

#: Letters of one word lie closer together than this part of their height.
_LETTER_SPACING = 0.35
#: A bar, a dot or an arrow fills this part of its hull; a row of them is no text.
_PLAIN = 0.95
#: Writing this close to an axis runs along it: letters of unlike heights tilt the line through their middles.
_SNAP_DEG = 20.0

#: A quiet zone drawn to the standard may be short of it by rounding.
_ROUNDING = 1e-3

Make = Callable[[MultiPolygon], tuple[Job, AsMade]]


@dataclass(frozen=True, slots=True)
class ReadCode:
    """A drawn code and what becomes of it.

    Args:
        layer: name of its layer; code: as drawn.
        best: whether the best estimate of what is made reads the same.
        worst: whether both ends of the range of its widths do.
        free_mm: from the code to whatever else is drawn around it, or the chip's edge; inf where nothing is
            within its quiet zone.
    """

    layer: str
    code: Code
    best: bool
    worst: bool
    free_mm: float = math.inf


@dataclass(frozen=True, slots=True)
class Writing:
    """Some letters in a row.

    Args:
        height_mm: of the tallest of them, across the direction of writing.
        outline: the box around them, mm.
    """

    height_mm: float
    outline: Polygon


def mark_states(job: Job, as_made: AsMade) -> tuple[MarkState, ...]:
    """Every layer of marks as it comes out, in numbers.

    Args:
        job: gives the drawn marks; as_made: what a build variant makes of them.

    Returns:
        In the order of the layers.
    """
    drawn = {layer.name: layer.geometry for layer in job.layout.mark_layers}
    change = as_made.width_change_um

    def stroke_um(marks: MadeMarks) -> Range | None:
        shapes = drawn[marks.layer]
        made = measure(without_codes(marks.geometry, drawn=shapes)).width
        return made_range(made, measure(without_codes(shapes)).width, change)

    return tuple(MarkState(marks.layer, marks.depth_um, stroke_um(marks)) for marks in as_made.marks)


def code_states(job: Job, as_made: AsMade) -> tuple[CodeState, ...]:
    """Every code among the drawn marks and what becomes of it, in numbers.

    Args:
        job, as_made: as in `read_codes`.

    Returns:
        In the order of `read_codes`.
    """
    return tuple(
        CodeState(
            format=read.code.format,
            text=read.code.text,
            columns=read.code.columns,
            rows=read.code.rows,
            module_um=round(read.code.module_mm * 1e3, 3),
            x_mm=round(read.code.outline.centroid.x, 6),
            y_mm=round(read.code.outline.centroid.y, 6),
            read=read.best,
            read_at_worst=read.worst,
            mirrored=read.code.mirrored,
            inverted=read.code.inverted,
        )
        for read in read_codes(job, as_made)
    )


def read_codes(job: Job, as_made: AsMade) -> tuple[ReadCode, ...]:
    """Every code among the drawn marks, read again from what a build variant makes of it.

    The drawing is what is seen from the asked side, so the made marks are looked at as they lie in it.

    Args:
        job: gives drawn marks, ports and the chip's edge.
        as_made: what the variant gives.

    Returns:
        In the order of the layers, from left to right.
    """
    made = {marks.layer for marks in as_made.marks}
    return tuple(
        replace(_again(job, as_made, layer.name, code), free_mm=_free_mm(job, layer, code))
        for layer in job.layout.mark_layers
        if layer.name in made
        for code in find_codes(layer.geometry)
    )


def enlarged(code: Code, layer: Layer, make: Make, *, step: float, most: float) -> float | None:
    """How much larger a code has to be drawn to be read at both ends of the range of what is made.

    Args:
        code: as drawn; layer: the marks that it is drawn among.
        make: marks → a job with them as its only layer, and what is made of them.
        step: factor from one size tried to the next; most: the largest factor tried.

    Returns:
        The first factor that reads; None where none does.
    """
    alone = polygons(layer.geometry.intersection(code.window))
    middle = code.outline.centroid
    for power in range(1, math.floor(math.log(most) / math.log(step)) + 1):
        factor = step**power
        larger = replace(code, outline=scale(code.outline, factor, factor, origin=middle))
        job, as_made = make(scale(alone, factor, factor, origin=middle))
        read = _again(job, as_made, layer.name, larger, alone=True)
        if read.best and read.worst:
            return factor
    return None


def without_codes(marks: MultiPolygon, *, drawn: MultiPolygon | None = None) -> MultiPolygon:
    """Marks that are no code: their widths are those of strokes, not of modules.

    Args:
        marks: mm; drawn: what they were made of, where they are as made.

    Returns:
        The shapes that lie outside all codes as drawn.
    """
    codes = shapely.union_all([code.outline for code in find_codes(marks if drawn is None else drawn)])
    if codes.is_empty:
        return marks
    parts = np.array(marks.geoms, dtype=object)
    return MultiPolygon(parts[~shapely.intersects(parts, codes)].tolist())


def writing(marks: MultiPolygon) -> tuple[Writing, ...]:
    """Rows of letters among marks that hold no codes.

    Args:
        marks: as drawn, mm.

    Returns:
        One for each group of two or more shapes close together, at least half of them no plain bars or dots.
    """
    parts = np.array(marks.geoms, dtype=object)
    if len(parts) < 2:
        return ()
    bounds = shapely.bounds(parts)
    reach = _LETTER_SPACING * (bounds[:, 2:] - bounds[:, :2]).max(axis=1)
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=reach)
    near = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(parts), len(parts)))
    labels = connected_components(near, directed=False)[1]
    bent = shapely.area(parts) < _PLAIN * shapely.area(shapely.convex_hull(parts))
    counts, bent_ones = np.bincount(labels), np.bincount(labels, bent)
    return tuple(
        _row(group.tolist())
        for group, count, among in zip(grouped(parts, labels), counts, bent_ones, strict=True)
        if count >= 2 and 2 * among >= count
    )


def _row(letters: list[Polygon]) -> Writing:
    middles = np.array([letter.centroid.coords[0] for letter in letters])
    middles -= middles.mean(axis=0)
    along = np.linalg.svd(middles, full_matrices=False)[2][0]
    angle = math.degrees(math.atan2(along[1], along[0]))
    axis = 90.0 * round(angle / 90.0)
    angle = axis if abs(angle - axis) <= _SNAP_DEG else angle
    level = [rotate(letter, -angle, origin=(0.0, 0.0)).bounds for letter in letters]
    return Writing(
        height_mm=max(y1 - y0 for _, y0, _, y1 in level),
        outline=shapely.box(*shapely.total_bounds(letters)),
    )


def _again(job: Job, as_made: AsMade, layer: str, code: Code, *, alone: bool = False) -> ReadCode:
    marks = next((marks.geometry for marks in as_made.marks if marks.layer == layer), MultiPolygon())
    around = MultiPolygon() if alone else _around(job, as_made, layer, code)
    drawn = next(item.geometry for item in job.layout.mark_layers if item.name == layer)
    change = as_made.width_change_um
    # what can move into the window, and no more of the marks
    reach_mm = max(abs(change.low), abs(change.high)) / 1000.0
    near = polygons(drawn.intersection(code.window.buffer(reach_mm, join_style="mitre")))

    def reads(geometry: MultiPolygon) -> bool:
        return read_back(code, polygons(geometry.intersection(code.window)), around) is not None

    def reads_at(change_um: float) -> bool:
        # from the drawing, as the range holds the raster's doubt; half the change of a width at either edge
        return reads(offset(near, change_um / 2000.0))

    best = reads(marks)
    return ReadCode(
        layer=layer,
        code=code,
        best=best,
        worst=best and reads_at(change.low) and reads_at(change.high),
    )


def _free_mm(job: Job, layer: Layer, code: Code) -> float:
    """How far the quiet zone of a code is free as drawn, up to its full width; a light one brings its own."""
    if code.inverted:
        return math.inf
    drawn = [
        *(other.geometry for other in job.layout.channel_layers),
        *(port.opening for port in job.layout.ports),
        *(other.geometry for other in job.layout.mark_layers if other is not layer),
        without_codes(layer.geometry),
        job.chip.outline.exterior,
    ]
    nearest = min(float(shapely.distance(code.outline, shape)) for shape in drawn if not shape.is_empty)
    return nearest if nearest < code.quiet_mm * (1.0 - _ROUNDING) else math.inf


def _around(job: Job, as_made: AsMade, layer: str, code: Code) -> MultiPolygon:
    """What else is seen in the window of a code: channels, ports, other marks, what lies beyond the edge."""
    window = code.window
    others = [
        *(channel.geometry for channel in as_made.channels),
        *(port.opening for port in job.layout.ports),
        *(marks.geometry for marks in as_made.marks if marks.layer != layer),
    ]
    near = [shape.intersection(window) for shape in others if shape.intersects(window)]
    return polygons(shapely.union_all([*near, window.difference(job.chip.outline)]))
