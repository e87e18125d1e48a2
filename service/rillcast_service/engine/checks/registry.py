"""The register of review rules: one function a rule, its limits and sources in catalogue/rules.toml."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.fluidics.cavities import Cavities, find_cavities
from rillcast_service.engine.fluidics.draining import Drained
from rillcast_service.engine.fluidics.exchange import Exchange
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.measure import Measurements, least, measure
from rillcast_service.engine.result import Finding, FluidicsSummary
from rillcast_service.engine.routes.base import BuildVariant, Process, Route
from rillcast_service.engine.shapes import drawn_levels, made_levels


@dataclass(frozen=True, slots=True)
class Case:
    """What a rule looks at: one build variant of one job, as drawn and as made.

    Args:
        drawn: widths and gaps as drawn; made: as they come out.
        cavities: connected channel systems as made, and the ports that reach them.
        fluidics: the flow through them; None when nothing stays open.
        exchange: how the liquid is exchanged at the asked flow; None when nothing flows.
        drained: what pushing does for resin left in them; None where none is left, or it cannot be told.
    """

    job: Job
    route: Route
    variant: BuildVariant
    process: Process
    as_made: AsMade
    drawn: Measurements
    made: Measurements
    cavities: Cavities
    fluidics: FluidicsSummary | None
    drained: Drained | None = None
    exchange: Exchange | None = None

    @classmethod
    def without_flow(cls, job: Job, route: Route, variant: BuildVariant) -> Case:
        """What the rules about shapes look at; nothing flows.

        Args:
            job, route, variant: what is made, and how.

        Returns:
            The case, as drawn and as made.
        """
        as_made = route.as_made(job, variant)
        return cls(
            job=job,
            route=route,
            variant=variant,
            process=route.process(job, variant),
            as_made=as_made,
            drawn=least(map(measure, drawn_levels(job.layout).values())),
            made=least(map(measure, made_levels(as_made).values())),
            cavities=find_cavities(as_made.channels, job.layout.ports),
            fluidics=None,
        )


Rule = Callable[[Case], Iterator[Finding]]

_RULES: dict[str, Rule] = {}


def rule(rule_id: str) -> Callable[[Rule], Rule]:
    """Register a function as the rule of that id.

    Args:
        rule_id: as in catalogue/rules.toml and in the `rules` of the routes it applies to.

    Returns:
        A decorator that leaves the function as it is.

    Raises:
        ValueError: the id is taken.
    """

    def register(function: Rule) -> Rule:
        if rule_id in _RULES:
            raise ValueError(f"two rules are called {rule_id!r}")
        _RULES[rule_id] = function
        return function

    return register


def registered() -> Mapping[str, Rule]:
    """Every registered rule.

    Returns:
        Rule id → function.
    """
    return dict(_RULES)
