"""From a route's TOML table to the steps of a process on this bench.

The format is told at the head of catalogue/routes/cast_printed_mould.toml.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.catalogue.units import unit_of
from rillcast_service.engine.curing import oven_warm_up_min
from rillcast_service.engine.job import Bench, Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes import bodies
from rillcast_service.engine.routes.base import BuildVariant, Process, Replacement, Step

_UNITS = ("job", "mould", "pour", "part", "first_part")

#: What a step of the table may say; anything else is a slip of the pen.
# fmt: off
_KEYS = frozenset((
    "id", "title", "after", "unit", "batch", "machine", "elapsed_min", "elapsed", "per_item_min",
    "computed", "hands_on_min", "hands_on_per_item_min", "hands_on_per_port_min", "unattended",
    "yield_percent", "yield_per_port_percent", "yield_by_size", "max_gap_min", "max_gap", "within",
    "shared", "supplier", "supplied_each", "cautions", "when", "way", "heats", "source",
))
# fmt: on

_ZERO = Range(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Setting:
    """What the steps of a process depend on, besides the bench.

    Args:
        lid: what closes the chip by this route; None where it closes itself.
        resin: what is printed; None where nothing is.
        silicone: what is cast; None where nothing is.
        passivation: recipe without which the print would poison the silicone; None where none is needed.
        supplier: of a thing that is always bought in (the wafer mould); None where nothing is.
        mould_j_per_m2_k: heat that the mould takes up in an oven, per area of what is cast on it.
    """

    lid: str | None = None
    resin: Entry | None = None
    silicone: Entry | None = None
    passivation: Entry | None = None
    supplier: str | None = None
    mould_j_per_m2_k: float = 0.0


def build(table: Mapping[str, Any], job: Job, variant: BuildVariant, setting: Setting) -> Process:
    """The steps of a variant on this bench.

    Args:
        table: the route's catalogue table.
        job, variant: what is made, and how.
        setting: what the steps depend on.

    Returns:
        The process. Of every choice the first way is taken whose machines the bench has; a step
        whose machine is missing goes to its supplier; where neither helps, a `Replacement` without
        `instead` says so. Steps that do not apply are left out, and what followed them follows what
        they followed.

    Raises:
        ValueError: the table breaks the format; the message names step and key.
    """
    ways, replacements = _choose(table, job, setting)
    states = _states(job, variant, setting)
    taken: dict[str, Mapping[str, Any]] = {}
    stands_for: dict[str, tuple[str, ...]] = {}
    for written in table["steps"]:
        row: Mapping[str, Any] = {"source": table["source"], **written}
        _check(row, table)
        after = _resolve(row.get("after", ()), taken, stands_for, row["id"])
        choice, _, way = str(row.get("way", "")).partition(".")
        if (choice and ways[choice] != way) or not states.issuperset(row.get("when", ())):
            stands_for[row["id"]] = after
            continue
        taken[row["id"]] = row
        stands_for[row["id"]] = (row["id"],)
        if choice:
            # a choice ends where the last steps of the way taken end
            stands_for[choice] = (*(s for s in stands_for.get(choice, ()) if s not in after), row["id"])
    steps = []
    earlier: dict[str, frozenset[str]] = {}
    for row in taken.values():
        after = _resolve(row.get("after", ()), taken, stands_for, row["id"])
        # a step that was left out stands for the one before it, which another forerunner may follow too
        after = tuple(name for name in after if not any(name in earlier[other] for other in after))
        earlier[row["id"]] = frozenset(after).union(*(earlier[name] for name in after))
        step, replacement = _step(row, after, table, job, variant, setting)
        steps.append(step)
        if replacement:
            replacements.append(replacement)
    replacements += _too_slow(steps)
    return Process(
        steps=tuple(steps),
        replacements=tuple(replacements),
        facts=_facts(taken.values(), job, variant, setting),
    )


def warms_to(bench: Bench, temperature_c: float) -> bool:
    """Whether the bench has an oven for a temperature.

    Args:
        bench: may have an oven; temperature_c: neither below nor above what the oven holds.

    Returns:
        True when it does.
    """
    if not bench.has("oven"):
        return False
    oven = bench["oven"]
    return oven.number("min_c") <= temperature_c <= oven.number("max_c")


def quantity(table: Mapping[str, Any], key: str) -> Quantity:
    """A number of a route's table, written as in the catalogue: value, low, high, source, note.

    Args:
        table: holds it; key: its name, which ends in its unit.

    Returns:
        The quantity; exact where low and high are not written.
    """
    written = table[key]
    value = float(written["value"])
    return Quantity(
        value=value,
        unit=unit_of(key) or "",
        source=str(written["source"]),
        low=float(written.get("low", value)),
        high=float(written.get("high", value)),
        note=str(written.get("note", "")),
    )


def _choose(table: Mapping[str, Any], job: Job, setting: Setting) -> tuple[dict[str, str], list[Replacement]]:
    """For each choice the first way that the bench allows, and what it replaces."""
    taken: dict[str, str] = {}
    replacements = []
    for choice in table.get("choices", ()):
        ways = [way for way in choice["ways"] if setting.lid in way.get("lids", (setting.lid,))]
        best = ways[0]
        lacking = [next((need for need in way["needs"] if not job.bench.has(need)), None) for way in ways]
        possible = [way for way, lack in zip(ways, lacking, strict=True) if lack is None]
        taken[choice["id"]] = (possible or ways)[0]["id"]
        missing = lacking[0]
        if missing is not None:
            instead = possible[0] if possible else None
            replacements.append(
                Replacement(
                    step=choice["title"],
                    lacking=missing,
                    instead=instead["title"] if instead else None,
                    remedy=best["remedy"],
                    source=(instead or best)["source"],
                )
            )
    return taken, replacements


def _states(job: Job, variant: BuildVariant, setting: Setting) -> frozenset[str]:
    """Words that a step's `when` may ask for."""
    states = {f"lid_{setting.lid}"}
    if setting.passivation is not None:
        states.add("passivation")
        if setting.passivation.has("coat_min"):
            states.add("coat")
    states |= {f"{'has' if job.bench.has(key) else 'lacks'}_{key}" for key in job.bench.items}
    if variant.cure_temperature_c is not None:
        states.add("cure_in_oven" if warms_to(job.bench, variant.cure_temperature_c) else "cure_at_room")
    if job.first_article:
        states.add("first_article")
    if variant.orientation_deg > 0.0:
        states.add("upright")
    return frozenset(states)


def _resolve(
    names: Iterable[str],
    taken: Mapping[str, Mapping[str, Any]],
    stands_for: Mapping[str, tuple[str, ...]],
    step_id: str,
) -> tuple[str, ...]:
    """Names of forerunners as the steps that really run."""
    found: dict[str, None] = {}
    for name in names:
        if name not in stands_for:
            raise ValueError(f"step {step_id!r} follows {name!r}, which no earlier step or choice is called")
        found |= dict.fromkeys(s for s in stands_for[name] if s in taken)
    return tuple(found)


def _check(row: Mapping[str, Any], table: Mapping[str, Any]) -> None:
    if row["id"] in {choice["id"] for choice in table.get("choices", ())}:
        raise ValueError(f"step {row['id']!r} has the name of a choice")
    stray = set(row) - _KEYS
    if stray:
        raise ValueError(f"step {row.get('id')!r} has an unknown key {sorted(stray)[0]!r}")
    if row["unit"] not in _UNITS:
        raise ValueError(f"step {row['id']!r}: unit is one of {', '.join(_UNITS)}")
    if row["unit"] != "part" and any(key.startswith("yield") for key in row):
        raise ValueError(f"step {row['id']!r}: only a step on parts has a yield")
    for caution in row.get("cautions", ()):
        if caution not in table["cautions"]:
            raise ValueError(f"step {row['id']!r}: caution {caution!r} has no text")


def _step(
    row: Mapping[str, Any],
    after: tuple[str, ...],
    table: Mapping[str, Any],
    job: Job,
    variant: BuildVariant,
    setting: Setting,
) -> tuple[Step, Replacement | None]:
    machine = row.get("machine")
    supplier: Entry | None = None
    replacement: Replacement | None = None
    title = _title(row, variant, setting)
    outside = setting.supplier if row.get("supplier") == "mould" else row.get("supplier")
    if machine is None:
        supplier = job.catalogue.get("suppliers", outside) if outside else None
    elif not job.bench.has(machine):
        supplier = job.catalogue.get("suppliers", outside) if outside else None
        replacement = Replacement(
            step=title,
            lacking=machine,
            instead=f"sent to the {supplier.title}, {_days(supplier)}" if supplier else None,
            remedy=f"Add what this step needs to the bench: {machine.replace('_', ' ')}.",
            source=supplier.source_of("lead_days") if supplier else str(row["source"]),
        )
        machine = None
    elapsed, source = _elapsed(row, job, variant, setting)
    since, within_h = _within_h(row, job, setting)
    step = Step(
        id=row["id"],
        title=title,
        after=after,
        unit=row["unit"],
        batch=row["batch"],
        machine=machine,
        machine_entry=job.bench[machine] if machine else None,
        elapsed_min=elapsed,
        per_item_min=_range(row.get("per_item_min")),
        computed=row.get("computed"),
        hands_on_min=_range(row.get("hands_on_min")),
        hands_on_per_item_min=_range(row.get("hands_on_per_item_min"))
        + _range(row.get("hands_on_per_port_min")) * len(job.layout.ports),
        unattended=bool(row.get("unattended", False)),
        first_pass_yield=_yield(row, job),
        max_gap_h=_max_gap_h(row, after, job, setting),
        shared=bool(row.get("shared", False)),
        supplier=supplier,
        supply_days=_as_range(supplier.quantity("lead_days")) if supplier else None,
        cautions=tuple(str(table["cautions"][name]) for name in row.get("cautions", ())),
        source=source,
        since=since,
        within_h=within_h,
        holds_c=_holds_c(row, job, variant, setting) if machine else None,
        supplied_each=int(row.get("supplied_each", 1)),
    )
    return step, replacement


def _too_slow(steps: Sequence[Step]) -> list[Replacement]:
    """What blocks because it takes longer, even for one item and without a pause, than is left for it."""
    index = {step.id: position for position, step in enumerate(steps)}
    told = []
    for last, step in enumerate(steps):
        if step.since not in index or step.within_h is None:
            continue
        run = [step]
        while run[0].id != step.since:
            run.insert(0, steps[index[run[0].after[0]]])
        takes_min = sum(_for_one_min(one) for one in run)
        if takes_min > step.within_h * 60.0:
            told.append(
                Replacement(
                    step=f"{run[0].title} … {steps[last].title}",
                    lacking=f"material that stays workable for the {takes_min:.0f} min that this takes",
                    instead=None,
                    remedy=f"Choose one that lasts longer than {step.within_h * 60.0:.0f} min.",
                    source=step.source,
                )
            )
    return told


def _for_one_min(step: Step) -> float:
    """Time of a batch of one, whole minutes as the calendar takes them."""
    elapsed = step.elapsed_min.best + step.per_item_min.best
    return math.ceil(max(elapsed, step.hands_on_min.best + step.hands_on_per_item_min.best) - 1e-9)


def _days(supplier: Entry) -> str:
    return f"{supplier.number('lead_days'):g} working days"


def _title(row: Mapping[str, Any], variant: BuildVariant, setting: Setting) -> str:
    """The title with the values of this variant in it."""
    recipe = setting.passivation
    return str(row["title"]).format(
        cure_c=variant.cure_temperature_c,
        cure_h=variant.cure_time_h,
        bake_c=recipe.number("bake_c") if recipe else None,
        bake_h=recipe.number("bake_h") if recipe else None,
        orientation=variant.name,
    )


def _elapsed(row: Mapping[str, Any], job: Job, variant: BuildVariant, setting: Setting) -> tuple[Range, str]:
    """Time of a batch and its source: written, or taken from a recipe or the cure programme."""
    written = row.get("elapsed")
    if written is None:
        return _range(row.get("elapsed_min")), str(row["source"])
    if written == "cure":
        return _cure(row, job, variant, setting)
    recipe = _recipe(written, job, setting)
    value = recipe.quantity(written["key"])
    time = _as_range(value) * float(written.get("times", 1))
    if written["key"].endswith("_h"):
        return time * 60.0, value.source
    if written["key"].endswith("_min"):
        return time, value.source
    if written["key"].endswith("_mj_per_cm2"):
        return _under_lamp(time, row, job), value.source
    raise ValueError(f"step {row['id']!r}: {written['key']!r} is neither a time nor a dose")


def _cure(row: Mapping[str, Any], job: Job, variant: BuildVariant, setting: Setting) -> tuple[Range, str]:
    """Time of the programme; in an oven with the warming up where the data sheet leaves it out."""
    silicone, temperature_c = setting.silicone, variant.cure_temperature_c
    if silicone is None or temperature_c is None or variant.cure_time_h is None:
        raise ValueError("a cure needs a silicone and a programme")
    time, source = Range.exact(variant.cure_time_h * 60.0), silicone.source_of("cure_points")
    in_oven = row.get("machine") == "oven" and job.bench.has("oven")
    if not in_oven or silicone.fact("sheet_times_include_heating", default=False):
        return time, source
    oven = job.bench["oven"]
    warm_up = oven_warm_up_min(
        silicone,
        oven,
        temperature_c=temperature_c,
        thickness_mm=job.chip.thickness_mm,
        mould_j_per_m2_k=setting.mould_j_per_m2_k,
    )
    return time + warm_up, f"{source}; warming up: {oven.source_of('film_w_per_m2_k')}"


def _under_lamp(dose_mj_per_cm2: Range, row: Mapping[str, Any], job: Job) -> Range:
    """Time of a dose under the bench's lamp, in min: t = H/E, the dimmer lamp taking longer."""
    machine = row["machine"]
    if not job.bench.has(machine):
        return _ZERO
    irradiance = job.bench[machine].quantity("irradiance_mw_per_cm2")
    return Range(
        dose_mj_per_cm2.low / irradiance.high / 60.0,
        dose_mj_per_cm2.best / irradiance.value / 60.0,
        dose_mj_per_cm2.high / irradiance.low / 60.0,
    )


def _recipe(written: Mapping[str, Any], job: Job, setting: Setting) -> Entry:
    """The recipe that a time is taken from."""
    name = str(written["recipe"])
    if name != "passivation":
        return job.catalogue.get("recipes", name)
    if setting.passivation is not None:
        return setting.passivation
    return job.catalogue.get("recipes", written["otherwise"])


def _max_gap_h(row: Mapping[str, Any], after: Sequence[str], job: Job, setting: Setting) -> float | None:
    """The longest wait; none where the row has none, or where nothing that it could count from runs."""
    if len(after) != 1:
        return None
    if "max_gap_min" in row:
        return float(row["max_gap_min"]) / 60.0
    written = row.get("max_gap")
    return None if written is None else _recipe(written, job, setting).number(written["key"]) / 60.0


def _within_h(row: Mapping[str, Any], job: Job, setting: Setting) -> tuple[str | None, float | None]:
    """The step whose start is counted from, and the time that is left from there on."""
    written = row.get("within")
    if written is None:
        return None, None
    if written.get("limit") != "pot_life":
        return written["since"], _recipe(written, job, setting).number(written["key"]) / 60.0
    if setting.silicone is None:
        raise ValueError(f"step {row['id']!r}: the pot life needs a silicone")
    return written["since"], setting.silicone.number("pot_life_h")


def _holds_c(row: Mapping[str, Any], job: Job, variant: BuildVariant, setting: Setting) -> float | None:
    """Temperature at which an oven holds the step; other machines take one batch at a time."""
    written = row.get("elapsed")
    if row.get("machine") != "oven" or written is None:
        return None
    if written == "cure":
        return variant.cure_temperature_c
    return _recipe(written, job, setting).number("bake_c")


def _yield(row: Mapping[str, Any], job: Job) -> Quantity | None:
    if "yield_percent" in row:
        return quantity(row, "yield_percent")
    if "yield_by_size" in row:
        return _yield_by_size(row["yield_by_size"], bodies.smallest_channel_um(job))
    if "yield_per_port_percent" not in row:
        return None
    each = quantity(row, "yield_per_port_percent")
    ports = len(job.layout.ports)
    low, best, high = (100.0 * (share / 100.0) ** ports for share in (each.low, each.value, each.high))
    note = f"{each.value:g} % for each of {ports} ports"
    return Quantity(value=best, unit=each.unit, source=each.source, low=low, high=high, note=note)


def _yield_by_size(table: Mapping[str, Any], size_um: float) -> Quantity:
    """Straight lines between the points, and no further than the first and last."""
    points = sorted(table["points"], key=lambda point: float(point["size_um"]))
    at_um = [float(point["size_um"]) for point in points]
    low, best, high = (
        float(np.interp(size_um, at_um, [float(point["percent"][pick]) for point in points]))
        for pick in range(3)
    )
    note = f"smallest channel {size_um:.0f} µm; {table['note']}"
    return Quantity(value=best, unit="%", source=str(table["source"]), low=low, high=high, note=note)


def _facts(
    rows: Iterable[Mapping[str, Any]],
    job: Job,
    variant: BuildVariant,
    setting: Setting,
) -> dict[str, Any]:
    """What checks and costing need to know of the process."""
    resin, silicone, recipe = setting.resin, setting.silicone, setting.passivation
    heated = []
    for row in rows:
        if resin is not None and "heats" in row:
            written = row["heats"]
            if written == "cure":
                temperature_c = variant.cure_temperature_c or 0.0
            else:
                temperature_c = _recipe(written, job, setting).number(written["key"])
            heated.append((row["id"], temperature_c, resin.name))
    return {
        "resin": resin.name if resin else None,
        "mould_resin": resin.name if resin and silicone else None,
        "initiator": resin.fact("initiator", default="unknown") if resin else None,
        "silicone": silicone.name if silicone else None,
        "passivation": recipe.name if recipe else None,
        "cure_temperature_c": variant.cure_temperature_c,
        "cure_time_h": variant.cure_time_h,
        "heated_resin_steps": tuple(heated),
        "lid": setting.lid,
    }


def _range(written: Sequence[float] | None) -> Range:
    """Low, best and high as written in a list; nothing written is zero."""
    if written is None:
        return _ZERO
    low, best, high = (float(value) for value in written)
    return Range(low, best, high)


def _as_range(value: Quantity) -> Range:
    return Range(value.low, value.value, value.high)
