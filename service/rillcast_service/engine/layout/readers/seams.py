"""Shapes that a mask program cut in pieces because they had too many points."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

#: How wide the seam between two pieces is looked at: far above the step of a mask's coordinates (1 nm as a
#: rule) and far below anything that is drawn.
_SEAM_MM = 1e-5

#: A seam is a cut when it is longer than this part of the smaller piece's edge. Discs that touch share a
#: lens of some µm, halves of a disc two fifths of their edge.
_LEAST_SHARE = 0.05


def whole(shapes: NDArray[Any]) -> NDArray[Any]:
    """Shapes put together again from pieces that share an edge.

    Args:
        shapes: polygons in mm, object array of shape (n,).

    Returns:
        Polygons, object array of shape (m,), m ≤ n. What overlaps is left as it is.
    """
    usable = np.flatnonzero(shapely.is_valid(shapes))
    first, second = shapely.STRtree(shapes[usable]).query(shapes[usable], predicate="intersects")
    first, second = usable[first[first < second]], usable[second[first < second]]
    overlap = shapely.area(shapely.intersection(shapes[first], shapes[second]))
    near = shapely.area(shapely.intersection(shapely.buffer(shapes[first], _SEAM_MM), shapes[second]))
    seam = (near - overlap) / _SEAM_MM
    edge = np.minimum(shapely.length(shapes[first]), shapely.length(shapes[second]))
    is_cut = (seam > _LEAST_SHARE * edge) & (overlap <= _SEAM_MM * seam)
    ends = (first[is_cut], second[is_cut])
    links = coo_array((np.ones(len(ends[0])), ends), shape=(len(shapes), len(shapes)))
    count, piece_of = connected_components(links, directed=False)
    if count == len(shapes):
        return shapes
    alone = np.bincount(piece_of, minlength=count)[piece_of] == 1
    joined = [shapely.union_all(shapes[piece_of == group]) for group in np.unique(piece_of[~alone])]
    return np.concatenate([shapes[alone], shapely.get_parts(joined)])
