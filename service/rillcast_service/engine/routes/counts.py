"""How many pieces enter each step, and how often a mould is filled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

from scipy.special import betainc

from rillcast_service.engine.routes.base import Sizing, Step


def pieces_entering(
    steps: Sequence[Step], good_parts: int, confidence: float | None = None
) -> dict[str, int]:
    """Pieces that enter each step, so that enough are left at the end.

    Args:
        steps: in process order.
        good_parts: pieces wanted.
        confidence: probability that they are enough; None begins what is enough on average.

    Returns:
        Step id → n, over the yields of that step and all after it: Y = Π y.

    Formula: on average n = ⌈good / Y⌉; with a confidence c the smallest n with P(B(n, Y) ≥ good) ≥ c.
    """
    entering, remaining = {}, 1.0
    for step in reversed(steps):
        if step.first_pass_yield is not None:
            remaining *= as_fraction(step)
        entering[step.id] = pieces_begun(good_parts, remaining, confidence)
    return entering


@lru_cache(maxsize=4096)
def pieces_begun(good_parts: int, share: float, confidence: float | None) -> int:
    """Pieces to begin so that enough come out good.

    Args:
        good_parts: pieces wanted; share: of pieces that come out good, each by itself.
        confidence: probability that they are enough; None for enough on average.

    Returns:
        The smallest such count. P(B(n, Y) ≥ k) = I_Y(k, n − k + 1), the regularised incomplete beta
        function.

    Source: NIST Digital Library of Mathematical Functions, 8.17.5.
    """
    on_average = ceiling(good_parts / share)
    if confidence is None or share >= 1.0:
        return on_average

    def enough(begun: int) -> bool:
        return float(betainc(good_parts, begun - good_parts + 1, share)) >= confidence - 1e-12

    low, high = good_parts, on_average
    while not enough(high):
        low, high = high + 1, 2 * high
    while low < high:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle + 1
    return high


def as_fraction(step: Step) -> float:
    """A step's yield as a fraction.

    Args:
        step: may have a yield.

    Returns:
        The best estimate; 1 when it has none.
    """
    quantity = step.first_pass_yield
    if quantity is None:
        return 1.0
    return quantity.value / 100.0 if quantity.unit == "%" else quantity.value


def pours(sizing: Sizing) -> int:
    """How often a mould is filled in the whole job.

    Args:
        sizing: counts of the plan.

    Returns:
        ⌈started / parts per mould⌉; 0 for a route without moulds.
    """
    return ceiling(sizing.started_parts / sizing.parts_per_mould) if sizing.parts_per_mould else 0


def ceiling(value: float) -> int:
    """A count of whole things, rounded up.

    Args:
        value: as computed from yields and lives.

    Returns:
        The count.
    """
    # products of yields such as 0.9 · 0.9 carry rounding that must not begin another piece
    return math.ceil(value - 1e-9)
