"""The channels of all levels as one network: ports, free cells, and the open faces between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.spots import cell_volume_m3
from rillcast_service.engine.layout.medial import Floats, Ints

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Nodes:
    """Ports first, then the free cells of every level, with the faces between them.

    Args:
        ports: how many.
        place: node of each level's cells; a port's cells share its node; -1 where no port reaches.
        volume_m3: (nodes,) liquid that each holds, of a port what stands within the channels.
        a, b: (faces,) the nodes on either side.
        used: of each level's faces, whether it lies between two nodes.
    """

    ports: int
    place: tuple[Ints, ...]
    volume_m3: Floats
    a: Ints
    b: Ints
    used: tuple[Bools, ...]

    def of_faces(self, by_level: Sequence[Floats]) -> Floats:
        """What each level says of its faces, for the faces between nodes.

        Args:
            by_level: (faces of the level,) each.

        Returns:
            (faces,).
        """
        return np.concatenate([values[used] for values, used in zip(by_level, self.used, strict=True)])


def join(hydraulics: Hydraulics) -> Nodes:
    """The network of a chip.

    Args:
        hydraulics: the flow problem of each level.

    Returns:
        The nodes and faces.
    """
    ports = len(hydraulics.ports)
    count, places, ends, kept = ports, [], [], []
    volumes = [np.zeros(ports)]
    for problem in hydraulics.problems:
        owner, own = problem.held.owner, cell_volume_m3(problem)
        place = np.full(len(owner), -1, dtype=np.int64)
        held = owner >= 0
        place[held] = problem.reaching[owner[held]]
        place[problem.field.free] = count + np.arange(len(problem.field.free))
        np.add.at(volumes[0], place[held], own[held])
        volumes.append(own[problem.field.free])
        a, b = problem.field.grid.face.T
        used = (place[a] >= 0) & (place[b] >= 0) & (place[a] != place[b])
        ends.append(np.stack((place[a][used], place[b][used])))
        places.append(place)
        kept.append(used)
        count += len(problem.field.free)
    a, b = np.concatenate(ends, axis=1)
    return Nodes(
        ports=ports, place=tuple(places), volume_m3=np.concatenate(volumes), a=a, b=b, used=tuple(kept)
    )


def sums(where: Ints, values: Floats, count: int) -> Floats:
    """Values added up by place.

    Args:
        where: place of each value.
        values: any unit.
        count: of places.

    Returns:
        (count,) sums.
    """
    return np.bincount(where, weights=values, minlength=count).astype(np.float64)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """The value that this share of the weight stays under.

    Args:
        values, weights: (n,) each.
        share: 0 to 1.

    Returns:
        One of the values; zero of none.
    """
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    if not total.size:
        return 0.0
    return float(values[order][np.searchsorted(total, share * total[-1])])
