"""What evaporates through silicone while liquid stands in the chip, and the rule about it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rillcast_service.catalogue.types import Quantity
from rillcast_service.catalogue.units import to_si
from rillcast_service.engine.checks.limits import Limit, rule_range
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.fluidics.evaporation import loss_m_per_s, vapour_pressure_pa
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.spots import cell_volume_m3
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.medial import Floats
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import EvaporationSummary, Finding, ReadoutState, Severity
from rillcast_service.engine.routes import casts
from rillcast_service.engine.routes.base import Process, Route

_M_PER_MM = 1e-3
_M_PER_UM = 1e-6
_S_PER_H = 3600.0
_UL_PER_M3 = 1e9
_KEY = "water_permeability_barrer"


@dataclass(frozen=True, slots=True)
class Drying:
    """How fast water leaves through the silicone of a chip.

    Args:
        job: as asked; lid_mm: thickness of a silicone lid, None where it is not silicone.
        permeability: of the silicone for water vapour; title: of the silicone.
        water_ratio: vapour pressure over the liquid, over that of water.
    """

    job: Job
    lid_mm: float | None
    permeability: Quantity
    title: str
    water_ratio: float

    @classmethod
    def of(cls, job: Job, route: Route, process: Process) -> Drying | None:
        """None where no time is asked, no silicone is in the way, or a value is not known."""
        name = process.facts.get("silicone")
        if job.use.duration_h is None or name is None or not job.use.liquid.has("water_vapour_ratio"):
            return None
        silicone = job.catalogue.get("silicones", str(name))
        if not silicone.has(_KEY):
            return None
        soft_lid = casts.lid(job) == casts.SILICONE
        return cls(
            job=job,
            lid_mm=float(route.table["body"]["lid_mm"]["value"]) if soft_lid else None,
            permeability=silicone.quantity(_KEY),
            title=silicone.title,
            water_ratio=job.use.liquid.number("water_vapour_ratio"),
        )

    def of_place(self, readout: ReadoutState) -> Range | None:
        """Share of the liquid in a read-out that would be lost over the asked time, were it cut off."""
        depth_m = readout.optical_path_um.best * _M_PER_UM
        if depth_m <= 0.0:
            return None
        sinking = self._sinking_m(np.array([readout.diameter_mm * _M_PER_MM]), np.array([depth_m]))
        return (sinking * (100.0 / depth_m)).map(lambda percent: min(percent, 100.0))

    def summary(self, hydraulics: Hydraulics) -> EvaporationSummary:
        """Of all channels, as a quote tells it."""
        lost, volume = Range.exact(0.0), 0.0
        for problem in hydraulics.problems:
            width, depth = problem.width_mm * _M_PER_MM, problem.depth_mm * _M_PER_MM
            own = cell_volume_m3(problem)
            volume += float(own.sum())
            lost = lost + self._sinking_m(width, depth, weights=own / depth)
        hours = self.job.use.duration_h or 0.0
        return EvaporationSummary(
            duration_h=hours,
            humidity_percent=self.job.use.humidity_percent or 0.0,
            through=self.title if self.lid_mm is None else f"{self.title}, the lid too",
            ul_per_h=lost * (_UL_PER_M3 / hours),
            percent=(lost * (100.0 / volume)).map(lambda percent: min(percent, 100.0)),
            notes=(
                "Of liquid that stands still, cut off from what could follow; the silicone is taken as "
                "soaked already, and the room's air as moving. What is open at a port dries faster.",
            ),
        )

    def _sinking_m(self, width_m: Floats, depth_m: Floats, *, weights: Floats | None = None) -> Range:
        """Depth of liquid lost over the asked time, m, or with weights in m² the volume, m³."""
        use = self.job.use
        drop = vapour_pressure_pa(use.temperature_c) * max(
            self.water_ratio - (use.humidity_percent or 0.0) / 100.0, 0.0
        )
        body_m = max(self.job.chip.thickness_mm * _M_PER_MM - float(depth_m.max()), _M_PER_UM)
        faces = [body_m] if self.lid_mm is None else [body_m, self.lid_mm * _M_PER_MM]
        each = loss_m_per_s(
            width_m=width_m,
            silicone_m=faces,
            permeability_mol_m_per_m2_s_pa=to_si(self.permeability.value, _KEY),
            vapour_drop_pa=drop,
            density_kg_per_m3=use.density_kg_per_m3,
        )
        seconds = (use.duration_h or 0.0) * _S_PER_H
        best = float((each * (1.0 if weights is None else weights)).sum()) * seconds
        low, value, high = self.permeability.low, self.permeability.value, self.permeability.high
        return Range(best * low / value, best, best * high / value)


@rule("evaporation")
def evaporation(case: Case) -> Iterator[Finding]:
    """What stands in the channels does not dry up or thicken over the asked time."""
    if case.fluidics is None or case.fluidics.evaporation is None:
        return
    told = case.fluidics.evaporation
    model = case.job.catalogue.rules["evaporation"]["most_percent"]
    limit = Limit(rule_range(case, "evaporation", "most_percent"), str(model["source"]))
    if limit.severity_of_too_large(told.percent.best) is None:
        return
    hours = limit.value.low / 100.0 * case.fluidics.channel_volume_ul / told.ul_per_h.best
    yield Finding(
        rule="evaporation",
        severity=Severity.RISK,
        message=(
            f"Within {told.duration_h:g} h {told.percent.best:.0f} % of what stands in the channels "
            f"evaporates ({told.percent.low:.0f} to {told.percent.high:.0f}) through {told.through}, in a "
            f"room of {told.humidity_percent:g} % humidity; up to {limit.value.low:g} % hardly shows."
        ),
        remedy=(
            f"Stay below {hours:.2g} h, keep liquid flowing or the ports topped up, lay the chip in a moist "
            "box, or choose a printed chip, which lets no vapour through to speak of."
        ),
        measured=round(told.percent.best, 1),
        **limit.shown,
        unit="%",
    )
