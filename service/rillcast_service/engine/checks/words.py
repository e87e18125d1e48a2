"""Numbers in sentences, the same way in every finding."""

from __future__ import annotations

from collections.abc import Sequence

from rillcast_service.engine.checks.limits import Limit
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.layout.measure import Span


def um(value: float) -> str:
    """A length in µm, without decimals that no bench can measure.

    Args:
        value: in µm.

    Returns:
        Such as `120 µm`.
    """
    return f"{value:.0f} µm"


def mm(value: float) -> str:
    """A length in mm, to the hundredth where it has one.

    Args:
        value: in mm.

    Returns:
        Such as `2.5 mm`.
    """
    return f"{value:.2f}".rstrip("0").rstrip(".") + " mm"


def duration(seconds: float) -> str:
    """A length of time in the unit that suits it, to two figures.

    Args:
        seconds: 0 or more.

    Returns:
        Such as `4.2 s`, `35 min` or `2.1 h`.
    """
    size, unit = next(
        (
            (size, unit)
            for size, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min"))
            if seconds >= 2.0 * size
        ),
        (1.0, "s"),
    )
    value = seconds / size
    return f"{value:.0f} {unit}" if value >= 10.0 else f"{value:.2g} {unit}"


def count(number: int, thing: str) -> str:
    """A number of things.

    Args:
        number: how many.
        thing: in the singular, with a regular plural.

    Returns:
        Such as `1 place` or `3 places`.
    """
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def in_doubt(case: Case, limit: Limit) -> str:
    """The doubt about a limit, when the printer has no measured profile.

    Args:
        case: tells whether it has.
        limit: in µm.

    Returns:
        A sentence to append, or nothing.
    """
    if case.as_made.calibrated is not False or limit.value.low == limit.value.high:
        return ""
    return (
        f" This printer has no measured profile: the limit may lie anywhere from {um(limit.value.low)} "
        f"to {um(limit.value.high)}."
    )


def of_level(case: Case, level: int) -> str:
    """Which level something lies on, where a chip has several.

    Args:
        case: tells how many there are.
        level: of the thing.

    Returns:
        Words to append, such as ` of level 2`, or nothing.
    """
    several = len({layer.level for layer in case.job.layout.channel_layers}) > 1
    return f" of level {level}" if several else ""


def at_places(spans: Sequence[Span]) -> str:
    """How many places one finding is about, where there are several.

    Args:
        spans: their narrowest chords.

    Returns:
        Words to append, such as ` (3 places are below or near the limit)`, or nothing.
    """
    return f" ({len(spans)} places are below or near the limit)" if len(spans) > 1 else ""
