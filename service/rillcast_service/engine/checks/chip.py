"""Rules about the body: outline, bonding land and fit on the machine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import shapely
from shapely import Geometry, LineString, MultiLineString, MultiPolygon

from rillcast_service.engine.asmade.silicone import mould_scale
from rillcast_service.engine.checks.limits import Limit, limit_table, quantity_limit
from rillcast_service.engine.checks.places import by_severity
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, enough_more_mm, mm, mm_least, mm_most
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes import prints
from rillcast_service.engine.shapes import drawn_channels, drawn_levels, polygons

#: A line drawn to an edge ends on it to within rounding.
_TOUCHING_MM = 1e-3


@rule("chip_outline")
def chip_outline(case: Case) -> Iterator[Finding]:
    """Channels and ports lie inside the outline, with `land_mm` around them.

    In a chip of one piece the land is the wall that stands around the channels of every level; where the
    route says that it is bonded, only the level in the bonded face needs it.
    """
    outline = case.job.chip.outline
    channels = drawn_channels(case.job.layout)
    openings = shapely.union_all([port.opening for port in case.job.layout.ports])
    outside = shapely.union(channels, openings).difference(outline)
    if not outside.is_empty:
        yield Finding(
            rule="chip_outline",
            severity=Severity.BLOCKER,
            message=f"{outside.area:.2f} mm² of channels and ports lie outside the chip.",
            remedy="Move them inside or draw a larger outline.",
            source="geometry",
            measured=round(outside.area, 4),
            limit=0.0,
            unit="mm²",
            where=outside,
        )
        return
    limit = quantity_limit(case, "chip_outline", "land_mm")
    if limit is None or channels.is_empty:
        return
    if limit_table(case, "chip_outline").get("at") == "bonded_face":
        channels = next(iter(drawn_levels(case.job.layout).values()))
    # a port is a hole through the bonded face, whatever level it leads to
    hollow = polygons(shapely.union(channels, openings))
    graded = [
        (limit.severity_of_too_small(place.land_mm), place) for place in _near_edge(case, hollow, limit)
    ]
    for severity, found in by_severity(graded):
        nearest = min(found, key=lambda place: place.land_mm)
        what = "a channel" if shapely.dwithin(channels, nearest.line, _TOUCHING_MM) else "a port"
        others = f" ({count(len(found), 'place')} like it)" if len(found) > 1 else ""
        yield Finding(
            rule="chip_outline",
            severity=severity,
            message=(
                f"Only {mm(nearest.land_mm)} of land lie between {what} and the edge{others}; the route "
                f"needs {mm(limit.value.best)}."
            ),
            remedy=f"Move it {enough_more_mm(limit, nearest.land_mm, severity, 'inward')}.",
            measured=nearest.land_mm,
            **limit.shown,
            unit="mm",
            where=MultiLineString([place.line for place in found]),
        )


@dataclass(frozen=True, slots=True)
class _Land:
    """A place where channels come near to the edge, and the line across what is left between."""

    land_mm: float
    line: LineString


def _near_edge(case: Case, hollow: MultiPolygon, limit: Limit) -> Iterator[_Land]:
    """Each stretch of hollow that comes nearer to the edge than the limit's high end.

    Left out is the pad of a port that `port_clearance` tells to move inward by enough.
    """
    outline, edge = case.job.chip.outline, case.job.chip.outline.exterior
    if shapely.distance(hollow, edge) >= limit.value.high:
        return
    clearance = None
    if "port_clearance" in case.route.rules:
        clearance = quantity_limit(case, "port_clearance", "centre_to_edge_mm")
    for stretch in polygons(hollow.difference(outline.buffer(-limit.value.high))).geoms:
        # whole micrometres, as everywhere
        land = round(shapely.distance(stretch, edge), 3)
        moved = max(
            (
                clearance.value.high - port.centre.distance(edge)
                for port in case.job.layout.ports
                if clearance is not None and port.opening.intersects(stretch)
            ),
            default=0.0,
        )
        if moved <= 0.0 or land + moved < limit.value.high - _TOUCHING_MM:
            yield _Land(land, shapely.shortest_line(stretch, edge))


@rule("build_area")
def build_area(case: Case) -> Iterator[Finding]:
    """What the route makes fits the plate of its printer, or the wafer of its mould."""
    fits = limit_table(case, "build_area").get("fits")
    if fits == "wafer":
        yield from _beyond_the_wafer(case)
        return
    printer = prints.printer(case.job)
    margin = 2.0 * printer.number("plate_margin_mm")
    length, width = (printer.number(key) - margin for key in ("build_x_mm", "build_y_mm"))
    short, long = sorted((length, width))
    height = printer.number("build_z_mm")
    source = printer.source_of("build_x_mm")
    for item in case.route.printed(case.job, case.variant, 1):
        footprint = sorted((item.width_mm, item.depth_mm))
        over = [max(side - room, 0.0) for side, room in zip(footprint, (short, long), strict=True)]
        if any(over):
            yield _beyond_the_plate(case, footprint, (short, long), over, source)
            return
        if item.height_mm > height:
            yield _too_tall(case, item.height_mm, height, source)
            return
        if item.width_mm > length or item.depth_mm > width:
            yield _turned(case, (item.width_mm, item.depth_mm), (length, width), source)
            return


def _turned(case: Case, part: tuple[float, float], plate: tuple[float, float], source: str) -> Finding:
    """A note: the part fits only across the way it is drawn."""
    over, room = next((size, room) for size, room in zip(part, plate, strict=True) if size > room)
    return Finding(
        rule="build_area",
        severity=Severity.NOTE,
        message=(
            f"The part is {mm(part[0])} by {mm(part[1])} and the plate has {mm(plate[0])} by "
            f"{mm(plate[1])}: it fits only turned by 90°."
        ),
        remedy="Turn it by 90° in the slicing program; the pixels may differ along x and y.",
        source=source,
        measured=round(over, 2),
        limit=round(room, 2),
        unit="mm",
        where=case.job.chip.outline,
    )


def _beyond_the_wafer(case: Case) -> Iterator[Finding]:
    """Channels keep from the rim, at the size of the mould; the land around them may reach into it."""
    mould, temperature_c = case.job.bench["mould"], case.variant.cure_temperature_c
    scale = 1.0
    if temperature_c is not None:
        scale = mould_scale(case.job.bench["silicone"], cure_temperature_c=temperature_c)
    diameter = mould.number("diameter_mm")
    usable = diameter - 2.0 * mould.number("edge_exclusion_mm")
    source = mould.source_of("diameter_mm")
    for shape, room, what in (
        (case.job.chip.outline, diameter, "the wafer"),
        (drawn_channels(case.job.layout), usable, "the usable wafer"),
    ):
        size = 2.0 * shapely.minimum_bounding_radius(shape) * scale
        if size > room:
            yield _beyond(case, shape, size, room, scale, what, source)
            return


def _beyond(
    case: Case, shape: Geometry, size: float, room: float, scale: float, what: str, source: str
) -> Finding:
    short, long = sorted(side for side in _sides(shape))
    square, smaller = room / scale / 2.0**0.5, room / size
    # a strip keeps its width where that leaves a useful length; what is round or square shrinks as a whole
    keeps = short if short <= square else square
    length = min(long, ((room / scale) ** 2 - keeps**2) ** 0.5)
    of = "chip" if shape is case.job.chip.outline else "area of all channels"
    return Finding(
        rule="build_area",
        severity=Severity.BLOCKER,
        message=f"The {of} is {mm(size)} across, corner to corner, where {what} has {mm(room)}.",
        remedy=(
            f"Make the {of} at most {mm_most(length)} × {mm_most(keeps)}, draw it at {100.0 * smaller:.0f} % "
            "of its size, or choose a larger wafer."
        ),
        source=source,
        measured=round(size, 2),
        limit=round(room, 2),
        unit="mm",
        where=shapely.envelope(shape),
    )


def _sides(shape: Geometry) -> tuple[float, float]:
    x0, y0, x1, y1 = shape.bounds
    return x1 - x0, y1 - y0


def _beyond_the_plate(
    case: Case, part: Sequence[float], plate: tuple[float, float], over: Sequence[float], source: str
) -> Finding:
    """What is printed against the plate, both sides at once; the chip gives what the part is too large by."""
    chip = sorted(_sides(case.job.chip.outline))
    keeps = [side - less for side, less in zip(chip, over, strict=True)]
    worst = max(range(2), key=lambda side: over[side])
    return Finding(
        rule="build_area",
        severity=Severity.BLOCKER,
        message=(
            f"What is printed is {mm(part[1])} × {mm(part[0])}, and the plate has {mm(plate[1])} × "
            f"{mm(plate[0])} inside its margin."
        ),
        remedy=(
            f"Make the chip at most {mm_most(keeps[1])} × {mm_most(keeps[0])}, or choose a larger printer."
            if min(keeps) > 0.0
            else f"Choose a printer with a plate of {mm_least(part[1])} × {mm_least(part[0])} or more."
        ),
        source=source,
        measured=round(part[worst], 2),
        limit=round(plate[worst], 2),
        unit="mm",
        where=case.job.chip.outline,
    )


def _too_tall(case: Case, tall_mm: float, height_mm: float, source: str) -> Finding:
    return Finding(
        rule="build_area",
        severity=Severity.BLOCKER,
        message=f"What is printed stands {mm(tall_mm)} tall, and the printer builds {mm(height_mm)}.",
        remedy=f"Make the chip {mm_least(tall_mm - height_mm)} smaller in the direction that stands, or "
        "choose a taller printer.",
        source=source,
        measured=round(tall_mm, 2),
        limit=round(height_mm, 2),
        unit="mm",
        where=case.job.chip.outline,
    )
