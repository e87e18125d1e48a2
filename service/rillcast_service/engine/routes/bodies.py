"""Sizes and volumes of what a route makes: chips, lids and moulds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from shapely import Geometry, MultiPolygon, Polygon

from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.measure import measure
from rillcast_service.engine.routes.base import Printed
from rillcast_service.engine.shapes import drawn_channels, drawn_levels


def extent_mm(outline: Polygon) -> tuple[float, float]:
    """Size of a shape along the axes.

    Args:
        outline: mm.

    Returns:
        Width along x and depth along y, in mm.
    """
    x0, y0, x1, y1 = outline.bounds
    return x1 - x0, y1 - y0


def land_mm(job: Job) -> tuple[float, float]:
    """Bare land between the chip's edges and its channels, along the axes.

    Args:
        job: gives outline and channels.

    Returns:
        The narrower of the two sides along x, and along y, in mm; 0 where channels reach the edge.
    """
    x0, y0, x1, y1 = job.chip.outline.bounds
    channels = drawn_channels(job.layout)
    if channels.is_empty:
        return 0.0, 0.0
    left, bottom, right, top = channels.bounds
    return max(0.0, min(left - x0, x1 - right)), max(0.0, min(bottom - y0, y1 - top))


def channel_volume_ml(job: Job) -> float:
    """Volume of the channels as drawn.

    Args:
        job: gives the channel layers.

    Returns:
        Volume in mL; where layers of one level overlap the deeper one counts, and each level counts by
        itself.
    """
    volume_ml = 0.0
    for level in sorted({layer.level for layer in job.layout.channel_layers}):
        deeper: Geometry = MultiPolygon()
        own = [layer for layer in job.layout.channel_layers if layer.level == level]
        for layer in sorted(own, key=lambda layer: -(layer.depth_um or 0.0)):
            volume_ml += float(layer.geometry.difference(deeper).area) * (layer.depth_um or 0.0) * 1e-6
            deeper = deeper.union(layer.geometry)
    return volume_ml


def channel_surface_cm2(job: Job) -> float:
    """Wetted surface of the channels as drawn.

    Args:
        job: gives the channel layers.

    Returns:
        Floor, roof and walls in cm².
    """
    surface_mm2 = 0.0
    for layer in job.layout.channel_layers:
        wall_mm2 = float(layer.geometry.length) * (layer.depth_um or 0.0) * 1e-3
        surface_mm2 += 2.0 * float(layer.geometry.area) + wall_mm2
    return surface_mm2 * 1e-2


def smallest_channel_um(job: Job) -> float:
    """Least width or depth of any channel as drawn.

    Args:
        job: gives the channel layers.

    Returns:
        Length in µm; 0 where there is no channel.
    """
    depths = [layer.depth_um or 0.0 for layer in job.layout.channel_layers]
    widths = [_narrowest_um(channels) for channels in drawn_levels(job.layout).values()]
    return min([*depths, *(width for width in widths if width is not None)], default=0.0)


@lru_cache(maxsize=16)
def _narrowest_um(channels: MultiPolygon) -> float | None:
    width = measure(channels).width
    return None if width is None else width.length_um


def slab(job: Job, *, name: str, step: str, thickness_mm: float, open_channels: bool) -> Printed:
    """A printed slab of the chip's outline, lying flat.

    Args:
        job: gives outline and channels.
        name, step: as in `Printed`.
        thickness_mm: of the slab.
        open_channels: whether the channels are cut out of it.

    Returns:
        The object: V = A h − V_channels, S = 2 A + P h + S_channels.
    """
    outline = job.chip.outline
    width, depth = extent_mm(outline)
    volume_ml = outline.area * thickness_mm * 1e-3 - (channel_volume_ml(job) if open_channels else 0.0)
    surface_cm2 = (2.0 * outline.area + outline.length * thickness_mm) * 1e-2
    return Printed(
        name=name,
        step=step,
        width_mm=width,
        depth_mm=depth,
        height_mm=thickness_mm,
        solid_ml=volume_ml,
        surface_cm2=surface_cm2 + (channel_surface_cm2(job) if open_channels else 0.0),
    )


@dataclass(frozen=True, slots=True)
class Tray:
    """A printed mould that holds chips in rows and columns within one wall.

    Args:
        columns, rows: of chips.
        width_mm, depth_mm: outside, with walls, at the mould's scale.
        pour_ml: silicone of one pour.
        height_mm: base and walls.
        solid_ml, surface_cm2: of the print.
    """

    columns: int
    rows: int
    width_mm: float
    depth_mm: float
    pour_ml: float
    height_mm: float
    solid_ml: float
    surface_cm2: float

    @property
    def parts(self) -> int:
        """Chips that one pour gives."""
        return self.columns * self.rows


@dataclass(frozen=True, slots=True)
class TraySizes:
    """Thicknesses of a mould, in mm.

    Args:
        base_mm: floor; wall_mm: wall; freeboard_mm: wall above the pour; lane_mm: between chips,
            where the knife goes.
        scale: mould size over cast size.
    """

    base_mm: float
    wall_mm: float
    freeboard_mm: float
    lane_mm: float
    scale: float


def tray(job: Job, sizes: TraySizes, *, columns: int, rows: int) -> Tray:
    """The printed mould of a grid of chips.

    Args:
        job: gives outline, thickness and channels.
        sizes: of the mould.
        columns, rows: of chips.

    Returns:
        The mould. One chip is walled along its outline, several by one box with lanes between them.

    Formula: V_pour = A_inner h − n V_channels; V_solid = A_outer b + (A_outer − A_inner)(h + f)
        + n V_channels.
    """
    width, depth = extent_mm(job.chip.outline)
    count = columns * rows
    inner_x = columns * width + (columns - 1) * sizes.lane_mm
    inner_y = rows * depth + (rows - 1) * sizes.lane_mm
    if count == 1:
        inner_mm2, inner_edge_mm = job.chip.outline.area, job.chip.outline.length
    else:
        inner_mm2, inner_edge_mm = inner_x * inner_y, 2.0 * (inner_x + inner_y)
    outer_x, outer_y = inner_x + 2.0 * sizes.wall_mm, inner_y + 2.0 * sizes.wall_mm
    outer_mm2, outer_edge_mm = outer_x * outer_y, 2.0 * (outer_x + outer_y)
    wall_mm = job.chip.thickness_mm + sizes.freeboard_mm
    ridges_ml = count * channel_volume_ml(job)
    height_mm = sizes.base_mm + wall_mm
    return Tray(
        columns=columns,
        rows=rows,
        width_mm=outer_x * sizes.scale,
        depth_mm=outer_y * sizes.scale,
        pour_ml=inner_mm2 * job.chip.thickness_mm * 1e-3 - ridges_ml,
        height_mm=height_mm,
        solid_ml=(outer_mm2 * sizes.base_mm + (outer_mm2 - inner_mm2) * wall_mm) * 1e-3 + ridges_ml,
        surface_cm2=(2.0 * outer_mm2 + outer_edge_mm * height_mm + inner_edge_mm * wall_mm) * 1e-2,
    )


def trays(job: Job, sizes: TraySizes, *, plate_x_mm: float, plate_y_mm: float) -> tuple[Tray, ...]:
    """For each number of chips the most compact mould that fits a build plate.

    Args:
        job, sizes: as in `tray`.
        plate_x_mm, plate_y_mm: usable size of the plate.

    Returns:
        By number of chips, from one up; the mould of one chip is there even where it fits no plate.
    """
    best: dict[int, Tray] = {1: tray(job, sizes, columns=1, rows=1)}
    width, depth = extent_mm(job.chip.outline)
    side = max(plate_x_mm, plate_y_mm)
    for columns in range(1, int(side / width) + 1):
        for rows in range(1, int(side / depth) + 1):
            made = tray(job, sizes, columns=columns, rows=rows)
            straight = made.width_mm <= plate_x_mm and made.depth_mm <= plate_y_mm
            turned = made.depth_mm <= plate_x_mm and made.width_mm <= plate_y_mm
            known = best.get(made.parts)
            if (straight or turned) and (known is None or made.solid_ml < known.solid_ml):
                best[made.parts] = made
    return tuple(best[parts] for parts in sorted(best))
