"""How sure a price is: independent causes drawn once, everything they move computed from them.

A cost is a sum of products of factors: hours × rate, kilograms × price per kilogram. Each factor has
a low, best and high estimate and one *cause* that moves it. Causes are independent of each other;
factors of one cause move together (a slow operator is slow at every step). That is where most of the
spread of a price comes from, and what adding up independent lines would miss.

Each cause is a beta-PERT variable: on 0..1 with mode c it is Beta(1 + λ·c, 1 + λ·(1 − c)) with λ = 4,
so its mean is (low + 4·best + high)/6 and its variance (mean − low)·(high − mean)/7.
Source: Malcolm, Roseboom, Clark, Fazar 1959, Operations Research 7, 646-669 (the mean); the variance
is that of the beta distribution (from memory), not the rule of thumb ((high − low)/6)².
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Driver

PERT_LAMBDA = 4.0
#: Enough that the 10 % and 90 % points move by less than 1 % of the spread between seeds.
DRAWS = 10_000
DRIVERS_SHOWN = 5
#: Nodes of the inverse distribution function; its error is far below that of the draws.
_NODES = np.linspace(0.0, 1.0, 1025)

Draws = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cause:
    """An independent reason for a number to come out otherwise.

    Args:
        key: tells causes apart, and picks the stream of random numbers.
        label: for people, as a noun (`bench labour rate`).
    """

    key: str
    label: str


@dataclass(frozen=True, slots=True)
class Factor:
    """A number in a cost, its range, and what moves it. No cause: it is what it is.

    Args:
        spread: low, best and high estimate, in whatever unit the product wants.
        cause: what moves it from low to high; must be given when the range is not a point.
    """

    spread: Range
    cause: Cause | None = None

    def __post_init__(self) -> None:
        if self.cause is None and self.spread.low != self.spread.high:
            raise ValueError(f"{self.spread} has a range but no cause")


#: Factors to be multiplied, each with a cause of its own.
Term = tuple[Factor, ...]


@dataclass(frozen=True, slots=True)
class Spread:
    """What the simulation says of a total, in the unit of its terms.

    Args:
        p10, p50, p90: what it stays under with 10, 50 and 90 % probability.
        mean, standard_deviation: of the draws.
        drivers: the causes that make most of the variance, largest first.
    """

    p10: float
    p50: float
    p90: float
    mean: float
    standard_deviation: float
    drivers: tuple[Driver, ...]


@dataclass(frozen=True, slots=True)
class _Moved:
    """Draws of one cause: `below` (−1..0) from best towards low, `above` (0..1) towards high."""

    below: Draws
    above: Draws

    def draw(self, spread: Range) -> Draws:
        return (
            spread.best + (spread.best - spread.low) * self.below + (spread.high - spread.best) * self.above
        )

    def mean(self, spread: Range) -> float:
        return float(
            spread.best
            + (spread.best - spread.low) * self.below.mean()
            + (spread.high - spread.best) * self.above.mean()
        )


def pert_shape(spread: Range) -> tuple[float, float]:
    """The two shape parameters of the beta distribution of a three-point estimate.

    Formula: α = 1 + λ·(best − low)/(high − low), β = 1 + λ·(high − best)/(high − low), λ = 4.

    Args:
        spread: low, best and high in any one unit; low and high must differ.

    Returns:
        α, β.

    Raises:
        ValueError: the range is a point.
    """
    width = spread.high - spread.low
    if width <= 0:
        raise ValueError("a number without a range has no distribution")
    mode = (spread.best - spread.low) / width
    return 1 + PERT_LAMBDA * mode, 1 + PERT_LAMBDA * (1 - mode)


def draw_pert(spread: Range, *, seed: int, key: str, draws: int = DRAWS) -> Draws:
    """Stratified draws of one three-point estimate.

    The probability axis is cut into as many strata as there are draws and one point is taken in
    each, in random order: the distribution comes out nearly exact and only the pairing of causes
    is left to chance (Latin hypercube; McKay, Beckman, Conover 1979, Technometrics 21, 239-245).

    Args:
        spread: low, best and high in any one unit; low and high must differ.
        seed: of the whole simulation.
        key: of the cause: the same seed and key give the same stream whatever else is drawn.
        draws: how many.

    Returns:
        Values in the unit of `spread`, shape (draws,).
    """
    stream = np.random.default_rng([abs(seed), *key.encode()])
    strata = (np.arange(draws) + stream.random(draws)) / draws
    alpha, beta = pert_shape(spread)
    ordered = np.interp(strata, betainc(alpha, beta, _NODES), _NODES)
    return spread.low + (spread.high - spread.low) * stream.permutation(ordered)


def simulate(costs: Iterable[tuple[float, Sequence[Term]]], *, seed: int, draws: int = DRAWS) -> Spread:
    """The spread of a sum of costs, and which causes it comes from.

    A cause that moves several factors has the shape of their pooled range (all low ends, bests and
    high ends added up), and each factor stands as far between its own best and its own end as the
    cause does.

    The share of a cause is its first-order index, variance of E[total | cause] over variance of the
    total. As the total is a sum of products of independent factors, E[total | cause] is the same
    sum with all other factors at their means: no second simulation is needed. Shares add up to at
    most 1 but for sampling noise; what is missing is interaction. (Sobol' 2001, Mathematics and
    Computers in Simulation 55, 271-280.)

    Args:
        costs: pairs of a weight and the terms it multiplies; the total is the sum over all.
        seed: same seed and costs, same answer.
        draws: how many.

    Returns:
        The spread of the total.

    Raises:
        ValueError: two factors of a term have the same cause, so that they are not independent.
    """
    weighted = [(weight, term) for weight, terms in costs for term in terms if weight]
    for _, term in weighted:
        causes = [factor.cause for factor in term if factor.cause]
        if len(set(causes)) < len(causes):
            raise ValueError(f"a product holds a cause twice: {[cause.key for cause in causes]}")
    moved = _draw_causes((term for _, term in weighted), seed=seed, draws=draws)

    total = np.zeros(draws)
    fixed = 0.0
    effects = {cause: np.zeros(draws) for cause in moved}
    for weight, term in weighted:
        free = [factor for factor in term if factor.cause in moved]
        constant = weight * math.prod(factor.spread.best for factor in term if factor.cause not in moved)
        if not free:
            fixed += constant
            continue
        values = {factor: moved[_cause(factor)].draw(factor.spread) for factor in free}
        means = {factor: moved[_cause(factor)].mean(factor.spread) for factor in free}
        product = np.full(draws, constant)
        for value in values.values():
            product *= value
        total += product
        for factor, value in values.items():
            others = math.prod(mean for other, mean in means.items() if other != factor)
            effects[_cause(factor)] += constant * others * value
    total += fixed

    p10, p50, p90 = (float(value) for value in np.quantile(total, [0.1, 0.5, 0.9]))
    return Spread(
        p10=p10,
        p50=p50,
        p90=p90,
        mean=float(total.mean()),
        standard_deviation=float(total.std()),
        drivers=_drivers(effects, float(total.var())),
    )


def _cause(factor: Factor) -> Cause:
    assert factor.cause is not None
    return factor.cause


def _draw_causes(terms: Iterable[Term], *, seed: int, draws: int) -> dict[Cause, _Moved]:
    """Draws of every cause that has a range at all."""
    pooled: dict[Cause, Range] = {}
    for term in terms:
        for factor in term:
            if factor.cause is not None:
                pooled[factor.cause] = pooled.get(factor.cause, Range.exact(0.0)) + factor.spread
    moved = {}
    for cause, spread in pooled.items():
        if spread.low == spread.high:
            continue
        values = draw_pert(spread, seed=seed, key=cause.key, draws=draws)
        below = np.minimum(values - spread.best, 0.0) / (spread.best - spread.low or 1.0)
        above = np.maximum(values - spread.best, 0.0) / (spread.high - spread.best or 1.0)
        moved[cause] = _Moved(below, above)
    return moved


def _drivers(effects: Mapping[Cause, Draws], variance: float) -> tuple[Driver, ...]:
    if variance <= 0:
        return ()
    shares = sorted(
        ((float(effect.var()) / variance, cause) for cause, effect in effects.items()),
        key=lambda pair: (-pair[0], pair[1].key),
    )
    return tuple(
        Driver(what=cause.label, share=round(min(share, 1.0), 4))
        for share, cause in shares[:DRIVERS_SHOWN]
        if share >= 0.0005
    )
