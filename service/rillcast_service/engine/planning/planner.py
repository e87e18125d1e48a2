"""The making plan of one build variant: how many, of what, in which batches, when."""

from __future__ import annotations

from dataclasses import dataclass

from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Schedule
from rillcast_service.engine.routes.base import BuildVariant, MaterialNeed, Sizing, Step


@dataclass(frozen=True, slots=True)
class TimedStep:
    """One step over the whole job: what it takes, summed over its batches.

    Args:
        step: the step, its machine chosen.
        batches: how often it runs.
        items: moulds, parts or job (1) that go through it, scrap included.
        elapsed_min: start to end of every batch, added up; for a step done outside, the lead time
            in working days of the calendar is in the schedule, and this is zero.
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
