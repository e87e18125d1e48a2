"""Shapes that overlap or touch become one; shapes that stand alone are left as they are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Point

from rillcast_service.engine.layout.model import RepairKind
from rillcast_service.engine.layout.polygons import JOIN_GRID_MM, crossings_between, on_grid
from rillcast_service.engine.layout.repairs.mends import LISTED_EACH, Mend
from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes, groups

#: Shapes of so few edges that two of them cross in a few points at most.
_FEW_EDGES = 64

#: What shapes may overlap by without it being told: a square of 0.1 µm, and the rounding of their edges.
_OVERLAP_MM2 = 1e-8


@dataclass(frozen=True, slots=True)
class Merged:
    """The pieces that shapes make up.

    Args:
        pieces: polygons that do not overlap, object array of shape (m,).
        group: which shapes hang together, a number for every shape, shape (n,).
        mends: what was merged because it overlapped.
    """

    pieces: Shapes
    group: Indices
    mends: list[Mend]


def crossing_count(shapes: Shapes, pairs: Indices, *, stop_at: int) -> int:
    """How often the outlines of different shapes cross, as far as it matters for the work of merging.

    Args:
        shapes: object array of shape (n,), mm.
        pairs: of shapes that touch, shape (p, 2).
        stop_at: counting ends soon after this number.

    Returns:
        The count, that of pairs of small shapes left out: it is bounded by their own number.
    """
    sizes = shapely.get_num_coordinates(shapes)
    large = pairs[sizes[pairs[:, 0]] * sizes[pairs[:, 1]] > _FEW_EDGES]
    if len(large) == 0:
        return 0
    # Two outlines can cross only where the frames around them overlap.
    one, other = shapely.bounds(shapes[large[:, 0]]), shapely.bounds(shapes[large[:, 1]])
    low, high = np.maximum(one[:, :2], other[:, :2]), np.minimum(one[:, 2:], other[:, 2:])
    frames = shapely.box(*(low - JOIN_GRID_MM).T, *(high + JOIN_GRID_MM).T)
    return crossings_between(shapes[np.unique(large)], within=frames, stop_at=stop_at)


def merged(shapes: Shapes, pairs: Indices, *, called: Callable[[Indices], str]) -> Merged:
    """Shapes with those that touch united.

    Only groups of touching shapes are united, so that the work grows with what touches and not with the
    drawing.

    Args:
        shapes: valid polygons on the joining grid, object array of shape (n,), mm.
        pairs: of shapes that touch, shape (p, 2), in ascending order.
        called: names shapes for a message.

    Returns:
        The pieces, in an order that does not depend on that of the shapes.
    """
    group = groups(len(shapes), pairs)
    sizes = np.bincount(group, minlength=1)
    numbers = np.flatnonzero(sizes > 1)
    order = np.argsort(group, kind="stable")
    ends = np.cumsum(sizes)
    members = [order[ends[number] - sizes[number] : ends[number]] for number in numbers]
    one = united([shapes[several] for several in members])
    before = np.bincount(group, shapely.area(shapes), minlength=1)[numbers]
    after = shapely.area(one)
    rounding = JOIN_GRID_MM * np.bincount(group, shapely.length(shapes), minlength=1)[numbers]
    overlaps = np.flatnonzero(before - after > _OVERLAP_MM2 + rounding)
    pair_order = np.argsort(group[pairs[:, 0]], kind="stable")
    pair_group = group[pairs[pair_order, 0]]
    mends: list[Mend] = []
    for told, index in enumerate(overlaps):
        what, place = f"{len(members[index])} shapes that overlap were merged", one[index]
        if told <= LISTED_EACH:  # the others are only summed up
            what += f" ({called(members[index])})"
            first, last = np.searchsorted(pair_group, [numbers[index], numbers[index] + 1])
            place = _overlap(shapes, pairs[pair_order[first:last]]) or place
        mends.append(
            Mend.at(
                place,
                RepairKind.OVERLAP,
                what,
                before_mm2=float(before[index]),
                after_mm2=float(after[index]),
            )
        )
    pieces = np.concatenate([shapes[sizes[group] == 1], shapely.get_parts(one)])
    return Merged(pieces[~shapely.is_empty(pieces)], group, mends)


def united(several: Sequence[Shapes]) -> Shapes:
    """The unions of shapes that touch one another, on the joining grid.

    Args:
        several: groups of valid polygons, each an object array, mm.

    Returns:
        A valid polygon or multipolygon for each group, object array.
    """
    one = np.empty(len(several), dtype=object)
    one[:] = [shapely.union_all(shapes) for shapes in several]
    # Edges that met in the drawing may miss each other by a rounding; on the grid they meet again.
    for index in map(int, np.flatnonzero(shapely.get_type_id(one) != shapely.GeometryType.POLYGON)):
        one[index] = shapely.union_all(several[index], grid_size=JOIN_GRID_MM)
    rounded = on_grid(one)
    invalid = np.flatnonzero(~shapely.is_valid(rounded))
    rounded[invalid] = shapely.set_precision(one[invalid], JOIN_GRID_MM)
    return rounded


def _overlap(shapes: Shapes, pairs: Indices) -> Point | None:
    """A place where two of the shapes lie over each other."""
    for a, b in pairs:
        common = shapely.intersection(shapes[a], shapes[b])
        if common.area > _OVERLAP_MM2:
            return common.representative_point()
    return None
