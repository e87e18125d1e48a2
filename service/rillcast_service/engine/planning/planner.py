"""The making plan of one build variant: how many, of what, in which batches, when."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from rillcast_service.engine.job import Job
from rillcast_service.engine.planning.batches import Lot, lots
from rillcast_service.engine.planning.calendar import Calendar, Hours
from rillcast_service.engine.planning.capacity import Handling, capacities, per_plate
from rillcast_service.engine.planning.printing import print_time_min
from rillcast_service.engine.planning.schedule import Placed, critical_path, place
from rillcast_service.engine.planning.sizing import sizings
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Schedule, ScheduledStep
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Process,
    Route,
    Sizing,
    Step,
)


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
        machine_min: time the step's machine is occupied, added up; zero for hands alone.
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
    choices = sizings(process.steps, job.quantity, moulds, most_at_once=handling.most_moulds_count)
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
    plate, print_min = 1, Range(0.0, 0.0, 0.0)
    if any(step.computed == "print" for step in process.steps):
        printed = route.printed(job, variant, sizing.parts_per_mould)
        printer = job.bench["printer"]
        plate = per_plate(printed, printer)
        if plate == 0:
            return None
        resin = job.catalogue.get("resins", process.facts["resin"])
        print_min = print_time_min(printer, resin, height_mm=max(item.height_mm for item in printed))
    together = capacities(
        process.steps,
        job.bench,
        plate=plate,
        part_mm=_part_mm(job),
        mould=mould,
        handling=handling,
    )
    cut = lots(
        process.steps,
        sizing,
        capacities=together,
        per_print=plate,
        print_min=print_min,
        longest_span_min=calendar.longest_span_min(),
        first_alone=job.first_article,
    )
    hours = Hours(calendar, job.start)
    placed = place(cut, sizing=sizing, hours=hours)
    return Plan(
        variant=variant,
        sizing=sizing,
        materials=route.materials(job, variant, process, sizing),
        schedule=_schedule(job, cut, placed, sizing, hours),
        steps=tuple(_timed(lot) for lot in cut),
    )


def _part_mm(job: Job) -> tuple[float, float]:
    x0, y0, x1, y1 = job.chip.outline.bounds
    return x1 - x0, y1 - y0


def _timed(lot: Lot) -> TimedStep:
    """A step's totals over its batches. Batches come in two or three sizes, so they are counted by size."""
    sizes = Counter(end - first for first, end in map(lot.span, range(lot.batches)))
    elapsed = hands_on = Range(0.0, 0.0, 0.0)
    for size, count in sorted(sizes.items()):
        elapsed = elapsed + lot.elapsed_min(size) * count
        hands_on = hands_on + lot.hands_on_min(size) * count
    return TimedStep(
        step=lot.step,
        batches=lot.batches,
        items=lot.items,
        elapsed_min=elapsed,
        hands_on_min=hands_on,
        machine_min=elapsed if lot.step.machine else Range(0.0, 0.0, 0.0),
    )


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
        math.ceil((end - first) / lot.per_print)
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
