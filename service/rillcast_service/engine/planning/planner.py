"""The making plan of one build variant: how many, of what, in which batches, when."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from rillcast_service.engine.job import Job
from rillcast_service.engine.planning.batches import Lot, lots
from rillcast_service.engine.planning.calendar import Calendar, Hours
from rillcast_service.engine.planning.capacity import Handling, Plates, capacities, on_plates
from rillcast_service.engine.planning.printing import print_time_min
from rillcast_service.engine.planning.schedule import Placed, critical_path, place
from rillcast_service.engine.planning.sizing import sizings
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Schedule, ScheduledStep
from rillcast_service.engine.routes import cups
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Process,
    Route,
    Sizing,
    Step,
)

#: A plan begins on a stroke of the clock.
_STROKE_MIN = 5


@dataclass(frozen=True, slots=True)
class TimedStep:
    """One step over the whole job: what it takes, summed over its batches.

    Args:
        step: the step, its machine chosen.
        batches: how often it runs.
        items: moulds, parts or job (1) that go through it, scrap included.
        elapsed_min: start to end of every batch, added up; for a step done outside only the
            operator's part of it, its lead time being in the schedule.
        hands_on_min: the operator's time, added up.
        machine_min: time the step's machine is occupied, added up, batches that share it counted once;
            zero for hands alone.
    """

    step: Step
    batches: int
    items: int
    elapsed_min: Range
    hands_on_min: Range
    machine_min: Range


@dataclass(frozen=True, slots=True)
class Plan:
    """What costing and documents work from.

    Args:
        variant: the build variant it makes.
        sizing: counts of parts, moulds and rounds.
        materials: amounts for the whole job, scrap included.
        schedule: every batch on the calendar.
        steps: every step with its totals, in process order.
    """

    variant: BuildVariant
    sizing: Sizing
    materials: tuple[MaterialNeed, ...]
    schedule: Schedule
    steps: tuple[TimedStep, ...]


def candidates(job: Job, route: Route, variant: BuildVariant, process: Process) -> tuple[Plan, ...]:
    """Plans worth pricing: one for a route without moulds, else one for each sensible count of moulds.

    Args:
        job, route, variant: what is made, and how.
        process: steps on this bench, as `route.process` gave them; none may be blocked.

    Returns:
        The plans, in no order of merit; the same arguments give the same plans. Empty when what is
        to be printed does not fit the printer, which the review tells.

    Raises:
        RequestInvalid: the calendar never opens for long enough.
    """
    moulds = route.moulds(job, variant)
    handling = Handling.from_table(route.table["handling"])
    choices = sizings(
        process.steps,
        job.quantity,
        moulds,
        most_at_once=handling.most_moulds_count,
        confidence=job.good_parts_confidence,
    )
    calendar = Calendar.from_entry(job.bench["calendar"])
    plans = (_plan(job, route, variant, process, sizing, moulds, handling, calendar) for sizing in choices)
    return tuple(plan for plan in plans if plan is not None)


def _plan(
    job: Job,
    route: Route,
    variant: BuildVariant,
    process: Process,
    sizing: Sizing,
    moulds: tuple[Mould, ...],
    handling: Handling,
    calendar: Calendar,
) -> Plan | None:
    mould = next((mould for mould in moulds if mould.parts == sizing.parts_per_mould), None)
    steps, plates, print_min = process.steps, Plates(1, (0.0,)), Range(0.0, 0.0, 0.0)
    if any(step.computed == "print" for step in steps):
        found = on_plates(route.printed(job, variant, sizing.parts_per_mould), job.bench["printer"])
        if found is None:
            return None
        plates = found
        resin = job.catalogue.get("resins", process.facts["resin"])
        for height_mm in plates.heights_mm:
            print_min = print_min + print_time_min(job.bench["printer"], resin, height_mm=height_mm)
        if len(plates.heights_mm) > 1:
            steps = tuple(_watched(step) if step.computed == "print" else step for step in steps)
    together = capacities(
        steps,
        job.bench,
        plate=plates.items,
        part_mm=_part_mm(job),
        mould=mould,
        per_cup=_per_cup(job, mould, handling) if mould else {},
        handling=handling,
    )
    cut = lots(
        steps,
        sizing,
        capacities=together,
        per_print=plates.items,
        prints=len(plates.heights_mm),
        print_min=print_min,
        longest_span_min=calendar.longest_span_min(),
        first_alone=job.first_article,
    )
    sizing = replace(sizing, batches={lot.step.id: _batch_sizes(lot) for lot in cut})
    hours = Hours(calendar, _on_the_clock(job.start))
    placed = place(cut, sizing=sizing, hours=hours)
    return Plan(
        variant=variant,
        sizing=sizing,
        materials=route.materials(job, variant, process, sizing),
        schedule=_schedule(job, cut, placed, sizing, hours),
        steps=tuple(
            _timed(lot, [item for item in placed if item.lot == index]) for index, lot in enumerate(cut)
        ),
    )


def _on_the_clock(start: datetime) -> datetime:
    """The first five minutes' stroke from a moment on: nobody begins at 9:03:27."""
    past = timedelta(minutes=start.minute % _STROKE_MIN, seconds=start.second, microseconds=start.microsecond)
    return start + (timedelta(minutes=_STROKE_MIN) - past if past else timedelta(0))


def _watched(step: Step) -> Step:
    """A print whose plate is changed in between does not run on through the night."""
    return replace(step, unattended=False)


def _per_cup(job: Job, mould: Mould, handling: Handling) -> dict[str, int]:
    """Unit → pours that one cup of mix serves."""
    silicone_ml = {"pour": mould.pour_ml, "part": mould.lid_ml}
    return {
        unit: cups.pours_per_cup(job, each_ml, chamber_percent=handling.cup_percent)
        for unit, each_ml in silicone_ml.items()
        if each_ml > 0.0
    }


def _batch_sizes(lot: Lot) -> dict[int, int]:
    """Items of a batch → how many such batches there are; largest first."""
    sizes = Counter(end - first for first, end in map(lot.span, range(lot.batches)))
    return dict(sorted(sizes.items(), reverse=True))


def _part_mm(job: Job) -> tuple[float, float]:
    x0, y0, x1, y1 = job.chip.outline.bounds
    return x1 - x0, y1 - y0


def _timed(lot: Lot, placed: Sequence[Placed]) -> TimedStep:
    """A step's totals over its batches. Batches come in two or three sizes, so they are counted by size."""
    elapsed = hands_on = Range(0.0, 0.0, 0.0)
    for size, count in _batch_sizes(lot).items():
        elapsed = elapsed + lot.elapsed_min(size) * count
        hands_on = hands_on + lot.hands_on_min(size) * count
    machine = Range(0.0, 0.0, 0.0)
    if lot.step.machine:
        machine = elapsed * (_occupied_share(placed) if lot.room else 1.0)
    return TimedStep(
        step=lot.step,
        batches=lot.batches,
        items=lot.items,
        elapsed_min=elapsed,
        hands_on_min=hands_on,
        machine_min=machine,
    )


def _occupied_share(placed: Sequence[Placed]) -> float:
    """Time during which any batch is in the machine, over the time of all batches added up."""
    total, union, until = 0, 0, 0
    for item in sorted(placed, key=lambda item: item.start):
        total += item.end - item.start
        union += max(0, item.end - max(item.start, until))
        until = max(until, item.end)
    return union / total if total else 1.0


def _schedule(
    job: Job, cut: tuple[Lot, ...], placed: tuple[Placed, ...], sizing: Sizing, hours: Hours
) -> Schedule:
    finished = max(item.end for item in placed)
    first_good = _first_good(cut, placed)
    finished_at = hours.at(finished)
    critical = {cut[item.lot].step.id for item in critical_path(cut, placed, sizing=sizing)}
    hands_on_min = sum(
        lot.hands_on_min(end - first).best for lot in cut for first, end in map(lot.span, range(lot.batches))
    )
    return Schedule(
        steps=tuple(_scheduled(cut[item.lot], item, hours) for item in placed),
        counts=_counts(cut, sizing),
        hands_on_h=hands_on_min / 60.0,
        elapsed_h=finished / 60.0,
        first_article_at=None if first_good is None else hours.at(first_good),
        finished_at=finished_at,
        critical_path=tuple(lot.step.id for lot in cut if lot.step.id in critical),
        meets_deadline=None if job.deadline is None else finished_at <= job.deadline,
    )


def _scheduled(lot: Lot, item: Placed, hours: Hours) -> ScheduledStep:
    step = lot.step
    first, end = lot.span(item.batch)
    resource = step.machine_entry or step.supplier
    return ScheduledStep(
        step=step.id,
        title=step.title,
        batch=item.batch + 1,
        of_batches=lot.batches,
        items=lot.words(item.batch),
        start=hours.at(item.start),
        end=hours.at(item.end),
        resource=resource.title if resource else None,
        hands_on_min=lot.hands_on_min(end - first).best,
        unattended=step.unattended or step.supplier is not None,
        source=step.source,
        cautions=step.cautions,
    )


def _first_good(cut: tuple[Lot, ...], placed: tuple[Placed, ...]) -> int | None:
    """When the first piece has been through every step on pieces that nothing on pieces follows."""
    pieces = {lot.step.id for lot in cut if lot.step.unit == "part"}
    followed = {name for lot in cut if lot.step.id in pieces for name in lot.step.after}
    last = {position for position, lot in enumerate(cut) if lot.step.id in pieces - followed}
    return max((item.end for item in placed if item.lot in last and item.batch == 0), default=None)


def _counts(cut: tuple[Lot, ...], sizing: Sizing) -> dict[str, int]:
    counts = {"started_parts": sizing.started_parts}
    plates = sum(
        lot.plates(end - first)
        for lot in cut
        if lot.step.computed == "print"
        for first, end in map(lot.span, range(lot.batches))
    )
    if plates:
        counts["plates"] = plates
    if sizing.moulds:
        counts |= {
            "moulds": sizing.moulds,
            "parts_per_mould": sizing.parts_per_mould,
            "casting_rounds": sizing.rounds,
        }
    return counts
