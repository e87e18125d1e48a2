"""How many to begin so that enough come out good: parts, moulds and casting rounds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from rillcast_service.engine.routes.base import Mould, Sizing, Step
from rillcast_service.engine.routes.counts import as_fraction, ceiling, pieces_entering

#: Numbers of moulds that are tried; each is then trimmed to what its number of rounds needs.
_MOULD_LADDER = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256)

#: Beyond this many pours the plans of a ladder differ little, and each takes long to lay out.
_MANY_POURS = 400
_FEW_CHOICES = 3


def sizings(
    steps: Sequence[Step],
    good_parts: int,
    moulds: Sequence[Mould],
    *,
    most_at_once: int,
    confidence: float | None = None,
) -> tuple[Sizing, ...]:
    """The counts worth planning.

    Args:
        steps: in process order.
        good_parts: pieces wanted.
        moulds: the route's moulds by pieces per pour; empty for a route without one.
        most_at_once: moulds beyond this number only wait for a machine.
        confidence: probability that the pieces begun give the pieces wanted; None: on average.

    Returns:
        One sizing for a route without moulds. Otherwise for each kind of mould a ladder of counts:
        at least ⌈pours / life⌉, at most what the machines take, none with more moulds than its
        rounds need. A mould for more pieces than are begun is left out where there is a smaller one.
    """
    started = max(pieces_entering(steps, good_parts, confidence).values(), default=good_parts)
    begun = Sizing(
        good_parts=good_parts,
        started_parts=started,
        confidence=confidence,
        why=_why(steps, good_parts, started, confidence),
    )
    if not moulds:
        return (begun,)
    found: dict[Sizing, None] = {}
    smallest = min(mould.parts for mould in moulds)
    for mould in moulds:
        if mould.parts > max(started, smallest):
            continue
        pours = ceiling(started / mould.parts)
        least = ceiling(pours / mould.life_casts.value)
        most = max(least, min(pours, most_at_once))
        choices = [count for count in _MOULD_LADDER if least < count < most]
        choices = sorted({least, *choices, most})
        if pours > _MANY_POURS:
            choices = choices[:: max(1, len(choices) // _FEW_CHOICES)]
        for count in choices:
            rounds = ceiling(pours / count)
            sizing = replace(
                begun,
                moulds=ceiling(pours / rounds),
                rounds=rounds,
                parts_per_mould=mould.parts,
            )
            found[sizing] = None
    return tuple(found)


def _why(steps: Sequence[Step], good_parts: int, started: int, confidence: float | None) -> str:
    """How the number of pieces begun comes about."""
    lossy = [step for step in steps if step.first_pass_yield is not None]
    if not lossy:
        return f"{started} pieces are begun: no step has a yield below 100 %."
    share = math.prod(as_fraction(step) for step in lossy)
    chance = "on average" if confidence is None else f"with {100.0 * confidence:.0f} % probability"
    return (
        f"{started} pieces are begun so that {chance} {good_parts} are good: {100.0 * share:.0f} % come "
        f"through all {len(lossy)} steps that lose some (binomial; on average {started * share:.1f} good)."
    )
