"""How many to begin so that enough come out good: parts, moulds and casting rounds."""

from __future__ import annotations

from collections.abc import Sequence

from rillcast_service.engine.routes.base import Mould, Sizing, Step
from rillcast_service.engine.routes.counts import ceiling, pieces_entering

#: Numbers of moulds that are tried; each is then trimmed to what its number of rounds needs.
_MOULD_LADDER = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256)

#: Beyond this many pours the plans of a ladder differ little, and each takes long to lay out.
_MANY_POURS = 400
_FEW_CHOICES = 3


def sizings(
    steps: Sequence[Step], good_parts: int, moulds: Sequence[Mould], *, most_at_once: int
) -> tuple[Sizing, ...]:
    """The counts worth planning.

    Args:
        steps: in process order.
        good_parts: pieces wanted.
        moulds: the route's moulds by pieces per pour; empty for a route without one.
        most_at_once: moulds beyond this number only wait for a machine.

    Returns:
        One sizing for a route without moulds. Otherwise for each kind of mould a ladder of counts:
        at least ⌈pours / life⌉, at most what the machines take, none with more moulds than its
        rounds need. A mould for more pieces than are begun is left out where there is a smaller one.
    """
    started = max(pieces_entering(steps, good_parts).values(), default=good_parts)
    if not moulds:
        return (Sizing(good_parts=good_parts, started_parts=started),)
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
            sizing = Sizing(
                good_parts=good_parts,
                started_parts=started,
                moulds=ceiling(pours / rounds),
                rounds=rounds,
                parts_per_mould=mould.parts,
            )
            found[sizing] = None
    return tuple(found)
