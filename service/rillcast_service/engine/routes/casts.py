"""What routes that cast silicone share: cure variants, lids, silicone and glass."""

from __future__ import annotations

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.curing import (
    CureProgramme,
    cure_programmes,
    cure_range_c,
    cure_time_h,
    usable_cure_temperature_c,
)
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Process,
    Replacement,
    Sizing,
)
from rillcast_service.engine.routes.bodies import extent_mm
from rillcast_service.engine.routes.counts import pieces_entering
from rillcast_service.engine.routes.cups import cups
from rillcast_service.engine.routes.materials import silicone_needs, small_mixes
from rillcast_service.engine.routes.steptable import warms_to

GLASS, SILICONE = "glass", "silicone"

#: Steps that put the lid on, one for each way of bonding.
_CLOSING = ("join_activated", "glue", "glue_at_room")

#: Steps that mix silicone: for the casts, for lids, for a bonding film; and the one that proves a mould.
_MIX, _MIX_LIDS, _MIX_FILM, _WITNESS = "mix", "mix_lids", ("mix_film", "mix_film_at_room"), "witness"

#: Glass that a lid is taken from, the smallest that holds the chip.
_GLASS = ("glass_slide", "large_glass_plate")


def cure_variants(
    route_id: str, job: Job, *, mould_resin: Entry | None = None, mould: Entry | None = None
) -> tuple[BuildVariant, ...]:
    """One build variant for each cure programme that oven and mould stand.

    Args:
        route_id: of the route.
        job: gives silicone and oven.
        mould_resin: of a printed mould; mould: a wafer mould; None leaves their limit out.

    Returns:
        At least one: where the bench has no oven, or none that warm, the coolest cure known.
    """
    silicone = job.bench["silicone"]
    coolest_c, _ = cure_range_c(silicone)
    oven = job.bench["oven"] if job.bench.has("oven") else None
    limit_c = usable_cure_temperature_c(oven=oven, mould_resin=mould_resin, mould=mould)
    programmes = [
        programme
        for programme in cure_programmes(silicone, limit_c)
        if programme.temperature_c == coolest_c or warms_to(job.bench, programme.temperature_c)
    ]
    if not programmes:
        time_h = cure_time_h(silicone, coolest_c)
        programmes = [CureProgramme(f"slow_{coolest_c:.0f}c", coolest_c, time_h)]
    return tuple(
        BuildVariant(
            route=route_id,
            name=programme.name,
            cure=programme.name,
            cure_temperature_c=programme.temperature_c,
            cure_time_h=programme.time_h,
        )
        for programme in programmes
    )


def lid(job: Job) -> str:
    """What closes a cast chip.

    Args:
        job: says what was asked for.

    Returns:
        Silicone where it was asked for or no glass is as large as the chip, glass otherwise.
    """
    return SILICONE if job.chip.lid == SILICONE or glass_plate(job) is None else GLASS


def glass_plate(job: Job) -> Entry | None:
    """The smallest glass of the catalogue that holds the chip in one piece.

    Args:
        job: gives chip and catalogue.

    Returns:
        Its entry; None when none is large enough.
    """
    short, long = sorted(extent_mm(job.chip.outline))
    plates = (job.catalogue.get("consumables", name) for name in _GLASS)
    return next(
        (
            plate
            for plate in plates
            if short <= plate.number("width_mm") + 1e-9 and long <= plate.number("length_mm") + 1e-9
        ),
        None,
    )


def lid_notes(job: Job) -> tuple[str, ...]:
    """Tells when the asked lid is not one that a cast is bonded to.

    Args:
        job: says what was asked for.

    Returns:
        A note, or nothing to tell.
    """
    if job.chip.lid in (GLASS, SILICONE):
        return ()
    return (f"A cast is closed with glass or silicone: {lid(job)} is taken instead of {job.chip.lid}.",)


def lid_replacements(job: Job) -> tuple[Replacement, ...]:
    """Tells when a chip is too large for glass.

    Args:
        job: says what was asked for.

    Returns:
        The replacement by a silicone lid, or nothing to tell.
    """
    if job.chip.lid == SILICONE or lid(job) == GLASS:
        return ()
    largest = job.catalogue.get("consumables", _GLASS[-1])
    short, long = sorted(extent_mm(job.chip.outline))
    size = f"{largest.number('length_mm'):g} × {largest.number('width_mm'):g} mm"
    return (
        Replacement(
            step="Close the chip",
            lacking=f"glass plate of {long:.0f} × {short:.0f} mm",
            instead="a lid of cast silicone is bonded on, which bends more and lets vapour through",
            remedy=f"Make the chip no larger than {size}, or put a larger glass plate on the bench.",
            source=largest.source_of("length_mm"),
        ),
    )


def lid_ml(job: Job, *, lid_mm: float) -> float:
    """Silicone of one lid.

    Args:
        job: gives the outline; lid_mm: thickness of a silicone lid.

    Returns:
        Volume in mL, 0 where the lid is glass.
    """
    return job.chip.outline.area * lid_mm * 1e-3 if lid(job) == SILICONE else 0.0


def silicone(job: Job, sizing: Sizing, mould: Mould, *, witness_g: float = 0.0) -> tuple[MaterialNeed, ...]:
    """Silicone for all pours, for the lids where they are silicone, for bonding films and a witness.

    Args:
        job, sizing: what is made, and how many in which batches.
        mould: what is poured into; it tells the silicone of a lid too.
        witness_g: mass of a witness piece.

    Returns:
        Base and agent of each.
    """
    material = job.bench["silicone"]
    needs = [
        *silicone_needs(
            material,
            pour_ml=mould.pour_ml,
            batches=sizing.batches[_MIX],
            item="pour",
            purpose="casts",
            step=_MIX,
            because=sizing.why,
        )
    ]
    if _MIX_LIDS in sizing.batches:
        needs += silicone_needs(
            material,
            pour_ml=mould.lid_ml,
            batches=sizing.batches[_MIX_LIDS],
            item="lid",
            purpose="lids",
            step=_MIX_LIDS,
        )
    for step in _MIX_FILM:
        if step in sizing.batches:
            film = job.catalogue.get("recipes", "bond_uncured_silicone").quantity("film_mix_g")
            count = sum(sizing.batches[step].values())
            needs += small_mixes(material, film.value, count=count, purpose="bonding film", step=step)
    if _WITNESS in sizing.batches:
        needs += small_mixes(
            material, witness_g, count=1, purpose="witness piece", step=_WITNESS, shared=True
        )
    return tuple(needs)


def mixing_cups(job: Job, sizing: Sizing, mould: Mould, *, chamber_percent: float) -> dict[str, int]:
    """Cups that the mixes for casts and lids take.

    Args:
        job, sizing, mould: as in `silicone`.
        chamber_percent: share of the vacuum chamber that a cup may take.

    Returns:
        Step id → cups.
    """
    poured_ml = {_MIX: mould.pour_ml, _MIX_LIDS: mould.lid_ml}
    return {
        step: cups(job, each_ml, sizing.batches[step], chamber_percent=chamber_percent)
        for step, each_ml in poured_ml.items()
        if step in sizing.batches
    }


def glass(job: Job, process: Process, sizing: Sizing) -> tuple[MaterialNeed, ...]:
    """Glass for the lids.

    Args:
        job, process, sizing: what is made, how, and how many.

    Returns:
        One plate a piece; nothing for a silicone lid.
    """
    entering = pieces_entering(process.steps, sizing.good_parts, sizing.confidence)
    step = next((step for step in _CLOSING if step in entering), None)
    plate = glass_plate(job)
    if lid(job) != GLASS or step is None or plate is None:
        return ()
    short, long = sorted(extent_mm(job.chip.outline))
    return (
        MaterialNeed(
            kind="consumables",
            name=plate.name,
            purpose="lids",
            quantity=Range.exact(float(entering[step])),
            unit="piece",
            why=f"{entering[step]} pieces: the chip is {long:.1f} × {short:.1f} mm",
            step=step,
        ),
    )
