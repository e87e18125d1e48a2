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
from rillcast_service.engine.layout.repairs.merging import united
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes, neighbours

#: So many gaps in one drawing are no slips of the pen but a pattern, and are left.
MANY_GAPS = 300


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
        for opening in openings:
            pieces, layer_of = self._all()
            near = shapely.STRtree(pieces).query(opening, predicate="dwithin", distance=gap_mm)
            for index in sorted(near):
                cavity = _around(np.append(pieces, opening))
                found = bridges(opening, pieces[index], cavity, gap_mm=gap_mm)
                # A bridge has to open into the hole, not only to touch its rim.
                mouths = [
                    shapely.union(bridge, shapely.intersection(opening, shapely.buffer(bridge, gap_mm)))
                    for bridge in found
                ]
                apart_mm = shapely.distance(opening, pieces[index])
                self._add(layer_of[index], mouths, f"a port and its channel, {_microns(apart_mm)} apart,")

    def _bridge(self, shapes: Shapes, pairs: Indices, gap_mm: float) -> bool:
        """Bridge what can be bridged of pairs of shapes; whether there was any."""
        any_found = False
        pieces, layer_of = self._all()
        cavity = _around(pieces)
        for a, b in pairs:
            # A shape that was only a shred is no longer there.
            home = shapely.STRtree(pieces).query(shapes[a], predicate="dwithin", distance=0.0)
            found = bridges(shapes[a], shapes[b], cavity, gap_mm=gap_mm) if len(home) else []
            if not found:
                continue
            any_found = True
            apart_mm = float(shapely.distance(shapes[a], shapes[b]))
            self._add(int(layer_of[home.min()]), found, f"two channels, {_microns(apart_mm)} apart,")
            pieces, layer_of = self._all()
            cavity = _around(pieces)
        return any_found

    def _add(self, layer: int, found: Sequence[Geometry], what: str) -> None:
        """Put bridges on a layer, united with what they touch."""
        for bridge in found:
            pieces = self.pieces[layer]
            touched = np.sort(shapely.STRtree(pieces).query(bridge, predicate="intersects"))
            before = float(shapely.area(pieces[touched]).sum())
            one = united(np.append(pieces[touched], on_grid(np.array([bridge], dtype=object))))
            self.pieces[layer] = np.append(np.delete(pieces, touched), shapely.get_parts(one))
            self.mends[layer].append(
                Mend.at(
                    bridge,
                    RepairKind.GAP,
                    f"{what} were joined",
                    before_mm2=before,
                    after_mm2=float(one.area),
                )
            )

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


def _around(pieces: Shapes) -> Callable[[Polygon], Geometry]:
    """Gives what pieces cover within a frame."""
    tree = shapely.STRtree(pieces)

    def within(frame: Polygon) -> Geometry:
        near = np.sort(tree.query(frame))
        return shapely.union_all(shapely.intersection(pieces[near], frame))

    return within


def _microns(length_mm: float) -> str:
    return f"{length_mm * 1e3:.2g} µm"
