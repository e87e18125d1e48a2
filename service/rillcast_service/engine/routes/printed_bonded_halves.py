"""Two printed halves: an open channel half and a flat lid, bonded."""

from __future__ import annotations

from typing import ClassVar

from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.job import Job
from rillcast_service.engine.routes import bodies, prints, steptable
from rillcast_service.engine.routes.base import BuildVariant, MaterialNeed, Printed, Process, Route, Sizing
from rillcast_service.engine.routes.counts import pieces_entering
from rillcast_service.engine.routes.materials import listed_needs, resin_need

_PRINT = "print"
_LID = "printed"


class PrintedBondedHalves(Route):
    """Open channels wash out freely; what is bonded over them may squeeze in."""

    id: ClassVar[str] = "printed_bonded_halves"
    made_on: ClassVar[str | None] = "printer"

    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """Flat only: the bonding face must be flat."""
        del job
        return (BuildVariant(route=self.id, name="flat"),)

    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of the table, on this bench."""
        setting = steptable.Setting(resin=prints.resin(job), lid=_LID)
        return steptable.build(self.table, job, variant, setting)

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """Channels open to the bonding face."""
        notes: tuple[str, ...] = ()
        if job.chip.lid != _LID:
            notes = (f"This route prints its own lid: the {job.chip.lid} lid is not used.",)
        return prints.in_part(job, variant, enclosed=False, notes=notes)

    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """The channel half, as thick as the chip was asked, and the lid that comes on top."""
        del variant, parts_per_mould
        lid_mm = steptable.quantity(self.table["body"], "lid_mm").value
        return (
            bodies.slab(
                job, name="half", step=_PRINT, thickness_mm=job.chip.thickness_mm, open_channels=True
            ),
            bodies.slab(job, name="lid", step=_PRINT, thickness_mm=lid_mm, open_channels=False),
        )

    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """Resin for halves and lids, and what the table lists."""
        listed = listed_needs(self.table["materials"], process, sizing, ports=len(job.layout.ports))
        entering = pieces_entering(process.steps, sizing.good_parts, sizing.confidence)
        if _PRINT not in entering:
            return listed
        resin = resin_need(
            self.printed(job, variant, 0),
            items=entering[_PRINT],
            resin=prints.resin(job),
            printer=prints.printer(job),
            support_percent=steptable.quantity(self.table["body"], "support_percent"),
            purpose="halves and lids",
            shared=False,
            because=sizing.why,
        )
        return (resin, *listed)
