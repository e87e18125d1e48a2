"""Needles and tubes in series with the chip: straight round bores."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rillcast_service.engine.job import LinePart
from rillcast_service.engine.ranges import Range

_M_PER_MM = 1e-3


def resistance_pa_s_per_m3(part: LinePart, viscosity_pa_s: float) -> Range:
    """Resistance of a bore to slow flow.

    Args:
        part: with the range of its bore, whose fourth power the resistance takes.
        viscosity_pa_s: of the liquid.

    Returns:
        128 μ L / (π d⁴), Pa·s/m³.

    Source: Hagen-Poiseuille; Bruus 2008, "Theoretical Microfluidics", eq. (3.42).
    """
    factor = 128.0 * viscosity_pa_s * part.length_mm * _M_PER_MM / math.pi
    return part.bore_mm.map(lambda bore: factor / (bore * _M_PER_MM) ** 4)


def resistance_of(parts: Sequence[LinePart], viscosity_pa_s: float) -> Range:
    """Resistance of parts in series.

    Args:
        parts: of one line.
        viscosity_pa_s: of the liquid.

    Returns:
        Their sum, Pa·s/m³; zero of none.
    """
    return sum((resistance_pa_s_per_m3(part, viscosity_pa_s) for part in parts), Range.exact(0.0))


def volume_ul(parts: Sequence[LinePart]) -> float:
    """What stands in the bores of a line.

    Args:
        parts: of one line.

    Returns:
        Σ π d² L / 4, µL.
    """
    return sum(math.pi * part.bore_mm.best**2 * part.length_mm / 4.0 for part in parts)


def largest_reynolds(
    parts: Sequence[LinePart], *, flow_m3_per_s: float, viscosity_pa_s: float, density_kg_per_m3: float
) -> float:
    """Largest Reynolds number of a flow through the bores of a line.

    Args:
        parts: of one line.
        flow_m3_per_s: either way.
        viscosity_pa_s, density_kg_per_m3: of the liquid.

    Returns:
        4 ρ Q / (π μ d) of the narrowest; zero of none.
    """
    factor = 4.0 * density_kg_per_m3 * abs(flow_m3_per_s) / (math.pi * viscosity_pa_s)
    return max((factor / (part.bore_mm.best * _M_PER_MM) for part in parts), default=0.0)
