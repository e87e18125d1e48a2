"""The channels of one level while they are mended: small windows of them, at a cost that is local."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import MultiPolygon

from rillcast_service.engine.shapes import polygons

Window = tuple[float, float, float, float]

#: What stands for a level where there is none.
MARKS_LEVEL = 0
#: A tile with fewer vertices is not cut further.
_ENOUGH_VERTICES = 400
#: Both halves of a tile reach this share of it beyond the middle, so that a small window lies in one of them.
_OVERLAP = 1 / 16


@dataclass(frozen=True, slots=True)
class Patch:
    """What is to be taken from channels, and then added to them.

    Args:
        adds: mm; may reach over channels that are there already.
        takes: mm; may reach over what is no channel.
    """

    adds: MultiPolygon = field(default_factory=MultiPolygon)
    takes: MultiPolygon = field(default_factory=MultiPolygon)

    @property
    def bounds(self) -> Window:
        """The box around both, mm."""
        x0, y0, x1, y1 = shapely.total_bounds([area for area in (self.adds, self.takes) if not area.is_empty])
        return float(x0), float(y0), float(x1), float(y1)

    def applied(self, channels: MultiPolygon) -> MultiPolygon:
        """Channels with this patch on them, mm."""
        if not self.takes.is_empty:
            channels = polygons(channels.difference(self.takes))
        return channels if self.adds.is_empty else polygons(channels.union(self.adds))


@dataclass(slots=True)
class Ground:
    """The channels of one level, and the patches taken so far.

    Args:
        level: 1 next to the lid; `MARKS_LEVEL` for a layer of marks.
        channels: union of its layers, mm; or strokes of marks.
    """

    level: int
    channels: MultiPolygon
    patches: list[Patch] = field(default_factory=list)
    _bounds: list[Window] = field(default_factory=list)
    _root: _Tile | None = None

    def around(self, window: Window) -> MultiPolygon:
        """The channels within a window, with the patches taken so far.

        Args:
            window: least x, least y, largest x, largest y, mm.

        Returns:
            Channels cut at the window's edges. It costs what lies in the window, and not in the layout.
        """
        if self._root is None:
            self._root = _Tile(self.channels, wider(self.channels.bounds, 1.0))
        frame = shapely.box(*window)
        local = polygons(self._root.holding(window).geometry.intersection(frame))
        if self._bounds:
            bounds = np.array(self._bounds)
            near = (
                (bounds[:, 0] <= window[2])
                & (bounds[:, 2] >= window[0])
                & (bounds[:, 1] <= window[3])
                & (bounds[:, 3] >= window[1])
            )
            for index in np.flatnonzero(near):
                local = polygons(self.patches[index].applied(local).intersection(frame))
        return local

    def take(self, patch: Patch) -> None:
        """Keep a patch.

        Args:
            patch: counts from now on.
        """
        self.patches.append(patch)
        self._bounds.append(patch.bounds)


@dataclass(slots=True)
class _Tile:
    """A part of the channels, cut in half on demand: an area is found without walking through all of it."""

    geometry: MultiPolygon
    window: Window
    _halves: list[_Tile] = field(default_factory=list)

    def holding(self, window: Window) -> _Tile:
        """The smallest tile that holds a window whole."""
        if shapely.get_num_coordinates(self.geometry) <= _ENOUGH_VERTICES:
            return self
        if not self._halves:
            self._halves = [
                _Tile(polygons(self.geometry.intersection(shapely.box(*half))), half)
                for half in _halves(self.window)
            ]
        for half in self._halves:
            if _holds(half.window, window):
                return half.holding(window)
        return self


def _halves(window: Window) -> Sequence[Window]:
    x0, y0, x1, y1 = window
    if x1 - x0 >= y1 - y0:
        middle, more = (x0 + x1) / 2, (x1 - x0) * _OVERLAP
        return (x0, y0, middle + more, y1), (middle - more, y0, x1, y1)
    middle, more = (y0 + y1) / 2, (y1 - y0) * _OVERLAP
    return (x0, y0, x1, middle + more), (x0, middle - more, x1, y1)


def _holds(outer: Window, inner: Window) -> bool:
    return outer[0] <= inner[0] and outer[1] <= inner[1] and outer[2] >= inner[2] and outer[3] >= inner[3]


def wider(window: Window, by_mm: float) -> Window:
    """A box grown on every side.

    Args:
        window: least x, least y, largest x, largest y, mm.
        by_mm: how much.

    Returns:
        The larger box, mm.
    """
    x0, y0, x1, y1 = window
    return x0 - by_mm, y0 - by_mm, x1 + by_mm, y1 + by_mm
