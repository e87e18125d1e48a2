"""Steps cut into batches: which items go together, and which batches wait for which."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

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
        print_min: time of one print or set of prints, for a print step.
        per_print: items that it gives; prints: plates of such a set.
        ahead: pieces at the front that go before all others, for a first article.
        tray: pieces begun that go through on one tray: tray b of one step is tray b of the next, less what
            was scrapped on the way; 0 where batches are made up anew.
        room: share of the machine's room that one item takes; 0 where a batch has it to itself.
    """

    step: Step
    items: int
    starts: tuple[int, ...]
    print_min: Range
    per_print: int
    ahead: int = 0
    tray: int = 0
    room: float = 0.0
    prints: int = 1

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

    def plates(self, count: int) -> int:
        """Plates that a batch of `count` items takes on the printer."""
        return math.ceil(count / self.per_print) * self.prints

    def hands_on_min(self, count: int) -> Range:
        """The operator's time for a batch of `count` items; a print's for every plate."""
        times = self.plates(count) if self.step.computed == "print" else 1
        return self.step.hands_on_min * times + self.step.hands_on_per_item_min * count

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
    prints: int = 1,
) -> tuple[Lot, ...]:
    """Cut every step into batches.

    Args:
        steps: in process order.
        sizing: counts of parts and moulds.
        capacities: batch name → unit → items that go together, at least 1.
        per_print: items on one plate; print_min: time of one print. Where an item takes several plates,
            of that set of `prints`.
        longest_span_min: the longest opening of the calendar, into which the attended part of a
            batch must fit.
        first_alone: whether the pieces of the first plate or casting round go ahead by themselves,
            for a first article.

    Returns:
        One lot a step. Steps that a longest wait ties together share their batches. Batches of
        pours never reach from one casting round into the next, where a mould would be twice.

    Raises:
        RequestInvalid: not even one item fits into an opening, or gets through in time.
    """
    entering = pieces_entering(steps, sizing.good_parts, sizing.confidence)
    counts = {"job": 1, "first_part": 1, "mould": sizing.moulds, "pour": pours(sizing)}
    index = {step.id: position for position, step in enumerate(steps)}
    found: dict[int, Lot] = {}
    for chain in chains(steps):
        head = steps[chain[0]]
        items = entering[head.id] if head.unit == "part" else counts[head.unit]

        def blank(position: int, items: int = items) -> Lot:
            step = steps[position]
            machine = capacities.get(step.machine or "", {})
            room = 1.0 / machine[step.unit] if step.holds_c is not None and machine else 0.0
            return Lot(step, items, (0,), print_min, per_print, room=room, prints=prints)

        blanks = [blank(position) for position in chain]
        capacity = min(_capacity(lot.step, capacities, items, sizing) for lot in blanks)
        capacity = min(capacity, _fitting(blanks, capacity, longest_span_min))
        capacity = min(capacity, _in_time(blanks, capacity))
        ahead = min(sizing.started_parts, sizing.moulds * sizing.parts_per_mould or per_print)
        ahead = ahead if first_alone and head.unit == "part" else 0
        before = None
        if head.batch == "same":
            before = _alike(head, [found[position] for position in sorted(index[n] for n in head.after)])
            capacity = min(
                capacity, max(end - first for first, end in map(before.span, range(before.batches)))
            )
        tray = capacities["tray"][head.unit] if head.batch == "tray" else before.tray if before else 0
        pattern = (
            _trays(items, tray, capacity, sizing, ahead)
            or (before and _as_before(before, items, capacity))
            or _filled(head, items, capacity, sizing, ahead)
        )
        for position, lot in zip(chain, blanks, strict=True):
            found[position] = replace(lot, starts=pattern.starts, ahead=pattern.ahead, tray=pattern.tray)
    return tuple(found[position] for position in range(len(steps)))


@dataclass(frozen=True, slots=True)
class _Pattern:
    """How items are cut into batches: as in `Lot`."""

    starts: tuple[int, ...]
    ahead: int
    tray: int = 0


def _trays(items: int, tray: int, capacity: int, sizing: Sizing, ahead: int) -> _Pattern | None:
    """Trays of the pieces begun, less what is scrapped until here; None without, or where one is empty."""
    begun = sizing.started_parts
    if not 0 < tray <= capacity or not 0 < items <= begun:
        return None
    whole = _starts(0, ahead, tray, ahead) + _starts(ahead, begun, tray, begun)
    starts = _scaled(whole, begun, items)
    return _Pattern(starts, ahead * items // begun, tray) if len(set(starts)) == len(starts) else None


def _alike(step: Step, before: Sequence[Lot]) -> Lot:
    """The step of the same unit that a step shares its batches with."""
    alike = [lot for lot in before if lot.step.unit == step.unit]
    if not alike:
        raise ValueError(f"step {step.id!r}: follows no step of its unit, whose batches it could share")
    return alike[-1]


def _as_before(lot: Lot, items: int, capacity: int) -> _Pattern | None:
    """The batches of the step before, less what was scrapped; None where one would be too large or empty."""
    if lot.ahead and items != lot.items:
        return None  # what goes ahead would be rounded twice
    starts = _scaled(lot.starts, lot.items, items)
    ends = (*starts[1:], items)
    if any(not 0 < end - start <= capacity for start, end in zip(starts, ends, strict=True)):
        return None
    return _Pattern(starts, lot.ahead)


def _filled(step: Step, items: int, capacity: int, sizing: Sizing, ahead: int) -> _Pattern:
    """Batches as full as they go."""
    ahead = min(items, max(1, ahead * items // sizing.started_parts)) if ahead else 0
    block = sizing.moulds if step.unit == "pour" else items
    return _Pattern(_starts(0, ahead, capacity, ahead) + _starts(ahead, items, capacity, block), ahead)


def _scaled(starts: Sequence[int], whole: int, items: int) -> tuple[int, ...]:
    return tuple(start * items // whole for start in starts)


def awaited(lot: Lot, batch: int, before: Lot, sizing: Sizing) -> range:
    """The batches of an earlier step that a batch waits for: those that hold any of its items.

    Args:
        lot, batch: what waits.
        before: the earlier step.
        sizing: pour p fills mould p mod `moulds`, and holds `parts_per_mould` pieces.

    Returns:
        Batch numbers of `before`. Where scrap leaves n pieces of m, piece i of n stands for pieces
        i·m/n up to (i + 1)·m/n. A tray waits for the same tray. Pieces that go ahead wait only for
        pieces that go ahead.
    """
    first, end = lot.span(batch)
    units = (lot.step.unit, before.step.unit)
    if lot.tray and lot.tray == before.tray and lot.batches == before.batches:
        return range(batch, batch + 1)
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
            most = items
        case "one":
            most = 1
        case "same":
            most = max(items, 1)
        case "moulds":
            most = sizing.moulds if step.unit == "pour" else sizing.moulds * sizing.parts_per_mould
        case name:
            most = capacities[name][step.unit]
    if step.batch in ("all", "same", "moulds") or step.holds_c is not None:
        most = min(most, capacities.get(step.machine or "", {}).get(step.unit, most))
    return most


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

    most = _most(capacity, lambda count: attended_min(count) <= longest_span_min)
    if most == 0:
        titles = ", ".join(lot.step.title for lot in chain)
        raise RequestInvalid(
            Fault(
                f"{titles}: takes {attended_min(1):.0f} min with someone there, and the longest opening "
                f"of the calendar is {longest_span_min:.0f} min.",
                "Give the calendar longer working hours.",
                pointer="#/bench/calendar",
            )
        )
    return most


def _in_time(chain: Sequence[Lot], capacity: int) -> int:
    """The most items that get through a chain while what runs out (the pot life) has not."""
    for last, lot in enumerate(chain):
        if lot.step.since is None or lot.step.within_h is None:
            continue
        first = next((i for i in range(last + 1) if chain[i].step.id == lot.step.since), None)
        if first is None:
            raise ValueError(f"step {lot.step.id!r} is not tied to {lot.step.since!r} by longest waits")
        run, limit_min = chain[first : last + 1], lot.step.within_h * 60.0 + 1e-6

        def takes_min(count: int, run: Sequence[Lot] = run) -> int:
            return sum(whole_minutes(one.elapsed_min(count).best) for one in run)

        def fits(count: int, takes: Callable[[int], int] = takes_min, limit: float = limit_min) -> bool:
            return takes(count) <= limit

        most = _most(capacity, fits)
        if most == 0:
            titles = ", ".join(one.step.title for one in run)
            raise RequestInvalid(
                Fault(
                    f"{titles}: takes {takes_min(1)} min and must be over within {limit_min:.0f} min.",
                    "Choose materials that stay workable for longer, or ask for other routes.",
                    pointer="#/bench",
                )
            )
        capacity = most
    return capacity


def _most(capacity: int, fits: Callable[[int], bool]) -> int:
    """The largest count up to a capacity that fits, 0 when not even one does."""
    low, high = 0, capacity
    while low < high:
        middle = (low + high + 1) // 2
        if fits(middle):
            low = middle
        else:
            high = middle - 1
    return low


def whole_minutes(minutes: float) -> int:
    """A duration as the calendar takes it.

    Args:
        minutes: exact.

    Returns:
        Whole minutes, rounded up.
    """
    return math.ceil(minutes - 1e-9)


def _starts(first: int, end: int, capacity: int, block: int) -> tuple[int, ...]:
    """First items of batches of at most `capacity`, none reaching over a multiple of `block`."""
    return tuple(
        start
        for begin in range(first, end, max(block, 1))
        for start in range(begin, min(begin + block, end), capacity)
    )
