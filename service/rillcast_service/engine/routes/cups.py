"""Cups that silicone is mixed and degassed in."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rillcast_service.engine.job import Job

#: The consumable that silicone is mixed in.
CUP = "mixing_cup"


def room_ml(job: Job, *, chamber_percent: float) -> float:
    """Silicone that one cup takes.

    Args:
        job: gives cup and bench, which may have a vacuum chamber.
        chamber_percent: share of the chamber's volume that a cup may take.

    Returns:
        Volume in mL. Under vacuum the mix foams up, and cup and chamber must take the foam:
        V = min(cup, share of the chamber) / foam ratio. Without a chamber it is the cup itself.
    """
    cup_ml = job.catalogue.get("consumables", CUP).number("volume_ml")
    if not job.bench.has("vacuum_chamber"):
        return cup_ml
    chamber = job.bench["vacuum_chamber"]
    return min(cup_ml, chamber.number("volume_ml") * chamber_percent / 100.0) / chamber.number("foam_ratio")


def mixed_ml(job: Job, pours_ml: float) -> float:
    """Silicone that is mixed so that enough leaves the cup.

    Args:
        job: gives the silicone; pours_ml: what is poured.

    Returns:
        Volume in mL, with what stays in cup and on tools.
    """
    return pours_ml * (1.0 + job.bench["silicone"].number("cup_loss_percent") / 100.0)


def pours_per_cup(job: Job, pour_ml: float, *, chamber_percent: float) -> int:
    """Pours that one cup of mix serves.

    Args:
        job, chamber_percent: as in `room_ml`; pour_ml: of one pour.

    Returns:
        The count; 0 when one pour takes more than one cup.
    """
    return math.floor(room_ml(job, chamber_percent=chamber_percent) / mixed_ml(job, pour_ml))


def cups(job: Job, pour_ml: float, batches: Mapping[int, int], *, chamber_percent: float) -> int:
    """Cups that a job's mixes take.

    Args:
        job, chamber_percent: as in `room_ml`; pour_ml: of one pour.
        batches: pours that a mix serves → how many such mixes there are.

    Returns:
        The count, one at least for each mix.
    """
    room = room_ml(job, chamber_percent=chamber_percent)
    return sum(
        count * math.ceil(mixed_ml(job, size * pour_ml) / room - 1e-9) for size, count in batches.items()
    )
