"""One-piece print: channels enclosed in a single vat-photopolymerised part."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from rillcast_service.engine.asmade import printing
from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.job import Job
from rillcast_service.engine.routes import bodies, prints, steptable
from rillcast_service.engine.routes.base import BuildVariant, MaterialNeed, Printed, Process, Route, Sizing
from rillcast_service.engine.routes.counts import pieces_entering
from rillcast_service.engine.routes.materials import listed_needs, resin_need

_PRINT = "print"


class PrintedMonolith(Route):
    """Lying flat it prints fast and its roofs close; standing on its long edge the reverse."""

    id: ClassVar[str] = "printed_monolith"
    made_on: ClassVar[str | None] = "printer"

    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """Flat, and upright."""
        del job
        return (
            BuildVariant(route=self.id, name="flat", orientation_deg=0.0),
            BuildVariant(route=self.id, name="upright", orientation_deg=90.0),
        )

    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of the table, on this bench."""
        return steptable.build(self.table, job, variant, steptable.Setting(resin=prints.resin(job)))

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """Channels with a roof printed over them."""
        notes = (f"This route closes the chip itself: the {job.chip.lid} lid is not used.",)
        return prints.in_part(job, variant, enclosed=True, notes=notes)

    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """The chip, flat or standing on its long edge."""
        del parts_per_mould
        chip = bodies.slab(
            job, name="part", step=_PRINT, thickness_mm=job.chip.thickness_mm, open_channels=True
        )
        if variant.orientation_deg < printing.UPRIGHT_FROM_DEG:
            return (chip,)
        length, height = max(chip.width_mm, chip.depth_mm), min(chip.width_mm, chip.depth_mm)
        return (replace(chip, width_mm=length, depth_mm=chip.height_mm, height_mm=height),)

    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """Resin for the parts begun, and what the table lists."""
        listed = listed_needs(self.table["materials"], process, sizing, ports=len(job.layout.ports))
        entering = pieces_entering(process.steps, sizing.good_parts, sizing.confidence)
        if _PRINT not in entering:
            return listed
        upright = variant.orientation_deg >= printing.UPRIGHT_FROM_DEG
        resin = resin_need(
            self.printed(job, variant, 0),
            items=entering[_PRINT],
            resin=prints.resin(job),
            printer=prints.printer(job),
            support_percent=steptable.quantity(
                self.table["body"], "support_upright_percent" if upright else "support_percent"
            ),
            purpose="chips",
            shared=False,
            because=sizing.why,
        )
        return (resin, *listed)
