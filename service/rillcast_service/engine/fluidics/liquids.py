"""Viscosity and density of what flows: water by formula, other liquids from the catalogue."""

from __future__ import annotations

import math

from rillcast_service.catalogue.types import Entry
from rillcast_service.catalogue.units import ZERO_CELSIUS_K

#: Value of the catalogue fact `formula` for water.
WATER = "iapws_water"

WATER_VISCOSITY_RANGE_C = (-20.0, 110.0)
WATER_VISCOSITY_SOURCE = "IAPWS SR6-08(2011), liquid water at 0.1 MPa"
WATER_DENSITY_RANGE_C = (0.0, 40.0)
WATER_DENSITY_SOURCE = "Tanaka et al. 2001, Metrologia 38, 301-309"

#: μ = 1e-6 Σ a (T / 300 K)^b, Pa·s.
_VISCOSITY_TERMS = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
#: ρ = a₅ (1 − (t + a₁)² (t + a₂) / (a₃ (t + a₄))), kg/m³, t in °C.
_DENSITY = (-3.983035, 301.797, 522528.9, 69.34881, 999.974950)

#: σ = B τ^μ (1 − b τ), τ = 1 − T / T_c.
_TENSION = (0.2358, 1.256, 0.625)
_CRITICAL_K = 647.096

#: A catalogue value is taken as it stands this far from its temperature; beyond that a note says so.
_SAME_TEMPERATURE_K = 1.0


def water_viscosity_pa_s(temperature_c: float) -> float:
    """Viscosity of liquid water at 0.1 MPa.

    Args:
        temperature_c: -20 to 110 °C.

    Returns:
        Pa·s.

    Source: IAPWS SR6-08(2011), "Revised Supplementary Release on Properties of Liquid Water at
    0.1 MPa"; Pátek et al. 2009, J. Phys. Chem. Ref. Data 38, 21-29.
    """
    reduced = (temperature_c + ZERO_CELSIUS_K) / 300.0
    return 1e-6 * math.fsum(factor * math.pow(reduced, power) for factor, power in _VISCOSITY_TERMS)


def water_density_kg_per_m3(temperature_c: float) -> float:
    """Density of air-free water at 101.325 kPa.

    Args:
        temperature_c: 0 to 40 °C.

    Returns:
        kg/m³.

    Source: Tanaka et al. 2001, "Recommended table for the density of water between 0 °C and 40 °C
    based on recent experimental reports", Metrologia 38, 301-309.
    """
    a1, a2, a3, a4, a5 = _DENSITY
    t = temperature_c
    return a5 * (1.0 - (t + a1) ** 2 * (t + a2) / (a3 * (t + a4)))


def water_surface_tension_n_per_m(temperature_c: float) -> float:
    """Surface tension of water against its vapour, which air at room pressure hardly changes.

    Args:
        temperature_c: 0.01 to 373 °C.

    Returns:
        B τ^1.256 (1 − 0.625 τ) with τ = 1 − T / 647.096 K and B = 235.8 mN/m, N/m.

    Source: IAPWS R1-76(2014), "Revised Release on Surface Tension of Ordinary Water Substance".
    """
    below_critical = 1.0 - (temperature_c + ZERO_CELSIUS_K) / _CRITICAL_K
    factor, power, bend = _TENSION
    return factor * math.pow(below_critical, power) * (1.0 - bend * below_critical)


def viscosity_pa_s(entry: Entry, temperature_c: float) -> float:
    """Viscosity of a catalogue liquid.

    Args:
        entry: of kind `liquids`. Water is marked by its fact `formula`; another liquid has
            `viscosity_points`, or one value that is taken at any temperature (see `notes`).
        temperature_c: -20 to 110 °C for water.

    Returns:
        Pa·s. Between points, and beyond the outermost two, ln μ runs straight in 1/T:
        μ = A exp(B/T) (Andrade 1930, Nature 125, 309).

    Raises:
        MissingValue: neither a formula nor a value.
    """
    if entry.fact("formula") == WATER:
        return water_viscosity_pa_s(temperature_c)
    points = _points(entry)
    if len(points) < 2:
        return entry.number("viscosity_mpa_s") * 1e-3
    upper = next((k for k in range(1, len(points)) if temperature_c <= points[k][0]), len(points) - 1)
    (cold_c, cold), (warm_c, warm) = points[upper - 1], points[upper]
    inverse = [1.0 / (value + ZERO_CELSIUS_K) for value in (cold_c, temperature_c, warm_c)]
    share = (inverse[1] - inverse[0]) / (inverse[2] - inverse[0])
    return 1e-3 * cold * math.pow(warm / cold, share)


def density_kg_per_m3(entry: Entry, temperature_c: float) -> float:
    """Density of a catalogue liquid.

    Args:
        entry: of kind `liquids`; water is marked by its fact `formula`.
        temperature_c: 0 to 40 °C for water; another liquid has its catalogue value at any
            temperature (some 0.1 % per kelvin off, and used for the Reynolds number only).

    Returns:
        kg/m³.

    Raises:
        MissingValue: neither a formula nor a value.
    """
    if entry.fact("formula") == WATER:
        return water_density_kg_per_m3(temperature_c)
    return entry.number("density_g_per_ml") * 1e3


def diffusivity_m2_per_s(entry: Entry, temperature_c: float, *, otherwise: Entry) -> float:
    """Diffusivity of a small dye in a catalogue liquid.

    Args:
        entry: of kind `liquids`.
        temperature_c: at which it is used.
        otherwise: the liquid to go by when this one has no `diffusivity_m2_per_s`, and `reference_c` for it.

    Returns:
        m²/s, from one temperature and one liquid to another as T/μ (Stokes–Einstein: Einstein 1905, Ann.
        Phys. 322, 549).

    Raises:
        MissingValue: neither liquid has a value.
    """
    known = entry if entry.has("diffusivity_m2_per_s") else otherwise
    reference_c = known.number("reference_c")
    warmer = (temperature_c + ZERO_CELSIUS_K) / (reference_c + ZERO_CELSIUS_K)
    thinner = viscosity_pa_s(known, reference_c) / viscosity_pa_s(entry, temperature_c)
    return known.number("diffusivity_m2_per_s") * warmer * thinner


def surface_tension_n_per_m(entry: Entry, temperature_c: float) -> float | None:
    """Surface tension of a catalogue liquid against air.

    Args:
        entry: of kind `liquids`; water is marked by its fact `formula`.
        temperature_c: 0 to 370 °C for water; another liquid has its catalogue value at any temperature
            (some 0.4 % per kelvin off).

    Returns:
        N/m; None where the catalogue says nothing of it.
    """
    if entry.fact("formula") == WATER:
        return water_surface_tension_n_per_m(temperature_c)
    return entry.number("surface_tension_mn_per_m") * 1e-3 if entry.has("surface_tension_mn_per_m") else None


def notes(entry: Entry, temperature_c: float) -> tuple[str, ...]:
    """What a reader must know of a liquid's values at a temperature.

    Args:
        entry: of kind `liquids`.
        temperature_c: at which it is used.

    Returns:
        Sentences; empty when the values hold as they stand.
    """
    return (
        _water_notes(temperature_c) if entry.fact("formula") == WATER else _other_notes(entry, temperature_c)
    )


def _water_notes(temperature_c: float) -> tuple[str, ...]:
    said = []
    low, high = WATER_VISCOSITY_RANGE_C
    if not low <= temperature_c <= high:
        said.append(
            f"{temperature_c:g} °C is outside {low:g} to {high:g} °C, where the viscosity formula "
            f"({WATER_VISCOSITY_SOURCE}) holds."
        )
    if not 0.0 <= temperature_c <= 100.0:
        said.append(f"Water at {temperature_c:g} °C is not a stable liquid at room pressure.")
    low, high = WATER_DENSITY_RANGE_C
    if not low <= temperature_c <= high:
        said.append(
            f"{temperature_c:g} °C is outside {low:g} to {high:g} °C, where the density formula "
            f"({WATER_DENSITY_SOURCE}) holds; it enters the Reynolds number only."
        )
    return tuple(said)


def _other_notes(entry: Entry, temperature_c: float) -> tuple[str, ...]:
    points = _points(entry)
    if len(points) >= 2:
        low, high = points[0][0], points[-1][0]
        if low <= temperature_c <= high:
            return ()
        return (
            f"The viscosity of {entry.title} is known from {low:g} to {high:g} °C; that at "
            f"{temperature_c:g} °C is drawn on from there.",
        )
    if not entry.has("reference_c"):
        return (f"The catalogue does not say at which temperature the viscosity of {entry.title} holds.",)
    reference = entry.number("reference_c")
    if abs(temperature_c - reference) > _SAME_TEMPERATURE_K:
        return (
            f"The viscosity of {entry.title} is that at {reference:g} °C, not at {temperature_c:g} °C; "
            "a cooler liquid is thicker and needs more pressure.",
        )
    return ()


def _points(entry: Entry) -> list[tuple[float, float]]:
    """(°C, mPa·s) by rising temperature."""
    listed = entry.fact("viscosity_points") or []
    return sorted((float(point["temperature_c"]), float(point["viscosity_mpa_s"])) for point in listed)
