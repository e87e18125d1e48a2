"""How soft roofs sag and when soft walls and roofs stick: closed forms of elasticity, in SI."""

from __future__ import annotations

from scipy.optimize import brentq

#: E* h² / (a W) below which a roof that touches the floor gains more by sticking than its bending costs; see
#: `adhesion_span_m`.
_STICKS_BELOW = 2.834

#: Clamped rectangular plate: centre deflection p a⁴ / (384 D (1 + 1.056 (a/b)⁵)).
_STRIP, _SHORT = 384.0, 1.056

#: Spans are looked for from this share of the depth up to this many times it.
_NARROWEST, _WIDEST = 1e-3, 1e6


def plane_modulus_pa(*, modulus_pa: float, poisson_ratio: float) -> float:
    """Stiffness of a body that cannot widen along the channel.

    Args:
        modulus_pa: Young's modulus; poisson_ratio: of the material.

    Returns:
        E* = E / (1 − ν²), Pa.
    """
    return modulus_pa / (1.0 - poisson_ratio**2)


def thick_roof_sag_m(*, span_m: float, pressure_pa: float, plane_pa: float) -> float:
    """How far the middle of a roof gives way that is much thicker than its span.

    Args:
        span_m: free width; pressure_pa: on it; plane_pa: E* of the roof.

    Returns:
        p W / E*, m. Source: half-space with a strip left free (Sneddon's crack, u = 2 p a / E* at the
        middle of a crack of half-width a); the same scaling as Gervais et al. 2006, Lab Chip 6, 500, for
        a channel under pressure. Hui et al. 2002, Langmuir 18, 1394, come to it for a single gap.
    """
    return pressure_pa * span_m / plane_pa


def plate_sag_m(
    *, span_m: float, length_m: float, thickness_m: float, pressure_pa: float, plane_pa: float
) -> float:
    """How far the middle of a thin clamped rectangular roof bends.

    Args:
        span_m, length_m: its sides, the shorter first; thickness_m; pressure_pa: on it; plane_pa: E*.

    Returns:
        p a⁴ / (384 D (1 + 1.056 (a/b)⁵)) with D = E* t³ / 12, m. Source: Mechanical Engineer's Data
        Handbook, 1.10.2 (rectangular plate, uniform load, clamped edges, empirical); within 7 % of
        Timoshenko & Woinowsky-Krieger, table 35 (from memory), on the safe side, and exactly p a⁴ / 384 D
        for a strip.
    """
    rigidity = plane_pa * thickness_m**3 / 12.0
    edges = 1.0 + _SHORT * (span_m / length_m) ** 5
    return pressure_pa * span_m**4 / (_STRIP * rigidity * edges)


def roof_sag_m(
    *, span_m: float, length_m: float, thickness_m: float, pressure_pa: float, plane_pa: float
) -> float:
    """How far the middle of a roof of any thickness gives way.

    Args:
        span_m, length_m, thickness_m, pressure_pa, plane_pa: as for `plate_sag_m`.

    Returns:
        The sum of the thick roof's and the plate's, m: each is the whole where the other is nothing, and
        between them the sum is on the safe side.
    """
    thick = thick_roof_sag_m(span_m=span_m, pressure_pa=pressure_pa, plane_pa=plane_pa)
    return thick + plate_sag_m(
        span_m=span_m,
        length_m=length_m,
        thickness_m=thickness_m,
        pressure_pa=pressure_pa,
        plane_pa=plane_pa,
    )


def touching_span_m(
    *, depth_m: float, length_to_width: float, thickness_m: float, pressure_pa: float, plane_pa: float
) -> float:
    """The span from which on a pressed roof touches the floor.

    Args:
        depth_m: of the channel; length_to_width: of the place, 1 or more; thickness_m, pressure_pa,
            plane_pa: of the roof.

    Returns:
        The span at which `roof_sag_m` is the depth, m.
    """

    def short_of_floor(span_m: float) -> float:
        return (
            roof_sag_m(
                span_m=span_m,
                length_m=span_m * length_to_width,
                thickness_m=thickness_m,
                pressure_pa=pressure_pa,
                plane_pa=plane_pa,
            )
            - depth_m
        )

    return float(brentq(short_of_floor, _NARROWEST * depth_m, _WIDEST * depth_m, xtol=1e-9))


def adhesion_span_m(*, depth_m: float, plane_pa: float, adhesion_j_per_m2: float) -> float:
    """The span from which on a roof that touches the floor stays there.

    Args:
        depth_m: of the channel; plane_pa: E* of the roof; adhesion_j_per_m2: work of adhesion W.

    Returns:
        2 E* h² / (2.834 W), m. Derived: with a strip of half-width c stuck to the floor of a groove of
        half-width a, the energy per length is E* h² K(k) / (2 K(k')) − 2 W c, k = c / a, with the complete
        elliptic integrals K; it falls below zero for some c only where E* h² / (a W) < 2.834. The same
        group rules in Huang et al. 2005, Langmuir 21, 8058, whose constants could not be read.
    """
    return 2.0 * plane_pa * depth_m**2 / (_STICKS_BELOW * adhesion_j_per_m2)


def sticking_height_m(
    *, thickness_m: float, gap_m: float, plane_pa: float, adhesion_j_per_m2: float
) -> float:
    """The height from which on two neighbouring soft walls that once touch stick together.

    Args:
        thickness_m: of each wall; gap_m: between them; plane_pa: E*; adhesion_j_per_m2: work of adhesion W.

    Returns:
        (3 E* b³ g² / (4 W))^(1/4), m. Derived: each wall bends over half the gap as a cantilever does that
        sticks along its end (Mastrangelo & Hsu 1993, J. Microelectromech. Syst. 2, 33, from memory); the
        scaling of Hui et al. 2002, Langmuir 18, 1394, whose constant could not be read.
    """
    return float((0.75 * plane_pa * thickness_m**3 * gap_m**2 / adhesion_j_per_m2) ** 0.25)
