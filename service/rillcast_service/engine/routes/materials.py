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
) -> MaterialNeed:
    """Liquid resin for all prints of a job.

    Args:
        printed: the objects of one item.
        items: how many items are printed, scrap included.
        resin: gives both densities, film_um and waste_percent; printer: gives vat_minimum_ml.
        support_percent: volume of supports over that of the object.
        purpose: in words; shared: whether a repeat order would not need it.

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
        f"needs {printer.number('vat_minimum_ml'):.0f} mL in it, which is poured back."
    )
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
    silicone: Entry, *, pour_ml: float, pours_count: int, rounds: int, purpose: str, step: str
) -> tuple[MaterialNeed, MaterialNeed]:
    """Base and curing agent for all pours of a job.

    Args:
        silicone: gives density_g_per_ml, mix_ratio and cup_loss_percent.
        pour_ml: of one pour; pours_count: how many there are.
        rounds: casting rounds; silicone is weighed to 0.1 g for each.
        purpose, step: in words, and the step that uses it.

    Returns:
        Base and agent, in kg of the kit that the price is for.

    Formula: m = n V ρ (1 + cup loss); agent = m/(1 + r), base = r m/(1 + r), each rounded up to
        0.1 g in every round.
    """
    ratio = silicone.number("mix_ratio")
    loss = silicone.quantity("cup_loss_percent")
    net_g = pours_count * pour_ml * silicone.number("density_g_per_ml")
    mass_g = Range(*(net_g * (1.0 + percent / 100.0) for percent in (loss.low, loss.value, loss.high)))
    agent_g = weighed_g(mass_g.best / (1.0 + ratio) / rounds)
    base_g = weighed_g(agent_g * ratio)
    why = (
        f"{pours_count} pours × {pour_ml:.1f} mL × {silicone.number('density_g_per_ml'):g} g/mL + "
        f"{loss.value:g} % left in cups, mixed {ratio:g} : 1 in {rounds} "
        f"{'round' if rounds == 1 else 'rounds'} of {base_g:.1f} g base and {agent_g:.1f} g agent."
    )

    def need(part: str, each_g: float) -> MaterialNeed:
        total_g = each_g * rounds
        spread = mass_g * (1.0 / mass_g.best)
        return MaterialNeed(
            kind="silicones",
            name=silicone.name,
            purpose=f"{purpose}: {part}",
            quantity=spread * (total_g / 1000.0),
            unit="kg",
            why=why,
            step=step,
            mass_g=total_g,
            volume_ml=total_g / silicone.number("density_g_per_ml"),
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
    rows: Sequence[Mapping[str, Any]], process: Process, sizing: Sizing, *, ports: int
) -> tuple[MaterialNeed, ...]:
    """What the route's table lists under `[[materials]]`.

    Args:
        rows: each with kind, name, purpose, step, per, amount = [low, best, high], unit, source;
            `per` is job, port (of one chip), mould, round, pour, part or part_port; `whole` rounds
            up to whole units, `shared` as in a step.
        process: rows of steps that do not run are left out.
        sizing: counts of the plan; ports: openings of one chip.

    Returns:
        One need a row.
    """
    running = {step.id for step in process.steps}
    entering = pieces_entering(process.steps, sizing.good_parts)
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
