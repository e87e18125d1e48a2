"""The making plan as a picture: one row a resource, hands-on against unattended, quiet hours folded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from markupsafe import Markup

from rillcast_service.documents.formats import clock, day, duration, offset, when, words
from rillcast_service.documents.svg import (
    FAINT_INK,
    INK,
    PAPER,
    RULE,
    picture,
    tag,
    text,
    text_width,
    wrapped,
)
from rillcast_service.engine.result import Schedule, ScheduledStep

WIDTH_PX = 960.0
MARGIN_PX = 24.0
LABEL_PX = 190.0
LABEL_SIZE = 11.5
LABEL_LINE_PX, LABEL_LINES = 13.0, 3
LANE_PX = 26.0
BAR_PX = 18.0

#: A stretch of this length in which nobody is needed is folded to a narrow band.
FOLD_FROM = timedelta(hours=3)
FOLD_PX = 30.0
#: Folded bands together take at most this share of the width.
FOLDS_SHARE = 0.5
THINNEST_BAR_PX = 2.5
MILESTONE_PX = 18.0

#: Top of the lowest row of day headings, and what each further row takes. Days that lie closer than their
#: names are wide stand one above the other.
DAYS_TOP_PX = 62.0
DAY_PX = 29.0
#: Only a plan of months needs more rows than this; days without room for a name there keep their line.
MOST_DAY_ROWS = 6

HANDS_ON, ATTENDED, UNATTENDED = "#0b5563", "#7fb3b8", "#e3eef0"
BAR_EDGE = "#0b5563"
FOLD_FILL = "#f0efec"


def timeline_picture(schedule: Schedule) -> str:
    """The schedule with a row for each resource.

    Args:
        schedule: steps with start, end, resource and hands-on minutes.

    Returns:
        An SVG document.
    """
    steps = sorted(schedule.steps, key=lambda step: (step.start, step.end))
    if not steps:
        return picture(WIDTH_PX, 60, [text(MARGIN_PX, 34, "No steps.")], title="Making plan")
    axis = _Axis.of(steps)
    numbers = {step: index for index, step in enumerate(dict.fromkeys(s.step for s in steps), start=1)}
    days, day_rows = _placed_days(steps, axis)
    top = DAYS_TOP_PX + DAY_PX * day_rows
    rows, bottom = _rows(steps, top=top + 13)
    parts = [
        text(MARGIN_PX, 26, "Making plan", size=17.0, weight="700"),
        text(MARGIN_PX, 46, _summary(schedule), fill=FAINT_INK),
        *_folds(axis, top, bottom),
        *_days(days, top, bottom),
        *(part for row in rows for part in _row(row, axis, numbers)),
        *_milestones(schedule, axis, bottom),
    ]
    shades, shades_end = _shades(bottom + MILESTONE_PX * len(_milestone_times(schedule)) + 24)
    key, end = _key(steps, numbers, shades_end)
    return picture(
        WIDTH_PX,
        end + 12,
        [*parts, *shades, *key],
        title="Making plan on the calendar",
        summary=_summary(schedule),
        # A document has a table of the steps by their numbers.
        core=(54.0, shades_end),
    )


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A piece of the time axis, drawn to scale or folded."""

    start: datetime
    end: datetime
    x: float
    width: float
    folded: bool


@dataclass(frozen=True, slots=True)
class _Axis:
    """Time across the picture: busy hours to scale, long quiet ones folded."""

    stretches: tuple[_Stretch, ...]

    @classmethod
    def of(cls, steps: Sequence[ScheduledStep]) -> _Axis:
        moments = sorted({moment for step in steps for moment in _moments(step)})
        gaps = list(pairwise(moments)) or [(moments[0], moments[0] + timedelta(hours=1))]
        quiet = {gap for gap in gaps if gap[1] - gap[0] >= FOLD_FROM and _nobody_needed(steps, *gap)}
        width = WIDTH_PX - 2 * MARGIN_PX - LABEL_PX
        busy_h = sum(_hours(end - start) for start, end in gaps if (start, end) not in quiet)
        fold_px = 0.0
        if quiet:
            fold_px = min(FOLD_PX, FOLDS_SHARE * width / len(quiet)) if busy_h else width / len(quiet)
        px_per_h = (width - len(quiet) * fold_px) / busy_h if busy_h else 0.0
        x = MARGIN_PX + LABEL_PX
        stretches = []
        for start, end in gaps:
            folded = (start, end) in quiet
            across = fold_px if folded else _hours(end - start) * px_per_h
            stretches.append(_Stretch(start, end, x, across, folded))
            x += across
        return cls(tuple(stretches))

    def x(self, moment: datetime) -> float:
        """Where a moment lies, px."""
        for stretch in self.stretches:
            if moment <= stretch.end:
                share = (moment - stretch.start) / (stretch.end - stretch.start)
                return stretch.x + stretch.width * min(max(share, 0.0), 1.0)
        last = self.stretches[-1]
        return last.x + last.width


def _nobody_needed(steps: Sequence[ScheduledStep], start: datetime, end: datetime) -> bool:
    """Whether every step that covers a stretch runs by itself in it."""
    return all(
        step.unattended and _moments(step)[1] <= start
        for step in steps
        if step.start < end and step.end > start
    )


def _moments(step: ScheduledStep) -> tuple[datetime, ...]:
    """The moments of a step between which nothing about it changes."""
    hands_off = min(step.start + timedelta(minutes=step.hands_on_min), step.end)
    return (step.start, hands_off, step.end)


def _hours(length: timedelta) -> float:
    return length.total_seconds() / 3600.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A resource, its name in lines, with its steps in lanes: what overlaps lies one below the other."""

    name: tuple[str, ...]
    lanes: tuple[tuple[ScheduledStep, ...], ...]
    top: float


def _rows(steps: Sequence[ScheduledStep], *, top: float) -> tuple[list[_Row], float]:
    by_resource: dict[str, list[list[ScheduledStep]]] = {}
    for step in steps:
        lanes = by_resource.setdefault(step.resource or "hands only", [])
        free = next((lane for lane in lanes if lane[-1].end <= step.start), None)
        if free is None:
            lanes.append([step])
        else:
            free.append(step)
    rows = []
    for name, lanes in by_resource.items():
        lines = wrapped(words(name), size=LABEL_SIZE, width=LABEL_PX - 16, lines=LABEL_LINES)
        rows.append(_Row(tuple(lines), tuple(tuple(lane) for lane in lanes), top))
        top += max(LANE_PX * len(lanes), LABEL_LINE_PX * len(lines)) + 6
    return rows, top


def _row(row: _Row, axis: _Axis, numbers: dict[str, int]) -> Iterable[Markup]:
    first = row.top + (17 if len(row.name) == 1 else 10)
    for index, line in enumerate(row.name):
        yield text(MARGIN_PX, first + LABEL_LINE_PX * index, line, size=LABEL_SIZE, weight="600")
    yield tag("line", x1=MARGIN_PX, x2=WIDTH_PX - MARGIN_PX, y1=row.top - 3, y2=row.top - 3, stroke=RULE)
    for index, lane in enumerate(row.lanes):
        for step in lane:
            yield _bar(step, axis, row.top + LANE_PX * index + (LANE_PX - BAR_PX) / 2, numbers[step.step])


def _bar(step: ScheduledStep, axis: _Axis, y: float, figure: int) -> Markup:
    start, hands_off, end = (axis.x(moment) for moment in _moments(step))
    end = max(end, start + THINNEST_BAR_PX)
    rest = UNATTENDED if step.unattended else ATTENDED
    said = (
        f"{figure} {step.title}, batch {step.batch} of {step.of_batches} ({step.items}): "
        f"{when(step.start)} to {when(step.end)}"
    )
    look = {"y": y, "height": BAR_PX}
    parts = [
        tag("title", said),
        tag("rect", x=start, width=end - start, fill=rest, stroke=BAR_EDGE, stroke_width=0.9, **look),
    ]
    if hands_off > start:
        parts.append(tag("rect", x=start, width=hands_off - start, fill=HANDS_ON, **look))
    label = str(figure)
    if end - start >= text_width(label, 11.0) + 5:
        # On the wider part of the bar, in the ink that shows there.
        dark = hands_off - start >= end - hands_off
        middle = (start + hands_off) / 2 if dark else (hands_off + end) / 2
        ink = PAPER if dark else INK
        parts.append(text(middle, y + 13, label, size=11.0, weight="700", anchor="middle", fill=ink))
    return tag("g", *parts)


def _folds(axis: _Axis, top: float, bottom: float) -> Iterable[Markup]:
    """Folded stretches, with their length."""
    for stretch in axis.stretches:
        if not stretch.folded:
            continue
        yield tag("rect", x=stretch.x, y=top, width=stretch.width, height=bottom - top + 4, fill=FOLD_FILL)
        length = duration(60 * _hours(stretch.end - stretch.start)).split("\u00a0")
        label = "\u00a0".join(length[:2])  # the larger unit is enough on a narrow band
        if text_width(label, 10.0) <= stretch.width + 4:
            middle = stretch.x + stretch.width / 2
            yield text(middle, bottom + 14, label, size=10.0, anchor="middle", fill=FAINT_INK)


@dataclass(frozen=True, slots=True)
class _Day:
    """The heading of a day: when its work begins, where that lies, and where its name stands.

    Args:
        row: counted from the drawing upwards; None where no row has room for the name.
    """

    begins: datetime
    x: float
    name_x: float
    row: int | None


def _placed_days(steps: Sequence[ScheduledStep], axis: _Axis) -> tuple[list[_Day], int]:
    """A heading for each day on which a step begins, narrow days too; and how many rows they take."""
    begins: dict[object, datetime] = {}
    for step in steps:
        begins.setdefault(step.start.date(), step.start)
    free_from = [0.0] * MOST_DAY_ROWS
    days = []
    for moment in begins.values():
        x, across = axis.x(moment), text_width(day(moment), 12.0)
        # The last day may be too short for its own name, which then ends at the margin.
        name_x = min(x + 4, WIDTH_PX - MARGIN_PX - across)
        row = next((row for row, free in enumerate(free_from) if name_x >= free), None)
        if row is not None:
            free_from[row] = name_x + across + 8
        days.append(_Day(moment, x, name_x, row))
    return days, 1 + max(day_.row for day_ in days if day_.row is not None)


def _days(days: Sequence[_Day], top: float, bottom: float) -> Iterable[Markup]:
    for heading in days:
        upper = top - 16 - DAY_PX * (heading.row or 0)
        yield tag("line", x1=heading.x, x2=heading.x, y1=upper, y2=bottom + 4, stroke=RULE, stroke_width=1.2)
    for heading in days:
        if heading.row is None:
            continue
        y = top - DAY_PX * heading.row
        yield text(heading.name_x, y - 17, day(heading.begins), size=12.0, weight="600", halo=True)
        yield text(heading.name_x, y - 4, clock(heading.begins), size=11.0, fill=FAINT_INK, halo=True)


def _milestones(schedule: Schedule, axis: _Axis, bottom: float) -> Iterable[Markup]:
    y = bottom + 26
    for name, moment in _milestone_times(schedule):
        x = axis.x(moment)
        label = f"{name} {when(moment)}"
        width = text_width(label, 12.0)
        left = x - 10 - width >= MARGIN_PX + LABEL_PX or x + 10 + width > WIDTH_PX - MARGIN_PX
        yield tag("line", x1=x, x2=x, y1=bottom, y2=y, stroke=INK, stroke_width=1)
        yield tag("path", d=f"M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6Z", fill=INK)
        yield text(
            x - 10 if left else x + 10,
            y + 4.5,
            label,
            size=12.0,
            weight="600",
            anchor="end" if left else None,
        )
        y += MILESTONE_PX


def _milestone_times(schedule: Schedule) -> list[tuple[str, datetime]]:
    finished = ("finished", schedule.finished_at)
    if schedule.first_article_at is None:
        return [finished]
    return [("first article", schedule.first_article_at), finished]


def _shades(top: float) -> tuple[list[Markup], float]:
    """What the shades mean; and where that ends, px."""
    parts: list[Markup] = []
    x, y = MARGIN_PX, top + 14
    for fill, said in (
        (HANDS_ON, "hands-on (drawn at the start of a step)"),
        (ATTENDED, "somebody must be there"),
        (UNATTENDED, "runs unattended"),
        (FOLD_FILL, "quiet hours, folded"),
    ):
        parts.append(
            tag("rect", x=x, y=y - 11, width=18, height=13, fill=fill, stroke=BAR_EDGE, stroke_width=0.8)
        )
        parts.append(text(x + 24, y, said, size=12.0, fill=FAINT_INK))
        x += 24 + text_width(said, 12.0) + 22
    return parts, y + 14


def _key(steps: Sequence[ScheduledStep], numbers: dict[str, int], y: float) -> tuple[list[Markup], float]:
    """Each step's number, name, batches and hands-on time; and where that ends, px."""
    parts: list[Markup] = []
    column_px = (WIDTH_PX - 2 * MARGIN_PX) / 2
    entries = []
    for step_id, figure in numbers.items():
        batches = [step for step in steps if step.step == step_id]
        hands_on = duration(sum(step.hands_on_min for step in batches))
        times = f"{len(batches)} batches, " if len(batches) > 1 else ""
        said = f"{batches[0].title} ({times}{hands_on} hands-on)"
        entries.append((figure, wrapped(said, size=12.0, width=column_px - 46, lines=2)))
    half = (len(entries) + 1) // 2
    ends = []
    for column, part in enumerate((entries[:half], entries[half:])):
        row_y = y
        for figure, lines in part:
            left = MARGIN_PX + column * column_px
            parts.append(text(left + 20, row_y + 16, str(figure), size=12.0, weight="700", anchor="end"))
            parts += [
                text(left + 28, row_y + 16 + 15 * row, line, size=12.0) for row, line in enumerate(lines)
            ]
            row_y += 19 + 15 * (len(lines) - 1)
        ends.append(row_y)
    return parts, max(ends)


def _summary(schedule: Schedule) -> str:
    hands_on = duration(60 * schedule.hands_on_h)
    elapsed = duration(60 * schedule.elapsed_h)
    finished = f"{when(schedule.finished_at)} ({offset(schedule.finished_at)})"
    return f"{hands_on} hands-on within {elapsed}; finished {finished}"
