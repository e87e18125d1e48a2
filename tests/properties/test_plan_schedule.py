"""Whatever is planned: nothing is lost, nothing overlaps, nothing comes too early, too late or out of hours.

The checks below are written from the rules of a bench, not from the scheduler: they look only at what it
returns.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.engine.planning.batches import Lot, lots
from rillcast_service.engine.planning.calendar import Calendar, Hours
from rillcast_service.engine.planning.schedule import Placed, critical_path, place
from rillcast_service.engine.planning.sizing import sizings
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import Mould, Sizing, Step

BERLIN = ZoneInfo("Europe/Berlin")
HOLIDAYS = frozenset({date(2027, 3, 26), date(2027, 3, 29)})
CALENDARS = (
    Calendar(BERLIN, dict.fromkeys(range(5), ((time(9), time(17)),)), HOLIDAYS),
    Calendar(BERLIN, dict.fromkeys(range(7), ((time(8), time(12)), (time(13), time(18)))), HOLIDAYS),
    Calendar(ZoneInfo("UTC"), {1: ((time(10), time(15)),), 3: ((time(7), time(21)),)}),
)
SUPPLIER = Entry(kind="suppliers", name="mould_maker", title="mould maker")


def step(step_id: str, after: Sequence[str], unit: str, batch: str, **more: Any) -> Step:
    values: dict[str, Any] = {
        "id": step_id,
        "title": step_id,
        "after": tuple(after),
        "unit": unit,
        "batch": batch,
        "machine": None,
        "machine_entry": None,
        "elapsed_min": Range.exact(0.0),
        "per_item_min": Range.exact(0.0),
        "computed": None,
        "hands_on_min": Range.exact(0.0),
        "hands_on_per_item_min": Range.exact(0.0),
        "unattended": False,
        "first_pass_yield": None,
        "max_gap_h": None,
        "shared": False,
        "supplier": None,
        "supply_days": None,
        "cautions": (),
        "source": "test",
    }
    return Step(**(values | more))


def share(percent: float) -> Quantity:
    return Quantity(percent, "%", "test", low=percent, high=percent)


@st.composite
def processes(draw: st.DrawFn) -> tuple[Step, ...]:
    """A casting process with random times, batches and yields: every kind of step that routes have."""

    def minutes(low: int, high: int) -> Range:
        return Range.exact(draw(st.integers(min_value=low * 4, max_value=high * 4)) / 4.0)

    percent = st.integers(min_value=60, max_value=100).map(lambda value: share(float(value)))
    hand_batch = st.sampled_from(["tray", "moulds", "all", "one"])
    return (
        step("prepare", [], "job", "all", hands_on_min=minutes(1, 90)),
        step("order", ["prepare"], "mould", "all", hands_on_min=minutes(1, 30), unattended=True,
             supplier=SUPPLIER, supply_days=Range(0.0, float(draw(st.integers(0, 12))), 30.0)),
        step("print", ["prepare"], "mould", "plate", machine="printer", computed="print",
             hands_on_min=minutes(1, 20), unattended=True),
        step("mix", ["print", "order"], "pour", "cup", hands_on_min=minutes(1, 10)),
        step("degas", ["mix"], "pour", "cup", machine="chamber", elapsed_min=minutes(10, 50),
             hands_on_min=minutes(1, 5), max_gap_h=draw(st.sampled_from([0.0, 0.25]))),
        step("pour", ["degas"], "pour", "moulds", hands_on_per_item_min=minutes(1, 4), max_gap_h=0.3,
             since="mix", within_h=draw(st.sampled_from([1.2, 2.0]))),
        step("cure", ["pour"], "pour", "oven", machine="oven", elapsed_min=minutes(30, 900),
             hands_on_min=minutes(0, 5), unattended=True, max_gap_h=draw(st.sampled_from([None, 1.0])),
             holds_c=draw(st.sampled_from([None, 65.0]))),
        step("demould", ["cure"], "pour", draw(st.sampled_from(["oven", "moulds", "one", "same"])),
             hands_on_per_item_min=minutes(1, 6)),
        step("trim", ["demould"], "part", draw(hand_batch), hands_on_per_item_min=minutes(1, 8),
             first_pass_yield=draw(percent)),
        step("activate", ["trim"], "part", "plasma", machine="plasma", elapsed_min=minutes(3, 8),
             hands_on_min=minutes(1, 3)),
        step("join", ["activate"], "part", "plasma", hands_on_per_item_min=minutes(1, 3), max_gap_h=0.05,
             first_pass_yield=draw(percent)),
        step("bake", ["join"], "part", draw(st.sampled_from(["oven", "same"])), machine="oven",
             elapsed_min=minutes(30, 300), hands_on_min=minutes(1, 5), unattended=True,
             holds_c=draw(st.sampled_from([None, 65.0, 80.0]))),
        step("pack", ["bake"], "part", draw(hand_batch), hands_on_per_item_min=minutes(1, 5)),
        step("report", ["pack"], "first_part", "one", hands_on_min=minutes(10, 60)),
    )  # fmt: skip


CAPACITIES = {"plate": 3, "cup": 4, "oven": 6, "plasma": 2, "tray": 12}


def cut_and_place(
    steps: tuple[Step, ...], sizing: Sizing, calendar: Calendar, *, first_alone: bool = False
) -> tuple[tuple[Lot, ...], tuple[Placed, ...], Hours]:
    units = ("job", "mould", "pour", "part", "first_part")
    cut = lots(
        steps,
        sizing,
        capacities={name: dict.fromkeys(units, count) for name, count in CAPACITIES.items()},
        per_print=CAPACITIES["plate"],
        print_min=Range.exact(73.0),
        longest_span_min=calendar.longest_span_min(),
        first_alone=first_alone,
    )
    hours = Hours(calendar, datetime(2027, 3, 22, 11, 7, tzinfo=BERLIN))
    return cut, place(cut, sizing=sizing, hours=hours), hours


def sizing_for(steps: tuple[Step, ...], good: int, at_once: int, parts: int) -> Sizing:
    mould = Mould(parts, 80.0, 30.0, 6.0, Quantity(40.0, "1", "test", low=40.0, high=40.0))
    return sizings(steps, good, [mould], most_at_once=at_once)[-1]


def check(cut: tuple[Lot, ...], placed: Sequence[Placed], hours: Hours, sizing: Sizing) -> None:
    by_batch = {(item.lot, item.batch): item for item in placed}
    assert len(by_batch) == len(placed), "a batch was placed twice"
    assert set(by_batch) == {(lot, batch) for lot in range(len(cut)) for batch in range(cut[lot].batches)}
    _check_items(cut, sizing)
    _check_order(cut, by_batch, sizing)
    _check_machines(cut, placed)
    _check_operator(placed)
    _check_work(cut, placed)
    _check_hours(cut, placed, hours)


def _check_items(cut: tuple[Lot, ...], sizing: Sizing) -> None:
    """Every item of every step is in exactly one batch, and enough pieces survive."""
    for lot in cut:
        spans = [lot.span(batch) for batch in range(lot.batches)]
        assert spans[0][0] == 0
        assert spans[-1][1] == lot.items
        assert all(one[1] == other[0] for one, other in pairwise(spans))
        assert all(first < end for first, end in spans)
    last = [lot for lot in cut if lot.step.unit == "part"][-1]
    assert last.items == sizing.good_parts
    alive = float(sizing.started_parts)
    for lot in cut:
        if lot.step.unit == "part":
            assert lot.items <= alive + 1.0
            alive = lot.items * (
                lot.step.first_pass_yield.value / 100.0 if lot.step.first_pass_yield else 1.0
            )
    assert alive >= sizing.good_parts - 1e-6


def _check_order(cut: tuple[Lot, ...], by_batch: dict[tuple[int, int], Placed], sizing: Sizing) -> None:
    """No batch starts before its own items come out of the step before, and none waits too long."""
    index = {lot.step.id: position for position, lot in enumerate(cut)}
    ends = {
        lot.step.id: _ready_by_item(lot, [by_batch[index[lot.step.id], b].end for b in range(lot.batches)])
        for lot in cut
    }
    for position, lot in enumerate(cut):
        for batch in range(lot.batches):
            item = by_batch[position, batch]
            first, end = lot.span(batch)
            for name in lot.step.after:
                before = cut[index[name]]
                done = ends[name]
                for piece in range(first, end):
                    assert item.start >= done[_twin(piece, lot, before, sizing)], (lot.step.id, name, piece)
                if lot.step.within_h is not None:
                    begun = by_batch[index[lot.step.since], batch]
                    assert item.end - begun.start <= lot.step.within_h * 60.0
                if lot.step.max_gap_h is not None:
                    tied = by_batch[index[name], batch]
                    assert before.span(batch) == (first, end)
                    assert 0 <= item.start - tied.end <= lot.step.max_gap_h * 60.0
    pouring = [position for position, lot in enumerate(cut) if lot.step.unit == "pour"]
    takes, frees = cut[pouring[0]], ends[cut[pouring[-1]].step.id]
    for batch in range(takes.batches):
        first, end = takes.span(batch)
        assert len({pour % sizing.moulds for pour in range(first, end)}) == end - first, (
            "a mould is used twice"
        )
        for pour in range(first, end):
            if pour >= sizing.moulds:
                assert by_batch[pouring[0], batch].start >= frees[pour - sizing.moulds]


def _ready_by_item(lot: Lot, ends: Sequence[int]) -> list[int]:
    return [ends[batch] for batch in range(lot.batches) for _ in range(*lot.span(batch))]


def _twin(piece: int, lot: Lot, before: Lot, sizing: Sizing) -> int:
    """An item of the step before that must be done before `piece` can go on."""
    units = (lot.step.unit, before.step.unit)
    if before.step.unit in ("job", "first_part"):
        return 0
    if units == ("pour", "mould"):
        return piece % sizing.moulds
    if units == ("part", "pour"):
        begun = piece * sizing.started_parts // lot.items
        return min(begun // sizing.parts_per_mould, before.items - 1)
    if units[0] == "first_part":
        return 0
    if units[0] == units[1]:
        return piece * before.items // lot.items
    return before.items - 1


def _check_machines(cut: tuple[Lot, ...], placed: Sequence[Placed]) -> None:
    """One batch at a time; at one temperature as many as there is room for."""
    busy: dict[str, list[tuple[int, int, float | None, float]]] = defaultdict(list)
    for item in placed:
        lot = cut[item.lot]
        first, end = lot.span(item.batch)
        if lot.step.machine:
            busy[lot.step.machine].append((item.start, item.end, lot.step.holds_c, lot.room * (end - first)))
    for spans in busy.values():
        spans.sort(key=lambda span: span[:2])
        for index, (start, end, holds_c, _) in enumerate(spans):
            inside = [other for other in spans[:index] if other[1] > start and other[0] < end]
            if inside:
                assert holds_c is not None
                assert {other[2] for other in inside} == {holds_c}
            full = sum(share for begin, until, _, share in spans[: index + 1] if begin <= start < until)
            assert full <= 1.0 + 1e-9


def _check_operator(placed: Sequence[Placed]) -> None:
    """Two hands: nothing overlaps, what is put aside is taken up again, and all of it gets done."""
    spans = sorted(span for item in placed for span in item.hands)
    assert all(one[1] <= other[0] for one, other in pairwise(spans))
    for item in placed:
        if item.hands:
            assert (item.hands[0][0], item.hands[-1][1]) == (item.start, item.hands_until)
        else:
            assert item.hands_until == item.start


def _check_work(cut: tuple[Lot, ...], placed: Sequence[Placed]) -> None:
    for item in placed:
        lot = cut[item.lot]
        first, end = lot.span(item.batch)
        worked = sum(until - begin for begin, until in item.hands)
        assert worked == math.ceil(lot.hands_on_min(end - first).best - 1e-9)
        if len(item.hands) > 1:
            # only work of the hands alone is put aside
            assert lot.step.machine is None
            assert lot.step.max_gap_h is None


def _check_hours(cut: tuple[Lot, ...], placed: Sequence[Placed], hours: Hours) -> None:
    """Hands, and the whole of watched steps, lie within one opening; clocks as on the wall."""
    for item in placed:
        step = cut[item.lot].step
        assert item.start <= item.hands_until <= item.end
        watched_until = item.hands_until if step.unattended or step.supplier else item.end
        if watched_until > item.start:
            begin, until = hours.at(item.start), hours.at(watched_until)
            spans = hours.calendar.spans(begin.date())
            assert any(opens <= begin and until <= closes for opens, closes in spans), (step.id, begin, until)
        if step.supplier is not None:
            opens = [begin for begin, _ in hours.calendar.spans(hours.at(item.end).date())]
            assert hours.at(item.end) in opens


@settings(max_examples=40, deadline=None)
@given(
    steps=processes(),
    good=st.integers(min_value=1, max_value=60),
    at_once=st.integers(min_value=1, max_value=8),
    parts=st.integers(min_value=1, max_value=4),
    calendar=st.sampled_from(CALENDARS),
    first_alone=st.booleans(),
)
def test_no_plan_breaks_a_rule_of_the_bench(steps, good, at_once, parts, calendar, first_alone):
    sizing = sizing_for(steps, good, at_once, parts)
    cut, placed, hours = cut_and_place(steps, sizing, calendar, first_alone=first_alone)
    check(cut, placed, hours, sizing)
    path = critical_path(cut, placed, sizing=sizing)
    assert path[-1].end == max(item.end for item in placed)
    assert all(one.start < other.start for one, other in pairwise(path))


@pytest.mark.parametrize("good", [1, 2, 11, 97, 1_000, 10_000])
def test_every_quantity_is_planned_in_full(good):
    steps = tuple(_fixed_process())
    for parts in (1, 3):
        sizing = sizing_for(steps, good, 12, parts)
        cut, placed, hours = cut_and_place(steps, sizing, CALENDARS[0])
        check(cut, placed, hours, sizing)


@settings(max_examples=10, deadline=None)
@given(steps=processes(), good=st.integers(min_value=1, max_value=40))
def test_the_same_job_gives_the_same_plan(steps, good):
    sizing = sizing_for(steps, good, 4, 2)
    assert cut_and_place(steps, sizing, CALENDARS[0])[1] == cut_and_place(steps, sizing, CALENDARS[0])[1]


@settings(max_examples=15, deadline=None)
@given(steps=processes(), good=st.integers(min_value=1, max_value=30))
def test_a_start_four_weeks_later_moves_the_whole_plan_by_four_weeks(steps, good):
    """From one Monday in June to one in July, with neither holiday nor clock change in between."""
    sizing = sizing_for(steps, good, 4, 1)
    plain = replace(CALENDARS[0], holidays=frozenset())
    cut, _, _ = cut_and_place(steps, sizing, plain)
    june, july = (Hours(plain, datetime(2027, *day, 11, 7, tzinfo=BERLIN)) for day in ((6, 7), (7, 5)))
    early, late = (place(cut, sizing=sizing, hours=hours) for hours in (june, july))
    assert early == late
    assert july.at(late[-1].end) - june.at(early[-1].end) == timedelta(days=28)


def _fixed_process() -> Sequence[Step]:
    """A process of the same shape with everyday times."""
    exact = Range.exact
    return (
        step("prepare", [], "job", "all", hands_on_min=exact(30.0)),
        step("print", ["prepare"], "mould", "plate", machine="printer", computed="print",
             hands_on_min=exact(10.0), unattended=True),
        step("mix", ["print"], "pour", "cup", hands_on_min=exact(8.0)),
        step("degas", ["mix"], "pour", "cup", machine="chamber", elapsed_min=exact(35.0),
             hands_on_min=exact(5.0), max_gap_h=0.25),
        step("pour", ["degas"], "pour", "moulds", hands_on_per_item_min=exact(3.0), max_gap_h=0.5),
        step("cure", ["pour"], "pour", "oven", machine="oven", elapsed_min=exact(220.0),
             hands_on_min=exact(5.0), unattended=True),
        step("demould", ["cure"], "pour", "oven", hands_on_per_item_min=exact(3.0)),
        step("trim", ["demould"], "part", "tray", hands_on_per_item_min=exact(3.0),
             first_pass_yield=share(94.0)),
        step("join", ["trim"], "part", "tray", hands_on_per_item_min=exact(4.0),
             first_pass_yield=share(88.0)),
        step("pack", ["join"], "part", "tray", hands_on_per_item_min=exact(3.0)),
    )  # fmt: skip
