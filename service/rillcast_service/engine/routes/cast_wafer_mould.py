"""Silicone cast on a photolithographic mould that is bought in."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import ClassVar

from rillcast_service.engine.asmade.model import AsMade, MadeChannel
from rillcast_service.engine.asmade.silicone import made_by_casting, mould_scale
from rillcast_service.engine.asmade.wafer import made_on_wafer
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes import bodies, casts, steptable
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Printed,
    Process,
    Route,
    Sizing,
)
from rillcast_service.engine.routes.materials import listed_needs
from rillcast_service.engine.routes.wafers import pack_in_circle


class CastWaferMould(Route):
    """Sharp and lasting, but dear for one and slow to arrive."""

    id: ClassVar[str] = "cast_wafer_mould"

    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """The cures that wafer and oven stand."""
        return casts.cure_variants(self.id, job, mould=job.bench["mould"])

    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of the table, on this bench."""
        setting = steptable.Setting(
            lid=casts.lid(job),
            silicone=job.bench["silicone"],
            supplier=str(job.bench["mould"].fact("supplier")),
            mould_j_per_m2_k=job.bench["mould"].number("heat_j_per_m2_k"),
        )
        process = steptable.build(self.table, job, variant, setting)
        return replace(process, replacements=(*process.replacements, *casts.lid_replacements(job)))

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """Ridges of resist, then cast."""
        mould, silicone = job.bench["mould"], job.bench["silicone"]
        temperature_c = variant.cure_temperature_c
        assert temperature_c is not None, "every variant of a cast has a cure"
        made: list[MadeChannel] = []
        change = Range.exact(0.0)
        for layer in job.layout.channel_layers:
            ridge, change = made_on_wafer(layer, mould)
            made.append(made_by_casting(ridge, silicone, cure_temperature_c=temperature_c))
        scale = mould_scale(silicone, cure_temperature_c=temperature_c)
        notes = (
            *casts.lid_notes(job),
            f"The mask is drawn {100.0 * (scale - 1.0):.2f} % larger, as the silicone shrinks on cooling.",
        )
        return AsMade(channels=tuple(made), width_change_um=change, calibrated=None, notes=notes)

    def moulds(self, job: Job, variant: BuildVariant) -> tuple[Mould, ...]:
        """One wafer with as many chips as it holds, poured whole in its dish."""
        del variant
        mould = job.bench["mould"]
        width, depth = bodies.extent_mm(job.chip.outline)
        diameter_mm = mould.number("diameter_mm")
        parts = pack_in_circle(
            diameter_mm=diameter_mm,
            margin_mm=mould.number("edge_exclusion_mm") if mould.has("edge_exclusion_mm") else 0.0,
            gap_mm=steptable.quantity(self.table["body"], "lane_mm").value,
            width_mm=width,
            depth_mm=depth,
        )
        rim_mm = steptable.quantity(self.table["body"], "dish_rim_mm").value
        dish_mm = diameter_mm + 2.0 * rim_mm
        parts = max(1, parts)
        poured_ml = math.pi / 4.0 * dish_mm**2 * job.chip.thickness_mm * 1e-3
        return (
            Mould(
                parts=parts,
                width_mm=dish_mm,
                depth_mm=dish_mm,
                pour_ml=poured_ml - parts * bodies.channel_volume_ml(job),
                life_casts=mould.quantity("life_casts_count"),
                lid_ml=casts.lid_ml(job, lid_mm=steptable.quantity(self.table["body"], "lid_mm").value),
            ),
        )

    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """Nothing."""
        del job, variant, parts_per_mould
        return ()

    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """Silicone, glass, and what the table lists."""
        (mould,) = self.moulds(job, variant)
        chamber_percent = steptable.quantity(self.table["handling"], "cup_percent").value
        return (
            *casts.silicone(job, sizing, mould),
            *casts.glass(job, process, sizing),
            *listed_needs(
                self.table["materials"],
                process,
                sizing,
                ports=len(job.layout.ports),
                cups=casts.mixing_cups(job, sizing, mould, chamber_percent=chamber_percent),
            ),
        )
