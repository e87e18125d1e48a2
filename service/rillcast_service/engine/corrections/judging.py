"""What the review says of a drawing before and after it was corrected."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import shapely
from shapely import Geometry

from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.corrections.model import RuleOutcome, SideEffect
from rillcast_service.engine.job import Job
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes.base import Route

_GRAVITY = {Severity.BLOCKER: 2, Severity.RISK: 1, Severity.NOTE: 0}
#: A finding this near to one of before is the same: what is mended moves it by less.
_SAME_PLACE_MM = 0.5
#: A size that differs by a smaller share is the same: a long chamber is as wide here as there.
_SAME_SIZE = 0.01


def cases_of(job: Job, route: Route) -> tuple[Case, ...]:
    """What the rules look at, for every build variant; nothing flows, for a correction is not told how.

    Args:
        job, route: what is made, and how.

    Returns:
        One a variant.
    """
    return tuple(Case.without_flow(job, route, variant) for variant in route.variants(job))


def findings_of(cases: Sequence[Case], rules: Iterable[str]) -> dict[str, tuple[Finding, ...]]:
    """Findings of some rules in all variants, each told once.

    Args:
        cases: one a variant.
        rules: ids.

    Returns:
        By rule.
    """
    functions = registered()
    found: dict[str, tuple[Finding, ...]] = {}
    for rule in rules:
        told: dict[str, Finding] = {}
        for case in cases:
            for finding in functions[rule](case):
                told.setdefault(finding.message, finding)
        found[rule] = tuple(told.values())
    return found


def outcome(rule: str, before: Sequence[Finding], after: Sequence[Finding]) -> RuleOutcome:
    """What the review says of one rule before and after.

    Args:
        rule: id.
        before, after: its findings.

    Returns:
        The gravest of each.
    """
    first, last = (_gravest(findings) for findings in (before, after))
    shown = first or last
    return RuleOutcome(
        rule=rule,
        severity_before=first.severity if first else None,
        severity_after=last.severity if last else None,
        measured_before=first.measured if first else None,
        measured_after=last.measured if last else None,
        limit=shown.limit if shown else None,
        limit_high=shown.limit_high if shown else None,
        unit=shown.unit if shown else None,
    )


def brought(before: Sequence[Finding], after: Sequence[Finding]) -> tuple[Finding, ...]:
    """Blockers and risks of one rule that were not there before: at another place and of another size.

    Args:
        before, after: findings of that rule.

    Returns:
        The gravest first, each place once.
    """
    new: list[Finding] = []
    for finding in sorted(after, key=lambda one: -_GRAVITY[one.severity]):
        if finding.severity is Severity.NOTE:
            continue
        known = [one for one in before if _GRAVITY[one.severity] >= _GRAVITY[finding.severity]]
        if not _all_near(finding, [*known, *new]) and not any(_as_large(finding, one) for one in known):
            new.append(finding)
    return tuple(new)


def _all_near(finding: Finding, known: Sequence[Finding]) -> bool:
    """Whether every place of a finding is known; one without a place is known with any other of its rule."""
    places = [one.where for one in known if one.where is not None]
    if finding.where is None or len(places) < len(known):
        return bool(known)
    parts = shapely.get_parts(finding.where)
    return bool(places) and bool(shapely.dwithin(shapely.union_all(places), parts, _SAME_PLACE_MM).all())


def _as_large(one: Finding, other: Finding) -> bool:
    if one.measured is None or other.measured is None:
        return False
    return abs(one.measured - other.measured) <= _SAME_SIZE * abs(other.measured)


def side_effect(finding: Finding) -> SideEffect:
    """A finding that a correction brought, as the answer tells it.

    Args:
        finding: of the corrected drawing.

    Returns:
        The same in short.
    """
    x_mm, y_mm = spot(finding.where)
    return SideEffect(
        rule=finding.rule,
        severity=finding.severity,
        message=finding.message,
        remedy=finding.remedy,
        x_mm=x_mm,
        y_mm=y_mm,
        measured=finding.measured,
        limit=finding.limit,
        unit=finding.unit,
    )


def spot(where: Geometry | None) -> tuple[float | None, float | None]:
    """A point that stands for a place.

    Args:
        where: mm.

    Returns:
        x and y, mm; None for no place.
    """
    if where is None or where.is_empty:
        return None, None
    at = where.representative_point()
    return round(at.x, 6), round(at.y, 6)


def _gravest(findings: Sequence[Finding]) -> Finding | None:
    return max(findings, key=lambda finding: _GRAVITY[finding.severity], default=None)
