"""Handedness: what a mask, a mould, a part and a lid must show, so that the chip shows the drawing.

The drawing is what is seen from the asked side. A route's table names the steps from the files to the chip,
and which of them reverse the picture; each is a reflection or nothing, and their product tells whether a file
has to be drawn mirrored.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import reduce
from typing import Any, TypeVar

from shapely import Geometry, Point, Polygon
from shapely.affinity import affine_transform

from rillcast_service.engine.layout.affine import IDENTITY, Matrix, scaling, translation
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import HandednessStep

LID_SIDE, BODY_SIDE = "lid_side", "body_side"
#: Side that a request names → the chip looked at from there.
SIDES = {"lid": LID_SIDE, "body": BODY_SIDE}

_TURNED_OVER = HandednessStep(
    of=LID_SIDE,
    gives=BODY_SIDE,
    mirrors=True,
    why="The chip is turned over: what was on the left from the lid side is on the right.",
)

Shape = TypeVar("Shape", bound=Geometry)


def steps_to_eye(table: Mapping[str, Any], *, viewed_from: str) -> tuple[HandednessStep, ...]:
    """The steps of a route's table, with the turn of the chip where it is looked at from the other side.

    Args:
        table: `[handedness]` of a route.
        viewed_from: `lid` or `body`.

    Returns:
        Steps in the order of making.
    """
    steps = tuple(
        HandednessStep(step["of"], step["gives"], step["mirrors"], step["why"]) for step in table["steps"]
    )
    return steps if SIDES[viewed_from] == LID_SIDE else (*steps, _TURNED_OVER)


def chain(steps: Sequence[HandednessStep], artefact: str) -> tuple[HandednessStep, ...]:
    """The steps from one artefact to the eye.

    Args:
        steps: from `steps_to_eye`.
        artefact: `mask`, `mould`, `part` or `lid`.

    Returns:
        Those that follow one another from it, in order.
    """
    found, at = [], artefact
    for step in steps:
        if step.of == at:
            found.append(step)
            at = step.gives
    return tuple(found)


def to_eye(steps: Sequence[HandednessStep], artefact: str, outline: Polygon) -> Matrix:
    """The map from what an artefact shows face on to what is seen of the chip.

    Args:
        steps: from `steps_to_eye`.
        artefact: as in `chain`.
        outline: of the chip, mm.

    Returns:
        Shape (3, 3): the product of one reflection about the upright middle line of the outline for each step
        that mirrors. It is its own inverse, and so also leads from the drawing to the artefact.
    """
    x0, _, x1, _ = outline.bounds
    mirror = translation(x0 + x1, 0.0) @ scaling(-1.0, 1.0)
    maps = [mirror if step.mirrors else IDENTITY for step in chain(steps, artefact)]
    product: Matrix = reduce(lambda so_far, following: following @ so_far, maps, IDENTITY)
    return product


def placed(shape: Shape, transform: Matrix) -> Shape:
    """A shape under a map of the plane.

    Args:
        shape: mm; transform: shape (3, 3).

    Returns:
        The moved shape, mm.
    """
    (a, b, x), (d, e, y) = transform[:2].tolist()
    moved: Shape = affine_transform(shape, [a, b, d, e, x, y])
    return moved


def mirrored(steps: Sequence[HandednessStep]) -> dict[str, bool]:
    """For each artefact, whether the drawing has to be mirrored.

    Args:
        steps: from `steps_to_eye`.

    Returns:
        Artefact → True where an odd number of steps mirror on the way to the eye.
    """
    artefacts = dict.fromkeys(step.of for step in steps if step.of not in SIDES.values())
    return {name: sum(step.mirrors for step in chain(steps, name)) % 2 == 1 for name in artefacts}


def clockwise(ports: Sequence[Port], outline: Polygon) -> tuple[str, ...]:
    """Ports in the order in which one meets them clockwise around the chip.

    Args:
        ports: as drawn, which is as seen from the asked side.
        outline: of the chip, mm.

    Returns:
        Their names, from the top (twelve o'clock as seen from the outline's middle) on.
    """
    middle = outline.envelope.centroid

    def hour(centre: Point) -> float:
        angle = math.atan2(centre.x - middle.x, centre.y - middle.y) % (2.0 * math.pi)
        return 0.0 if math.isclose(angle, 2.0 * math.pi) else angle

    return tuple(port.name for port in sorted(ports, key=lambda port: (hour(port.centre), port.name)))
