"""What a job uses up: resin, silicone, and what the route's table lists by the piece."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import MaterialNeed, Printed, Process, Sizing
from rillcast_service.engine.routes.counts import pieces_entering, pours

#: Silicone is weighed to this.
WEIGHED_TO_G = 0.1


def resin_need(
    printed: Sequence[Printed],
    *,
    items: int,
    resin: Entry,
    printer: Entry,
    support_percent: Quantity,
    purpose: str,
    shared: bool,
    because: str = "",
) -> MaterialNeed:
    """Liquid resin for all prints of a job.

    Args:
        printed: the objects of one item.
        items: how many items are printed, scrap included.
        resin: gives both densities, film_um and waste_percent; printer: gives vat_minimum_ml.
        support_percent: volume of supports over that of the object.
        purpose: in words; shared: whether a repeat order would not need it.
        because: why so many are made, in words.

    Returns:
        Litres of liquid, with mass.

    Formula: V = n [V_solid (1 + s) ρ_cured/ρ_liquid + A δ] (1 + w), with A δ the film of resin that
        goes into the wash and w what is lost in filtering and pouring back.
    """
    solid_ml = sum(item.solid_ml for item in printed)
    surface_cm2 = sum(item.surface_cm2 for item in printed)
    liquid = resin.number("density_liquid_g_per_ml")
    growth = resin.number("density_cured_g_per_ml") / liquid

    def volume_ml(pick: str) -> float:
        def number(value: Quantity) -> float:
            return float(getattr(value, pick))

        solid = solid_ml * (1.0 + number(support_percent) / 100.0) * growth
        film = surface_cm2 * number(resin.quantity("film_um")) * 1e-4
        return items * (solid + film) * (1.0 + number(resin.quantity("waste_percent")) / 100.0)

    low, best, high = volume_ml("low"), volume_ml("value"), volume_ml("high")
    why = (
        f"{items} × ({solid_ml:.1f} mL of solid, {support_percent.value:g} % of it more for supports, "
        f"× {growth:.3f} because resin shrinks in curing, + {surface_cm2:.0f} cm² of surface × "
        f"{resin.number('film_um'):.0f} µm of film) + {resin.number('waste_percent'):g} % loss. The vat "
        f"needs {printer.number('vat_minimum_ml'):.0f} mL in it, which is poured back. {because}"
    ).rstrip()
    return MaterialNeed(
        kind="resins",
        name=resin.name,
        purpose=purpose,
        quantity=Range(low / 1000.0, best / 1000.0, high / 1000.0),
        unit="l",
        why=why,
        step=printed[0].step,
        shared=shared,
        volume_ml=best,
        mass_g=best * liquid,
    )


def silicone_needs(
    silicone: Entry,
    *,
    pour_ml: float,
    batches: Mapping[int, int],
    item: str,
    purpose: str,
    step: str,
    because: str = "",
) -> tuple[MaterialNeed, MaterialNeed]:
    """Base and curing agent for all mixes of a job.

    Args:
        silicone: gives density_g_per_ml, mix_ratio and cup_loss_percent.
        pour_ml: of one pour.
        batches: pours that a mix serves → how many such mixes there are.
        item: what one pour fills, in words; purpose, step: in words, and the step that uses it.
        because: why so many are made, in words.

    Returns:
        Base and agent, in kg of the kit that the price is for.

    Formula: for n pours m = n V ρ (1 + cup loss); agent = m/(1 + r) rounded up to 0.1 g, base = r times
        that; every mix is weighed for its own number of pours.
    """
    ratio, density = silicone.number("mix_ratio"), silicone.number("density_g_per_ml")
    loss = silicone.quantity("cup_loss_percent")
    agent_g = base_g = 0.0
    card = []
    for size, count in sorted(batches.items(), reverse=True):
        each_agent_g = weighed_g(size * pour_ml * density * (1.0 + loss.value / 100.0) / (1.0 + ratio))
        each_base_g = weighed_g(each_agent_g * ratio)
        agent_g += count * each_agent_g
        base_g += count * each_base_g
        card.append(
            f"{count} {'mix' if count == 1 else 'mixes'} for {size} {item if size == 1 else item + 's'}: "
            f"{each_base_g:.1f} g base and {each_agent_g:.1f} g agent{'' if count == 1 else ' each'}"
        )
    why = (
        f"{'; '.join(card)}. {pour_ml:.1f} mL a {item} × {density:g} g/mL + {loss.value:g} % left in cups, "
        f"{ratio:g} : 1. {because}"
    ).rstrip()
    spread = Range(*((1.0 + percent / 100.0) for percent in (loss.low, loss.value, loss.high)))
    spread = spread * (1.0 / spread.best)

    def need(part: str, total_g: float) -> MaterialNeed:
        return MaterialNeed(
            kind="silicones",
            name=silicone.name,
            purpose=f"{purpose}: {part}",
            quantity=spread * (total_g / 1000.0),
            unit="kg",
            why=why,
            step=step,
            mass_g=total_g,
            volume_ml=total_g / density,
        )

    return need("base", base_g), need("curing agent", agent_g)


def small_mixes(
    silicone: Entry, mass_g: float, *, count: int, purpose: str, step: str, shared: bool = False
) -> tuple[MaterialNeed, MaterialNeed]:
    """Base and curing agent for mixes that are as small as can be weighed well.

    Args:
        silicone: gives mix_ratio and density_g_per_ml.
        mass_g: of one mix; count: how many there are.
        purpose, step, shared: as in `MaterialNeed`.

    Returns:
        Base and agent, in kg of the kit that the price is for.
    """
    ratio = silicone.number("mix_ratio")
    agent_g = weighed_g(mass_g / (1.0 + ratio))
    base_g = weighed_g(agent_g * ratio)
    why = f"{count} × {mass_g:g} g: {base_g:.1f} g base and {agent_g:.1f} g agent, {ratio:g} : 1."

    def need(part: str, each_g: float) -> MaterialNeed:
        return MaterialNeed(
            kind="silicones",
            name=silicone.name,
            purpose=f"{purpose}: {part}",
            quantity=Range.exact(count * each_g / 1000.0),
            unit="kg",
            why=why,
            step=step,
            shared=shared,
            mass_g=count * each_g,
            volume_ml=count * each_g / silicone.number("density_g_per_ml"),
        )

    return need("base", base_g), need("curing agent", agent_g)


def weighed_g(mass_g: float) -> float:
    """A mass as it is weighed.

    Args:
        mass_g: exact.

    Returns:
        The mass rounded up to 0.1 g.
    """
    return round(math.ceil(mass_g / WEIGHED_TO_G - 1e-9) * WEIGHED_TO_G, 1)


def listed_needs(
    rows: Sequence[Mapping[str, Any]],
    process: Process,
    sizing: Sizing,
    *,
    ports: int,
    cups: Mapping[str, int] | None = None,
) -> tuple[MaterialNeed, ...]:
    """What the route's table lists under `[[materials]]`.

    Args:
        rows: each with kind, name, purpose, step, per, amount = [low, best, high], unit, source;
            `per` is job, port (of one chip), mould, round, pour, part, part_port, batch (of the step) or
            cup (that the step mixes in); `whole` rounds up to whole units, `shared` as in a step.
        process: rows of steps that do not run are left out.
        sizing: counts of the plan; ports: openings of one chip.
        cups: step id → cups that it mixes in.

    Returns:
        One need a row.
    """
    running = {step.id for step in process.steps}
    entering = pieces_entering(process.steps, sizing.good_parts, sizing.confidence)
    needs = []
    for row in rows:
        if row["step"] not in running:
            continue
        parts = entering[row["step"]]
        count = {
            "job": 1,
            "port": ports,
            "mould": sizing.moulds,
            "round": sizing.rounds,
            "pour": pours(sizing),
            "part": parts,
            "part_port": parts * ports,
            "batch": sum(sizing.batches.get(row["step"], {}).values()),
            "cup": (cups or {}).get(row["step"], 0),
        }[row["per"]]
        low, best, high = (float(value) * count for value in row["amount"])
        if row.get("whole", False):
            low, best, high = math.ceil(low - 1e-9), math.ceil(best - 1e-9), math.ceil(high - 1e-9)
        per = row["per"].replace("part_port", "port of every piece").replace("_", " ")
        needs.append(
            MaterialNeed(
                kind=row["kind"],
                name=row["name"],
                purpose=row["purpose"],
                quantity=Range(low, best, high),
                unit=row["unit"],
                why=f"{float(row['amount'][1]):g} {row['unit']} per {per} × {count} ({row['source']})",
                step=row["step"],
                shared=bool(row.get("shared", False)),
                volume_ml={"l": 1000.0, "ml": 1.0}.get(row["unit"], 0.0) * best or None,
            )
        )
    return tuple(needs)
