"""Steps cut into batches, and which wait for which."""

from collections.abc import Sequence

import pytest

from rillcast_service.engine.errors import RequestInvalid
from rillcast_service.engine.planning.batches import Lot, awaited, chains, in_words, lots
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import Sizing, Step

UNITS = ("job", "mould", "pour", "part", "first_part")


def cut(
    steps: Sequence[Step],
    sizing: Sizing,
    *,
    longest: float = 480.0,
    first_alone: bool = False,
    **capacities: int,
):
    return lots(
        steps,
        sizing,
        capacities={name: dict.fromkeys(UNITS, count) for name, count in capacities.items()},
        per_print=capacities.get("plate", 1),
        print_min=Range.exact(60.0),
        longest_span_min=longest,
        first_alone=first_alone,
    )


def spans(lot: Lot) -> list[tuple[int, int]]:
    return [lot.span(batch) for batch in range(lot.batches)]


def test_batches_are_filled_in_order(make_step):
    (lot,) = cut([make_step("a", batch="oven")], Sizing(7, 7), oven=3)
    assert spans(lot) == [(0, 3), (3, 6), (6, 7)]
    assert [lot.words(batch) for batch in range(3)] == ["3 pieces", "3 pieces", "1 piece"]


def test_casting_rounds_are_never_mixed_in_a_batch(make_step):
    (lot,) = cut([make_step("pour", unit="pour", batch="oven")], Sizing(10, 10, 4, 3, 1), oven=3)
    assert spans(lot) == [(0, 3), (3, 4), (4, 7), (7, 8), (8, 10)]


def test_a_batch_is_no_larger_than_a_working_day(make_step):
    # 30 + 10 n ≤ 120 min
    (lot,) = cut(
        [make_step("a", hands_on_min=30.0, hands_on_per_item_min=10.0)], Sizing(20, 20), longest=120.0
    )
    assert spans(lot) == [(0, 9), (9, 18), (18, 20)]


def test_one_item_that_no_opening_takes_is_told(make_step):
    with pytest.raises(RequestInvalid, match="takes 500 min"):
        cut([make_step("a", hands_on_per_item_min=500.0)], Sizing(1, 1))


def test_steps_tied_by_a_longest_wait_share_batches_and_the_smallest_capacity(make_step):
    steps = [
        make_step("mix", batch="cup"),
        make_step("degas", after=["mix"], batch="chamber", max_gap_h=0.2),
        make_step("pour", after=["degas"], batch="all", max_gap_h=0.5),
        make_step("cure", after=["pour"], batch="oven"),
    ]
    assert chains(steps) == ((0, 1, 2), (3,))
    mix, degas, pour, cure = cut(steps, Sizing(10, 10), cup=4, chamber=3, oven=10)
    assert spans(mix) == spans(degas) == spans(pour) == [(0, 3), (3, 6), (6, 9), (9, 10)]
    assert spans(cure) == [(0, 10)]


def test_a_longest_wait_that_forks_is_refused(make_step):
    steps = [
        make_step("a"),
        make_step("b", after=["a"], max_gap_h=1.0),
        make_step("c", after=["a"], max_gap_h=1.0),
    ]
    with pytest.raises(ValueError, match="'c'"):
        chains(steps)


def test_pieces_wait_for_the_batches_that_hold_them(make_step):
    print_, trim = cut(
        [make_step("print", batch="plate"), make_step("trim", after=["print"], batch="tray")],
        Sizing(10, 10),
        plate=4,
        tray=3,
    )
    assert [list(awaited(trim, batch, print_, Sizing(10, 10))) for batch in range(4)] == [
        [0],
        [0, 1],
        [1, 2],
        [2],
    ]


def test_pours_wait_for_their_mould_and_pieces_for_their_pour(make_step):
    sizing = Sizing(good_parts=11, started_parts=11, moulds=3, rounds=2, parts_per_mould=2)
    steps = [
        make_step("print", unit="mould", batch="plate"),
        make_step("pour", unit="pour", batch="one", after=["print"]),
        make_step("trim", batch="tray", after=["pour"]),
    ]
    moulds, pour, trim = cut(steps, sizing, plate=2, tray=5)
    assert pour.items == 6
    # moulds 0 and 1 come on the first plate, 2 on the second; pour 3 uses mould 0 again
    assert [list(awaited(pour, batch, moulds, sizing)) for batch in range(6)] == [
        [0],
        [0],
        [1],
        [0],
        [0],
        [1],
    ]
    # pieces 0–4 come from pours 0–2, 5–9 from 2–4, piece 10 from pour 5
    assert [list(awaited(trim, batch, pour, sizing)) for batch in range(3)] == [[0, 1, 2], [2, 3, 4], [5]]


def test_what_is_left_after_scrap_waits_for_its_share(make_step):
    steps = [
        make_step("test", batch="half", yield_percent=50.0),
        make_step("pack", after=["test"], batch="bag"),
    ]
    test, pack = cut(steps, Sizing(6, 12), half=6, bag=3)
    assert (test.items, pack.items) == (12, 6)
    assert [list(awaited(pack, batch, test, Sizing(6, 12))) for batch in range(2)] == [[0], [1]]


def test_a_tray_stays_together_however_many_of_it_are_scrapped(make_step):
    steps = [
        make_step("trim", batch="tray", yield_percent=50.0),
        make_step("dry", after=["trim"], batch="same"),
        make_step("pack", after=["dry"], batch="tray"),
    ]
    trim, dry, pack = cut(steps, Sizing(6, 12), tray=5)
    # 12 begun on trays of 5, 5 and 2; half of them are left: up to 2, up to 5, up to 6
    assert spans(trim) == [(0, 5), (5, 10), (10, 12)]
    assert spans(dry) == spans(pack) == [(0, 2), (2, 5), (5, 6)]
    for one, before in ((dry, trim), (pack, dry)):
        assert [list(awaited(one, batch, before, Sizing(6, 12))) for batch in range(3)] == [[0], [1], [2]]


def test_what_shares_the_batches_of_a_step_that_is_no_tray_follows_it(make_step):
    steps = [make_step("cure", batch="oven"), make_step("demould", after=["cure"], batch="same")]
    cure, demould = cut(steps, Sizing(7, 7), oven=3)
    assert spans(demould) == spans(cure) == [(0, 3), (3, 6), (6, 7)]


def test_the_same_batches_as_nothing_is_refused(make_step):
    with pytest.raises(ValueError, match="'b'"):
        cut([make_step("a", unit="job"), make_step("b", after=["a"], batch="same")], Sizing(1, 1))


def test_a_run_is_no_larger_than_what_gets_through_in_time(make_step):
    """Mixing 10 min, degassing 30, pouring 5 a mould: 90 min leave 50 for 10 moulds."""
    steps = [
        make_step("mix", hands_on_min=10.0),
        make_step("degas", after=["mix"], elapsed_min=30.0, max_gap_h=0.1),
        make_step(
            "pour", after=["degas"], hands_on_per_item_min=5.0, max_gap_h=0.1, since="mix", within_h=1.5
        ),
    ]
    mix, degas, pour = cut(steps, Sizing(25, 25))
    assert spans(mix) == spans(degas) == spans(pour) == [(0, 10), (10, 20), (20, 25)]


def test_one_item_that_is_never_in_time_is_told(make_step):
    steps = [
        make_step("mix", hands_on_min=100.0),
        make_step("pour", after=["mix"], hands_on_min=5.0, max_gap_h=0.1, since="mix", within_h=1.5),
    ]
    with pytest.raises(RequestInvalid, match="takes 105 min and must be over within 90 min"):
        cut(steps, Sizing(1, 1))


def test_the_job_as_a_whole_waits_for_all_and_holds_up_all(make_step):
    steps = [
        make_step("a", batch="one"),
        make_step("report", unit="job", after=["a"]),
        make_step("b", after=["report"], batch="one"),
        make_step("first", unit="first_part", after=["b"], batch="one"),
    ]
    a, report, b, first = cut(steps, Sizing(3, 3))
    assert list(awaited(report, 0, a, Sizing(3, 3))) == [0, 1, 2]
    assert list(awaited(b, 2, report, Sizing(3, 3))) == [0]
    assert list(awaited(first, 0, b, Sizing(3, 3))) == [0]


def test_a_first_article_takes_the_first_plate_ahead(make_step):
    steps = [make_step("print", batch="plate"), make_step("cure", after=["print"], batch="oven")]
    print_, cure = cut(steps, Sizing(10, 10), plate=4, oven=9, first_alone=True)
    assert spans(print_) == [(0, 4), (4, 8), (8, 10)]
    assert spans(cure) == [(0, 4), (4, 10)]


def test_a_batch_that_needs_two_plates_prints_twice(make_step):
    lot = Lot(make_step("print", computed="print", hands_on_min=5.0), 5, (0,), Range.exact(60.0), per_print=2)
    assert lot.elapsed_min(5).best == pytest.approx(180.0)
    assert lot.elapsed_min(2).best == pytest.approx(60.0)


def test_a_batch_takes_no_less_than_the_hands_on_it(make_step):
    lot = Lot(
        make_step("a", elapsed_min=10.0, per_item_min=1.0, hands_on_per_item_min=4.0),
        9,
        (0,),
        Range.exact(0.0),
        1,
    )
    assert lot.elapsed_min(2) == Range.exact(12.0)
    assert lot.elapsed_min(4) == Range.exact(16.0)


@pytest.mark.parametrize(
    ("unit", "count", "words"),
    [
        ("job", 1, "whole job"),
        ("mould", 4, "4 moulds"),
        ("pour", 1, "1 filled mould"),
        ("part", 12, "12 pieces"),
    ],
)
def test_batches_in_words(unit, count, words):
    assert in_words(unit, count) == words
