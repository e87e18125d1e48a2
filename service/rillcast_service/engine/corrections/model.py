"""What a correction is asked and what it answers. Names of the answer's fields are the contract's."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import Geometry

from rillcast_service.engine.layout.model import Assumption, Layout
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import Severity


@dataclass(frozen=True, slots=True)
class CorrectionRequest:
    """What to mend, and by whose limits.

    Args:
        route: whose limits count.
        rules: ids of the rules to mend; empty for all that can be mended and that the route names.
        quote: what a quote would be told of chip and bench; quantity and terms of trade touch nothing here.
        move_ports: whether ports may be moved, which changes where connectors go.
    """

    route: str
    rules: tuple[str, ...]
    quote: QuoteRequest
    move_ports: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """One place that was mended.

    Args:
        rule: that asked for it.
        what: in words.
        level: plane of the channels that changed, 1 next to the lid; None for marks.
        x_mm, y_mm: where.
        measured_before, measured_after: the size that the rule looks at, in `unit`, as drawn; of a corner its
            radius.
        area_before_mm2, area_after_mm2: of all channels of that level, or of that layer of marks, before this
            change and after it.
        where: what was added or taken away, mm.
    """

    rule: str
    what: str
    level: int | None
    x_mm: float
    y_mm: float
    measured_before: float
    measured_after: float
    unit: str
    area_before_mm2: float
    area_after_mm2: float
    where: Geometry


@dataclass(frozen=True, slots=True)
class Decision:
    """One place that is left as it is, because mending it takes somebody's decision.

    Args:
        rule: that objects.
        question: what is to be decided, in words.
        options: what could be done, each with its numbers.
        x_mm, y_mm: where; None when it concerns the whole chip.
        measured, needed: in `unit`; None when the rule is not about a number.
        where: the place, mm; None likewise.
    """

    rule: str
    question: str
    options: tuple[str, ...]
    x_mm: float | None
    y_mm: float | None
    measured: float | None
    needed: float | None
    unit: str | None
    where: Geometry | None


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """What the review says of one rule before and after, the gravest of all build variants.

    Args:
        severity_before, severity_after: None when the rule finds nothing.
        measured_before, measured_after: of the gravest finding, in `unit`.
        limit: its best estimate; limit_high: its high end, which a mended place reaches.
    """

    rule: str
    severity_before: Severity | None
    severity_after: Severity | None
    measured_before: float | None
    measured_after: float | None
    limit: float | None
    limit_high: float | None
    unit: str | None


@dataclass(frozen=True, slots=True)
class SideEffect:
    """What the review finds after a correction where it found nothing as grave of that rule before.

    Args:
        rule, severity, message, remedy: as the review says it; never a blocker.
        x_mm, y_mm: where; None when it concerns the whole chip.
        measured, limit: in `unit`; None when the rule is not about a number.
    """

    rule: str
    severity: Severity
    message: str
    remedy: str
    x_mm: float | None
    y_mm: float | None
    measured: float | None
    limit: float | None
    unit: str | None


@dataclass(frozen=True, slots=True)
class Corrected:
    """The answer to a correction.

    Args:
        layout: the mended layout; the very one that was given when there are no changes.
        changes: in the order in which they were made.
        decisions: places that were left.
        outcomes: one a rule that was to be mended.
        side_effects: risks that the changes bring by any rule of the route, those of flow and pressure aside.
        assumptions: defaults that were used because the request left them open.
    """

    layout: Layout
    changes: tuple[Change, ...]
    decisions: tuple[Decision, ...]
    outcomes: tuple[RuleOutcome, ...]
    side_effects: tuple[SideEffect, ...]
    assumptions: tuple[Assumption, ...]
