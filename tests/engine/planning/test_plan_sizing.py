"""How many are begun."""

import math

import pytest

from rillcast_service.catalogue.types import Quantity
from rillcast_service.engine.planning.sizing import sizings
from rillcast_service.engine.routes.base import Mould
from rillcast_service.engine.routes.counts import pieces_begun, pieces_entering, pours


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
    (sizing,) = sizings(steps, 10, (), most_at_once=8)
    assert (sizing.good_parts, sizing.started_parts, sizing.moulds) == (10, 20, 0)
    assert "20 pieces are begun so that on average 10 are good: 50 %" in sizing.why


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


@pytest.mark.parametrize(
    ("good", "share", "confidence", "begun"),
    [
        # P(at least 1 of n) = 1 − 0.5ⁿ: 3 give 87.5 %, 4 give 93.75 %
        (1, 0.5, 0.9, 4),
        (1, 0.5, 0.875, 3),
        # all n must be good: 0.9² = 81 % ; one spare: P(B(3; 0.9) ≥ 2) = 0.972
        (2, 0.9, 0.9, 3),
        (2, 0.9, 0.8, 2),
        (7, 1.0, 0.99, 7),
    ],
)
def test_pieces_begun_by_hand(good, share, confidence, begun):
    assert pieces_begun(good, share, confidence) == begun


@pytest.mark.parametrize("good", [1, 3, 24, 100, 1000])
@pytest.mark.parametrize("share", [0.4, 0.7, 0.95])
def test_pieces_begun_are_enough_and_one_fewer_is_not(good, share):
    """Against the binomial summed term by term, with exact integer coefficients."""

    def chance(begun: int) -> float:
        log_p, log_q = math.log(share), math.log1p(-share)
        return math.fsum(
            math.exp(
                math.lgamma(begun + 1) - math.lgamma(k + 1) - math.lgamma(begun - k + 1)
                + k * log_p + (begun - k) * log_q
            )
            for k in range(good, begun + 1)
        )  # fmt: skip

    begun = pieces_begun(good, share, 0.9)
    assert chance(begun) >= 0.9 - 1e-9
    assert chance(begun - 1) < 0.9 + 1e-9


def test_confidence_begins_more_and_says_why(make_step):
    steps = [make_step("a", yield_percent=80.0), make_step("b", after=["a"], yield_percent=90.0)]
    (sizing,) = sizings(steps, 24, (), most_at_once=8, confidence=0.9)
    # 72 % come through: 34 on average, and P(B(38; 0.72) ≥ 24) = 0.91, P(B(37; 0.72) ≥ 24) = 0.87
    assert sizing.started_parts == 38
    assert "38 pieces are begun so that with 90 % probability 24 are good: 72 %" in sizing.why
    assert "binomial; on average 27.4 good" in sizing.why
