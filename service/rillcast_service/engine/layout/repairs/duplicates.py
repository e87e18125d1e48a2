"""Shapes that are drawn twice at one place."""

from __future__ import annotations

import numpy as np
import shapely

from rillcast_service.engine.layout.repairs.neighbours import Indices, Shapes


def first_alike(shapes: Shapes) -> Indices:
    """For every shape the first one that covers exactly the same area.

    Args:
        shapes: on the joining grid, object array of shape (n,), mm.

    Returns:
        Indices, shape (n,); a shape that has no earlier twin has its own.
    """
    firsts = np.arange(len(shapes))
    bounds = shapely.bounds(shapes)
    order = np.lexsort((firsts, *bounds.T))
    same = np.all(bounds[order[1:]] == bounds[order[:-1]], axis=1)
    if not np.any(same):
        return firsts
    runs = np.split(order, np.flatnonzero(~same) + 1)
    for run in (run for run in runs if len(run) > 1):
        # In normal form, one area is one sequence of numbers, whichever corner its drawing begins at.
        forms: dict[bytes, int] = {}
        for index in run:
            form = shapely.to_wkb(shapely.normalize(shapely.remove_repeated_points(shapes[index])))
            firsts[index] = forms.setdefault(form, int(index))
    return firsts
