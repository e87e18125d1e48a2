"""Rule about soft roofs over wide shallow places: whether they sag, touch the floor and stay there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.constants import g as gravity_m_per_s2
from shapely import Geometry, Polygon

from rillcast_service.engine.asmade import elasticity
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.checks.limits import Limit, quantity_limit, rule_range
from rillcast_service.engine.checks.pillars import in_square
from rillcast_service.engine.checks.places import by_severity, silicone_stiffness
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, mm, mm_most, um, um_least
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes import prints
from rillcast_service.engine.shapes import offset, polygons

# The widest place is found to 5 µm, far within the doubt about the limit.
_WIDEST_TOLERANCE_MM = 0.005
#: Of a place this many times as long as wide the ends no longer count.
_STRIP = 1e3
#: A depth is made deeper so often before none is found.
_DEEPENINGS = 20


@dataclass(frozen=True, slots=True)
class _Roof:
    """Over one channel layer: its depth and thickness, what presses on it and how it withstands."""

    depth_m: float
    thickness_m: float
    load_pa: Range
    plane_pa: Range
    adhesion_j_per_m2: Range

    def touching(self, length_to_width: float) -> Range:
        """Width over depth from which on the pressed roof touches the floor."""

        def ratio(load_pa: float, plane_pa: float) -> float:
            span_m = elasticity.touching_span_m(
                depth_m=self.depth_m,
                length_to_width=length_to_width,
                thickness_m=self.thickness_m,
                pressure_pa=load_pa,
                plane_pa=plane_pa,
            )
            return span_m / self.depth_m

        load, plane = self.load_pa, self.plane_pa
        return Range(ratio(load.high, plane.low), ratio(load.best, plane.best), ratio(load.low, plane.high))

    def sticking(self) -> Range:
        """Width over depth from which on a roof that touches the floor stays there."""

        def ratio(plane_pa: float, adhesion: float) -> float:
            span_m = elasticity.adhesion_span_m(
                depth_m=self.depth_m, plane_pa=plane_pa, adhesion_j_per_m2=adhesion
            )
            return span_m / self.depth_m

        plane, adhesion = self.plane_pa, self.adhesion_j_per_m2
        return Range(
            ratio(plane.low, adhesion.high), ratio(plane.best, adhesion.best), ratio(plane.high, adhesion.low)
        )

    def sag_um(self, disc: _Place) -> float:
        """How far the middle of the roof over a place gives way under the best estimate of the load."""
        span_m = disc.width_mm / 1000.0
        return 1e6 * elasticity.roof_sag_m(
            span_m=span_m,
            length_m=span_m * disc.length_to_width,
            thickness_m=self.thickness_m,
            pressure_pa=self.load_pa.best,
            plane_pa=self.plane_pa.best,
        )


@dataclass(frozen=True, slots=True)
class _Place:
    """The largest disc in a wide place, how long the place is for its width, and what it is held to."""

    centre: Geometry
    width_mm: float
    length_to_width: float
    limit: Limit

    def ratio(self, depth_mm: float) -> float:
        return self.width_mm / depth_mm


@rule("roof_sag")
def roof_sag(case: Case) -> Iterator[Finding]:
    """The widest places of a cast layer against its depth.

    Three limits of width over depth are known, and at each place the lowest counts: the rule of thumb for
    soft stamps; the roof that touches the floor when chip and lid are pressed together (a thick roof and
    a thin plate, `elasticity.roof_sag_m`); the roof that would stay on the floor by adhesion alone
    (`elasticity.adhesion_span_m`).
    """
    thumb = quantity_limit(case, "roof_sag", "width_to_depth_ratio")
    pressing = quantity_limit(case, "roof_sag", "pressing_kpa")
    if thumb is None or pressing is None:
        return
    openings = shapely.union_all([port.opening for port in case.job.layout.ports])
    for channel in case.as_made.channels:
        if channel.geometry.is_empty or channel.depth_um.best <= 0.0:
            continue
        roof = _roof_over(case, channel.depth_um.best * 1e-6, pressing)
        depth_mm = channel.depth_um.best / 1000.0
        # a port has no roof: its hole is punched through
        roofed = channel.geometry.difference(openings)
        # what an inward move by the safe half-width leaves are the places that are too wide
        safe_mm = _lowest(thumb, roof, _STRIP).value.low * depth_mm
        cores = offset(polygons(roofed), -safe_mm / 2.0).geoms
        places = [place for core in cores if (place := _place(core, safe_mm, thumb, roof)) is not None]
        for severity, found in by_severity(
            [(place.limit.severity_of_too_large(place.ratio(depth_mm)), place) for place in places]
        ):
            worst = max(found, key=lambda place: place.width_mm)
            others = f" ({count(len(found), 'place')} like it)" if len(found) > 1 else ""
            safe = worst.limit.value.low
            widest = "widest" if len(found) == len(places) or severity is Severity.BLOCKER else "next widest"
            yield Finding(
                rule="roof_sag",
                severity=severity,
                message=(
                    f"The {widest} place of layer {channel.layer!r} is {mm(worst.width_mm)} across and "
                    f"{um(channel.depth_um.best)} deep{others}, {worst.ratio(depth_mm):.0f} to 1; "
                    f"{safe:.3g} is safe and {worst.limit.value.best:.3g} the most. Its roof sags "
                    f"{um(roof.sag_um(worst))} when pressed on with {pressing.value.best:g} kPa in bonding."
                ),
                remedy=_remedy(case, channel, worst, safe_mm, (thumb, pressing)),
                measured=round(worst.ratio(depth_mm), 1),
                **worst.limit.shown,
                unit="1",
                where=shapely.union_all([place.centre.buffer(place.width_mm / 2.0) for place in found]),
            )


def _remedy(
    case: Case, channel: MadeChannel, worst: _Place, safe_mm: float, limits: tuple[Limit, Limit]
) -> str:
    """Pillars where the machine makes them so close, a narrower place, or a deeper channel, as drawn.

    `safe_mm` is that of a strip: a place that is made narrower is longer for its width.
    """
    pillars = in_square(case, free_mm=safe_mm)
    narrower_mm = safe_mm - max(case.as_made.width_change_um.high, 0.0) / 1000.0
    ways = [pillars] if pillars else []
    ways.append(f"{'make' if pillars else 'Make'} it {mm_most(narrower_mm)} wide or less")
    deep_um = _deep_enough_um(case, channel, worst, limits)
    if deep_um is not None:
        ways.append(f"{um_least(deep_um)} deep or more")
    return f"{', '.join(ways[:-1])}, or {ways[-1]}." if len(ways) > 1 else f"{ways[0]}."


def _deep_enough_um(
    case: Case, channel: MadeChannel, worst: _Place, limits: tuple[Limit, Limit]
) -> float | None:
    """The drawn depth from which on a place as wide as this one is safe, in whole layers where it is printed.

    A deeper channel leaves a thinner roof, so the safe ratio of the new depth counts; None where the chip is
    too thin for any depth to help.
    """
    thumb, pressing = limits
    drawn_um = next(
        layer.depth_um or 0.0 for layer in case.job.layout.channel_layers if layer.name == channel.layer
    )
    layer_um = None if case.as_made.calibrated is None else prints.printer(case.job).number("layer_um")
    made_um = channel.depth_um.best
    for _ in range(_DEEPENINGS):
        roof = _roof_over(case, made_um * 1e-6, pressing)
        safe = _lowest(thumb, roof, worst.length_to_width).value.low
        needed_um = 1000.0 * worst.width_mm / safe
        if needed_um <= made_um:
            factor = 1.0 if layer_um is not None else drawn_um / channel.depth_um.best
            return made_um * factor
        made_um = math.ceil(needed_um / layer_um) * layer_um if layer_um is not None else needed_um
        if made_um >= 1000.0 * case.job.chip.thickness_mm:
            break
    return None


def _roof_over(case: Case, depth_m: float, pressing: Limit) -> _Roof:
    # `cover` sees to roofs that are thinner than nothing
    thickness_m = max(case.job.chip.thickness_mm * 1e-3 - depth_m, depth_m)
    density = case.job.bench["silicone"].number("density_g_per_ml") * 1e3
    return _Roof(
        depth_m=depth_m,
        thickness_m=thickness_m,
        load_pa=pressing.value * 1e3 + density * gravity_m_per_s2 * thickness_m,
        plane_pa=silicone_stiffness(case),
        adhesion_j_per_m2=rule_range(case, "roof_sag", "adhesion_j_per_m2"),
    )


def _lowest(thumb: Limit, roof: _Roof, length_to_width: float) -> Limit:
    """The lowest of the three limits, each end by itself, with the source of what rules the best estimate."""
    limits = (
        thumb,
        Limit(roof.touching(length_to_width), f"elastic roof that touches the floor; {thumb.source}"),
        Limit(roof.sticking(), f"elastic roof held down by adhesion; {thumb.source}"),
    )
    low, best, high = (min(getattr(limit.value, end) for limit in limits) for end in ("low", "best", "high"))
    source = min(limits, key=lambda limit: limit.value.best).source
    return Limit(Range(low, best, high), source)


def _place(core: Polygon, safe_mm: float, thumb: Limit, roof: _Roof) -> _Place | None:
    """The largest disc whose centre lies in `core`, grown by what that was moved in."""
    if core.area <= _WIDEST_TOLERANCE_MM**2:
        return None
    radius = shapely.maximum_inscribed_circle(core, tolerance=_WIDEST_TOLERANCE_MM)
    corners = shapely.get_coordinates(shapely.oriented_envelope(core))
    short, long = sorted(np.hypot(*(corners[1:3] - corners[:2]).T) + safe_mm)
    length_to_width = float(long / short)
    return _Place(
        centre=shapely.Point(radius.coords[0]),
        width_mm=2.0 * radius.length + safe_mm,
        length_to_width=length_to_width,
        limit=_lowest(thumb, roof, length_to_width),
    )
