"""Rules about what the chip is made of: the liquid in it, the warmth of its use, and lots past their date."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.checks.limits import Limit, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count
from rillcast_service.engine.result import Finding, Severity


@rule("liquid_attacks")
def liquid_attacks(case: Case) -> Iterator[Finding]:
    """The liquid of the use leaves the chip's material as it is.

    Silicone is judged by how much it swells, cured acrylate by how long it stands in the liquid. A liquid
    without the value is taken for one that nobody tried.
    """
    silicone_name, resin_name = case.process.facts.get("silicone"), case.process.facts.get("resin")
    if silicone_name is not None:
        material = case.job.catalogue.get("silicones", silicone_name)
        yield from _swells(case, material)
    elif resin_name is not None:
        yield from _stands(case, case.job.catalogue.get("resins", resin_name))


def _swells(case: Case, silicone: Entry) -> Iterator[Finding]:
    liquid, limit = case.job.use.liquid, quantity_limit(case, "liquid_attacks", "swelling_ratio")
    if limit is None:
        return
    if not liquid.has("silicone_swelling_ratio"):
        yield _untried(liquid, silicone, limit)
        return
    swelling = liquid.quantity("silicone_swelling_ratio")
    severity = limit.severity_of_too_large(swelling.value)
    if severity is not None:
        yield Finding(
            rule="liquid_attacks",
            severity=severity,
            message=(
                f"{silicone.title} swells to {swelling.value:g} times its length in {liquid.title} "
                f"({swelling.source}); up to {limit.value.low:g} channels keep their shape, beyond "
                f"{limit.value.best:g} they narrow and the bond tears."
            ),
            remedy="Print the chip in resin, dilute the liquid in water, or soak the chip beforehand and "
            "measure it swollen.",
            measured=swelling.value,
            **limit.shown,
            unit="1",
        )


def _stands(case: Case, resin: Entry) -> Iterator[Finding]:
    liquid, limit = case.job.use.liquid, quantity_limit(case, "liquid_attacks", "contact_h")
    if limit is None:
        return
    if not liquid.has("acrylate_contact_h"):
        yield _untried(liquid, resin, limit)
        return
    contact = liquid.quantity("acrylate_contact_h")
    severity = limit.severity_of_too_small(contact.value)
    if severity is not None:
        yield Finding(
            rule="liquid_attacks",
            severity=severity,
            message=(
                f"{resin.title} stands in {liquid.title} for about {contact.value:g} h ({contact.low:g} to "
                f"{contact.high:g}) before it softens, swells or cracks."
            ),
            remedy=f"Keep each contact below {contact.low:g} h and rinse with water, soak a printed test "
            "piece for as long as the use lasts and measure it, or cast the chip in a silicone that bears "
            "it.",
            measured=contact.value,
            **limit.shown,
            unit="h",
        )


def _untried(liquid: Entry, material: Entry, limit: Limit) -> Finding:
    return Finding(
        rule="liquid_attacks",
        severity=Severity.NOTE,
        message=f"Nothing is known of how {material.title} stands {liquid.title}.",
        remedy="Soak a test piece of 1 g for as long as the use lasts; weigh and measure it before and "
        "after.",
        source=limit.source,
    )


@rule("use_temperature")
def use_temperature(case: Case) -> Iterator[Finding]:
    """A printed chip is used below the heat-deflection temperature of its resin."""
    resin_name = case.process.facts.get("resin")
    if resin_name is None or case.process.facts.get("silicone") is not None:
        return
    resin = case.job.catalogue.get("resins", resin_name)
    limit = Limit.of(resin.quantity("hdt_c"))
    temperature_c = case.job.use.temperature_c
    severity = limit.severity_of_too_large(temperature_c)
    if severity is not None:
        yield Finding(
            rule="use_temperature",
            severity=severity,
            message=(
                f"The chip is used at {temperature_c:g} °C; {resin.title} deflects at "
                f"{limit.value.best:.0f} °C ({limit.value.low:.0f} to {limit.value.high:.0f})."
            ),
            remedy=f"Stay at {limit.value.low:.0f} °C or below, print in a resin with a heat-deflection "
            f"temperature above {temperature_c:g} °C, or cast the chip in silicone.",
            measured=temperature_c,
            **limit.shown,
            unit="°C",
        )


@rule("expired_lot")
def expired_lot(case: Case) -> Iterator[Finding]:
    """No lot on the shelf of a material that the route uses is past its date when the job starts."""
    today = case.job.start.date()
    needed = set(_materials(case))
    lots = [
        (lot, (str(lot.fact("kind")), str(lot.fact("name"))))
        for lot in case.job.catalogue.of_kind("stock")
        if lot.has("expires")
    ]
    fresh = {
        material: lot.title for lot, material in lots if date.fromisoformat(lot.fact("expires")) >= today
    }
    for lot, material in lots:
        expires = date.fromisoformat(lot.fact("expires"))
        if material not in needed or expires >= today:
            continue
        days = (today - expires).days
        title = case.job.catalogue.get(*material).title
        named = f" {lot.fact('lot')}" if lot.has("lot") else ""
        other = fresh.get(material)
        yield Finding(
            rule="expired_lot",
            severity=Severity.NOTE if other else Severity.RISK,
            message=(
                f"{lot.title}: lot{named} of {title} expired on {expires.isoformat()}, {count(days, 'day')} "
                "before the start."
            ),
            remedy=(
                f"Use {other} instead, and dispose of the old lot by its safety data sheet."
                if other
                else "Buy a fresh lot, or make a test piece of this one first: a printed comb of the "
                "narrowest channel, or 10 g of silicone cured as planned, and use the lot only when it comes "
                "out as it should."
            ),
            source=lot.source_of("expires"),
            measured=float(days),
            limit=0.0,
            unit="d",
        )


def _materials(case: Case) -> Iterator[tuple[str, str]]:
    """Kind and name of what the steps of this variant use."""
    facts = case.process.facts
    for kind, key in (("resins", "resin"), ("silicones", "silicone")):
        if facts.get(key) is not None:
            yield kind, str(facts[key])
    running = {step.id for step in case.process.steps}
    for row in case.route.table.get("materials", ()):
        if row["step"] in running:
            yield str(row["kind"]), str(row["name"])
