"""Three-point estimates and their sums against published formulas and closed forms.

Beta-PERT mean (a + 4m + b)/6: Malcolm, Roseboom, Clark, Fazar 1959, Operations Research 7, 646-669.
Variance (μ − a)(b − μ)/7: of the beta distribution with α + β = 6, variance αβ/((α + β)²(α + β + 1))
scaled by (b − a)²; the often quoted ((b − a)/6)² is only its value near the middle.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rillcast_service.engine.costing.uncertainty import Cause, Factor, draw_pert, pert_shape, simulate
from rillcast_service.engine.ranges import Range

CASES = [Range(1, 2, 9), Range(0, 5, 10), Range(20, 30, 45), Range(3, 3, 12), Range(1, 8, 8)]


def moments(spread: Range) -> tuple[float, float]:
    mean = (spread.low + 4 * spread.best + spread.high) / 6
    return mean, (mean - spread.low) * (spread.high - mean) / 7


def factor(name: str, spread: Range) -> Factor:
    return Factor(spread, Cause(name, name))


@pytest.mark.parametrize("spread", CASES, ids=str)
def test_mean_and_variance_of_beta_pert(spread):
    draws = draw_pert(spread, seed=1, key="x")
    mean, variance = moments(spread)
    # stratified draws: the mean is good to 1e-5 of the range, the variance to a thousandth
    assert draws.mean() == pytest.approx(mean, abs=1e-5 * (spread.high - spread.low))
    assert draws.var() == pytest.approx(variance, rel=1e-3)
    assert draws.min() >= spread.low
    assert draws.max() <= spread.high


def test_shape_of_the_middle_case():
    """Best in the middle: α = β = 1 + 4/2 = 3."""
    assert pert_shape(Range(0, 5, 10)) == (3.0, 3.0)


@pytest.mark.parametrize("spread", CASES, ids=str)
def test_quantiles_against_scipy(spread):
    """scipy.stats.beta inverts the distribution function by another method; 1e-3 of the range."""
    alpha, beta = pert_shape(spread)
    found = simulate([(1.0, [(factor("x", spread),)])], seed=3)
    exact = stats.beta.ppf([0.1, 0.5, 0.9], alpha, beta, loc=spread.low, scale=spread.high - spread.low)
    assert [found.p10, found.p50, found.p90] == pytest.approx(exact, abs=1e-3 * (spread.high - spread.low))


def test_sum_of_independent_causes():
    """Variances add: nine equal inputs have three times the standard deviation of one. 2 % is
    what the chance pairing of 10 000 draws leaves."""
    one = Range(10, 12, 20)
    mean, variance = moments(one)
    found = simulate([(1.0, [(factor(f"cause {n}", one),)]) for n in range(9)], seed=1)
    assert found.mean == pytest.approx(9 * mean, rel=1e-4)
    assert found.standard_deviation == pytest.approx(3 * math.sqrt(variance), rel=0.02)


def test_sum_that_shares_one_cause():
    """Standard deviations add: nine inputs of one cause have nine times that of one."""
    one = Range(10, 12, 20)
    mean, variance = moments(one)
    found = simulate([(1.0, [(factor("operator", one),)]) for _ in range(9)], seed=1)
    assert found.mean == pytest.approx(9 * mean, rel=1e-4)
    assert found.standard_deviation == pytest.approx(9 * math.sqrt(variance), rel=1e-3)


def test_product_of_two_causes_and_their_shares():
    """Var(XY) = μx²σy² + μy²σx² + σx²σy² for independent X, Y (Goodman 1960, J. Am. Stat. Assoc. 55,
    708-713); the first-order share of X is μy²σx² over that."""
    x, y = Range(1, 2, 6), Range(40, 60, 90)
    (mx, vx), (my, vy) = moments(x), moments(y)
    found = simulate([(2.0, [(factor("x", x), factor("y", y))])], seed=1)
    variance = mx**2 * vy + my**2 * vx + vx * vy
    assert found.mean == pytest.approx(2 * mx * my, rel=2e-3)
    assert found.standard_deviation == pytest.approx(2 * math.sqrt(variance), rel=0.02)
    shares = {driver.what: driver.share for driver in found.drivers}
    assert shares["x"] == pytest.approx(my**2 * vx / variance, abs=0.02)
    assert shares["y"] == pytest.approx(mx**2 * vy / variance, abs=0.02)


def test_shares_of_a_sum_are_the_shares_of_variance():
    spreads = {"a": Range(0, 5, 10), "b": Range(0, 10, 20), "c": Range(0, 20, 40)}
    found = simulate([(1.0, [(factor(name, spread),)]) for name, spread in spreads.items()], seed=5)
    # equal shapes, ranges 1 : 2 : 4, so variances 1 : 4 : 16
    shares = {driver.what: driver.share for driver in found.drivers}
    assert shares == pytest.approx({"a": 1 / 21, "b": 4 / 21, "c": 16 / 21}, abs=0.02)
    assert [driver.what for driver in found.drivers] == ["c", "b", "a"]


def test_ends_hardly_move_between_seeds():
    terms = [
        (1.0, [(factor(f"cause {n}", Range(10, 12, 20)), factor("rate", Range(50, 60, 90)))])
        for n in range(5)
    ]
    found = [simulate(terms, seed=seed) for seed in range(8)]
    spread = np.mean([one.p90 - one.p10 for one in found])
    for ends in ([one.p10 for one in found], [one.p90 for one in found]):
        assert np.std(ends) < 0.01 * spread
