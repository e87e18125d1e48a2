"""What routes that cast silicone share: cure variants, lids, silicone and glass."""

from __future__ import annotations

import math

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
from rillcast_service.engine.routes.base import BuildVariant, MaterialNeed, Mould, Process, Sizing
from rillcast_service.engine.routes.bodies import extent_mm
from rillcast_service.engine.routes.counts import pieces_entering, pours
from rillcast_service.engine.routes.materials import silicone_needs
from rillcast_service.engine.routes.steptable import warms_to

GLASS, SILICONE = "glass", "silicone"

#: Steps that put the lid on, one for each way of bonding.
_CLOSING = ("join_activated", "glue", "glue_at_room")

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
        Silicone where it was asked for, glass otherwise.
    """
    return SILICONE if job.chip.lid == SILICONE else GLASS


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


def silicone(
    job: Job, process: Process, sizing: Sizing, mould: Mould, *, lid_mm: float
) -> tuple[MaterialNeed, ...]:
    """Silicone for all pours, and for the lids where they are silicone.

    Args:
        job, process, sizing: what is made, how, and how many.
        mould: what is poured into.
        lid_mm: thickness of a silicone lid.

    Returns:
        Base and agent of each.
    """
    needs: list[MaterialNeed] = list(
        silicone_needs(
            job.bench["silicone"],
            pour_ml=mould.pour_ml,
            pours_count=pours(sizing),
            rounds=sizing.rounds,
            purpose="casts",
            step="mix",
        )
    )
    entering = pieces_entering(process.steps, sizing.good_parts)
    if "cast_lids" in entering:
        needs += silicone_needs(
            job.bench["silicone"],
            pour_ml=job.chip.outline.area * lid_mm * 1e-3,
            pours_count=entering["cast_lids"],
            rounds=1,
            purpose="lids",
            step="cast_lids",
        )
    return tuple(needs)


def glass(job: Job, process: Process, sizing: Sizing) -> tuple[MaterialNeed, ...]:
    """Glass for the lids, the smallest of the catalogue that holds the chip.

    Args:
        job, process, sizing: what is made, how, and how many.

    Returns:
        Nothing for a silicone lid. A chip larger than any plate takes as many of the largest as
        cover it.
    """
    entering = pieces_entering(process.steps, sizing.good_parts)
    step = next((step for step in _CLOSING if step in entering), None)
    if lid(job) != GLASS or step is None:
        return ()
    short, long = sorted(extent_mm(job.chip.outline))
    plates = [job.catalogue.get("consumables", name) for name in _GLASS]

    def covering(plate: Entry) -> int:
        across = math.ceil(short / plate.number("width_mm") - 1e-9)
        return across * math.ceil(long / plate.number("length_mm") - 1e-9)

    plate = next((plate for plate in plates if covering(plate) == 1), plates[-1])
    each = covering(plate)
    count = entering[step] * each
    why = f"{entering[step]} pieces × {each}: the chip is {long:.1f} × {short:.1f} mm"
    return (
        MaterialNeed(
            kind="consumables",
            name=plate.name,
            purpose="lids",
            quantity=Range.exact(float(count)),
            unit="piece",
            why=why,
            step=step,
        ),
    )
