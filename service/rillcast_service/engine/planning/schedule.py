"""Batches onto the calendar: one operator, one of each machine, nothing before what it needs.

List scheduling. Of all batches whose forerunners are placed, the one that can start earliest is placed
next; of several, the one with the oldest pieces, then the longest way still to go. Batches of a step keep
their order. Steps that a longest wait ties together are placed at once, or not yet. Work of the hands
alone is put aside while a machine is looked after.
"""

from __future__ import annotations

import heapq
import math
from bisect import bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass

from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.engine.planning.batches import Lot, awaited, chains, whole_minutes
from rillcast_service.engine.planning.calendar import Hours
from rillcast_service.engine.routes.base import Sizing

# A chain that finds no place after this many openings finds none at all.
_MAX_TRIES = 2000

# Casting and printing may run ahead of the pieces in work by the round at hand and the next one.
_ROUNDS_AHEAD = 2

# Nobody takes a tray of work up for less than this between two calls to a machine.
_LEAST_STRETCH_MIN = 5


@dataclass(frozen=True, slots=True)
class Placed:
    """A batch on the calendar.

    Args:
        lot: index of its step; batch: number within the step, from 0.
        start, hands_until, end: in minutes after the start of the job; the operator is busy from
            start to hands_until, but for what is done in between.
        hands: the stretches of that time, as (from, until); more than one where the work is put aside.
    """

    lot: int
    batch: int
    start: int
    hands_until: int
    end: int
    hands: tuple[tuple[int, int], ...]


class _Timeline:
    """When one thing is busy: disjoint spans in order."""

    def __init__(self) -> None:
        self._spans: list[tuple[int, int]] = []

    def free_from(self, minute: int, length: int) -> int:
        """The first minute from `minute` on after which it is free for `length` minutes."""
        spans = self._spans
        index = bisect_right(spans, (minute, math.inf))
        if index and spans[index - 1][1] > minute:
            minute = spans[index - 1][1]
        while index < len(spans) and spans[index][0] < minute + length:
            minute = max(minute, spans[index][1])
            index += 1
        return minute

    def stretches(self, minute: int, length: int, until: int) -> list[tuple[int, int]] | None:
        """Free stretches that add up to `length`, from `minute` to `until`; None where there are too few."""
        found, left = [], length
        index = bisect_right(self._spans, (minute, math.inf))
        if index and self._spans[index - 1][1] > minute:
            minute = self._spans[index - 1][1]
        while left > 0:
            free_until = self._spans[index][0] if index < len(self._spans) else until
            stretch = min(free_until, minute + left, until) - minute
            if stretch >= min(left, _LEAST_STRETCH_MIN):
                found.append((minute, minute + stretch))
                left -= stretch
            if left > 0 and index >= len(self._spans):
                return None
            if left > 0:
                minute = self._spans[index][1]
                index += 1
        return found if found and found[-1][1] <= until else None

    def take(self, start: int, end: int) -> None:
        """Mark a free span as busy."""
        if end > start:
            insort(self._spans, (start, end))

    def forget_before(self, minute: int) -> None:
        """Drop what is over: nothing will be placed there any more."""
        done = 0
        while done < len(self._spans) and self._spans[done][1] <= minute:
            done += 1
        del self._spans[:done]


class _Room:
    """When a machine is busy: batches at one temperature share its room, as far as it goes."""

    def __init__(self) -> None:
        # start, end, temperature (None: alone), share of the room
        self._spans: list[tuple[int, int, float | None, float]] = []

    def free_from(self, minute: int, length: int, holds_c: float | None, share: float) -> int:
        """The first minute from `minute` on after which it takes the batch for `length` minutes."""
        while True:
            inside = [span for span in self._spans if span[0] < minute + length and span[1] > minute]
            others = [end for _, end, at_c, _ in inside if holds_c is None or at_c != holds_c]
            if others:
                minute = max(others)
                continue
            # a new batch is fullest when one of those inside comes in, or at its own start
            full = [
                moment
                for moment in (minute, *(start for start, _, _, _ in inside if start > minute))
                if sum(own for start, end, _, own in inside if start <= moment < end) + share > 1.0 + 1e-9
            ]
            if not full:
                return minute
            minute = min(end for _, end, _, _ in inside if end > minute)

    def take(self, start: int, end: int, holds_c: float | None, share: float) -> None:
        """Put a batch in."""
        if end > start:
            self._spans.append((start, end, holds_c, share))

    def forget_before(self, minute: int) -> None:
        """Drop what is over: nothing will be placed there any more."""
        self._spans = [span for span in self._spans if span[1] > minute]


def place(lots: Sequence[Lot], *, sizing: Sizing, hours: Hours) -> tuple[Placed, ...]:
    """Put every batch on the calendar.

    Args:
        lots: the steps of the process, in order, cut into batches.
        sizing: counts of the plan; a pour waits until its mould is free again.
        hours: of the operator.

    Returns:
        One entry a batch, in order of start; the same arguments give the same answer.

    Raises:
        RequestInvalid: steps that must follow each other soon do not fit into any opening.
    """
    return _Scheduler(lots, sizing, hours).run()


class _Scheduler:
    def __init__(self, lots: Sequence[Lot], sizing: Sizing, hours: Hours) -> None:
        self.lots, self.sizing, self.hours = lots, sizing, hours
        self.now = 0
        self.chains = chains([lot.step for lot in lots])
        self.placed: list[list[Placed]] = [[] for _ in lots]
        self.operator = _Timeline()
        self.machines = {lot.step.machine: _Room() for lot in lots if lot.step.machine}
        index = {lot.step.id: position for position, lot in enumerate(lots)}
        self.before = [tuple(index[name] for name in lot.step.after) for lot in lots]
        pouring = [position for position, lot in enumerate(lots) if lot.step.unit == "pour"]
        self.takes_mould, self.frees_mould = (pouring[0], pouring[-1]) if pouring else (-1, -1)
        self.minutes: dict[tuple[int, int], tuple[int, int]] = {}
        # work of the hands alone can wait while a machine is looked after
        tied = {member for chain in self.chains if len(chain) > 1 for member in chain}
        self.can_be_put_aside = [
            not (lot.step.machine or lot.step.unattended or lot.step.supply_days or position in tied)
            for position, lot in enumerate(lots)
        ]
        self.tail = self._tails()
        self.lead = [self._lead(lot) for lot in lots]

    def run(self) -> tuple[Placed, ...]:
        queue: list[tuple[int, tuple[float, float], int]] = []
        waiting = set(range(len(self.chains)))

        def wake() -> None:
            for chain in sorted(waiting):
                ready = self._ready(chain)
                if ready is not None:
                    waiting.discard(chain)
                    heapq.heappush(queue, (ready, self._rank(chain), chain))

        wake()
        while queue:
            bound, rank, chain = heapq.heappop(queue)
            fitted = self._fit(chain, bound)
            if fitted[0].start > bound:
                heapq.heappush(queue, (fitted[0].start, rank, chain))
                continue
            self._take(fitted)
            if len(self.placed[self.chains[chain][0]]) < self.lots[self.chains[chain][0]].batches:
                waiting.add(chain)
            wake()
        done = [placed for lot in self.placed for placed in lot]
        assert len(done) == sum(lot.batches for lot in self.lots), "a step waits for itself"
        return tuple(sorted(done, key=lambda item: (item.start, item.lot, item.batch)))

    def _rank(self, chain: int) -> tuple[float, float]:
        """The lowest goes first of what can start together: the oldest pieces, then the longest way to go.

        Work that is begun is finished before more is begun, so that pieces come out all along. What feeds
        the machines may run ahead, so that they do not stand still.
        """
        position = self.chains[chain][0]
        lot = self.lots[position]
        first, _ = lot.span(len(self.placed[position]))
        if first < lot.ahead:
            return -math.inf, -self.tail[position]
        return self._first_piece(lot, first) - self.lead[position], -self.tail[position]

    def _lead(self, lot: Lot) -> float:
        """Pieces that a step may run ahead of older ones."""
        if lot.step.unit == "pour":
            return float(_ROUNDS_AHEAD * self.sizing.moulds * self.sizing.parts_per_mould)
        return float(_ROUNDS_AHEAD * lot.per_print) if lot.step.computed == "print" else 0.0

    def _first_piece(self, lot: Lot, item: int) -> float:
        """The first of the pieces begun that an item becomes, or comes from."""
        if lot.step.unit == "part":
            return item * self.sizing.started_parts / lot.items
        return float(item * self.sizing.parts_per_mould) if lot.step.unit == "pour" else 0.0

    def _ready(self, chain: int) -> int | None:
        """When the next batch of a chain may start at the earliest; None while it must wait."""
        members = self.chains[chain]
        batch = len(self.placed[members[0]])
        if batch >= self.lots[members[0]].batches:
            return None
        released = [self._released(member, batch, members) for member in members]
        if released[0] is None or None in released:
            return None
        # a batch that was held back only by the one before it cannot start in the past
        return max(released[0], self.now)

    def _released(self, member: int, batch: int, members: tuple[int, ...]) -> int | None:
        """When everything outside the chain that a batch waits for is done; None while it is not placed."""
        lot, latest = self.lots[member], 0
        for before in self.before[member]:
            if before in members:
                continue
            needed = awaited(lot, batch, self.lots[before], self.sizing)
            placed = self.placed[before]
            if needed and needed[-1] >= len(placed):
                return None
            latest = max(latest, max((placed[number].end for number in needed), default=0))
        if member == self.takes_mould:
            needed = mould_users(lot, batch, self.lots[self.frees_mould], self.sizing)
            if needed:
                placed = self.placed[self.frees_mould]
                if needed[-1] >= len(placed):
                    return None
                latest = max(latest, max(placed[number].end for number in needed))
        return latest

    def _fit(self, chain: int, earliest: int) -> list[Placed]:
        """The next batch of every step of a chain, as early as its longest waits allow."""
        members = self.chains[chain]
        batch = len(self.placed[members[0]])
        released = [self._released(member, batch, members) or 0 for member in members]
        for _ in range(_MAX_TRIES):
            fitted: list[Placed] = []
            late = 0
            for member, ready in zip(members, released, strict=True):
                after = fitted[-1].end if fitted else earliest
                placed = self._earliest(member, batch, max(ready, after))
                late = self._overdue([*fitted, placed])
                gap_h = self.lots[member].step.max_gap_h
                if fitted and gap_h is not None:
                    # a limit of 10 min is 0.1666… h: its rounding must not cost a minute
                    late = max(late, placed.start - fitted[-1].end - math.floor(gap_h * 60.0 + 1e-6))
                if late > 0:
                    break
                fitted.append(placed)
            if late <= 0:
                return fitted
            earliest = fitted[0].start + late
        titles = ", ".join(self.lots[member].step.title for member in members)
        raise RequestInvalid(
            Fault(
                f"{titles}: these must follow each other soon, and no opening of the calendar takes them.",
                "Give the calendar longer working hours.",
                pointer="#/bench/calendar",
            )
        )

    def _overdue(self, fitted: Sequence[Placed]) -> int:
        """By how many minutes the last of a run ends after its time ran out."""
        step = self.lots[fitted[-1].lot].step
        if step.since is None or step.within_h is None:
            return 0
        begun = next(item.start for item in fitted if self.lots[item.lot].step.id == step.since)
        return fitted[-1].end - begun - math.floor(step.within_h * 60.0 + 1e-6)

    def _earliest(self, member: int, batch: int, minute: int) -> Placed:
        lot = self.lots[member]
        step = lot.step
        first, end = lot.span(batch)
        hands, elapsed = self._minutes(member, end - first)
        if hands == elapsed and self.can_be_put_aside[member]:
            return self._in_stretches(member, batch, minute, hands)
        machine = self.machines[step.machine] if step.machine else None
        outside = step.supply_days is not None
        attended = elapsed if not step.unattended and not outside else hands
        share = lot.room * (end - first)
        while True:
            start = machine.free_from(minute, elapsed, step.holds_c, share) if machine else minute
            if attended:
                start = self.hours.opening_for(start, attended)
            if hands:
                start = self.operator.free_from(start, hands)
            if start == minute:
                break
            minute = start
        finished = start + elapsed
        if step.supply_days is not None:
            finished = self.hours.delivered_at(start + hands, step.supply_days.best)
        busy = ((start, start + hands),) if hands else ()
        return Placed(member, batch, start, start + hands, finished, busy)

    def _minutes(self, member: int, count: int) -> tuple[int, int]:
        """The operator's time for a batch of `count` items, and that from start to end."""
        known = self.minutes.get((member, count))
        if known is None:
            lot = self.lots[member]
            hands = whole_minutes(lot.hands_on_min(count).best)
            known = hands, max(hands, whole_minutes(lot.elapsed_min(count).best))
            self.minutes[member, count] = known
        return known

    def _in_stretches(self, member: int, batch: int, minute: int, hands: int) -> Placed:
        """As early as the operator's free stretches within one opening add up to the work."""
        while True:
            begin, closes = self.hours.opening(minute)
            stretches = self.operator.stretches(begin, hands, closes) if hands else []
            if stretches is not None:
                start, end = (stretches[0][0], stretches[-1][1]) if stretches else (begin, begin)
                return Placed(member, batch, start, end, end, tuple(stretches))
            minute = closes

    def _take(self, fitted: Sequence[Placed]) -> None:
        for placed in fitted:
            lot = self.lots[placed.lot]
            first, end = lot.span(placed.batch)
            self.placed[placed.lot].append(placed)
            for begin, until in placed.hands:
                self.operator.take(begin, until)
            if lot.step.machine:
                share = lot.room * (end - first)
                self.machines[lot.step.machine].take(placed.start, placed.end, lot.step.holds_c, share)
        self.now = fitted[0].start
        self.operator.forget_before(self.now)
        for machine in self.machines.values():
            machine.forget_before(self.now)

    def _tails(self) -> list[float]:
        """For each step the time from its start to the end of the process, by one batch a step."""
        tails = [0.0] * len(self.lots)
        followers: list[list[int]] = [[] for _ in self.lots]
        for position, before in enumerate(self.before):
            for other in before:
                followers[other].append(position)
        for position in reversed(range(len(self.lots))):
            lot = self.lots[position]
            first, end = lot.span(0)
            own = lot.elapsed_min(end - first).best
            if lot.step.supply_days is not None:
                own += lot.step.supply_days.best * 24 * 60
            tails[position] = own + max((tails[other] for other in followers[position]), default=0.0)
        return tails


def mould_users(lot: Lot, batch: int, freeing: Lot, sizing: Sizing) -> range:
    """The batches that must free the moulds which a batch of pours fills again; empty in round one.

    Args:
        lot, batch: the step that takes moulds; freeing: the one that empties them.
        sizing: pour p uses mould p mod `moulds`, so it waits for pour p − `moulds`.

    Returns:
        Batch numbers of `freeing`.
    """
    first, end = lot.span(batch)
    if first < sizing.moulds:
        return range(0)
    return freeing.touching(first - sizing.moulds, end - sizing.moulds)


def critical_path(lots: Sequence[Lot], placed: Sequence[Placed], *, sizing: Sizing) -> tuple[Placed, ...]:
    """The batches that hold up the finish, first to last.

    Args:
        lots, sizing: as given to `place`; placed: what it returned.

    Returns:
        Back from the batch that ends last, each time to whatever was over last before it started:
        a forerunner, the batch before it on the same machine, the operator's work before it, or
        the mould's demoulding.
    """
    index = {lot.step.id: position for position, lot in enumerate(lots)}
    at = {(item.lot, item.batch): item for item in placed}
    pouring = [position for position, lot in enumerate(lots) if lot.step.unit == "pour"]
    hands = sorted((item for item in placed if item.hands_until > item.start), key=lambda i: i.hands_until)
    hands_ends = [item.hands_until for item in hands]
    on_machine: dict[str, list[Placed]] = {}
    for item in sorted(placed, key=lambda i: i.end):
        machine = lots[item.lot].step.machine
        if machine:
            on_machine.setdefault(machine, []).append(item)
    machine_ends = {machine: [item.end for item in items] for machine, items in on_machine.items()}

    def holding(item: Placed) -> Placed | None:
        lot = lots[item.lot]
        found: list[tuple[int, int, Placed]] = []
        for name in lot.step.after:
            before = index[name]
            found += [
                (at[before, number].end, 3, at[before, number])
                for number in awaited(lot, item.batch, lots[before], sizing)
            ]
        if pouring and item.lot == pouring[0]:
            found += [
                (at[pouring[-1], number].end, 2, at[pouring[-1], number])
                for number in mould_users(lot, item.batch, lots[pouring[-1]], sizing)
            ]
        if lot.step.machine:
            position = bisect_right(machine_ends[lot.step.machine], item.start) - 1
            if position >= 0:
                earlier = on_machine[lot.step.machine][position]
                found.append((earlier.end, 1, earlier))
        if item.hands_until > item.start:
            position = bisect_right(hands_ends, item.start) - 1
            if position >= 0:
                found.append((hands[position].hands_until, 0, hands[position]))
        found = [entry for entry in found if entry[2].start < item.start]
        return max(found, key=lambda entry: entry[:2])[2] if found else None

    path: list[Placed] = []
    current: Placed | None = max(placed, key=lambda item: (item.end, item.lot), default=None)
    while current is not None:
        path.append(current)
        current = holding(current)
    return tuple(reversed(path))
