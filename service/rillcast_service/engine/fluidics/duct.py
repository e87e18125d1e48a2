"""Laminar flow in straight rectangular ducts, exact for any ratio of height to width.

Source: Boussinesq 1868, J. Math. Pures Appl. 13, 377-424; Shah & London 1978, "Laminar Flow Forced
Convection in Ducts", ch. VII; Bruus 2008, "Theoretical Microfluidics", §3.4.6.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Σ 1/n⁵ over odd n = (31/32) ζ(5): the series with every tanh replaced by 1.
_ALL_ODD = 31.0 / 32.0 * 1.0369277551433699
#: What is left of the series falls as exp(-nπ) for α ≤ 1, so that six terms reach rounding error.
_ODD = (1, 3, 5, 7, 9, 11)
#: Terms of the series of `speed_across` fall as n⁻⁴ in a flat duct, and as n⁻² up to the ratio in a tall one.
_TERMS_PER_RATIO = 100


def shape_factor(ratio: ArrayLike) -> Floats:
    """Flow through a rectangle as a share of that between parallel plates of the same height.

    F(α) = 1 − (192 α / π⁵) Σ_{n odd} tanh(n π / (2 α)) / n⁵,  α = height / width.

    Args:
        ratio: height over width, any shape, > 0; may be above 1.

    Returns:
        F, of the same shape, between 0 and 1.

    Source: Bruus 2008, eq. (3.58). Summed here as Σ tanh(x)/n⁵ = Σ 1/n⁵ − Σ 2/((exp(2x) + 1) n⁵).
    """
    alpha = np.asarray(ratio, dtype=np.float64)
    # Turned on its side the duct is the same: F(α) = F(1/α) / α². It avoids a difference of near equals.
    flat = np.minimum(alpha, 1.0 / alpha)
    series = np.full_like(flat, _ALL_ODD)
    for n in _ODD:
        decay = np.exp(-n * np.pi / flat)
        series -= 2.0 * decay / (1.0 + decay) / float(n) ** 5
    factor = 1.0 - 192.0 * flat / np.pi**5 * series
    result: Floats = np.where(alpha > 1.0, factor / alpha**2, factor)
    return result


def conductance_m3_per_pa_s(
    *, width_m: ArrayLike, height_m: ArrayLike, length_m: ArrayLike, viscosity_pa_s: float
) -> Floats:
    """Flow per pressure difference of a rectangular duct, w h³ F(h/w) / (12 μ L).

    Args:
        width_m, height_m, length_m: metres, broadcast together.
        viscosity_pa_s: of the liquid.

    Returns:
        m³/(Pa·s).

    Source: Bruus 2008, eq. (3.57).
    """
    width, height = np.asarray(width_m, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    length = np.asarray(length_m, dtype=np.float64)
    result: Floats = width * height**3 * shape_factor(height / width) / (12.0 * viscosity_pa_s * length)
    return result


def resistance_pa_s_per_m3(
    *, width_m: ArrayLike, height_m: ArrayLike, length_m: ArrayLike, viscosity_pa_s: float
) -> Floats:
    """Hydraulic resistance of a rectangular duct, 12 μ L / (w h³ F(h/w)).

    Args:
        width_m, height_m, length_m: metres, broadcast together.
        viscosity_pa_s: of the liquid.

    Returns:
        Pa·s/m³.

    Source: Bruus 2008, eq. (3.57).
    """
    conductance = conductance_m3_per_pa_s(
        width_m=width_m, height_m=height_m, length_m=length_m, viscosity_pa_s=viscosity_pa_s
    )
    result: Floats = 1.0 / conductance
    return result


def speed_across(ratio: float, across: ArrayLike) -> Floats:
    """Speed averaged over the height of a rectangular duct, over the mean speed.

    u/U = Σ_{n odd} (1 − cosh(nπ y/h) / cosh(nπ w/(2h))) / n⁴ · 96 / (π⁴ F(h/w)), y from the middle.

    Args:
        ratio: height over width, > 0.
        across: places as shares of the width, 0 to 1, any shape.

    Returns:
        Of the same shape: 0 at the side walls; 1.5 in the middle of a tall slot, 1 away from the side walls
        of a flat one.

    Source: Bruus 2008, eq. (3.48), averaged over the height.
    """
    place = np.abs(2.0 * np.asarray(across, dtype=np.float64) - 1.0)[..., None]
    n = np.arange(1, _TERMS_PER_RATIO * (1 + int(np.ceil(ratio))), 2)
    arm = n * np.pi / (2.0 * ratio)
    hanging = (np.exp(-arm * (1.0 - place)) + np.exp(-arm * (1.0 + place))) / (1.0 + np.exp(-2.0 * arm))
    result: Floats = ((1.0 - hanging) / n**4).sum(axis=-1) * 96.0 / (np.pi**4 * shape_factor(ratio))
    return result


def hydraulic_diameter_m(*, width_m: ArrayLike, height_m: ArrayLike) -> Floats:
    """Four times area over perimeter of a rectangle, 2 w h / (w + h).

    Args:
        width_m, height_m: metres, broadcast together.

    Returns:
        Metres.
    """
    width, height = np.asarray(width_m, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    result: Floats = 2.0 * width * height / (width + height)
    return result


def fanning_friction_reynolds(ratio: ArrayLike) -> Floats:
    """Fanning friction factor times Reynolds number (on hydraulic diameter), 24 / ((1 + α)² F(α)).

    Args:
        ratio: height over width, any shape, > 0.

    Returns:
        f·Re, of the same shape; the Darcy value is four times it.

    Source: Shah & London 1978, ch. VII; it follows from the resistance above, with
    Δp = 2 f L ρ U² / D_h, U = Q / (w h) and D_h = 2 w h / (w + h).
    """
    alpha = np.asarray(ratio, dtype=np.float64)
    result: Floats = 24.0 / ((1.0 + alpha) ** 2 * shape_factor(alpha))
    return result


def reynolds_number(
    *,
    speed_m_per_s: ArrayLike,
    hydraulic_diameter_m: ArrayLike,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
) -> Floats:
    """Reynolds number on the hydraulic diameter, ρ U D_h / μ.

    Args:
        speed_m_per_s: mean speed in the duct.
        hydraulic_diameter_m: metres.
        density_kg_per_m3, viscosity_pa_s: of the liquid.

    Returns:
        Dimensionless.
    """
    speed = np.asarray(speed_m_per_s, dtype=np.float64)
    diameter = np.asarray(hydraulic_diameter_m, dtype=np.float64)
    result: Floats = density_kg_per_m3 * speed * diameter / viscosity_pa_s
    return result


def wall_shear_pa(
    *, speed_m_per_s: ArrayLike, width_m: ArrayLike, height_m: ArrayLike, viscosity_pa_s: float
) -> Floats:
    """Largest shear stress on the wall of a rectangular duct, at the middle of its wider wall.

    Args:
        speed_m_per_s: mean speed in the duct.
        width_m, height_m: metres, broadcast together; either may be the larger.
        viscosity_pa_s: of the liquid.

    Returns:
        Pa: (6 μ U / (h F)) (1 − (8 / π²) Σ_{n odd} 1 / (n² cosh(n π w / (2 h)))) with h the shorter side;
        6 μ U / h between parallel plates.

    Source: slope at the wall of the velocity of Bruus 2008, eq. (3.48), with the pressure gradient of eq.
    (3.57).
    """
    width, height = np.asarray(width_m, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    wide, flat = np.maximum(width, height), np.minimum(width, height)
    lost = np.zeros(np.broadcast(width, height).shape)
    for n in _ODD:
        # 1/cosh without overflow
        decay = np.exp(-n * np.pi * wide / (2.0 * flat))
        lost = lost + 2.0 * decay / (1.0 + decay**2) / float(n) ** 2
    plates = 6.0 * viscosity_pa_s * np.asarray(speed_m_per_s, dtype=np.float64) / flat
    result: Floats = plates / shape_factor(flat / wide) * (1.0 - 8.0 / np.pi**2 * lost)
    return result


def entrance_length_m(*, reynolds: ArrayLike, hydraulic_diameter_m: ArrayLike) -> Floats:
    """Length over which the profile of the speed develops behind an inlet or a corner.

    Args:
        reynolds: on the hydraulic diameter, broadcast with it.
        hydraulic_diameter_m: metres.

    Returns:
        D_h (0.6 / (1 + 0.035 Re) + 0.056 Re), metres, within which 1 % is left of the difference.

    Source: Chen 1973, J. Fluids Eng. 95, 153, for round tubes, in Shah & London 1978 (from memory); for
    rectangles see Ferreira et al. 2021, Fluids 6, 240, which differ by some tenths of a diameter.
    """
    number = np.asarray(reynolds, dtype=np.float64)
    diameter = np.asarray(hydraulic_diameter_m, dtype=np.float64)
    result: Floats = diameter * (0.6 / (1.0 + 0.035 * number) + 0.056 * number)
    return result
