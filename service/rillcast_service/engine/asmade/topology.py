"""What becomes of the drawn shapes: lost, run together, cut apart, and where."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from shapely import Geometry, LineString, MultiPolygon, Polygon
from shapely.ops import substring

from rillcast_service.engine.asmade.vanished import lost_stretches, lost_walls
from rillcast_service.engine.layout.measure import Span, narrow_gaps, narrow_spans

#: A wall is open, or a channel cut, where this middle part of the chord across it lies the other side.
_MIDDLE = (0.25, 0.75)
#: What is left of an island is rounding below this share of it.
_NOTHING = 1e-6
#: A stretch with one end is more than a corner's rounded tip from so many changes of a width on.
_TIPS = 2.0
#: Comparisons kept: summary, review and picture of a quote ask for the same.
_REMEMBERED = 32


@dataclass(frozen=True, slots=True)
class TopologyChange:
    """Drawn shapes against made ones.

    Args:
        lost: drawn channel shapes of which nothing is left.
        arms: stretches that end blind, of which nothing is left.
        islands: drawn islands in channels of which nothing is left.
        merged: where channels run together: the parts of walls that are gone, or chords across the walls
            that open, or the shapes that come out joined where no such place is short enough.
        split: where a channel is cut: stretches of it that are gone, or chords across it, or likewise the
            shapes that come out in pieces.
    """

    lost: tuple[Polygon, ...] = ()
    arms: tuple[Polygon, ...] = ()
    islands: tuple[Polygon, ...] = ()
    merged: tuple[Geometry, ...] = ()
    split: tuple[Geometry, ...] = ()


@lru_cache(maxsize=_REMEMBERED)
def compare(
    drawn: MultiPolygon, made: MultiPolygon, *, reach_um: float, step_um: float = 0.0
) -> TopologyChange:
    """What hangs together in a drawing and no more in what is made of it, or the reverse.

    Args:
        drawn, made: valid geometry in the same coordinates, mm.
        reach_um: how much a width can change. Pieces smaller than a square of it, such as come off at sharp
            tips, count only where nothing else is left; walls and necks up to it are looked at.
        step_um: how far edges move everywhere.

    Returns:
        Shapes, stretches and islands that are gone, and the places where channels run together or are cut.
    """
    change = _whole_shapes(drawn, made, reach_um=reach_um)
    steps = {"step_mm": step_um / 1e3, "tip_mm": _TIPS * reach_um / 1e3}
    # crumbs are nothing that is left
    large = [piece for piece in made.geoms if piece.area >= (reach_um / 1e3) ** 2]
    stretches = lost_stretches(drawn, MultiPolygon(large) if large else made, **steps)
    walls = lost_walls(drawn, made, **steps)
    arms = tuple(gone.part for gone in stretches if gone.ends == 1)
    cut = tuple(gone.part for gone in stretches if gone.ends > 1)
    opened = tuple(gone.part for gone in walls if gone.ends > 0 or not _among(gone.part, change.islands))
    return TopologyChange(
        lost=change.lost,
        arms=arms,
        islands=change.islands,
        merged=_with_parts(change.merged, opened, reach_um=reach_um),
        split=_with_parts(change.split, cut, reach_um=reach_um),
    )


def _among(part: Polygon, shapes: tuple[Polygon, ...]) -> bool:
    return any(shape.intersects(part) for shape in shapes)


def _with_parts(
    places: tuple[Geometry, ...], parts: tuple[Polygon, ...], *, reach_um: float
) -> tuple[Geometry, ...]:
    """The parts that are gone, and the places that none of them tells."""
    if not parts:
        return places
    told = shapely.union_all(parts)
    return (*parts, *(place for place in places if place.distance(told) > reach_um / 1e3))


def _whole_shapes(drawn: MultiPolygon, made: MultiPolygon, *, reach_um: float) -> TopologyChange:
    """What counting shapes and islands tells."""
    least_mm2 = (reach_um / 1e3) ** 2
    pieces, walls = list(made.geoms), _holes(made)
    of_shape = _matches(list(drawn.geoms), pieces)
    of_island = _matches(_holes(drawn), walls)
    lost = tuple(shape for shape, row in zip(drawn.geoms, of_shape, strict=True) if not row.any())
    gone = [not row.any() for row in of_island]
    islands: list[Polygon] = []
    opened: list[Polygon] = []
    for island, missing in zip(_holes(drawn), gone, strict=True):
        if missing:
            left = island.difference(made).area
            (islands if left <= _NOTHING * island.area else opened).append(island)

    large = np.array([piece.area >= least_mm2 for piece in pieces], dtype=bool)
    new_walls = [wall for wall, column in zip(walls, of_island.T, strict=True) if not column.any()]
    joined = [piece for piece, column in zip(pieces, of_shape.T, strict=True) if column.sum() > 1]
    joined += [island for island, row in zip(_holes(drawn), of_island, strict=True) if row.sum() > 1]
    joined += [wall for wall in new_walls if wall.area >= least_mm2]
    cut = [shape for shape, row in zip(drawn.geoms, of_shape, strict=True) if (row & large).sum() > 1]
    cut += [wall for wall, column in zip(walls, of_island.T, strict=True) if column.sum() > 1]
    cut += opened
    return TopologyChange(
        lost=lost,
        islands=tuple(islands),
        merged=_places(joined, drawn, made, islands, reach_um=reach_um, walls=True),
        split=_places(cut, drawn, made, list(lost), reach_um=reach_um, walls=False),
    )


def _holes(geometry: MultiPolygon) -> list[Polygon]:
    return [Polygon(ring) for part in geometry.geoms for ring in part.interiors]


def _matches(ones: list[Polygon], others: list[Polygon]) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Which of the ones meet which of the others, (ones, others)."""
    found = np.zeros((len(ones), len(others)), dtype=bool)
    if ones and others:
        found[tuple(shapely.STRtree(others).query(ones, predicate="intersects"))] = True
    return found


def _places(
    shapes: list[Polygon],
    drawn: MultiPolygon,
    made: MultiPolygon,
    gone: list[Polygon],
    *,
    reach_um: float,
    walls: bool,
) -> tuple[Geometry, ...]:
    """Chords across drawn walls that open or drawn channels that close; else the shapes themselves."""
    if not shapes:
        return ()
    spans = (narrow_gaps if walls else narrow_spans)(drawn, below_um=reach_um)
    chords = [span.chord for span in spans if _crossed(span, made, open_now=walls)]
    vanished = shapely.union_all(gone)
    chords = [chord for chord in chords if not chord.interpolate(0.5, normalized=True).intersects(vanished)]
    return tuple(chords or shapes)


def _crossed(span: Span, made: MultiPolygon, *, open_now: bool) -> bool:
    middle: LineString = substring(span.chord, *_MIDDLE, normalized=True)
    return bool(made.covers(middle)) if open_now else not made.intersects(middle)
