"""Run the rules of a route over a build variant and sum them up in a verdict."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.result import Finding, Severity, Verdict

_ORDER = {Severity.BLOCKER: 0, Severity.RISK: 1, Severity.NOTE: 2}


def review(case: Case) -> tuple[Finding, ...]:
    """Every finding of the rules that the route names.

    Args:
        case: one build variant.

    Returns:
        Findings, the gravest first, otherwise in the order of the route's rules.

    Raises:
        LookupError: the route names a rule that no one registered.
    """
    rules = registered()
    findings: list[Finding] = []
    for rule_id in case.route.rules:
        if rule_id not in rules:
            raise LookupError(f"route {case.route.id!r} names a rule that does not exist: {rule_id!r}")
        why = str(case.job.catalogue.rules[rule_id]["why"])
        findings += [replace(finding, why=why) for finding in rules[rule_id](case)]
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))


def verdict(findings: Iterable[Finding]) -> Verdict:
    """What the findings come to.

    Args:
        findings: of one build variant.

    Returns:
        not_makeable with any blocker, makeable_with_risk with any risk, else makeable.
    """
    severities = {finding.severity for finding in findings}
    if Severity.BLOCKER in severities:
        return Verdict.NOT_MAKEABLE
    return Verdict.MAKEABLE_WITH_RISK if Severity.RISK in severities else Verdict.MAKEABLE
