"""Vat photopolymerisation: what a masked-light printer makes of a drawn channel or ridge."""

from __future__ import annotations

from itertools import pairwise

import shapely
from shapely import MultiPolygon, Polygon
from shapely.affinity import translate

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.exposure import roof_loss_range
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.shapes import offset, polygons

#: Between flat and upright nothing is modelled; this is where the one model hands over to the other.
UPRIGHT_FROM_DEG = 45.0


def made_in_part(
    layer: Layer, printer: Entry, resin: Entry, *, enclosed: bool, orientation_deg: float
) -> tuple[MadeChannel, Range]:
    """A channel left free in a printed part.

    Args:
        layer: the drawn channel layer, with its depth.
        printer, resin: what it is printed with.
        enclosed: whether a roof is printed over it.
        orientation_deg: 0 lies flat on the plate; from 45° on the chip stands on its long edge and
            is built along the drawing's shorter side.

    Returns:
        The made channel, and made minus drawn width in µm. Cured edges grow into the channel, so it
        is narrower. Flat and enclosed, the roof's light takes depth away; upright, it takes width
        from every stretch that has a roof above it, and the depth loses the bleed of both walls.
        Channels of every level have a roof of their own and lose the same: lying flat, a channel that
        passes over another leaves out layers that would send light down, so many roof layers are the
        worst case; upright, levels lie side by side and none is in another's light.
    """
    bleed = _edge_bleed(printer)
    change = _with_edge_doubt(bleed * -2.0, printer, upright=orientation_deg >= UPRIGHT_FROM_DEG)
    drawn_depth = _depth_um(layer)
    geometry = offset(layer.geometry, -bleed.best / 1000.0)
    if orientation_deg >= UPRIGHT_FROM_DEG:
        depth = _widened(bleed * -2.0 + drawn_depth, printer.number("repeatability_um"))
        if enclosed:
            geometry = _roofed_from_above(geometry, roof_loss_range(printer, resin).best / 1000.0)
    else:
        depth = _widened(Range.exact(in_layers(drawn_depth, printer)), printer.number("repeatability_um"))
        if enclosed:
            depth = depth + roof_loss_range(printer, resin) * -1.0
    return MadeChannel(layer.name, geometry, depth, layer.level), change


def made_on_mould(layer: Layer, printer: Entry, resin: Entry) -> tuple[MadeChannel, Range]:
    """A ridge printed flat on a mould; what is cast on it becomes a channel of the same size.

    Args:
        layer: the drawn channel layer, with its depth.
        printer, resin: what the mould is printed with.

    Returns:
        The ridge, and made minus drawn width in µm. Cured edges grow outward, so it is wider.
    """
    del resin  # light spread is a matter of the printer until a profile of the pair is measured
    bleed = _edge_bleed(printer)
    change = _with_edge_doubt(bleed * 2.0, printer, upright=False)
    depth = _widened(Range.exact(in_layers(_depth_um(layer), printer)), printer.number("repeatability_um"))
    geometry = offset(layer.geometry, bleed.best / 1000.0)
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


def _edge_bleed(printer: Entry) -> Range:
    bleed = printer.quantity("edge_bleed_um")
    if printer.fact("calibrated", default=False):
        return Range.exact(bleed.value)
    return Range(bleed.low, bleed.value, bleed.high)


def _with_edge_doubt(change: Range, printer: Entry, *, upright: bool) -> Range:
    """A width change with the place of both edges on the pixel grid left open."""
    step = max(printer.number("pixel_x_um"), printer.number("pixel_y_um"))
    if upright:
        step = max(step, printer.number("layer_um"))
    # either edge can lie up to half a pixel to either side of the drawn line
    return _widened(change, step + printer.number("repeatability_um"))


def _widened(value: Range, by: float) -> Range:
    return Range(value.low - by, value.best, value.high + by)


def _depth_um(layer: Layer) -> float:
    if layer.depth_um is None:
        raise ValueError(f"layer {layer.name!r} has no depth")
    return layer.depth_um


def _roofed_from_above(geometry: MultiPolygon, loss_mm: float) -> MultiPolygon:
    """A void that loses what lies within `loss_mm` below any roof, built along the shorter side.

    A point stays open when the roof above it is farther away: erosion by a segment, which is the
    complement swept along that segment.
    """
    if loss_mm <= 0.0 or geometry.is_empty:
        return geometry
    x0, y0, x1, y1 = geometry.bounds
    along_y = (x1 - x0) >= (y1 - y0)
    step = (0.0, -loss_mm) if along_y else (-loss_mm, 0.0)
    frame = shapely.box(x0, y0, x1, y1).buffer(2.0 * loss_mm + 1.0, join_style="mitre")
    solid = frame.difference(geometry)
    swept = shapely.union_all([solid, translate(solid, *step), *_edge_sweeps(geometry, step)])
    return polygons(geometry.difference(swept))


def _edge_sweeps(geometry: MultiPolygon, step: tuple[float, float]) -> list[Polygon]:
    dx, dy = step
    sweeps = []
    for part in geometry.geoms:
        for ring in (part.exterior, *part.interiors):
            points = list(ring.coords)
            for (ax, ay), (bx, by) in pairwise(points):
                sweep = Polygon([(ax, ay), (bx, by), (bx + dx, by + dy), (ax + dx, ay + dy)])
                if sweep.is_valid and sweep.area > 0.0:
                    sweeps.append(sweep)
    return sweeps
