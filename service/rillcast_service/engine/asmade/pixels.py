"""Masked light: which pixels are lit, how their light spreads, and the outline of what it cures.

A pixel is lit by the share of its area that is to be cured: wholly or not at all, or in as many
steps of grey as the printer has. Its light spreads as a Gaussian. What gets more than a threshold of
the full dose cures. Threshold and spread are not told apart by a straight edge, where they only give
how far it moves; so the threshold is set by the measured bleed of the edges, and the spread decides
what becomes of corners and of features that are narrow against it.

Away from the edges the light is all or nothing. The lattice on which the field is known covers only
the tiles that an edge comes near, so the work grows with the length of the outlines; the outline
crosses the lattice where the light itself, and not a straight line between lattice points, meets
the threshold.

Source: width of the cure of a Gaussian beam: Jacobs 1992, Rapid Prototyping & Manufacturing, SME,
    ch. 4; here for square pixels of even light.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri
from shapely import MultiPolygon

from rillcast_service.engine.asmade.contours import enclosed, rings, segments
from rillcast_service.engine.layout.grid import coverage
from rillcast_service.engine.layout.medial import Floats, Ints

#: Points of the lattice per pixel along each axis: on its edges and in its middle, where the light of
#: features of one and two pixels has its peaks.
_POINTS = 2
#: Pixels along the edge of a tile, at least; and tiles worked on at once, which bounds the memory.
_TILE, _AT_ONCE = 16, 512
#: Light farther away than this many spreads is below 1e-7 of the full.
_REACH = 5.2
#: A spread below this share of a pixel changes nothing that can be seen; it keeps the field smooth.
_SHARPEST = 0.02
#: An edge that moves by more spreads than this would have to cure at less than 2.3 % of the full dose,
#: where scattered light decides and no longer this spread: then the spread itself must be wider.
_MOST_SPREADS = 2.0
#: Coverage and light are exact to this: half a pixel is half a pixel on either side of rounding.
_ROUNDING = 1e-9
#: A crossing keeps this share of a lattice step away from the points of the lattice.
_APART = 1e-6
_NEWTON_STEPS = 3
#: Less light than this share of the full is none.
_DARKEST = 1e-12
#: Halvings of a distance of some pixels that leave nothing to be seen of it.
_HALVINGS = 50
#: An edge that is straight for so many pixels keeps its place to rounding when points are left out.
_LONG = 8.0
#: What is smaller than this share of a pixel is rounding.
_LEAST_AREA = 1e-6
#: Geometries and settings that one quote asks for: two polarities and three ways of lying, twice over.
_REMEMBERED = 16


@dataclass(frozen=True, slots=True)
class PixelGrid:
    """The raster that a drawing is exposed on.

    Args:
        pitch_x_mm, pitch_y_mm: of the pixels.
        grey_levels: steps from dark to full light; 1: a pixel is on when half of it or more is to be lit.
        corner_mm: a corner of a pixel, in the drawing's coordinates.
        turned_deg: rotation of the drawing on the raster, against the clock about that corner.
    """

    pitch_x_mm: float
    pitch_y_mm: float
    grey_levels: int = 1
    corner_mm: tuple[float, float] = (0.0, 0.0)
    turned_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Light:
    """How the light of a pixel spreads, and how far a straight edge moves for it.

    Args:
        bleed_mm: how far a cured edge lies outside the drawn one on the mean of all places on the raster,
            negative for inside.
        spread_mm: standard deviation of the Gaussian; along_x, along_y: whether it spreads so. A print that
            stands on its edge is sliced along the other axis, where a layer ends sharply and edges stay.
    """

    bleed_mm: float
    spread_mm: float
    along_x: bool = True
    along_y: bool = True

    @property
    def reckoned_spread_mm(self) -> float:
        """The spread, as wide as the bleed asks for at least."""
        return max(self.spread_mm, abs(self.bleed_mm) / _MOST_SPREADS)

    def threshold(self, grid: PixelGrid) -> float:
        """Share of the full dose at which the resin cures, so that edges bleed as they do.

        Args:
            grid: what is exposed on.

        Returns:
            Φ(-bleed/spread) without greys, which all edges obey; with greys what is right on the mean.
        """
        plain = float(ndtr(-self.bleed_mm / self._smooth_mm(grid)))
        if grid.grey_levels == 1:
            return plain

        def too_far(threshold: float) -> float:
            means = [np.average(off, weights=weights) for off, weights in self._off(grid, threshold)]
            return float(np.mean(means))

        return float(brentq(too_far, _DARKEST, 1.0 - _DARKEST, xtol=_DARKEST))

    def edge_scatter_mm(self, grid: PixelGrid) -> float:
        """How far off its mean place an edge lies at worst, for where it falls on the raster.

        Args:
            grid: what is exposed on.

        Returns:
            Half a pixel without greys, else less.
        """
        if grid.grey_levels == 1:
            return max(self._pitches(grid)) / 2.0
        half = 0.5 / grid.grey_levels
        worst = 0.0
        for pitch_mm, (off, _) in zip(
            self._pitches(grid), self._off(grid, self.threshold(grid)), strict=True
        ):
            # a grey stands for all shares within half a step of it
            below = np.minimum(half, np.arange(len(off))[::-1] * 2.0 * half) * pitch_mm
            above = np.minimum(half, np.arange(len(off)) * 2.0 * half) * pitch_mm
            worst = max(worst, float((below - off).max()), float((off + above).max()))
        return worst

    def _pitches(self, grid: PixelGrid) -> list[float]:
        both = ((grid.pitch_x_mm, self.along_x), (grid.pitch_y_mm, self.along_y))
        return [pitch for pitch, spreads in both if spreads]

    def _smooth_mm(self, grid: PixelGrid) -> float:
        return max(self.reckoned_spread_mm, _SHARPEST * max(self._pitches(grid)))

    def _off(self, grid: PixelGrid, threshold: float) -> list[tuple[Floats, Floats]]:
        """How far outside the bleed an edge cures that ends in a row of grey pixels, for every grey, mm.

        With it how often each grey comes up; once for edges along each axis.
        """
        greys = np.arange(grid.grey_levels + 1) / grid.grey_levels
        weights = np.ones(len(greys))
        weights[[0, -1]] = 0.5
        smooth_mm = self._smooth_mm(grid)
        found = []
        for pitch_mm in self._pitches(grid):
            high = np.full(len(greys), 2.0 * (_REACH * smooth_mm + pitch_mm))
            low = -high
            for _ in range(_HALVINGS):
                middle = (low + high) / 2.0
                light = (1.0 - greys) * ndtr(-middle / smooth_mm) + greys * ndtr(
                    (pitch_mm - middle) / smooth_mm
                )
                cured = light >= threshold
                low, high = np.where(cured, middle, low), np.where(cured, high, middle)
            found.append(((low + high) / 2.0 - greys * pitch_mm - self.bleed_mm, weights))
        return found


@lru_cache(maxsize=_REMEMBERED)
def outline(
    geometry: MultiPolygon, grid: PixelGrid, light: Light, *, solid: bool, tolerance_mm: float
) -> MultiPolygon:
    """What comes out of a drawing that is exposed on pixels.

    Args:
        geometry: the drawing, valid polygons in mm.
        grid, light: what it is exposed with.
        solid: True when the drawing is cured (a ridge), False when all around it is (a channel).
        tolerance_mm: how far the outline may move when points on it are left out.

    Returns:
        The ridge, or the channel left open, mm in the drawing's coordinates.
    """
    if geometry.is_empty:
        return geometry
    pitch = np.array([grid.pitch_x_mm, grid.pitch_y_mm])
    column, row, value = lit_pixels(geometry, grid, solid=solid)
    if not len(value):
        return MultiPolygon()
    threshold = light.threshold(grid)
    field = _Field(
        spread=(
            light.reckoned_spread_mm / grid.pitch_x_mm if light.along_x else 0.0,
            light.reckoned_spread_mm / grid.pitch_y_mm if light.along_y else 0.0,
        ),
        # What stays dark enough is left open. Light that is right at the threshold, as on the line between
        # two pixels, lies on the same side of it in every tile.
        level=(threshold if solid else 1.0 - threshold) - _ROUNDING,
    )
    points, starts = field.contour(column, row, value)
    turned = _rotation(grid.turned_deg)
    return enclosed(
        (points * pitch) @ turned + np.asarray(grid.corner_mm),
        starts,
        tolerance=tolerance_mm,
        straight=_LONG * max(grid.pitch_x_mm, grid.pitch_y_mm),
        least_area=_LEAST_AREA * grid.pitch_x_mm * grid.pitch_y_mm,
    )


def lit_pixels(geometry: MultiPolygon, grid: PixelGrid, *, solid: bool) -> tuple[Ints, Ints, Floats]:
    """The pixels that belong to a drawing, by the light they give or withhold.

    Args:
        geometry, grid, solid: as for `outline`.

    Returns:
        Column, row, and share of the full light: given when `solid`, else withheld; none of them is 0.
    """
    turned = _rotation(grid.turned_deg)
    corner = np.asarray(grid.corner_mm)
    on_raster = geometry
    if grid.turned_deg:
        on_raster = shapely.transform(geometry, lambda points: (points - corner) @ turned.T)
        corner = np.zeros(2)
    column, row, share = coverage(
        on_raster,
        origin_mm=(float(corner[0]), float(corner[1])),
        pitch_mm=(grid.pitch_x_mm, grid.pitch_y_mm),
    )
    steps = grid.grey_levels
    # Light is rounded, half a step up: what is to stay dark is what is left of it.
    value = (
        np.floor(share * steps + 0.5 + _ROUNDING)
        if solid
        else steps - np.floor((1.0 - share) * steps + 0.5 + _ROUNDING)
    ) / steps
    shown = value > 0.0
    return column[shown], row[shown], value[shown]


@dataclass(frozen=True, slots=True)
class _Field:
    """The light of pixels around the threshold, spread in pixels along x and y."""

    spread: tuple[float, float]
    level: float

    def contour(self, column: Ints, row: Ints, value: Floats) -> tuple[Floats, Ints]:
        """Points of its outline in pixels, ring by ring, and where each ring starts."""
        reach = [math.ceil(_REACH * self._width(axis) + 0.5) for axis in (0, 1)]
        size = max(_TILE, *reach)
        tiles = _Tiles(column, row, value, size)
        points, begins, ends = [np.zeros((0, 2))], [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
        for tile_row, tile_column, pixels in tiles.near_edges(*reach):
            across, up = self._weights(size, 0, reach[0]), self._weights(size, 1, reach[1])
            along_x = pixels @ across.T
            along_y = up @ pixels
            values = up @ along_x
            found = segments(
                values,
                self.level,
                tile_row=tile_row,
                tile_column=tile_column,
                stride=tiles.columns * size * 2 + 1,
            )
            place = np.column_stack((found.column, found.row)) / _POINTS
            for axis, lines in ((0, along_y), (1, along_x)):
                which = np.flatnonzero(found.upright == axis)
                t, r, c = found.tile[which], found.row[which], found.column[which]
                low = values[t, r, c]
                if axis == 0:
                    profile, high = lines[t, r], values[t, r, c + 1]
                else:
                    profile, high = lines[t, :, c], values[t, r + 1, c]
                place[which, axis] = self._crossing(profile, place[which, axis], low, high, axis, reach[axis])
            place += np.column_stack((tile_column, tile_row))[found.tile] * size
            points.append(place + np.array([tiles.first_column, tiles.first_row]))
            begins.append(found.begin)
            ends.append(found.end)
        order, starts = rings(np.concatenate(begins), np.concatenate(ends))
        return np.concatenate(points)[order], starts

    def _width(self, axis: int) -> float:
        return max(self.spread[axis], _SHARPEST)

    def _weights(self, size: int, axis: int, reach: int) -> Floats:
        """Light at the lattice points of a tile by pixel, (points, pixels); even light adds up to 1."""
        points = np.arange(_POINTS * size + 1)[:, None] / _POINTS
        pixels = np.arange(size + 2 * reach)[None, :] - reach
        edges = (points - pixels) / self._width(axis)
        weights = ndtr(edges) - ndtr(edges - 1.0 / self._width(axis))
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    def _crossing(
        self, profile: Floats, start: Floats, low: Floats, high: Floats, axis: int, reach: int
    ) -> Floats:
        """Where the light along lines of the lattice meets the threshold, between two of its points.

        Args:
            profile: (n, pixels) light of the pixels along each line, spread across it.
            start: (n,) where the step begins, in pixels of the tile; low, high: (n,) the light at both ends.
        """
        if not len(start):
            return start
        step, spread = 1.0 / _POINTS, self._width(axis)
        first = np.floor(start).astype(np.int64)
        taps = first[:, None] + np.arange(2 * reach + 1)[None, :]
        light = np.take_along_axis(profile, taps, axis=1)
        # in the scale of its own edge the light of an edge is a straight line
        limits = _DARKEST, 1.0 - _DARKEST
        before, at, after = (ndtri(np.clip(part, *limits)) for part in (low, self.level, high))
        share = np.clip((at - before) / np.where(after == before, 1.0, after - before), 0.0, 1.0)
        place = start + step * share
        rises = high > low
        left, right = start.copy(), start + step
        for _ in range(_NEWTON_STEPS):
            edges = (place[:, None] - np.arange(2 * reach + 2)[None, :] - first[:, None] + reach) / spread
            # the reach is cut off, so what lies in it must add up to all the light
            whole = ndtr(edges[:, 0]) - ndtr(edges[:, -1])
            value = -np.einsum("ij,ij->i", light, np.diff(ndtr(edges), axis=1)) / whole
            density = np.exp(-0.5 * edges**2) / (math.sqrt(2.0 * math.pi) * spread)
            slope = -np.einsum("ij,ij->i", light, np.diff(density, axis=1))
            below = (value < self.level) == rises
            left, right = np.where(below, place, left), np.where(below, right, place)
            newton = place - (value - self.level) / np.where(slope == 0.0, np.inf, slope)
            within = (newton >= left) & (newton <= right) & (slope != 0.0)
            place = np.where(within, newton, (left + right) / 2.0)
        return np.clip(place, start + _APART * step, start + step * (1.0 - _APART))


class _Tiles:
    """Pixels on square tiles; only tiles that hold something are kept."""

    def __init__(self, column: Ints, row: Ints, value: Floats, size: int) -> None:
        # one tile of margin, so that every tile has its neighbours
        self.size = size
        self.first_column = (int(column.min()) // size - 1) * size
        self.first_row = (int(row.min()) // size - 1) * size
        column, row = column - self.first_column, row - self.first_row
        self.columns = int(column.max()) // size + 2
        key = (row // size) * self.columns + column // size
        self.keys, where = np.unique(key, return_inverse=True)
        # the last tile is the empty one that stands for all that are not kept
        self.pixels = np.zeros((len(self.keys) + 1, size, size))
        self.pixels[where, row % size, column % size] = value

    def near_edges(self, reach_x: int, reach_y: int) -> Iterator[tuple[Ints, Ints, Floats]]:
        """Tiles that the light of an edge reaches: row, column, and pixels with what lies around them."""
        size, columns = self.size, self.columns
        around = np.array([row * columns + column for row in (-1, 0, 1) for column in (-1, 0, 1)])
        keys = np.unique(self.keys[:, None] + around)
        low, high = self.pixels.min(axis=(1, 2)), self.pixels.max(axis=(1, 2))
        near = self._found(keys[:, None] + around)
        even = low[near].min(axis=1) == high[near].max(axis=1)
        keys, near = keys[~even], near[~even].reshape(-1, 3, 3)
        ends_x = (slice(size - reach_x, size), slice(0, size), slice(0, reach_x))
        ends_y = (slice(size - reach_y, size), slice(0, size), slice(0, reach_y))
        for begin in range(0, len(keys), _AT_ONCE):
            chunk = near[begin : begin + _AT_ONCE]
            pixels = np.concatenate(
                [
                    np.concatenate(
                        [self.pixels[chunk[:, i, j], rows, cols] for j, cols in enumerate(ends_x)], axis=2
                    )
                    for i, rows in enumerate(ends_y)
                ],
                axis=1,
            )
            edge = pixels.min(axis=(1, 2)) != pixels.max(axis=(1, 2))
            key = keys[begin : begin + _AT_ONCE][edge]
            yield key // columns, key % columns, pixels[edge]

    def _found(self, keys: Ints) -> Ints:
        place = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        return np.where(self.keys[place] == keys, place, len(self.keys))


def _rotation(degrees: float) -> NDArray[np.float64]:
    """Columns turn by an angle against the clock: `points @ _rotation(a).T` turns them, `@ …` turns back."""
    angle = math.radians(degrees)
    cosine, sine = math.cos(angle), math.sin(angle)
    return np.array([[cosine, -sine], [sine, cosine]])
