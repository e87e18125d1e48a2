"""What the simulation of a price keeps whatever is put in."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rillcast_service.engine.costing.uncertainty import Cause, Factor, simulate
from rillcast_service.engine.ranges import Range

NUMBER = st.floats(min_value=0.01, max_value=1000)
RANGES = st.lists(NUMBER, min_size=3, max_size=3).map(lambda three: Range(*sorted(three)))
CAUSES = st.sampled_from([Cause(name, name) for name in "abcdef"])
TERMS = st.lists(
    st.builds(Factor, RANGES, CAUSES), min_size=1, max_size=3, unique_by=lambda one: one.cause
).map(tuple)
COSTS = st.lists(
    st.tuples(st.floats(min_value=0.1, max_value=5), st.lists(TERMS, min_size=1, max_size=3)),
    min_size=1,
    max_size=6,
)
DRAWS = 500


def extreme(costs, end):
    total = 0.0
    for weight, terms in costs:
        for term in terms:
            product = weight
            for factor in term:
                product *= getattr(factor.spread, end)
            total += product
    return total


@settings(max_examples=80, deadline=None)
@given(costs=COSTS, seed=st.integers(0, 2**32))
def test_percentiles_are_ordered_and_within_the_ends(costs, seed):
    found = simulate(costs, seed=seed, draws=DRAWS)
    slack = 1e-9 * extreme(costs, "high")
    ordered = (
        extreme(costs, "low") - slack,
        found.p10,
        found.p50,
        found.p90,
        extreme(costs, "high") + slack,
    )
    assert list(ordered) == sorted(ordered)
    assert all(0 <= driver.share <= 1 for driver in found.drivers)


@settings(max_examples=40, deadline=None)
@given(costs=COSTS, sure=NUMBER, seed=st.integers(0, 1000))
def test_a_sure_cost_moves_every_percentile_alike_and_changes_no_driver(costs, sure, seed):
    before = simulate(costs, seed=seed, draws=DRAWS)
    after = simulate([*costs, (1.0, [(Factor(Range.exact(sure)),)])], seed=seed, draws=DRAWS)
    for name in ("p10", "p50", "p90", "mean"):
        assert getattr(after, name) == pytest.approx(getattr(before, name) + sure, rel=1e-9)
    assert [driver.what for driver in after.drivers] == [driver.what for driver in before.drivers]


@settings(max_examples=40, deadline=None)
@given(costs=COSTS, factor=st.floats(min_value=0.1, max_value=10), seed=st.integers(0, 1000))
def test_another_unit_of_money_changes_nothing_else(costs, factor, seed):
    before = simulate(costs, seed=seed, draws=DRAWS)
    scaled = simulate([(weight * factor, terms) for weight, terms in costs], seed=seed, draws=DRAWS)
    assert scaled.p90 == pytest.approx(before.p90 * factor, rel=1e-9)
    assert scaled.standard_deviation == pytest.approx(before.standard_deviation * factor, rel=1e-6, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(costs=COSTS, spread=RANGES, seed=st.integers(0, 1000))
def test_a_new_cause_leaves_the_draws_of_the_others_alone(costs, spread, seed):
    """So a change to one input is not drowned in other random numbers."""
    other = Cause("new", "new")
    alone = simulate([(1.0, [(Factor(spread, other),)])], seed=seed, draws=DRAWS)
    before = simulate(costs, seed=seed, draws=DRAWS)
    after = simulate([*costs, (1.0, [(Factor(spread, other),)])], seed=seed, draws=DRAWS)
    assert after.mean == pytest.approx(before.mean + alone.mean, rel=1e-9)


def test_without_ranges_there_is_nothing_to_drive():
    found = simulate([(2.0, [(Factor(Range.exact(3.0)), Factor(Range.exact(5.0)))])], seed=1)
    assert (found.p10, found.p50, found.p90, found.drivers) == (30.0, 30.0, 30.0, ())


def test_a_cause_twice_in_a_product_is_refused():
    twice = Factor(Range(1, 2, 3), Cause("a", "a"))
    with pytest.raises(ValueError, match="twice"):
        simulate([(1.0, [(twice, Factor(Range(4, 5, 6), Cause("a", "a")))])], seed=1)


def test_a_range_needs_a_cause():
    with pytest.raises(ValueError, match="no cause"):
        Factor(Range(1, 2, 3))
