"""Water that leaves standing channels as vapour through silicone."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ellipk, ellipkm1

from rillcast_service.engine.layout.medial import Floats

#: log10(p / mmHg) = A − B / (C + t), t in °C.
_ANTOINE = (8.07131, 1730.63, 233.426)
_PA_PER_MMHG = 133.322387415
_WATER_KG_PER_MOL = 0.01801528


def vapour_pressure_pa(temperature_c: float) -> float:
    """Pressure of saturated water vapour.

    Args:
        temperature_c: 1 to 100 °C.

    Returns:
        Pa, within 0.7 % of the steam tables.

    Source: Antoine's equation with the usual constants for water (8.07131, 1730.63, 233.426).
    """
    a, b, c = _ANTOINE
    return math.pow(10.0, a - b / (c + temperature_c)) * _PA_PER_MMHG


def spreading(width_m: ArrayLike, thickness_m: float) -> Floats:
    """Permeation from a strip into a wide slab, per length of the strip, over that through unit squares.

    Args:
        width_m: of the strip, that is of the channel; any shape.
        thickness_m: of the slab above it, open to the room at its far side and tight beside the strip.

    Returns:
        K(1 − q) / K(q) with q = exp(−π w / H), K the complete elliptic integral of the parameter: w/H +
        (ln 16)/π for a wide strip, π / ln(16 H / (π w)) for a narrow one.

    Source: conformal map of the slab to a half plane; the narrow limit is half of the buried cylinder of
    Incropera et al., "Fundamentals of Heat and Mass Transfer" (from memory).
    """
    rest = np.exp(-np.pi * np.asarray(width_m, dtype=np.float64) / thickness_m)
    result: Floats = ellipkm1(rest) / ellipk(rest)
    return result


def loss_m_per_s(
    *,
    width_m: ArrayLike,
    silicone_m: Sequence[float],
    permeability_mol_m_per_m2_s_pa: float,
    vapour_drop_pa: float,
    density_kg_per_m3: float,
) -> Floats:
    """How fast a standing liquid would sink, if the loss came out of its depth.

    Args:
        width_m: of the channel; any shape.
        silicone_m: thickness of each silicone face, above and below.
        permeability_mol_m_per_m2_s_pa: of the silicone for water vapour.
        vapour_drop_pa: vapour pressure over the liquid less that of the room.
        density_kg_per_m3: of the liquid.

    Returns:
        P Δp M / ρ · Σ S / w, m/s, in the shape of the width.
    """
    width = np.asarray(width_m, dtype=np.float64)
    shape = np.zeros_like(width)
    for thickness in silicone_m:
        shape = shape + spreading(width, thickness) / width
    flux = permeability_mol_m_per_m2_s_pa * vapour_drop_pa * _WATER_KG_PER_MOL / density_kg_per_m3
    result: Floats = flux * shape
    return result
