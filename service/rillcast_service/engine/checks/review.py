"""Run the rules of a route over a build variant and sum them up in a verdict."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rillcast_service.catalogue.types import Catalogue
from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.result import Finding, Severity, Verdict

_ORDER = {Severity.BLOCKER: 0, Severity.RISK: 1, Severity.NOTE: 2}


def review(case: Case) -> tuple[Finding, ...]:
    """Every finding of the rules that the route names, and of the sets of rules that the job asks for.

    Args:
        case: one build variant.

    Returns:
        Findings, the gravest first, otherwise in the order of the route's rules.

    Raises:
        LookupError: the route names a rule that no one registered.
    """
    rules = registered()
    findings: list[Finding] = []
    for rule_id in (*case.route.rules, *sorted(optional_rules(case.job.catalogue, *case.job.rule_sets))):
        if rule_id not in rules:
            raise LookupError(f"route {case.route.id!r} names a rule that does not exist: {rule_id!r}")
        why = str(case.job.catalogue.rules[rule_id]["why"])
        findings += [replace(finding, why=why) for finding in rules[rule_id](case)]
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))


def optional_rules(catalogue: Catalogue, *sets: str) -> frozenset[str]:
    """The rules that apply only where they are asked for.

    Args:
        catalogue: its rules may each name the `set` they belong to.
        sets: names of sets.

    Returns:
        Ids of the rules of these sets.
    """
    return frozenset(rule_id for rule_id, table in catalogue.rules.items() if table.get("set") in sets)


def rule_sets(catalogue: Catalogue) -> tuple[str, ...]:
    """The sets of rules that can be asked for.

    Args:
        catalogue: its rules may each name a set.

    Returns:
        Names, sorted.
    """
    return tuple(sorted({str(table["set"]) for table in catalogue.rules.values() if "set" in table}))


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
