"""Vat photopolymerisation: what a masked-light printer makes of a drawn channel or ridge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import shapely
from scipy.special import ndtri
from shapely import MultiPolygon, Polygon

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.exposure import roof_loss_range
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.asmade.pixels import Light, PixelGrid, outline
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.shapes import polygons

#: Between flat and upright nothing is modelled; this is where the one model hands over to the other.
UPRIGHT_FROM_DEG = 45.0

_UM_TO_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Lying:
    """How a drawing lies on the raster of a print.

    Args:
        corner_mm: a corner of a pixel, in the drawing's coordinates: that of the chip on the plate.
        tolerance_percent: how far points that are left out may move an outline, in parts of a pixel.
        turned_deg: rotation of the drawing on the raster, against the clock.
        upright: whether the chip stands on its long edge and is built along its shorter side.
        long_in_x: whether that long edge runs along the drawing's x.
    """

    corner_mm: tuple[float, float]
    tolerance_percent: float
    turned_deg: float = 0.0
    upright: bool = False
    long_in_x: bool = True


def made_in_part(
    layer: Layer, printer: Entry, resin: Entry, *, enclosed: bool, lying: Lying
) -> tuple[MadeChannel, Range]:
    """A channel left free in a printed part.

    Args:
        layer: the drawn channel layer, with its depth.
        printer, resin: what it is printed with.
        enclosed: whether a roof is printed over it.
        lying: flat on the plate, or standing on its long edge.

    Returns:
        The made channel, and made minus drawn width in µm. Cured edges grow into the channel, so it
        is narrower. Flat and enclosed, the roof's light takes depth away; upright, it takes width
        from every stretch that has a roof above it, and the depth loses the bleed of both walls.
        Channels of every level have a roof of their own and lose the same: lying flat, a channel that
        passes over another leaves out layers that would send light down, so many roof layers are the
        worst case; upright, levels lie side by side and none is in another's light.
    """
    bleed = _edge_bleed(printer)
    change = _with_edge_doubt(bleed * -2.0, printer, upright=lying.upright)
    drawn_depth = _depth_um(layer)
    geometry = _exposed(layer, printer, lying, solid=False)
    if lying.upright:
        depth = _with_edge_doubt(bleed * -2.0 + drawn_depth, printer, upright=False)
        if enclosed:
            loss_mm = roof_loss_range(printer, resin).best * _UM_TO_MM
            geometry = _roofed_from_above(geometry, loss_mm, along_y=lying.long_in_x)
    else:
        depth = _widened(Range.exact(in_layers(drawn_depth, printer)), printer.number("repeatability_um"))
        if enclosed:
            depth = depth + roof_loss_range(printer, resin) * -1.0
    return MadeChannel(layer.name, geometry, depth, layer.level), change


def made_on_mould(layer: Layer, printer: Entry, *, lying: Lying, scale: float) -> tuple[MadeChannel, Range]:
    """A ridge printed flat on a mould; what is cast on it becomes a channel of the same size.

    Args:
        layer: the drawn channel layer, with its depth.
        printer: what the mould is printed with; light spread is a matter of the printer until a profile
            of it and a resin is measured.
        lying: on the plate.
        scale: mould size over drawn size, so that the shrunk cast has the drawn one.

    Returns:
        The ridge at the size of the drawing, and made minus drawn width in µm. Cured edges grow outward, so
        it is wider. Pixels, layers and light are those of the mould: seen on the drawing they are smaller
        by the scale.
    """
    change = _with_edge_doubt(_edge_bleed(printer) * (2.0 / scale), printer, upright=False, scale=scale)
    height = Range.exact(in_layers(_depth_um(layer) * scale, printer))
    depth = _widened(height, printer.number("repeatability_um")) * (1.0 / scale)
    geometry = _exposed(layer, printer, lying, solid=True, scale=scale)
    return MadeChannel(layer.name, geometry, depth, layer.level), change


def in_layers(depth_um: float, printer: Entry) -> float:
    """A depth as the printer can build it: a whole number of layers, at least one.

    Args:
        depth_um: as drawn.
        printer: gives the layer thickness.

    Returns:
        The built depth in µm.
    """
    layer_um = printer.number("layer_um")
    return max(round(depth_um / layer_um), 1) * layer_um


def base_growth_um(printer: Entry, resin: Entry) -> Range:
    """How much farther than the others the longer exposed base layers grow, on each side.

    Args:
        printer: gives base exposure, bleed and spread of light; resin: gives the exposure of a layer.

    Returns:
        The growth beyond the bleed, over the range of the base exposure.

    Formula: an edge lies where light times exposure reaches the threshold t, so with r the ratio of the
        exposures it moves from spread·Φ⁻¹(1 − t) to spread·Φ⁻¹(1 − t/r).
    Source: Gaussian spread of light and threshold, as in `pixels`.
    """
    grid, light = _raster(printer)
    threshold, exposure_s = light.threshold(grid), resin.number("exposure_s")

    def growth(base_s: float) -> float:
        ratio = max(base_s / exposure_s, 1.0)
        moved = ndtri(threshold) - ndtri(threshold / ratio)
        return float(light.reckoned_spread_mm / _UM_TO_MM * moved)

    base = printer.quantity("base_exposure_s")
    return Range(base.low, base.value, base.high).map(growth)


def _exposed(layer: Layer, printer: Entry, lying: Lying, *, solid: bool, scale: float = 1.0) -> MultiPolygon:
    """The outline that pixels and light make of a drawing; upright, layers take the place of pixel rows."""
    grid, light = _raster(printer, scale=scale)
    grid = replace(grid, corner_mm=lying.corner_mm, turned_deg=lying.turned_deg)
    if lying.upright:
        pixel_mm, layer_mm = grid.pitch_x_mm, printer.number("layer_um") * _UM_TO_MM
        x_mm, y_mm = (pixel_mm, layer_mm) if lying.long_in_x else (layer_mm, pixel_mm)
        grid = replace(grid, pitch_x_mm=x_mm, pitch_y_mm=y_mm)
        light = replace(light, along_x=lying.long_in_x, along_y=not lying.long_in_x)
    tolerance_mm = lying.tolerance_percent / 100.0 * min(grid.pitch_x_mm, grid.pitch_y_mm)
    return outline(layer.geometry, grid, light, solid=solid, tolerance_mm=tolerance_mm)


def _raster(printer: Entry, *, scale: float = 1.0) -> tuple[PixelGrid, Light]:
    """The pixels of a printer, and what their light does, on a drawing that is printed larger by a scale."""
    to_mm = _UM_TO_MM / scale
    grid = PixelGrid(
        pitch_x_mm=printer.number("pixel_x_um") * to_mm,
        pitch_y_mm=printer.number("pixel_y_um") * to_mm,
        grey_levels=round(printer.number("grey_levels_count")),
    )
    light = Light(
        bleed_mm=printer.number("edge_bleed_um") * to_mm,
        spread_mm=printer.number("light_spread_um") * to_mm,
    )
    return grid, light


def _edge_bleed(printer: Entry) -> Range:
    bleed = printer.quantity("edge_bleed_um")
    if printer.fact("calibrated", default=False):
        return Range.exact(bleed.value)
    return Range(bleed.low, bleed.value, bleed.high)


def _with_edge_doubt(change: Range, printer: Entry, *, upright: bool, scale: float = 1.0) -> Range:
    """A width with the place of both edges on the raster left open, and from print to print."""
    grid, light = _raster(printer, scale=scale)
    # either edge, inward or outward
    off_um = 2.0 * light.edge_scatter_mm(grid) / _UM_TO_MM
    if upright:
        off_um = max(off_um, printer.number("layer_um"))
    return _widened(change, off_um + printer.number("repeatability_um") / scale)


def _widened(value: Range, by: float) -> Range:
    return Range(value.low - by, value.best, value.high + by)


def _depth_um(layer: Layer) -> float:
    if layer.depth_um is None:
        raise ValueError(f"layer {layer.name!r} has no depth")
    return layer.depth_um


def _roofed_from_above(geometry: MultiPolygon, loss_mm: float, *, along_y: bool) -> MultiPolygon:
    """A void that loses what lies within `loss_mm` below any roof, built along y or along x.

    A point stays open when the roof above it is farther away: erosion by a segment, which leaves out
    what the roofs sweep over on their way down.
    """
    if loss_mm <= 0.0 or geometry.is_empty:
        return geometry
    step = (0.0, -loss_mm) if along_y else (-loss_mm, 0.0)
    return polygons(geometry.difference(shapely.union_all(_roof_sweeps(geometry, step))))


def _roof_sweeps(geometry: MultiPolygon, step: tuple[float, float]) -> list[Polygon]:
    dx, dy = step
    sweeps = []
    for part in geometry.geoms:
        turned = shapely.orient_polygons(part)
        for ring in (turned.exterior, *turned.interiors):
            for (ax, ay), (bx, by) in pairwise(ring.coords):
                # the void lies to the left of its edges, and below those that are roofs
                if (bx - ax) * dy - (by - ay) * dx > 0.0:
                    sweeps.append(Polygon([(ax, ay), (bx, by), (bx + dx, by + dy), (ax + dx, ay + dy)]))
    return sweeps
