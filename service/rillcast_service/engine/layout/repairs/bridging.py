"""All gaps of one plane of channels: found between pieces, and between shapes of one piece, and bridged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import Geometry, Polygon

from rillcast_service.engine.layout.model import RepairKind
from rillcast_service.engine.layout.polygons import on_grid
from rillcast_service.engine.layout.repairs.gaps import apart, bridges, slits
from rillcast_service.engine.layout.repairs.mends import Mend
from rillcast_service.engine.layout.repairs.merging import merged
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes, neighbours

#: So many gaps in one drawing are no slips of the pen but a pattern, and are left.
MANY_GAPS = 300


@dataclass(frozen=True, slots=True)
class _Bridge:
    """An area to be filled, on which layer, and why."""

    area: Geometry
    layer: int
    what: str


@dataclass(slots=True)
class Plane:
    """The channel layers of one level.

    Args:
        pieces: of every layer, object arrays of polygons that do not overlap within their layer.
        mends: what was bridged, for every layer.
        left: how many gaps were left because there are too many to be slips.
    """

    pieces: list[Shapes]
    mends: list[list[Mend]] = field(default_factory=list)
    left: int = 0

    def __post_init__(self) -> None:
        self.mends = [[] for _ in self.pieces]

    def bridge(self, shapes: Shapes, close: Indices, *, gap_mm: float) -> None:
        """Bridge every gap of the plane.

        Args:
            shapes: as drawn, of all its layers, object array of shape (n,), mm.
            close: pairs of them that lie apart but no further than the gap, shape (p, 2).
            gap_mm: what lies no further apart was meant to touch.
        """
        self._fill_slits(gap_mm)
        if len(close) == 0:
            return
        close = apart(shapes, close, np.concatenate(self.pieces))
        if len(close) > MANY_GAPS:
            self.left = len(close)
            return
        self._bridge(shapes, close, gap_mm)
        # What was joined may lie close to something else as a whole.
        while True:
            pieces = np.concatenate(self.pieces)
            between = neighbours(pieces, reach_mm=gap_mm, at_most=len(pieces) ** 2).close
            if len(between) > MANY_GAPS:
                self.left = len(between)
                return
            if not self._bridge(pieces, between, gap_mm):
                return

    def reach(self, openings: Sequence[Polygon], *, gap_mm: float) -> None:
        """Lead channels to the ports that they miss by no more than a gap.

        Args:
            openings: of ports that meet no channel at all, mm.
            gap_mm: what lies no further apart was meant to touch.
        """
        pieces, layer_of = self._all()
        tree = shapely.STRtree(pieces)
        found: list[_Bridge] = []
        for opening in openings:
            for index in np.sort(tree.query(opening, predicate="dwithin", distance=gap_mm)):
                cavity = _around(pieces, tree, [opening])
                apart_mm = float(shapely.distance(opening, pieces[index]))
                what = f"a port and its channel, {_microns(apart_mm)} apart, were joined"
                for bridge in bridges(opening, pieces[index], cavity, gap_mm=gap_mm):
                    # It has to open into the hole, not only to touch its rim.
                    mouth = shapely.intersection(opening, shapely.buffer(bridge, gap_mm))
                    found.append(_Bridge(shapely.union(bridge, mouth), int(layer_of[index]), what))
        self._build(found)

    def _bridge(self, shapes: Shapes, pairs: Indices, gap_mm: float) -> bool:
        """Bridge what can be bridged of pairs of shapes; whether there was any."""
        pieces, layer_of = self._all()
        tree = shapely.STRtree(pieces)
        found: list[_Bridge] = []
        for a, b in pairs:
            # A shape that was only a shred is no longer there.
            home = tree.query(shapes[a], predicate="dwithin", distance=0.0)
            if len(home) == 0:
                continue
            cavity = _around(pieces, tree, [bridge.area for bridge in found])
            apart_mm = float(shapely.distance(shapes[a], shapes[b]))
            what = f"two channels, {_microns(apart_mm)} apart, were joined"
            layer = int(layer_of[home.min()])
            found += [
                _Bridge(area, layer, what) for area in bridges(shapes[a], shapes[b], cavity, gap_mm=gap_mm)
            ]
        self._build(found)
        return bool(found)

    def _build(self, found: Sequence[_Bridge]) -> None:
        """Put bridges on their layers, united with what they touch."""
        for layer in {bridge.layer: None for bridge in found}:
            pieces = self.pieces[layer]
            tree = shapely.STRtree(pieces)
            own = [bridge for bridge in found if bridge.layer == layer]
            touched: set[int] = set()
            for bridge in own:
                near = np.sort(tree.query(bridge.area, predicate="intersects"))
                touched.update(near.tolist())
                before = float(shapely.area(pieces[near]).sum())
                covered = shapely.union_all(shapely.intersection(pieces[near], bridge.area))
                after = before + float(bridge.area.area - covered.area)
                self.mends[layer].append(
                    Mend.at(bridge.area, RepairKind.GAP, bridge.what, before_mm2=before, after_mm2=after)
                )
            areas = np.array([bridge.area for bridge in own], dtype=object)
            gone = np.array(sorted(touched), dtype=np.intp)
            parts = shapely.get_parts(np.concatenate([pieces[gone], on_grid(areas)]))
            pairs = neighbours(parts, reach_mm=0.0, at_most=len(parts) ** 2).touching
            joined = merged(parts, pairs, called=lambda _: "").pieces
            self.pieces[layer] = np.append(np.delete(pieces, gone), joined)

    def _fill_slits(self, gap_mm: float) -> None:
        for layer, pieces in enumerate(self.pieces):
            for index in np.flatnonzero(shapely.get_num_interior_rings(pieces)):
                holes = slits(pieces[index], gap_mm=gap_mm)
                if not holes:
                    continue
                before = float(pieces[index].area)
                gone = {shapely.to_wkb(hole.exterior) for hole in holes}
                rings = [ring for ring in pieces[index].interiors if shapely.to_wkb(ring) not in gone]
                pieces[index] = Polygon(pieces[index].exterior, rings)
                what = f"{len(holes)} slits" if len(holes) > 1 else "a slit"
                self.mends[layer].append(
                    Mend.at(
                        holes[0],
                        RepairKind.GAP,
                        f"{what} no wider than {_microns(gap_mm)} within a channel filled",
                        before_mm2=before,
                        after_mm2=float(pieces[index].area),
                    )
                )

    def _all(self) -> tuple[Shapes, Indices]:
        """The pieces of all layers, and the number of the layer of each."""
        sizes = [len(pieces) for pieces in self.pieces]
        return np.concatenate(self.pieces), np.repeat(np.arange(len(sizes)), sizes)


def _around(pieces: Shapes, tree: shapely.STRtree, more: Sequence[Geometry]) -> Callable[[Polygon], Geometry]:
    """Gives what pieces, and a few other shapes, cover within a frame."""

    def within(frame: Polygon) -> Geometry:
        near = [*pieces[np.sort(tree.query(frame))], *(shape for shape in more if shape.intersects(frame))]
        return shapely.union_all(shapely.intersection(near, frame))

    return within


def _microns(length_mm: float) -> str:
    return f"{length_mm * 1e3:.2g} µm"
