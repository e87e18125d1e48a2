"""How deep light cures: the working curve, and the roof that closes an enclosed channel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.ranges import Range

# Points per axis on which the published scatter of Dp and Ec is searched. The print-through is
# smooth and monotone in either constant, so its extremes lie on the edge of the allowed region.
_SCATTER_POINTS = 41


def cure_depth(*, dose_j_per_m2: float, critical_dose_j_per_m2: float, penetration_depth_m: float) -> float:
    """Depth to which a resin gels under one dose: the working curve.

    Args:
        dose_j_per_m2: dose at the resin's surface.
        critical_dose_j_per_m2: dose Ec at which it gels.
        penetration_depth_m: depth Dp over which the light falls to 1/e.

    Returns:
        Cure depth in m; zero or less when the dose does not reach Ec.

    Formula: Cd = Dp ln(E/Ec).
    Source: P. F. Jacobs, Rapid Prototyping & Manufacturing: Fundamentals of StereoLithography,
        SME 1992, ch. 4.
    """
    return penetration_depth_m * math.log(dose_j_per_m2 / critical_dose_j_per_m2)


def roof_loss(
    *,
    dose_j_per_m2: float,
    critical_dose_j_per_m2: float,
    penetration_depth_m: float,
    layer_m: float,
    layers: int | None = None,
) -> float:
    """Depth of a void that the light of the layers above it cures shut.

    Args:
        dose_j_per_m2: dose of one layer at its surface.
        critical_dose_j_per_m2, penetration_depth_m: the resin's Ec and Dp.
        layer_m: layer thickness.
        layers: number of layers printed over the void; None for many.

    Returns:
        Loss of depth in m, never negative.

    Formula: light enters at the window and crosses the roof before it reaches the void. The n-th
        roof layer leaves E0 exp(−n l/Dp) at the roof's first face, so at depth z behind it the sum is
        E0 exp(−z/Dp) S with S = Σ_{n=1..N} exp(−n l/Dp) = (1 − exp(−N l/Dp)) / (exp(l/Dp) − 1);
        that reaches Ec at z = Dp (ln(E0/Ec) + ln S). One layer gives Cd − l.
    Source: derived from the working curve (Jacobs 1992, ch. 4).
    """
    ratio = layer_m / penetration_depth_m
    total = 1.0 / math.expm1(ratio)
    if layers is not None:
        total *= -math.expm1(-layers * ratio)
    loss = penetration_depth_m * (math.log(dose_j_per_m2 / critical_dose_j_per_m2) + math.log(total))
    return max(loss, 0.0)


def roof_loss_range(printer: Entry, resin: Entry) -> Range:
    """Roof loss on this printer with this resin, in µm, over the published scatter of Dp and Ec.

    Args:
        printer: gives layer and light; resin: gives Dp, Ec and exposure, each with its range.

    Returns:
        Loss under many roof layers. Pairs of Dp and Ec with which not even one layer would cure
        are left out: the machine is known to print.

    Source: scatter of Dp and Ec from the resin's own entry; derivation as in `roof_loss`.
    """
    layer_m = printer.number("layer_um") * 1e-6
    dose = _dose_j_per_m2(printer, resin)
    depth = resin.quantity("penetration_depth_um")
    critical = resin.quantity("critical_dose_mj_per_cm2")
    if printer.fact("calibrated", default=False):
        depths, criticals = np.array([depth.value]), np.array([critical.value])
    else:
        depths = np.geomspace(depth.low, depth.high, _SCATTER_POINTS)
        criticals = np.geomspace(critical.low, critical.high, _SCATTER_POINTS)

    def loss_um(dp_um: float, ec_mj_per_cm2: float) -> float:
        loss_m = roof_loss(
            dose_j_per_m2=dose,
            critical_dose_j_per_m2=ec_mj_per_cm2 * 10.0,
            penetration_depth_m=dp_um * 1e-6,
            layer_m=layer_m,
        )
        return loss_m * 1e6

    best = loss_um(depth.value, critical.value)
    losses = [best] + [
        loss_um(float(dp), float(ec))
        for dp in depths
        for ec in criticals
        if dose / (ec * 10.0) >= math.exp(layer_m * 1e6 / dp)
    ]
    return Range(min(losses), best, max(losses))


@dataclass(frozen=True, slots=True)
class Gentler:
    """What brings the loss under a roof down to what is asked, at the best estimate of the constants.

    Args:
        exposure_s: of each layer, everything else as it is; None where a layer would no longer cure.
        penetration_depth_um: of the resin with more absorber, at the exposure as it is; None likewise.
    """

    exposure_s: float | None
    penetration_depth_um: float | None


def gentler_exposure(printer: Entry, resin: Entry, *, loss_um: float) -> Gentler:
    """The exposure, or the absorber, with which a roof takes no more than so much depth.

    Args:
        printer: gives layer and light; resin: gives Dp, Ec and exposure.
        loss_um: what may be lost, zero or more.

    Returns:
        Each change by itself. A dose that does not cure through one layer, E0 < Ec exp(l/Dp), helps nobody.

    Formula: `roof_loss` solved for the dose, and for Dp: it grows with both.
    Source: as in `roof_loss`.
    """
    layer_m = printer.number("layer_um") * 1e-6
    depth_m = resin.number("penetration_depth_um") * 1e-6
    critical = resin.number("critical_dose_mj_per_cm2") * 10.0
    dose = _dose_j_per_m2(printer, resin)
    wanted_m = max(loss_um, 0.0) * 1e-6

    gentle = critical * math.exp(wanted_m / depth_m) * math.expm1(layer_m / depth_m)
    exposure_s = None
    if critical * math.exp(layer_m / depth_m) <= gentle < dose:
        exposure_s = resin.number("exposure_s") * gentle / dose

    def over(penetration_m: float) -> float:
        return (
            penetration_m * (math.log(dose / critical) - math.log(math.expm1(layer_m / penetration_m)))
            - wanted_m
        )

    absorber_um = None
    if dose > critical:
        # the least Dp with which a layer still cures through
        least_m = layer_m / math.log(dose / critical)
        if least_m < depth_m and over(least_m) <= 0.0 < over(depth_m):
            absorber_um = float(brentq(over, least_m, depth_m)) * 1e6
    return Gentler(exposure_s, absorber_um)


def _dose_j_per_m2(printer: Entry, resin: Entry) -> float:
    # 1 mW/cm² = 10 W/m²
    return printer.number("intensity_mw_per_cm2") * 10.0 * resin.number("exposure_s")
