"""Marks that are too fine to be read: strokes are widened, writing and codes enlarged about their middle.

What has no room where it stands stays, and the answer tells how much it takes and where so much is free.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, MultiPolygon, Point, Polygon
from shapely.affinity import scale

from rillcast_service.engine.asmade.codes import Code, find_codes
from rillcast_service.engine.asmade.legibility import read_codes, without_codes, writing
from rillcast_service.engine.checks.limits import least_size_um
from rillcast_service.engine.checks.marks import code_scale
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.checks.words import mm, um
from rillcast_service.engine.corrections.ground import MARKS_LEVEL, Ground
from rillcast_service.engine.corrections.model import Change, Decision
from rillcast_service.engine.corrections.needs import ROUNDING_UM
from rillcast_service.engine.corrections.neighbours import Neighbours
from rillcast_service.engine.corrections.spans import Task, mend_spans
from rillcast_service.engine.layout.measure import narrow_gaps, narrow_spans
from rillcast_service.engine.shapes import polygons

#: Strokes that touch are drawn so.
_TOUCHING_UM = 1.0
#: What is nearer to writing than this part of its height, and no larger than so many heights, grows with it.
_ONE_BLOCK, _NO_LARGER = 0.5, 2.0
#: A free place is looked for in so many columns and rows of the chip; the largest in so many halvings.
_PLACES, _HALVINGS = 48, 7
#: Sizes are reached with the rounding of doubles to spare.
_SPARE = 1.0 + 1e-6
#: Modules at the edge of a code reach over its outline by less than this part of a module.
_WITHIN = 0.25


@dataclass(frozen=True, slots=True)
class Sheet:
    """A layer of marks and everything that stands around them.

    Args:
        layer: its name; marks: on it, mm.
        others: channels, ports and other layers of marks, mm.
        around: the chip's edge, what the route needs, and what is barred.
        apart_mm: what is enlarged keeps this distance.
    """

    layer: str
    marks: MultiPolygon
    others: Geometry
    around: Neighbours
    apart_mm: float


@dataclass(frozen=True, slots=True)
class Block:
    """Some marks that are enlarged together.

    Args:
        rule: id of the rule that objects; thing: what it is, in words.
        parts: which polygons of the layer.
        frame: what must be free around them, mm.
        factor: how much larger.
        measured, needed: sizes that the rule looks at, in `unit`.
        size: the measured one in words.
        more: further ways out.
    """

    rule: str
    thing: str
    parts: NDArray[np.bool_]
    frame: Polygon
    factor: float
    measured: float
    needed: float
    size: Callable[[float], str]
    more: tuple[str, ...] = ()
    unit: str = "µm"

    @property
    def larger(self) -> Polygon:
        """The frame as it will be, mm."""
        return scaled(self.frame, self.factor, self.frame.centroid)


@dataclass(frozen=True, slots=True)
class Rewritten:
    """A layer of marks with what was enlarged or widened on it, what changed, and what is left."""

    marks: MultiPolygon
    changes: tuple[Change, ...] = ()
    decisions: tuple[Decision, ...] = ()


def scaled(shape: Geometry, factor: float, middle: Point) -> Geometry:
    """A shape made larger about a point.

    Args:
        shape: mm; factor: how much larger; middle: what stays where it is.

    Returns:
        The larger shape.
    """
    return scale(shape, factor, factor, origin=middle)


def enlarge_writing(sheet: Sheet) -> Rewritten:
    """Enlarge writing that is too small to be read.

    Args:
        sheet: the layer of marks; its needs tell how tall letters should be.

    Returns:
        The layer, changes, and a decision for each block of rows that has no room.
    """
    needed_mm = sheet.around.needs.letter_mm
    if needed_mm is None:
        return Rewritten(sheet.marks)
    strokes = without_codes(sheet.marks)
    rows = [row for row in writing(strokes) if round(row.height_mm * 1e3) < needed_mm * 1e3]
    if not rows:
        return Rewritten(sheet.marks)
    blocks = []
    taken: Geometry = Polygon()
    for row in sorted(rows, key=lambda row: row.height_mm):
        if row.outline.intersects(taken):
            continue
        parts = _together(sheet.marks, strokes, row.outline, row.height_mm)
        frame = _hull(sheet.marks, parts)
        taken = taken.union(frame)
        blocks.append(
            Block(
                rule="mark_height",
                thing="writing",
                parts=parts,
                frame=frame,
                factor=needed_mm / row.height_mm,
                measured=round(row.height_mm * 1e3, 1),
                needed=needed_mm * 1e3,
                size=lambda value: f"letters of {mm(value / 1e3)}",
                more=("Shorten it, or read it under a lens.",),
            )
        )
    return enlarge(sheet, blocks)


def mend_strokes(sheet: Sheet) -> Rewritten:
    """Widen strokes and the spaces between them; where that has no room, enlarge the writing as it was drawn.

    Args:
        sheet: the layer of marks; its needs tell how wide strokes should be.

    Returns:
        The layer, changes, and a decision for each group of marks that stays as it is.
    """
    limit = sheet.around.needs.stroke_um
    strokes = without_codes(sheet.marks)
    if limit is None or strokes.is_empty:
        return Rewritten(sheet.marks)
    changes: list[Change] = []
    decisions: list[Decision] = []
    for group in _groups(strokes, limit):
        least = _least_um(group, limit)
        if least is None:
            continue
        every = np.array(sheet.marks.geoms, dtype=object)
        parts = shapely.intersects(every, group) & shapely.intersects(every, strokes)
        widened = _widened(sheet, parts, group, limit)
        if widened is None:
            low, high = np.array(group.bounds).reshape(2, 2)
            block_parts = _together(sheet.marks, strokes, group, float((high - low).min()))
            block = Block(
                rule="mark_stroke",
                thing="writing" if len(group.geoms) > 1 else "mark",
                parts=block_parts,
                frame=_hull(sheet.marks, block_parts),
                factor=_SPARE * limit / least,
                measured=round(least, 3),
                needed=limit,
                size=lambda value: f"a narrowest stroke or space of {um(value)}",
            )
            done = enlarge(sheet, [block])
        else:
            beside = float(shapely.area(every[~parts]).sum())
            told = [
                replace(
                    change,
                    area_before_mm2=round(change.area_before_mm2 + beside, 6),
                    area_after_mm2=round(change.area_after_mm2 + beside, 6),
                )
                for change in widened.changes
            ]
            done = Rewritten(MultiPolygon([*every[~parts], *widened.marks.geoms]), tuple(told))
        changes += done.changes
        decisions += done.decisions
        sheet = replace(sheet, marks=done.marks)
        strokes = without_codes(sheet.marks)
    return Rewritten(sheet.marks, tuple(changes), tuple(decisions))


def _groups(strokes: MultiPolygon, limit_um: float) -> list[MultiPolygon]:
    """Marks that have to do with one another: rows of writing, and what lies closer together than it may."""
    reach = [part.buffer(limit_um / 2e3) for part in strokes.geoms]
    rows = [row.outline.buffer(_ONE_BLOCK * row.height_mm) for row in writing(strokes)]
    areas = polygons(shapely.union_all([*reach, *rows]))
    every = np.array(strokes.geoms, dtype=object)
    return [MultiPolygon(every[shapely.intersects(every, area)].tolist()) for area in areas.geoms]


def _least_um(group: MultiPolygon, limit_um: float) -> float | None:
    """The narrowest stroke or space below a limit."""
    gaps = [gap for gap in narrow_gaps(group, below_um=limit_um) if gap.length_um > _TOUCHING_UM]
    found = [span.length_um for span in (*narrow_spans(group, below_um=limit_um), *gaps)]
    return min((length for length in found if length < limit_um - ROUNDING_UM), default=None)


def _widened(
    sheet: Sheet, parts: NDArray[np.bool_], group: MultiPolygon, limit_um: float
) -> Rewritten | None:
    """Some marks with all their strokes and spaces wide enough; None where that does not come out."""
    windows = [code.window for code in find_codes(sheet.marks)]
    others = np.array(sheet.marks.geoms, dtype=object)[~parts]
    needs = replace(
        sheet.around.needs, width_um=limit_um, gap_um=limit_um, land_mm=None, port_to_channel_mm=None
    )
    clear_of = shapely.union_all([sheet.others, *windows, *others])
    around = replace(sheet.around, needs=needs, ports=(), clear_of=clear_of)
    changes: list[Change] = []
    for task in (
        Task("mark_stroke", "stroke", "strokes", limit_um, gaps=False),
        Task("mark_stroke", "space", "strokes", limit_um, gaps=True, above_um=_TOUCHING_UM),
    ):
        ground = Ground(MARKS_LEVEL, group)
        passed = mend_spans(ground, around, task)
        if passed.decisions:
            return None
        changes += passed.changes
        for patch in ground.patches:
            group = patch.applied(group)
    return Rewritten(group, tuple(changes)) if _least_um(group, limit_um) is None else None


def legible_codes(sheet: Sheet, cases: Sequence[Case]) -> Rewritten:
    """Enlarge codes until a decoder reads them from what every build variant makes of them.

    Args:
        sheet: their layer.
        cases: the build variants, of the drawing as it is by now.

    Returns:
        The layer, changes, and a decision for each code that stays. One that no size makes legible, or
        that only lacks its quiet zone, is left to the review's own remedy.
    """
    factors: dict[Code, float] = {}
    for case in cases:
        limit = least_size_um(case, "code_legible")
        for read in read_codes(case.job, case.as_made) if limit is not None else ():
            assert limit is not None
            small = round(read.code.module_mm * 1e3, 1) < limit.value.best
            if read.layer != sheet.layer or (read.best and read.worst and not small):
                continue
            factor = code_scale(case, read, limit)
            if factor is not None and factor > 1.0:
                factors[read.code] = max(factor, factors.get(read.code, 1.0))
    return enlarge(sheet, [_code_block(sheet, code, factor) for code, factor in factors.items()])


def _code_block(sheet: Sheet, code: Code, factor: float) -> Block:
    """A code that is to be enlarged, with its quiet zone as its frame."""
    inner = code.outline.buffer(-_WITHIN * code.module_mm)
    module_um = code.module_mm * 1e3
    return Block(
        rule="code_legible",
        thing=f"{code.format} that reads {code.text!r}",
        parts=shapely.intersects(np.array(sheet.marks.geoms, dtype=object), inner),
        frame=code.window,
        factor=factor * _SPARE,
        measured=round(module_um, 1),
        needed=round(module_um * factor, 1),
        size=lambda value: f"modules of {um(value)}",
        more=("Shorten the text so that it needs fewer modules.",),
    )


def enlarge(sheet: Sheet, blocks: Sequence[Block]) -> Rewritten:
    """Enlarge some marks about their middles, each if it has room.

    Args:
        sheet: the layer.
        blocks: what grows, and by how much.

    Returns:
        The layer, changes, and a decision for each block that has no room.
    """
    parts = np.array(sheet.marks.geoms, dtype=object)
    changes: list[Change] = []
    decisions: list[Decision] = []
    for block in blocks:
        others = shapely.union_all([sheet.others, *parts[~block.parts]])
        windows = [
            code.window
            for code in find_codes(sheet.marks)
            if not code.window.intersects(block.frame.centroid)
        ]
        blocked = shapely.union_all([others, *windows])
        middle, larger = block.frame.centroid, block.larger
        room = sheet.around.outline.buffer(-sheet.apart_mm)
        free = shapely.covers(room, larger) and shapely.distance(blocked, larger) >= sheet.apart_mm
        old = shapely.union_all(parts[block.parts])
        new = scaled(old, block.factor, middle)
        changed = shapely.symmetric_difference(old, new)
        against = list(sheet.around.against(changed))
        if not free or against:
            reasons = "; it " + " and ".join(one.what for one in against) if against else ""
            decisions.append(_no_room(sheet, block, blocked, reasons))
            continue
        area = float(shapely.area(parts).sum())
        parts[block.parts] = [scaled(part, block.factor, middle) for part in parts[block.parts]]
        changes.append(
            Change(
                rule=block.rule,
                what=(
                    f"{block.thing[0].upper()}{block.thing[1:]} enlarged {block.factor:.2f} times, from "
                    f"{block.size(block.measured)} to {block.size(block.needed)}"
                ),
                level=None,
                x_mm=round(middle.x, 6),
                y_mm=round(middle.y, 6),
                measured_before=block.measured,
                measured_after=block.needed,
                unit=block.unit,
                area_before_mm2=round(area, 6),
                area_after_mm2=round(float(shapely.area(parts).sum()), 6),
                where=changed,
            )
        )
    marks = MultiPolygon(parts.tolist()) if changes else sheet.marks
    return Rewritten(marks, tuple(changes), tuple(decisions))


def _no_room(sheet: Sheet, block: Block, blocked: Geometry, reasons: str) -> Decision:
    x0, y0, x1, y1 = block.larger.bounds
    width, height = x1 - x0, y1 - y0
    middle = block.frame.centroid
    place = free_place(sheet, blocked, width, height, near=middle)
    options = []
    if place is not None:
        options.append(
            f"Move its middle to ({place.x:.2f}, {place.y:.2f}) mm, the nearest place found with "
            f"{mm(width)} × {mm(height)} free, and enlarge it {block.factor:.2f} times there."
        )
    else:
        largest = largest_place(sheet, blocked, width, height, near=middle)
        if largest is not None:
            share, at = largest
            options.append(
                f"The largest free place of its shape is {mm(width * share)} × {mm(height * share)}, about "
                f"({at.x:.2f}, {at.y:.2f}) mm: {block.size(block.needed * share)}."
            )
        options.append("Draw a larger outline, or move the channels.")
    return Decision(
        rule=block.rule,
        question=(
            f"The {block.thing} has {block.size(block.measured)} and should have "
            f"{block.size(block.needed)}. "
            f"Enlarged {block.factor:.2f} times it takes {mm(width)} × {mm(height)}, which are not free "
            f"where it stands{reasons}. What gives way?"
        ),
        options=(*options, *block.more, "Leave it, or put it on a label."),
        x_mm=round(middle.x, 6),
        y_mm=round(middle.y, 6),
        measured=block.measured,
        needed=round(block.needed, 1),
        unit=block.unit,
        where=block.frame,
    )


def free_place(
    sheet: Sheet, blocked: Geometry, width_mm: float, height_mm: float, *, near: Point
) -> Point | None:
    """The place nearest to a point where a box has room.

    Args:
        sheet: tells the chip's edge, and how far apart things stay.
        blocked: what is there already, mm.
        width_mm, height_mm: of the box.
        near: mm.

    Returns:
        The middle of the box, mm, of those looked at; None where none has room.
    """
    x0, y0, x1, y1 = sheet.around.outline.bounds
    reach_x, reach_y = width_mm / 2.0 + sheet.apart_mm, height_mm / 2.0 + sheet.apart_mm
    if x1 - x0 < 2.0 * reach_x or y1 - y0 < 2.0 * reach_y:
        return None
    x, y = np.meshgrid(
        np.linspace(x0 + reach_x, x1 - reach_x, _PLACES), np.linspace(y0 + reach_y, y1 - reach_y, _PLACES)
    )
    boxes = shapely.box(x - reach_x, y - reach_y, x + reach_x, y + reach_y)
    outline = sheet.around.outline
    shapely.prepare([outline, blocked])
    free = shapely.covers(outline, boxes) & ~shapely.intersects(blocked, boxes)
    if not free.any():
        return None
    far = np.hypot(x - near.x, y - near.y)[free]
    nearest = int(np.argmin(far))
    return Point(x[free][nearest], y[free][nearest])


def largest_place(
    sheet: Sheet, blocked: Geometry, width_mm: float, height_mm: float, *, near: Point
) -> tuple[float, Point] | None:
    """The largest free place of a box's shape.

    Args:
        sheet, blocked, near: as for `free_place`.
        width_mm, height_mm: of a box that has no room.

    Returns:
        How large for that box, from 0 to 1, and its middle, mm; None where hardly anything is free.
    """
    fits, fails, at = 0.0, 1.0, None
    for _ in range(_HALVINGS):
        share = (fits + fails) / 2.0
        place = free_place(sheet, blocked, width_mm * share, height_mm * share, near=near)
        if place is None:
            fails = share
        else:
            fits, at = share, place
    return None if at is None else (fits, at)


def _together(
    marks: MultiPolygon, strokes: MultiPolygon, start: Geometry, height_mm: float
) -> NDArray[np.bool_]:
    """Which polygons of a layer grow with a row of writing: it, and what is so near and no larger."""
    every = np.array(marks.geoms, dtype=object)
    bounds = shapely.bounds(every)
    tall = (bounds[:, 2:] - bounds[:, :2]).max(axis=1)
    able = shapely.intersects(every, strokes) & (tall <= _NO_LARGER * height_mm)
    own = shapely.intersects(every, start) & shapely.intersects(every, strokes)
    while True:
        near = shapely.union_all(every[own]).buffer(_ONE_BLOCK * height_mm)
        more = own | (able & shapely.intersects(every, near))
        if (more == own).all():
            return np.asarray(own)
        own = more


def _hull(marks: MultiPolygon, parts: NDArray[np.bool_]) -> Polygon:
    hull: Polygon = shapely.convex_hull(shapely.union_all(np.array(marks.geoms, dtype=object)[parts]))
    return hull
