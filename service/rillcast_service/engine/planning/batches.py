"""Steps cut into batches: which items go together, and which batches wait for which."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import Sizing, Step
from rillcast_service.engine.routes.counts import pieces_entering, pours

_NOUNS = {
    "job": ("job", "job"),
    "mould": ("mould", "moulds"),
    "pour": ("filled mould", "filled moulds"),
    "part": ("piece", "pieces"),
    "first_part": ("piece", "pieces"),
}


@dataclass(frozen=True, slots=True)
class Lot:
    """A step over the whole job, cut into batches.

    Args:
        step: the step.
        items: how many pass through it.
        starts: first item of each batch, rising; batch b holds items starts[b] up to starts[b + 1].
        print_min: time of one print, for a print step.
        per_print: items on one plate, for a print step.
        ahead: pieces at the front that go before all others, for a first article.
    """

    step: Step
    items: int
    starts: tuple[int, ...]
    print_min: Range
    per_print: int
    ahead: int = 0

    @property
    def batches(self) -> int:
        """How many batches there are."""
        return len(self.starts)

    def span(self, batch: int) -> tuple[int, int]:
        """The items of a batch, as first and one past the last."""
        last = batch + 1 == len(self.starts)
        return self.starts[batch], self.items if last else self.starts[batch + 1]

    def touching(self, first: int, end: int) -> range:
        """The batches that hold any of the items `first` up to `end`."""
        return range(bisect_right(self.starts, first) - 1, bisect_right(self.starts, max(first, end - 1)))

    def hands_on_min(self, count: int) -> Range:
        """The operator's time for a batch of `count` items."""
        return self.step.hands_on_min + self.step.hands_on_per_item_min * count

    def elapsed_min(self, count: int) -> Range:
        """Start to end of a batch of `count` items; no less than the operator's time."""
        elapsed = self.step.elapsed_min + self.step.per_item_min * count
        if self.step.computed == "print":
            elapsed = elapsed + self.print_min * math.ceil(count / self.per_print)
        hands = self.hands_on_min(count)
        return Range(
            max(elapsed.low, hands.low), max(elapsed.best, hands.best), max(elapsed.high, hands.high)
        )

    def words(self, batch: int) -> str:
        """What a batch holds, for people."""
        first, end = self.span(batch)
        return in_words(self.step.unit, end - first)


def in_words(unit: str, count: int) -> str:
    """A count of items, for people.

    Args:
        unit: as in `Step.unit`; count: how many.

    Returns:
        `4 moulds`, `1 piece`, `whole job`.
    """
    if unit == "job":
        return "whole job"
    return f"{count} {_NOUNS[unit][0 if count == 1 else 1]}"


def chains(steps: Sequence[Step]) -> tuple[tuple[int, ...], ...]:
    """Runs of steps that a longest wait ties together.

    Args:
        steps: in process order.

    Returns:
        Indices of the steps of each run, in order; a step without such a tie is a run of one.

    Raises:
        ValueError: a tie that forks, or joins steps of different units.
    """
    index = {step.id: position for position, step in enumerate(steps)}
    runs: list[list[int]] = []
    run_of: dict[int, list[int]] = {}
    for position, step in enumerate(steps):
        if step.max_gap_h is None:
            run = [position]
            runs.append(run)
        else:
            before = [index[name] for name in step.after]
            if len(before) != 1 or run_of[before[0]][-1] != before[0]:
                raise ValueError(
                    f"step {step.id!r}: a longest wait follows exactly one step, as its only one"
                )
            if steps[before[0]].unit != step.unit:
                raise ValueError(f"step {step.id!r}: a longest wait joins steps of one unit")
            run = run_of[before[0]]
            run.append(position)
        run_of[position] = run
    return tuple(tuple(run) for run in runs)


def lots(
    steps: Sequence[Step],
    sizing: Sizing,
    *,
    capacities: Mapping[str, Mapping[str, int]],
    per_print: int,
    print_min: Range,
    longest_span_min: float,
    first_alone: bool,
) -> tuple[Lot, ...]:
    """Cut every step into batches.

    Args:
        steps: in process order.
        sizing: counts of parts and moulds.
        capacities: batch name → unit → items that go together, at least 1.
        per_print: items on one plate; print_min: time of one print.
        longest_span_min: the longest opening of the calendar, into which the attended part of a
            batch must fit.
        first_alone: whether the pieces of the first plate or casting round go ahead by themselves,
            for a first article.

    Returns:
        One lot a step. Steps that a longest wait ties together share their batches. Batches of
        pours never reach from one casting round into the next, where a mould would be twice.

    Raises:
        RequestInvalid: not even one item fits into an opening.
    """
    entering = pieces_entering(steps, sizing.good_parts)
    counts = {"job": 1, "first_part": 1, "mould": sizing.moulds, "pour": pours(sizing)}
    found: dict[int, Lot] = {}
    for chain in chains(steps):
        head = steps[chain[0]]
        unit = head.unit
        items = entering[head.id] if unit == "part" else counts[unit]
        blank = [Lot(steps[position], items, (0,), print_min, per_print) for position in chain]
        capacity = min(_capacity(lot.step, capacities, items, sizing) for lot in blank)
        capacity = min(capacity, _fitting(blank, capacity, longest_span_min))
        ahead = 0
        if first_alone and unit == "part":
            ahead = _ahead(items, sizing, per_print)
        block = sizing.moulds if unit == "pour" else items
        starts = _starts(0, ahead, capacity, ahead) + _starts(ahead, items, capacity, block)
        for position in chain:
            found[position] = Lot(steps[position], items, starts, print_min, per_print, ahead)
    return tuple(found[position] for position in range(len(steps)))


def awaited(lot: Lot, batch: int, before: Lot, sizing: Sizing) -> range:
    """The batches of an earlier step that a batch waits for: those that hold any of its items.

    Args:
        lot, batch: what waits.
        before: the earlier step.
        sizing: pour p fills mould p mod `moulds`, and holds `parts_per_mould` pieces.

    Returns:
        Batch numbers of `before`. Where scrap leaves n pieces of m, piece i of n stands for pieces
        i·m/n up to (i + 1)·m/n. Pieces that go ahead wait only for pieces that go ahead.
    """
    first, end = lot.span(batch)
    units = (lot.step.unit, before.step.unit)
    if units[0] == "first_part":
        return before.touching(0, 1)
    if units == ("pour", "mould"):
        return before.touching(first % sizing.moulds, (end - 1) % sizing.moulds + 1)
    if units == ("part", "pour"):
        begun, held = sizing.started_parts, sizing.parts_per_mould
        first, end = first * begun // lot.items, _up(end * begun, lot.items)
        return before.touching(first // held, _up(end, held))
    if units[0] == units[1] and units[0] != "job":
        begin, stop = first * before.items // lot.items, _up(end * before.items, lot.items)
        if end <= lot.ahead:
            stop = min(stop, before.ahead)
        return before.touching(begin, stop)
    return range(before.batches)


def _up(numerator: int, denominator: int) -> int:
    return -(-numerator // denominator)


def _capacity(step: Step, capacities: Mapping[str, Mapping[str, int]], items: int, sizing: Sizing) -> int:
    match step.batch:
        case "all":
            return items
        case "one":
            return 1
        case "moulds":
            return sizing.moulds if step.unit == "pour" else sizing.moulds * sizing.parts_per_mould
        case name:
            return capacities[name][step.unit]


def _fitting(chain: Sequence[Lot], capacity: int, longest_span_min: float) -> int:
    """The most items of which the longest attended stretch of a chain fits into one opening."""

    def attended_min(count: int) -> float:
        longest = stretch = 0.0
        for lot in chain:
            if lot.step.unattended or lot.step.supplier is not None:
                longest = max(longest, stretch + lot.hands_on_min(count).best)
                stretch = 0.0  # whoever takes it up again may come another day
            else:
                stretch += lot.elapsed_min(count).best
        return max(longest, stretch)

    low, high = 0, capacity
    while low < high:
        middle = (low + high + 1) // 2
        if attended_min(middle) <= longest_span_min:
            low = middle
        else:
            high = middle - 1
    if low == 0:
        titles = ", ".join(lot.step.title for lot in chain)
        raise RequestInvalid(
            Fault(
                f"{titles}: takes {attended_min(1):.0f} min with someone there, and the longest opening "
                f"of the calendar is {longest_span_min:.0f} min.",
                "Give the calendar longer working hours.",
                pointer="#/bench/calendar",
            )
        )
    return low


def _ahead(items: int, sizing: Sizing, per_print: int) -> int:
    """Pieces of a step that come from the first plate or casting round, at least one."""
    first = sizing.moulds * sizing.parts_per_mould or per_print
    return min(items, max(1, first * items // sizing.started_parts))


def _starts(first: int, end: int, capacity: int, block: int) -> tuple[int, ...]:
    """First items of batches of at most `capacity`, none reaching over a multiple of `block`."""
    return tuple(
        start
        for begin in range(first, end, max(block, 1))
        for start in range(begin, min(begin + block, end), capacity)
    )
