"""Rules about the process: cure inhibition, heat, and machines that the bench lacks."""

from __future__ import annotations

from collections.abc import Iterator

from rillcast_service.engine.checks.limits import Limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.result import Finding, Severity


@rule("cure_inhibition")
def cure_inhibition(case: Case) -> Iterator[Finding]:
    """A platinum silicone meets a phosphine-oxide print only after a passivation recipe."""
    facts = case.process.facts
    resin_name, silicone_name = facts.get("mould_resin"), facts.get("silicone")
    if resin_name is None or silicone_name is None:
        return
    resin = case.job.catalogue.get("resins", resin_name)
    silicone = case.job.catalogue.get("silicones", silicone_name)
    initiator = resin.fact("initiator", default="unknown")
    poisons = {
        family
        for recipe in case.job.catalogue.of_kind("recipes")
        for family in recipe.fact("inhibits_without", default=())
    }
    if initiator not in poisons or silicone.fact("catalyst", default="platinum") != "platinum":
        return
    recipe_name = facts.get("passivation")
    if recipe_name is None:
        yield Finding(
            rule="cure_inhibition",
            severity=Severity.BLOCKER,
            message=f"The mould of {resin.title} is cast on without passivation.",
            remedy=(
                "Add a passivation recipe (wash, ultraviolet post-cure on both faces, bake below the "
                "heat-deflection temperature), or use a mould resin without that initiator."
            ),
            source=resin.source_of("initiator"),
        )
        return
    recipe = case.job.catalogue.get("recipes", recipe_name)
    yield Finding(
        rule="cure_inhibition",
        severity=Severity.NOTE,
        message=(
            f"The mould of {resin.title} would poison the cure; the plan passivates it by "
            f"{recipe.title} first."
        ),
        remedy="Cast a 10 g witness piece on every new resin lot before the first real pour.",
        source=recipe.source_of("bake_h"),
    )


@rule("mould_softens")
def mould_softens(case: Case) -> Iterator[Finding]:
    """Every heated step stays below the heat-deflection temperature of the resin in it."""
    for step_id, temperature_c, resin_name in case.process.facts.get("heated_resin_steps", ()):
        resin = case.job.catalogue.get("resins", resin_name)
        limit = resin.quantity("hdt_c")
        if temperature_c <= limit.low:
            continue
        blocks = temperature_c > limit.value
        titles = {step.id: step.title for step in case.process.steps}
        yield Finding(
            rule="mould_softens",
            severity=Severity.BLOCKER if blocks else Severity.RISK,
            message=(
                f"{titles.get(step_id, step_id)} heats {resin.title} to {temperature_c:.0f} °C; it deflects "
                f"at {limit.value:.0f} °C ({limit.low:.0f} to {limit.high:.0f})."
            ),
            remedy=(
                f"Heat to {limit.low:.0f} °C or less for longer, or use a resin with a higher "
                "heat-deflection temperature."
            ),
            measured=temperature_c,
            **Limit.of(limit).shown,
            unit="°C",
        )


@rule("bench_lacks")
def bench_lacks(case: Case) -> Iterator[Finding]:
    """Steps that are done another way, bought in, or cannot be done."""
    for replacement in case.process.replacements:
        lacking = replacement.lacking.replace("_", " ")
        blocked = replacement.instead is None
        outcome = "and nothing replaces it" if blocked else f"so: {replacement.instead}"
        yield Finding(
            rule="bench_lacks",
            severity=Severity.BLOCKER if blocked else Severity.NOTE,
            message=f"{replacement.step}: the bench has no {lacking}, {outcome}.",
            remedy=replacement.remedy,
            source=replacement.source,
        )
