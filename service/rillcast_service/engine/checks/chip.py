"""Rules about the body: outline, bonding land and fit on the machine."""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely import Geometry

from rillcast_service.engine.asmade.silicone import mould_scale
from rillcast_service.engine.checks.limits import limit_table, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import mm
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes import prints
from rillcast_service.engine.shapes import drawn_channels, drawn_levels


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
    hollow = shapely.union(channels, openings)
    land = round(shapely.distance(hollow, outline.exterior), 3)
    severity = limit.severity_of_too_small(land)
    if severity is not None:
        where: Geometry = shapely.shortest_line(hollow, outline.exterior)
        what = "a channel" if shapely.distance(channels, outline.exterior) <= land + 1e-3 else "a port"
        yield Finding(
            rule="chip_outline",
            severity=severity,
            message=(
                f"Only {mm(land)} of land lie between {what} and the edge; the route needs "
                f"{mm(limit.value.best)}."
            ),
            remedy=f"Move it {mm(limit.value.high - land)} inward.",
            measured=land,
            **limit.shown,
            unit="mm",
            where=where,
        )


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
        for size, room in ((footprint[0], short), (footprint[1], long), (item.height_mm, height)):
            if size > room:
                yield _too_large(case, size, room, "the build volume", source)
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
            short, long = sorted(side * scale for side in _sides(shape))
            fits = (room**2 - short**2) ** 0.5 if short < room else room / 2.0**0.5
            yield _too_large(case, size, room, what, source, (long - fits) / scale)
            return


def _sides(shape: Geometry) -> tuple[float, float]:
    x0, y0, x1, y1 = shape.bounds
    return x1 - x0, y1 - y0


def _too_large(
    case: Case, size: float, room: float, what: str, source: str, shorter: float | None = None
) -> Finding:
    less = size - room if shorter is None else shorter
    return Finding(
        rule="build_area",
        severity=Severity.BLOCKER,
        message=f"The part is {mm(size)} across where {what} has {mm(room)}.",
        remedy=f"Make the chip {mm(less)} shorter, or choose a larger machine.",
        source=source,
        measured=round(size, 2),
        limit=round(room, 2),
        unit="mm",
        where=case.job.chip.outline,
    )
