"""The whole way of the liquid: what needles and tubes take of the pressure, and which part rules."""

from __future__ import annotations

from collections.abc import Sequence

from rillcast_service.engine.fluidics.lines import (
    largest_reynolds,
    resistance_of,
    resistance_pa_s_per_m3,
    volume_ul,
)
from rillcast_service.engine.fluidics.network import OperatingPoint
from rillcast_service.engine.job import Use
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import LineState, PathSummary

_KPA_PER_PA = 1e-3


def path_of(ports: Sequence[Port], operating: OperatingPoint, use: Use) -> PathSummary | None:
    """What lies in series with the chip, at the operating point.

    Args:
        ports: of the chip.
        operating: pressures and flows at them, lines in series.
        use: the lines, and the liquid that flows through them.

    Returns:
        None where no port has a line. Shares are those of the power Σ s q that the sources give, of which
        a line takes R q² and the chip Σ p q: shares of pressure where all goes one way.
    """
    if not any(use.lines.get(port.name) for port in ports):
        return None
    lines, taken = [], {"chip": 0.0}
    for port, flow, pressure in zip(ports, operating.flow_m3_per_s, operating.pressure_pa, strict=True):
        parts = use.lines.get(port.name, ())
        taken["chip"] += (pressure or 0.0) * (flow or 0.0)
        if not parts:
            continue
        resistance = resistance_of(parts, use.viscosity_pa_s)
        if flow is not None:
            for part in parts:
                words = f"{part.title} at {port.name}"
                power = resistance_pa_s_per_m3(part, use.viscosity_pa_s).best * flow**2
                taken[words] = taken.get(words, 0.0) + power
        lines.append(
            LineState(
                port=port.name,
                parts=tuple(f"{part.title}, {part.length_mm:g} mm long" for part in parts),
                resistance_pa_s_per_m3=resistance,
                drop_kpa=None if flow is None else resistance * (abs(flow) * _KPA_PER_PA),
                volume_ul=volume_ul(parts),
                reynolds=None
                if flow is None
                else largest_reynolds(
                    parts,
                    flow_m3_per_s=flow,
                    viscosity_pa_s=use.viscosity_pa_s,
                    density_kg_per_m3=use.density_kg_per_m3,
                ),
            )
        )
    whole = sum(taken.values())
    runs = operating.possible and whole > 0.0
    sources = [pressure for pressure in operating.source_pa if pressure is not None]
    return PathSummary(
        lines=tuple(lines),
        source_kpa=max(sources) * _KPA_PER_PA if operating.possible and sources else None,
        chip_percent=100.0 * taken["chip"] / whole if runs else None,
        rules=max(taken, key=lambda what: taken[what]) if runs else None,
        dead_volume_ul=sum(line.volume_ul for line in lines),
    )
