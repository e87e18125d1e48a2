"""What becomes of the drawn shapes: lost, merged, split."""

from __future__ import annotations

from dataclasses import dataclass

import shapely
from shapely import MultiPolygon, Polygon


@dataclass(frozen=True, slots=True)
class TopologyChange:
    """Drawn shapes against made ones.

    Args:
        lost: drawn shapes of which nothing is left.
        merged: made shapes that run several drawn ones together.
        split: drawn shapes that come out in several pieces.
    """

    lost: tuple[Polygon, ...]
    merged: tuple[Polygon, ...]
    split: tuple[Polygon, ...]


def compare(drawn: MultiPolygon, made: MultiPolygon) -> TopologyChange:
    """Match drawn and made shapes by overlap.

    Args:
        drawn, made: valid geometry in the same coordinates, mm.

    Returns:
        The shapes that do not correspond one to one.
    """
    tree = shapely.STRtree(list(made.geoms))
    pairs = tree.query(list(drawn.geoms), predicate="intersects")
    made_of: dict[int, list[int]] = {index: [] for index in range(len(drawn.geoms))}
    drawn_of: dict[int, list[int]] = {index: [] for index in range(len(made.geoms))}
    for drawn_index, made_index in pairs.T.tolist():
        made_of[drawn_index].append(made_index)
        drawn_of[made_index].append(drawn_index)
    return TopologyChange(
        lost=tuple(drawn.geoms[index] for index, found in made_of.items() if not found),
        merged=tuple(made.geoms[index] for index, found in drawn_of.items() if len(found) > 1),
        split=tuple(drawn.geoms[index] for index, found in made_of.items() if len(found) > 1),
    )
