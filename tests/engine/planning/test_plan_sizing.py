"""How many are begun."""

import pytest

from rillcast_service.catalogue.types import Quantity
from rillcast_service.engine.planning.sizing import sizings
from rillcast_service.engine.routes.base import Mould, Sizing
from rillcast_service.engine.routes.counts import pieces_entering, pours


def mould(parts: int, life: float) -> Mould:
    return Mould(
        parts=parts,
        width_mm=80.0,
        depth_mm=30.0,
        pour_ml=6.0,
        life_casts=Quantity(life, "1", "test", low=life, high=life),
    )


def test_each_step_gets_what_it_and_all_after_it_lose(make_step):
    steps = [
        make_step("print"),
        make_step("clear", after=["print"], yield_percent=75.0),
        make_step("fit", after=["clear"]),
        make_step("leak", after=["fit"], yield_percent=95.0),
        make_step("pack", after=["leak"]),
    ]
    # 24/0.95 = 25.3; 24/(0.95 · 0.75) = 33.7
    assert pieces_entering(steps, 24) == {"print": 34, "clear": 34, "fit": 26, "leak": 26, "pack": 24}


def test_rounding_begins_no_piece_too_many(make_step):
    # 81/(0.9 · 0.9) is exactly 100
    steps = [make_step("a", yield_percent=90.0), make_step("b", after=["a"], yield_percent=90.0)]
    assert pieces_entering(steps, 81)["a"] == 100


def test_a_route_without_moulds_has_one_size(make_step):
    steps = [make_step("a", yield_percent=50.0)]
    assert sizings(steps, 10, (), most_at_once=8) == (Sizing(good_parts=10, started_parts=20),)


def test_moulds_are_laddered_and_none_is_idle(make_step):
    found = sizings([make_step("a")], 12, [mould(1, 30.0)], most_at_once=8)
    # 12 pours: 1 × 12, 2 × 6, 3 × 4, 4 × 3, 6 × 2; 8 moulds would need the same 2 rounds as 6
    assert [(sizing.moulds, sizing.rounds) for sizing in found] == [(1, 12), (2, 6), (3, 4), (4, 3), (6, 2)]
    assert all(pours(sizing) == 12 for sizing in found)


def test_wear_sets_the_fewest_moulds(make_step):
    found = sizings([make_step("a")], 100, [mould(1, 15.0)], most_at_once=4)
    # 100 pours at 15 each need 7 moulds, more than are looked after at once
    assert [(sizing.moulds, sizing.rounds) for sizing in found] == [(7, 15)]


def test_moulds_of_several_pieces_are_poured_less_often(make_step):
    (sizing,) = sizings([make_step("a")], 5, [mould(2, 30.0)], most_at_once=1)
    assert (sizing.parts_per_mould, sizing.rounds, pours(sizing)) == (2, 3, 3)


def test_a_mould_for_more_than_is_made_is_left_out_unless_it_is_the_only_one(make_step):
    steps = [make_step("a")]
    assert {s.parts_per_mould for s in sizings(steps, 1, [mould(1, 9.0), mould(4, 9.0)], most_at_once=3)} == {
        1
    }
    assert {s.parts_per_mould for s in sizings(steps, 1, [mould(4, 9.0)], most_at_once=3)} == {4}


@pytest.mark.parametrize("good", [1, 7, 1000, 10_000])
def test_the_ladder_stays_short_for_any_quantity(make_step, good):
    found = sizings([make_step("a")], good, [mould(1, 15.0), mould(3, 15.0)], most_at_once=24)
    assert 1 <= len(found) <= 24
    for sizing in found:
        assert sizing.moulds * sizing.rounds >= pours(sizing) > sizing.moulds * (sizing.rounds - 1)
        assert sizing.rounds <= 15
