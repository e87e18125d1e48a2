"""Curing silicone: how long at which temperature, how much it shrinks, how long it takes to warm up."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from rillcast_service.catalogue.types import Entry
from rillcast_service.catalogue.units import ZERO_CELSIUS_K
from rillcast_service.engine.ranges import Range


class OutsideCureData(ValueError):
    """A temperature at which the silicone's data sheet says nothing; nothing is assumed there."""


class CureProgramme(NamedTuple):
    """One way of curing: its name in requests, oven temperature, and time at that temperature."""

    name: str
    temperature_c: float
    time_h: float


def cure_time_h(silicone: Entry, temperature_c: float) -> float:
    """Time for a full data-sheet cure at one temperature, warming up not included.

    Args:
        silicone: gives `cure_points`.
        temperature_c: of the silicone, in °C.

    Returns:
        Time in h, exactly the data sheet's at its own points.

    Raises:
        OutsideCureData: below the first or above the last point.

    Formula: between two neighbouring points ln t runs straight in 1/T (Arrhenius), so one activation
        energy holds per pair: data-sheet points do not lie on one line.
    """
    points = _cure_points(silicone)
    lower, upper = _bracket(silicone, points, temperature_c, "cure time")
    if temperature_c == upper[0]:
        return upper[1]
    share = (_inverse_k(lower[0]) - _inverse_k(temperature_c)) / (_inverse_k(lower[0]) - _inverse_k(upper[0]))
    return lower[1] * math.exp(share * math.log(upper[1] / lower[1]))


def cure_fraction(silicone: Entry, programme: Iterable[tuple[float, float]]) -> float:
    """Fraction of the data-sheet cure that a temperature programme gives.

    Args:
        silicone: gives `cure_points`.
        programme: pairs of temperature in °C and time at it in h, in any order.

    Returns:
        1.0 for exactly one data-sheet cure; more means longer. It is a count of equivalent time, not
        a degree of cross-linking.

    Raises:
        OutsideCureData: a temperature outside the points.
        ValueError: a time below zero.

    Formula: Σ t_i / t_cure(T_i) (equivalent time).
    """
    total = 0.0
    for temperature_c, time_h in programme:
        if time_h < 0.0:
            raise ValueError(f"a programme cannot hold {temperature_c:g} °C for {time_h:g} h")
        total += time_h / cure_time_h(silicone, temperature_c)
    return total


def cure_range_c(silicone: Entry) -> tuple[float, float]:
    """Temperatures at which cure time and shrinkage are both known.

    Args:
        silicone: gives `cure_points` and `shrinkage_points`.

    Returns:
        Lowest and highest, in °C.
    """
    cure, shrinkage = _cure_points(silicone), _shrinkage_points(silicone)
    return max(cure[0][0], shrinkage[0][0]), min(cure[-1][0], shrinkage[-1][0])


def cure_programmes(silicone: Entry, limit_c: float) -> tuple[CureProgramme, ...]:
    """The cures worth planning with: as fast as the mould and oven allow, and a slower, cooler one.

    Args:
        silicone: gives `fast_cure_c`, `slow_cures_c` and `cure_gap_k`.
        limit_c: highest usable temperature in °C, see `usable_cure_temperature_c`.

    Returns:
        `fast_…c` at the lower of its own temperature and the limit (rounded down to whole degrees),
        and `slow_…c` at the first of its temperatures that is cooler by the gap, where there is one.
        Empty when even the coolest known cure lies above the limit.
    """
    coolest_c, hottest_c = cure_range_c(silicone)
    fast_c = float(math.floor(min(silicone.number("fast_cure_c"), hottest_c, limit_c)))
    if fast_c < coolest_c:
        return ()
    gap_k = silicone.number("cure_gap_k")
    temperatures = {"fast": fast_c}
    for slow_c in silicone.fact("slow_cures_c"):
        if coolest_c <= slow_c <= fast_c - gap_k:
            temperatures["slow"] = float(slow_c)
            break
    return tuple(
        CureProgramme(f"{name}_{temperature_c:.0f}c", temperature_c, cure_time_h(silicone, temperature_c))
        for name, temperature_c in temperatures.items()
    )


def usable_cure_temperature_c(
    *, oven: Entry | None = None, mould_resin: Entry | None = None, mould: Entry | None = None
) -> float:
    """Highest temperature for casting on a mould in an oven.

    Args:
        oven: gives `max_c`; None leaves it out.
        mould_resin: of a printed mould, gives `hdt_c` and `hdt_margin_k`; None leaves it out.
        mould: a wafer mould, gives `max_c`; None leaves it out.

    Returns:
        The lowest of these limits in °C; infinite when none is given.
    """
    limits = [entry.number("max_c") for entry in (oven, mould) if entry is not None]
    if mould_resin is not None:
        limits.append(mould_resin.number("hdt_c") - mould_resin.number("hdt_margin_k"))
    return min(limits, default=math.inf)


def shrinkage_percent(silicone: Entry, temperature_c: float) -> Range:
    """Linear shrinkage of a cast after cooling to room temperature.

    Args:
        silicone: gives `shrinkage_points` and `shrinkage_doubt_percent`.
        temperature_c: cure temperature in °C.

    Returns:
        Shrinkage in percent of the mould's length: straight lines between the points, with the doubt
        to both sides, never below zero.

    Raises:
        OutsideCureData: outside the points.

    Source: of the points and the doubt, see the silicone's entry.
    """
    lower, upper = _bracket(silicone, _shrinkage_points(silicone), temperature_c, "shrinkage")
    share = (temperature_c - lower[0]) / (upper[0] - lower[0])
    best = lower[1] + share * (upper[1] - lower[1])
    doubt = silicone.number("shrinkage_doubt_percent")
    return Range(max(best - doubt, 0.0), best, best + doubt)


def warm_up_min(silicone: Entry, thickness_mm: float) -> float:
    """Time until a poured slab, one face held warm, is warm throughout.

    Args:
        silicone: gives conductivity k, density ρ, heat capacity c, and `warm_up_percent`, the part of
            the temperature step at which the cold face counts as warm.
        thickness_mm: of the slab.

    Returns:
        Time in min; the air film and the mould are not in it, see `oven_warm_up_min`.

    Raises:
        ValueError: a thickness that is not above zero.

    Formula: a slab of thickness H with one face held at the new temperature and the other insulated
        lags there by θ = (4/π) Σ (−1)^n/(2n+1) exp(−(2n+1)² π² α t/(4H²)), α = k/(ρ c). The first term
        gives t = 4H²/(π² α) ln(4/(π θ)); the second is below 1e-10 of it at θ = 5 %.
    Source: H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959, ch. 3.
    """
    if not thickness_mm > 0.0:
        raise ValueError(f"a slab cannot be {thickness_mm:g} mm thick")
    density_kg_per_m3 = silicone.number("density_g_per_ml") * 1e3
    diffusivity_m2_per_s = silicone.number("conductivity_w_per_m_k") / (
        density_kg_per_m3 * silicone.number("heat_capacity_j_per_kg_k")
    )
    lag = 1.0 - silicone.number("warm_up_percent") / 100.0
    thickness_m = thickness_mm * 1e-3
    seconds = 4.0 * thickness_m**2 / (math.pi**2 * diffusivity_m2_per_s) * math.log(4.0 / (math.pi * lag))
    return seconds / 60.0


def oven_warm_up_min(
    silicone: Entry, oven: Entry, *, temperature_c: float, thickness_mm: float, mould_j_per_m2_k: float = 0.0
) -> Range:
    """Time from a cold oven until a slab on its mould is warm throughout.

    Args:
        silicone: as in `warm_up_min`.
        oven: gives film coefficient h (`film_w_per_m2_k`), heating rate r (`ramp_c_per_min`) and the room
            T_0 that it stands in (`room_c`).
        temperature_c: of the oven, in °C.
        thickness_mm: H, of the slab.
        mould_j_per_m2_k: C, heat capacity of the mould per area of slab.

    Returns:
        Time in min; the range follows h and r from end to end.

    Formula: t = (T − T_0)/r + max(t_slab, t_film). Air heats slab and mould through both faces, and both
        are as good as even in themselves: t_film = τ ln(1/θ), τ = (ρ c H + C)/(2 h); θ = 5 % is left after
        3 τ. t_slab is `warm_up_min`, which rules where the slab is thick and the air fast.
    Source: lumped capacitance: F. P. Incropera, D. P. DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5.
    """
    film, ramp = oven.quantity("film_w_per_m2_k"), oven.quantity("ramp_c_per_min")
    step_k = max(temperature_c - oven.number("room_c"), 0.0)
    density_kg_per_m3 = silicone.number("density_g_per_ml") * 1e3
    slab_j_per_m2_k = density_kg_per_m3 * silicone.number("heat_capacity_j_per_kg_k") * thickness_mm * 1e-3
    lag = 1.0 - silicone.number("warm_up_percent") / 100.0
    slab_min = warm_up_min(silicone, thickness_mm)

    def minutes(film_w_per_m2_k: float, ramp_c_per_min: float) -> float:
        tau_min = (slab_j_per_m2_k + mould_j_per_m2_k) / (2.0 * film_w_per_m2_k) / 60.0
        return step_k / ramp_c_per_min + max(slab_min, -tau_min * math.log(lag))

    return Range(minutes(film.high, ramp.high), minutes(film.value, ramp.value), minutes(film.low, ramp.low))


def _cure_points(silicone: Entry) -> list[tuple[float, float]]:
    return sorted((point["temperature_c"], point["time_h"]) for point in silicone.fact("cure_points"))


def _shrinkage_points(silicone: Entry) -> list[tuple[float, float]]:
    return sorted((point["temperature_c"], point["percent"]) for point in silicone.fact("shrinkage_points"))


def _bracket(
    silicone: Entry, points: Sequence[tuple[float, float]], temperature_c: float, what: str
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The neighbouring points around a temperature."""
    for lower, upper in pairwise(points):
        if lower[0] <= temperature_c <= upper[0]:
            return lower, upper
    raise OutsideCureData(
        f"the {what} of {silicone.title} is known from {points[0][0]:g} to {points[-1][0]:g} °C, "
        f"not at {temperature_c:g} °C"
    )


def _inverse_k(temperature_c: float) -> float:
    return 1.0 / (temperature_c + ZERO_CELSIUS_K)
