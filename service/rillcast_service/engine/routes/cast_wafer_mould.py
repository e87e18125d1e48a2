"""Silicone cast on a photolithographic mould that is bought in."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import ClassVar

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.model import AsMade, MadeChannel, MadeMarks
from rillcast_service.engine.asmade.silicone import made_by_casting, mould_scale
from rillcast_service.engine.asmade.wafer import Step, made_on_wafer, spun_steps
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes import bodies, casts, steptable, wafers
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Printed,
    Process,
    Replacement,
    Route,
    Sizing,
)
from rillcast_service.engine.routes.materials import listed_needs


class CastWaferMould(Route):
    """Sharp and lasting, but dear for one and slow to arrive."""

    id: ClassVar[str] = "cast_wafer_mould"
    made_on: ClassVar[str | None] = "mould"

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
        maker = job.catalogue.get("suppliers", setting.supplier or "")
        spun = _steps(job)
        films, masks = sum(step.films for step in spun), len(spun)
        replacements = (*process.replacements, *casts.lid_replacements(job))
        if not wafers.makes_films(maker, films):
            return replace(process, replacements=(*replacements, _no_price(maker, films)))
        maker = wafers.for_films(maker, films, masks)
        days = maker.quantity("lead_days")
        steps = tuple(
            replace(step, supplier=maker, supply_days=Range(days.low, days.value, days.high))
            if step.supplier is not None and step.supplier.name == maker.name
            else step
            for step in process.steps
        )
        return replace(process, steps=steps, replacements=replacements)

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """Ridges of resist, then cast."""
        mould, silicone = job.bench["mould"], job.bench["silicone"]
        temperature_c = variant.cure_temperature_c
        assert temperature_c is not None, "every variant of a cast has a cure"
        made: list[MadeChannel] = []
        change = Range.exact(0.0)
        steps = _steps(job)
        for layer in job.layout.channel_layers:
            ridge, change = made_on_wafer(layer, mould, steps)
            made.append(made_by_casting(ridge, silicone, cure_temperature_c=temperature_c))
        scale = mould_scale(silicone, cure_temperature_c=temperature_c)
        notes = (
            *casts.lid_notes(job),
            f"Mask and films are {100.0 * (scale - 1.0):.2f} % larger, as the silicone shrinks on cooling.",
            f"Channels keep {mould.number('edge_exclusion_mm'):g} mm from the wafer's edge; the land around "
            "them may reach into that rim.",
        )
        films = _films_of_marks(job)
        marks = []
        for layer in films:
            ridge, change = made_on_wafer(layer, mould, steps)
            marks.append(MadeMarks.of(made_by_casting(ridge, silicone, cure_temperature_c=temperature_c)))
        return AsMade(
            channels=tuple(made),
            width_change_um=change,
            calibrated=None,
            notes=(*notes, *map(_marks_note, films)),
            marks=tuple(marks),
        )

    def moulds(self, job: Job, variant: BuildVariant) -> tuple[Mould, ...]:
        """One wafer with as many chips as it holds, poured whole in its dish."""
        mould = job.bench["mould"]
        assert variant.cure_temperature_c is not None, "every variant of a cast has a cure"
        scale = mould_scale(job.bench["silicone"], cure_temperature_c=variant.cure_temperature_c)
        width, depth = bodies.extent_mm(job.chip.outline)
        inset_x, inset_y = bodies.land_mm(job)
        diameter_mm = mould.number("diameter_mm")
        parts = wafers.pack_in_circle(
            diameter_mm=diameter_mm,
            margin_mm=mould.number("edge_exclusion_mm"),
            gap_mm=steptable.quantity(self.table["body"], "lane_mm").value,
            width_mm=width * scale,
            depth_mm=depth * scale,
            inset_x_mm=inset_x * scale,
            inset_y_mm=inset_y * scale,
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


def _steps(job: Job) -> tuple[Step, ...]:
    """How the films for all depths are spun; marks come in those of the channels, if there are any."""
    layers = job.layout.channel_layers or job.layout.mark_layers
    return spun_steps((layer.depth_um or 0.0 for layer in layers), job.bench["mould"])


def _films_of_marks(job: Job) -> tuple[Layer, ...]:
    """The layers of marks, each as deep as the film of channels that comes nearest to its own depth.

    A film and mask of their own would be paid for nothing.
    """
    films = [layer.depth_um or 0.0 for layer in job.layout.channel_layers]

    def nearest(layer: Layer) -> float | None:
        own = layer.depth_um or 0.0
        return min(films, key=lambda film: (abs(film - own), film), default=layer.depth_um)

    return tuple(replace(layer, depth_um=nearest(layer)) for layer in job.layout.mark_layers)


def _marks_note(layer: Layer) -> str:
    return f"Marks of layer {layer.name!r} come in the film of the channels: {layer.depth_um:g} µm deep."


def _no_price(maker: Entry, films: int) -> Replacement:
    return Replacement(
        step="Order mask and wafer moulds",
        lacking=f"price of the {maker.title} for {films} films",
        instead=None,
        remedy=f"Give suppliers/{maker.name} the prices of a further film and mask, and the days they take, "
        "or draw all channels equally deep, and no deeper than one film.",
        source=maker.source_of("price"),
    )
