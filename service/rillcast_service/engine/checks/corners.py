"""Rules about corners: acute tips of walls come out round, and acute ends of channels keep liquid or air."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPoint, MultiPolygon

from rillcast_service.engine.checks.limits import quantity_limit
from rillcast_service.engine.checks.places import wall_material
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, of_level, um
from rillcast_service.engine.layout.medial import boundary_of
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.shapes import drawn_levels, polygons

Floats = NDArray[np.float64]

#: Walls are looked at without what lies within so many flattening tolerances, such as a bevel no one drew.
_SMOOTH = 2.0
#: Both sides of a corner are at least so many smoothing tolerances long: less is roughness.
_LEAST_SIDE = 5.0


@rule("sharp_corner")
def sharp_corner(case: Case) -> Iterator[Finding]:
    """Corners that are sharper than the limit, as drawn: notes, for the chip works with them.

    A curve is never one: its flattened facets turn by a little each, and an acute corner by more than a
    right angle at once.
    """
    limit = quantity_limit(case, "sharp_corner", "angle_deg")
    fillet = quantity_limit(case, "sharp_corner", "fillet_um")
    if limit is None or fillet is None:
        return
    smooth_mm = smoothness_mm(case.job.layout.flattening_um)
    contact_deg = wall_material(case).quantity("contact_angle_deg").value
    for level, channels in drawn_levels(case.job.layout).items():
        at, angle_deg = corners_of(channels, smooth_mm)
        for of_channel in (False, True):
            sharp = (np.abs(angle_deg) < limit.value.best) & ((angle_deg > 0.0) == of_channel)
            if not sharp.any():
                continue
            least = float(np.abs(angle_deg[sharp]).min())
            number = int(sharp.sum())
            what = "end of a channel" if of_channel else "tip of a wall between channels"
            effect = _holds(least, contact_deg) if of_channel else _recedes(least, fillet.value.best)
            others = f" ({count(number, 'corner')} below {limit.value.best:.0f}°)" if number > 1 else ""
            yield Finding(
                rule="sharp_corner",
                severity=Severity.NOTE,
                message=f"The sharpest {what}{of_level(case, level)} has {least:.0f}°{others}: {effect}.",
                remedy=f"Round it with a radius of {um(fillet.value.best)} or more.",
                measured=least,
                **limit.shown,
                unit="°",
                where=MultiPoint(at[sharp]),
            )


def smoothness_mm(flattening_um: float) -> float:
    """How far a drawn edge is looked past for its corners.

    Args:
        flattening_um: of the layout.

    Returns:
        mm.
    """
    return _SMOOTH * max(flattening_um, 1.0) / 1000.0


def corners_of(channels: MultiPolygon, smooth_mm: float) -> tuple[Floats, Floats]:
    """Every corner of some channels.

    Args:
        channels: of one level, mm.
        smooth_mm: see `smoothness_mm`.

    Returns:
        Corners, (n, 2) mm, and their angles, (n,) whole degrees: in the channel, or minus that of the wall.
    """
    boundary = boundary_of(polygons(channels.simplify(smooth_mm)))
    if boundary is None:
        return np.empty((0, 2)), np.empty(0)
    inside = np.round(180.0 - np.abs(boundary.turn_deg))
    angle = np.where(boundary.turn_deg < 0.0, inside, -inside)
    sides = np.minimum(boundary.length, boundary.length[boundary.previous])
    keep = sides >= _LEAST_SIDE * smooth_mm
    return boundary.start[keep], angle[keep]


def _recedes(angle_deg: float, radius_um: float) -> str:
    """A tip that comes out with a radius ends short of its drawn point by r (1 / sin(φ/2) − 1)."""
    half = np.radians(max(angle_deg, 1.0) / 2.0)
    return (
        f"it comes out round, and rounded with {um(radius_um)} it ends "
        f"{um(radius_um * (1.0 / np.sin(half) - 1.0))} short of its point"
    )


def _holds(angle_deg: float, contact_deg: float) -> str:
    """What an upright corner keeps, by the contact angle of water on its walls.

    Source: Concus & Finn 1969, Proc. Natl. Acad. Sci. USA 63, 292 (from memory): with a corner of half-angle
    α the wetting side fills its tip where θ + α < 90°; for air among water that does not wet, 180° − θ.
    """
    if contact_deg + angle_deg / 2.0 < 90.0:
        return (
            f"with water at {contact_deg:.0f}° on its walls the tip keeps liquid when the channel is emptied"
        )
    if 180.0 - contact_deg + angle_deg / 2.0 < 90.0:
        return f"with water at {contact_deg:.0f}° on its walls the tip keeps air when the channel is filled"
    return "it comes out round, and liquid stands still in it"
