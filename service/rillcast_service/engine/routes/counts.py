"""How many pieces enter each step, and how often a mould is filled."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rillcast_service.engine.routes.base import Sizing, Step


def pieces_entering(steps: Sequence[Step], good_parts: int) -> dict[str, int]:
    """Pieces that enter each step, so that enough are left at the end.

    Args:
        steps: in process order.
        good_parts: pieces wanted.

    Returns:
        Step id → n = ⌈good / Π y⌉ over the yields of that step and all after it.
    """
    entering, remaining = {}, 1.0
    for step in reversed(steps):
        if step.first_pass_yield is not None:
            remaining *= as_fraction(step)
        entering[step.id] = ceiling(good_parts / remaining)
    return entering


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
