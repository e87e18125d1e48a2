"""Units at the boundary: the suffix of a name says its unit, and the engine computes in SI."""

from __future__ import annotations

#: Name suffix → (unit as printed, factor to SI). Temperatures are offsets, so they are not in here.
SUFFIXES: dict[str, tuple[str, float]] = {
    "nm": ("nm", 1e-9),
    "um": ("µm", 1e-6),
    "mm": ("mm", 1e-3),
    "m": ("m", 1.0),
    "um2": ("µm²", 1e-12),
    "mm2": ("mm²", 1e-6),
    "cm2": ("cm²", 1e-4),
    "ul": ("µL", 1e-9),
    "ml": ("mL", 1e-6),
    "l": ("L", 1e-3),
    "g": ("g", 1e-3),
    "kg": ("kg", 1.0),
    "g_per_ml": ("g/mL", 1e3),
    "s": ("s", 1.0),
    "min": ("min", 60.0),
    "h": ("h", 3600.0),
    "days": ("d", 86400.0),
    "pa": ("Pa", 1.0),
    "kpa": ("kPa", 1e3),
    "mpa": ("MPa", 1e6),
    "pa_s": ("Pa·s", 1.0),
    "mpa_s": ("mPa·s", 1e-3),
    "w": ("W", 1.0),
    "mw_per_cm2": ("mW/cm²", 10.0),
    "mj_per_cm2": ("mJ/cm²", 10.0),
    "ul_per_min": ("µL/min", 1e-9 / 60.0),
    "m2_per_s": ("m²/s", 1.0),
    "mm_per_s": ("mm/s", 1e-3),
    "n": ("N", 1.0),
    "barrer": ("barrer", 3.346402e-16),
    "mn_per_m": ("mN/m", 1e-3),
    "deg": ("°", 1.0),
    "c": ("°C", 1.0),
    "k": ("K", 1.0),
    "c_per_min": ("°C/min", 1.0 / 60.0),
    "percent": ("%", 0.01),
    "fraction": ("1", 1.0),
    "count": ("1", 1.0),
    "ratio": ("1", 1.0),
    "per_k": ("1/K", 1.0),
    "percent_per_k": ("%/K", 0.01),
    "w_per_m_k": ("W/(m·K)", 1.0),
    "w_per_m2_k": ("W/(m²·K)", 1.0),
    "j_per_m2": ("J/m²", 1.0),
    "j_per_m2_k": ("J/(m²·K)", 1.0),
    "j_per_kg_k": ("J/(kg·K)", 1.0),
    "um_per_min": ("µm/min", 1e-6 / 60.0),
    "pixels": ("px", 1.0),
    "layers": ("layers", 1.0),
}

ZERO_CELSIUS_K = 273.15


def suffix_of(name: str) -> str | None:
    """The longest unit suffix that a name ends in.

    Args:
        name: a field or catalogue key such as `viscosity_mpa_s`.

    Returns:
        The suffix (`mpa_s`), or None when the name carries no known unit.
    """
    parts = name.split("_")
    for start in range(1, len(parts)):
        candidate = "_".join(parts[start:])
        if candidate in SUFFIXES:
            # `flow_gal_per_min` is not in minutes: what stands before "per" belongs to the unit
            return None if parts[start - 1] == "per" else candidate
    return None


def unit_of(name: str) -> str | None:
    """The unit, as printed, of the number kept under a name.

    Args:
        name: a field or catalogue key such as `viscosity_mpa_s`.

    Returns:
        The unit (`mPa·s`; `1` for counts and ratios), or None when the name carries none.
    """
    suffix = suffix_of(name)
    return None if suffix is None else SUFFIXES[suffix][0]


def to_si(value: float, name: str) -> float:
    """A boundary value in SI units.

    Args:
        value: number in the unit that `name` ends in.
        name: field or catalogue key.

    Returns:
        The value in SI (kelvin for `_c`).

    Raises:
        KeyError: the name carries no known unit.
    """
    suffix = suffix_of(name)
    if suffix is None:
        raise KeyError(f"{name!r} carries no known unit")
    if suffix == "c":
        return value + ZERO_CELSIUS_K
    return value * SUFFIXES[suffix][1]
