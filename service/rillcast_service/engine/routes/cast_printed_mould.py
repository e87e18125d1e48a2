"""Silicone cast on a printed negative, punched and bonded to glass or a silicone slab."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade import printing
from rillcast_service.engine.asmade.model import AsMade, MadeChannel
from rillcast_service.engine.asmade.silicone import made_by_casting, mould_scale
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes import bodies, casts, prints, steptable
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Mould,
    Printed,
    Process,
    Route,
    Sizing,
)
from rillcast_service.engine.routes.materials import listed_needs, resin_need

_PRINT = "print_moulds"
_TRAY = ("base_mm", "wall_mm", "freeboard_mm", "lane_mm")


class CastPrintedMould(Route):
    """The print stays on the bench as a mould: its softening and its chemistry set the cure."""

    id: ClassVar[str] = "cast_printed_mould"
    made_on: ClassVar[str | None] = "printer"

    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """The cures that mould resin and oven stand."""
        return casts.cure_variants(self.id, job, mould_resin=prints.mould_resin(job))

    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of the table, on this bench."""
        resin, silicone = prints.mould_resin(job), job.bench["silicone"]
        setting = steptable.Setting(
            lid=casts.lid(job),
            resin=resin,
            silicone=silicone,
            passivation=_passivation(job, resin, silicone),
            mould_j_per_m2_k=resin.number("density_cured_g_per_ml")
            * resin.number("heat_capacity_j_per_kg_k")
            * steptable.quantity(self.table["body"], "base_mm").value,
        )
        process = steptable.build(self.table, job, variant, setting)
        return replace(process, replacements=(*process.replacements, *casts.lid_replacements(job)))

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """Ridges as printed, then cast."""
        temperature_c = _cure_c(variant)
        silicone, lying = job.bench["silicone"], prints.lying(job, variant)
        scale = mould_scale(silicone, cure_temperature_c=temperature_c)

        def make(layer: Layer) -> tuple[MadeChannel, Range]:
            ridge, change = printing.made_on_mould(layer, prints.printer(job), lying=lying, scale=scale)
            return made_by_casting(ridge, silicone, cure_temperature_c=temperature_c), change

        notes = (
            *casts.lid_notes(job),
            f"The mould is drawn {100.0 * (scale - 1.0):.2f} % larger, as the silicone shrinks on cooling.",
        )
        return prints.of_layers(job, make, cured=prints.mould_resin(job), notes=notes)

    def moulds(self, job: Job, variant: BuildVariant) -> tuple[Mould, ...]:
        """Moulds of one chip, of as many as fit one build plate, and of half as many."""
        life = prints.mould_resin(job).quantity("mould_life_casts_count")
        lid_ml = casts.lid_ml(job, lid_mm=steptable.quantity(self.table["body"], "lid_mm").value)
        trays = {tray.parts: tray for tray in self._trays(job, variant)}
        counts = {min(trays), max(trays), max(count for count in trays if count <= max(1, max(trays) // 2))}
        return tuple(
            Mould(
                parts=tray.parts,
                width_mm=tray.width_mm,
                depth_mm=tray.depth_mm,
                pour_ml=tray.pour_ml,
                life_casts=life,
                lid_ml=lid_ml,
            )
            for tray in (trays[count] for count in sorted(counts))
        )

    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """The mould: base, walls and ridges."""
        tray = self._tray(job, variant, parts_per_mould)
        return (
            Printed(
                name="mould",
                step=_PRINT,
                width_mm=tray.width_mm,
                depth_mm=tray.depth_mm,
                height_mm=tray.height_mm,
                solid_ml=tray.solid_ml,
                surface_cm2=tray.surface_cm2,
            ),
        )

    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """Resin for the moulds, silicone, glass, and what the table lists."""
        mould = next(mould for mould in self.moulds(job, variant) if mould.parts == sizing.parts_per_mould)
        needs: list[MaterialNeed] = []
        if any(step.id == _PRINT for step in process.steps):
            needs.append(
                resin_need(
                    self.printed(job, variant, sizing.parts_per_mould),
                    items=sizing.moulds,
                    resin=prints.mould_resin(job),
                    printer=prints.printer(job),
                    support_percent=steptable.quantity(self.table["body"], "support_percent"),
                    purpose="moulds",
                    shared=True,
                )
            )
        witness_g = steptable.quantity(self.table["body"], "witness_g").value
        chamber_percent = steptable.quantity(self.table["handling"], "cup_percent").value
        needs += casts.silicone(job, sizing, mould, witness_g=witness_g)
        needs += casts.glass(job, process, sizing)
        needs += listed_needs(
            self.table["materials"],
            process,
            sizing,
            ports=len(job.layout.ports),
            cups=casts.mixing_cups(job, sizing, mould, chamber_percent=chamber_percent),
        )
        return tuple(needs)

    def _tray(self, job: Job, variant: BuildVariant, parts: int) -> bodies.Tray:
        return next(tray for tray in self._trays(job, variant) if tray.parts == max(1, parts))

    def _trays(self, job: Job, variant: BuildVariant) -> tuple[bodies.Tray, ...]:
        sizes = {key: steptable.quantity(self.table["body"], key).value for key in _TRAY}
        scale = mould_scale(job.bench["silicone"], cure_temperature_c=_cure_c(variant))
        printer = prints.printer(job)
        margin_mm = 2.0 * printer.number("plate_margin_mm")
        return bodies.trays(
            job,
            bodies.TraySizes(**sizes, scale=scale),
            plate_x_mm=printer.number("build_x_mm") - margin_mm,
            plate_y_mm=printer.number("build_y_mm") - margin_mm,
        )


def _cure_c(variant: BuildVariant) -> float:
    if variant.cure_temperature_c is None:
        raise ValueError(f"variant {variant.name!r} has no cure")
    return variant.cure_temperature_c


def _passivation(job: Job, resin: Entry, silicone: Entry) -> Entry | None:
    """The bench's recipe, where this resin would keep this silicone from curing without it."""
    if not job.bench.has("passivation") or silicone.fact("catalyst", default="platinum") != "platinum":
        return None
    recipe = job.bench["passivation"]
    inhibits = resin.fact("initiator", default="unknown") in recipe.fact("inhibits_without", default=())
    return recipe if inhibits else None
