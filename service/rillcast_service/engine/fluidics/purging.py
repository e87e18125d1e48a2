"""Pushing a volume through the chip at once, at the pressure of a hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rillcast_service.engine.fluidics import network
from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.lines import largest_reynolds, resistance_of
from rillcast_service.engine.job import LinePart
from rillcast_service.engine.layout.model import Port, PortRole

_PA_PER_KPA = 1e3


@dataclass(frozen=True, slots=True)
class Pushed:
    """A flow that is driven by one pressure at all inlets.

    Args:
        conductance_m3_per_pa_s: flow through the whole chip over the pressure at the sources.
        chip_share: largest pressure at a port's opening into the channels, over that at the sources.
        reynolds_per_pa: largest in any channel or line, over the pressure at the sources.
    """

    conductance_m3_per_pa_s: float
    chip_share: float
    reynolds_per_pa: float

    def seconds(self, *, volume_m3: float, pressure_pa: float) -> float:
        """Time until a volume has passed, V / (G p)."""
        return volume_m3 / (self.conductance_m3_per_pa_s * pressure_pa)


def push(hydraulics: Hydraulics, lines: Sequence[Sequence[LinePart]], *, pressure_pa: float) -> Pushed | None:
    """All inlets pushed at one pressure, all outlets open, the rest as it is.

    Args:
        hydraulics: the solved flow problem.
        lines: of each port, what lies between it and its source.
        pressure_pa: at the sources; slow flow is proportional to it, so that it hardly matters which.

    Returns:
        None where no flow can pass. The Reynolds number in the channels is that of the asked flow in
        proportion to the flow through the whole chip.
    """
    viscosity, density = hydraulics.viscosity_pa_s, hydraulics.density_kg_per_m3
    pushed = [_pushed(port, pressure_pa) for port in hydraulics.ports]
    operating = network.operate(
        hydraulics.admittance,
        pushed,
        flow_ul_per_min=0.0,
        line_pa_s_per_m3=np.array([resistance_of(line, viscosity).best for line in lines]),
    )
    flows = np.array([flow or 0.0 for flow in operating.flow_m3_per_s])
    through = float(flows[flows > 0.0].sum())
    if not operating.possible or through <= 0.0:
        return None
    asked = sum(flow for flow in hydraulics.operating.flow_m3_per_s if flow is not None and flow > 0.0)
    in_channels = (hydraulics.reynolds or 0.0) * through / asked if asked else 0.0
    in_lines = [
        largest_reynolds(line, flow_m3_per_s=flow, viscosity_pa_s=viscosity, density_kg_per_m3=density)
        for line, flow in zip(lines, flows.tolist(), strict=True)
    ]
    return Pushed(
        conductance_m3_per_pa_s=through / pressure_pa,
        chip_share=max(pressure or 0.0 for pressure in operating.pressure_pa) / pressure_pa,
        reynolds_per_pa=max(in_channels, *in_lines) / pressure_pa,
    )


def _pushed(port: Port, pressure_pa: float) -> Port:
    if port.closed or port.role is PortRole.VENT:
        return port
    pressure_kpa = pressure_pa / _PA_PER_KPA if port.role is PortRole.INLET else 0.0
    return replace(port, flow_ul_per_min=None, pressure_kpa=pressure_kpa)
