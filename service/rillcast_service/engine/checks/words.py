"""Numbers in sentences, the same way in every finding."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rillcast_service.engine.checks.limits import Limit, finer_machine
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.layout.measure import Span
from rillcast_service.engine.result import Severity

#: A remedy is rounded to the safe side, but not for what a computer adds to a whole number.
_ROUNDING = 1e-6


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


def um_least(value: float) -> str:
    """A length that must be reached, for a remedy: rounded up.

    Args:
        value: in µm.

    Returns:
        Such as `120 µm`.
    """
    return f"{math.ceil(value - _ROUNDING)} µm"


def um_most(value: float) -> str:
    """A length that must not be passed, for a remedy: rounded down.

    Args:
        value: in µm.

    Returns:
        Such as `120 µm`.
    """
    return f"{math.floor(value + _ROUNDING)} µm"


def mm_least(value: float) -> str:
    """A length that must be reached, for a remedy: rounded up to the hundredth.

    Args:
        value: in mm.

    Returns:
        Such as `2.5 mm`.
    """
    return mm(math.ceil(100.0 * value - _ROUNDING) / 100.0)


def mm_most(value: float) -> str:
    """A length that must not be passed, for a remedy: rounded down to the hundredth.

    Args:
        value: in mm.

    Returns:
        Such as `2.5 mm`.
    """
    return mm(math.floor(100.0 * value + _ROUNDING) / 100.0)


def figures_most(value: float) -> str:
    """A number of three figures that must not be passed, for a remedy: rounded down.

    Args:
        value: positive.

    Returns:
        Such as `0.0123` or `187`.
    """
    unit = 10.0 ** (math.floor(math.log10(value)) - 2)
    return f"{math.floor(value / unit + _ROUNDING) * unit:.3g}"


def enough_um(limit: Limit, severity: Severity, how: str = "") -> str:
    """The size that a remedy asks for: the one that leaves nothing to tell, and the one that leaves a risk.

    Args:
        limit: least size in µm.
        severity: of what is too small.
        how: a word such as `deep`.

    Returns:
        Such as `300 µm deep or more (140 µm at a risk)`; the second where a blocker would become a risk.
    """
    return _enough(um_least(limit.value.high), um_least(limit.value.best), severity, how)


def enough_mm(limit: Limit, severity: Severity, how: str = "") -> str:
    """The same of a least size in µm that is told in mm.

    Args:
        limit, severity, how: as above.

    Returns:
        Such as `1.8 mm tall or more (1.4 mm at a risk)`.
    """
    safe, least = mm_least(limit.value.high / 1e3), mm_least(limit.value.best / 1e3)
    return _enough(safe, least, severity, how)


def enough_more_mm(limit: Limit, drawn_mm: float, severity: Severity, more: str = "more") -> str:
    """How much more a distance must be, likewise.

    Args:
        limit: least distance in mm.
        drawn_mm: the distance as it is.
        severity: as above.
        more: the word that follows the first number.

    Returns:
        Such as `2 mm more (1 mm at a risk)`.
    """
    safe, least = (mm_least(end - drawn_mm) for end in (limit.value.high, limit.value.best))
    at_risk = severity is Severity.BLOCKER and least != safe
    return f"{safe} {more}" + (f" ({least} at a risk)" if at_risk else "")


def _enough(safe: str, least: str, severity: Severity, how: str) -> str:
    at_risk = severity is Severity.BLOCKER and least != safe
    return f"{safe}{' ' + how if how else ''} or more" + (f" ({least} at a risk)" if at_risk else "")


def count(number: int, thing: str) -> str:
    """A number of things.

    Args:
        number: how many.
        thing: in the singular, with a regular plural.

    Returns:
        Such as `1 place` or `3 places`.
    """
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def or_finer(case: Case, rule_id: str, *, drawn_um: float) -> str:
    """What could be changed about the machine instead of the drawing.

    Args:
        case, rule_id: the rule whose limit is a size of the machine.
        drawn_um: what should pass.

    Returns:
        Words to append to a remedy, or nothing where no machine helps.
    """
    finer = finer_machine(case, rule_id, drawn_um=drawn_um)
    if finer is None:
        return ""
    if finer.feature_um is not None:
        return f", or order a mould that keeps {um_most(finer.feature_um)}"
    sizes = {"pixels": finer.pixel_um, "layers": finer.layer_um}
    asked = " and ".join(f"{what} of {um_most(size)} or less" for what, size in sizes.items() if size)
    if not asked:
        return ", or measure the profile of this printer: at best estimate it makes that size"
    return f", or print it in {asked}{' with a measured profile' if finer.profile else ''}"


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
