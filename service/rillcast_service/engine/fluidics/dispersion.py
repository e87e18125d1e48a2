"""How a channel's own profile spreads what it carries: slow at the walls, fast in the middle.

Over times long against diffusion across the channel, what flows along a rectangle of height h ≤ w spreads as
if by diffusion with D (1 + f(h/w) Pe² / 210), Pe = u h / D (Taylor 1953, Aris 1956). The variance of the time
of arrival grows by 2 D_eff/u² per time of travel: for the part that the profile adds, by the constant
2 f h²/(210 D), at whatever speed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: f(h/w), computed by a 2-D solution of second order with Richardson extrapolation; the square's 1.76 and
#: the limit of 7.951 for wide channels are those of Chatwin & Sullivan 1982, J. Fluid Mech. 120, 347-358.
_RATIO = np.array([0.0, 0.05, 0.1, 0.2, 0.25, 1.0 / 3.0, 0.5, 2.0 / 3.0, 0.8, 1.0])
_FACTOR = np.array([7.951, 7.408, 6.869, 5.821, 5.326, 4.570, 3.393, 2.618, 2.195, 1.759])
#: Between parallel plates D_eff = D (1 + Pe²/210): Aris 1956, Proc. R. Soc. A 235, 67-77.
PLATES = 210.0
#: A profile over a breadth s fades with its slowest even mode, exp(−4π² D t/s²).
_FADING = 4.0 * np.pi**2


def factor(ratio: ArrayLike) -> Floats:
    """Dispersion in a rectangle over that between parallel plates of the same height.

    Args:
        ratio: height over width, any shape; above 1 the channel is taken on its side.

    Returns:
        f, of the same shape: 1.759 for a square to 7.951 for a wide channel.
    """
    alpha = np.asarray(ratio, dtype=np.float64)
    result: Floats = np.interp(np.minimum(alpha, 1.0 / np.maximum(alpha, 1e-300)), _RATIO, _FACTOR)
    return result


def averaging_time_s(*, breadth_m: ArrayLike, diffusivity_m2_per_s: float) -> Floats:
    """When diffusion has evened out what lies across a breadth: w²/(π² D).

    Args:
        breadth_m: width or depth, any shape.
        diffusivity_m2_per_s: of what is dissolved.

    Returns:
        s, of the same shape; Taylor and Aris hold for times much longer.
    """
    breadth = np.asarray(breadth_m, dtype=np.float64)
    result: Floats = breadth**2 / (np.pi**2 * diffusivity_m2_per_s)
    return result


def spread_rate_s(*, width_m: Floats, depth_m: Floats, age_s: Floats, diffusivity_m2_per_s: float) -> Floats:
    """Growth of the variance of arrival per time of travel, s²/s.

    Args:
        width_m, depth_m: (places,) of the channel.
        age_s: (places,) time since the liquid came in.
        diffusivity_m2_per_s: of what is dissolved.

    Returns:
        (places,) s: 2 h²/(210 D) for the profile over the smaller of both and 2 (f − 1) h²/(210 D) for the
        rest, that over the larger; each fades in with its own time, before which the profile still carries
        liquid apart without having spread it.
    """
    small, large = np.minimum(width_m, depth_m), np.maximum(width_m, depth_m)
    unit = 2.0 * small**2 / (PLATES * diffusivity_m2_per_s)
    rate = np.zeros_like(unit)
    for part, breadth in ((1.0, small), (factor(small / large) - 1.0, large)):
        rate += part * -np.expm1(-_FADING * diffusivity_m2_per_s * age_s / breadth**2)
    result: Floats = unit * rate
    return result
