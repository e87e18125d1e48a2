"""A layer drawn mirrored or turned against the others, found by the ports that miss their channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from rillcast_service.engine.layout.affine import Matrix, apply, translation
from rillcast_service.engine.layout.polygons import on_grid
from rillcast_service.engine.layout.repairs.neighbours import Shapes

_TURN = np.array([[0.0, -1.0], [1.0, 0.0]])
_MIRROR = np.array([[-1.0, 0.0], [0.0, 1.0]])

#: What brings a square back on to itself, besides leaving it: words, and the linear map.
SYMMETRIES: Mapping[str, NDArray[np.float64]] = {
    "turned by 90°": _TURN,
    "turned by 180°": _TURN @ _TURN,
    "turned by 270°": _TURN @ _TURN @ _TURN,
    "mirrored left to right": _MIRROR,
    "mirrored top to bottom": _TURN @ _TURN @ _MIRROR,
    "mirrored across its rising diagonal": _TURN @ _MIRROR @ _TURN @ _TURN,
    "mirrored across its falling diagonal": _TURN @ _MIRROR,
}

#: A single port lands on a channel by chance too easily.
LEAST_PORTS = 2


@dataclass(frozen=True, slots=True)
class Turn:
    """How a layer has to be moved to lie right.

    Args:
        what: the move, in words.
        to_place: of its points, mm.
        moves_ports: whether the ports are to be moved, or else the channels.
    """

    what: str
    to_place: Matrix
    moves_ports: bool


def turn_needed(openings: Shapes, channels: Shapes, frame: Polygon, *, slack_mm: float) -> Turn | None:
    """The one move that brings every port on to a channel and everything inside the chip.

    Args:
        openings: of all ports, object array of shape (n,), mm.
        channels: shapes of all channel layers, object array of shape (m,), mm.
        frame: the chip's edge, or the box of everything when there is none.
        slack_mm: what counts as touching, and as inside.

    Returns:
        The move; None when most ports lie on channels as they are drawn, or when no move fits, or more
        than one.
    """
    if len(openings) < LEAST_PORTS or len(channels) == 0:
        return None
    inside = shapely.buffer(frame, slack_mm, join_style="mitre")
    shapely.prepare(inside)
    tree = shapely.STRtree(channels)
    if 2 * _met(openings, tree, slack_mm) > len(openings):
        return None
    low_x, low_y, high_x, high_y = frame.bounds
    x, y = (low_x + high_x) / 2.0, (low_y + high_y) / 2.0
    fitting: list[tuple[Turn, Shapes]] = []
    # Whichever of the two lies outside the chip is the one drawn wrongly; when both lie inside, the ports
    # are the few that someone put in afterwards.
    moves_ports = bool(np.all(shapely.covers(inside, channels)))
    for what, linear in SYMMETRIES.items():
        matrix = np.eye(3)
        matrix[:2, :2] = linear
        to_place = translation(x, y) @ matrix @ translation(-x, -y)
        moved = moved_by(to_place, openings if moves_ports else channels)
        others = channels if moves_ports else openings
        if not np.all(shapely.covers(inside, moved)) or not np.all(shapely.covers(inside, others)):
            continue
        met = _met(moved, tree, slack_mm) if moves_ports else _met(openings, shapely.STRtree(moved), slack_mm)
        if met == len(openings):
            fitting.append((Turn(what, to_place, moves_ports), moved))
    return fitting[0][0] if len(fitting) == 1 else None


def moved_by(to_place: Matrix, shapes: Shapes) -> Shapes:
    """Shapes moved.

    Args:
        to_place: of their points.
        shapes: object array of shape (n,), mm.

    Returns:
        On the joining grid, object array of shape (n,).
    """
    return on_grid(shapely.transform(shapes, lambda points: apply(to_place, points)))


def _met(openings: Shapes, channels: shapely.STRtree, slack_mm: float) -> int:
    """How many openings lie on a channel."""
    return len(np.unique(channels.query(openings, predicate="dwithin", distance=slack_mm)[0]))
