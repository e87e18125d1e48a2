"""What one repair did, and the list of all of them, kept short where a drawing needs very many."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from shapely import Geometry

from rillcast_service.engine.layout.model import Repair, RepairKind

#: How many repairs of one kind on one layer are listed each by itself; the rest are told in one sum.
LISTED_EACH = 100


@dataclass(frozen=True, slots=True)
class Mend:
    """One thing that was mended.

    Args:
        kind: of the repair.
        what: in words, without a full stop.
        x_mm, y_mm: where.
        area_before_mm2, area_after_mm2: of what was mended.
    """

    kind: RepairKind
    what: str
    x_mm: float
    y_mm: float
    area_before_mm2: float
    area_after_mm2: float

    @classmethod
    def at(cls, place: Geometry, kind: RepairKind, what: str, *, before_mm2: float, after_mm2: float) -> Mend:
        """A repair at some point within a geometry.

        Args:
            place: not empty, mm.
            kind, what: as for the class.
            before_mm2, after_mm2: areas.

        Returns:
            The repair.
        """
        point = place.representative_point()
        return cls(kind, what, point.x, point.y, before_mm2, after_mm2)

    def on(self, layer: str) -> Repair:
        """The repair as it is reported.

        Args:
            layer: its name.

        Returns:
            With the place to 0.1 µm.
        """
        return Repair(
            kind=self.kind,
            what=self.what,
            layer=layer,
            x_mm=round(self.x_mm, 4),
            y_mm=round(self.y_mm, 4),
            area_before_mm2=self.area_before_mm2,
            area_after_mm2=self.area_after_mm2,
        )


def listed(repairs: Iterable[Repair]) -> tuple[Repair, ...]:
    """Repairs with those beyond the first many of a kind on a layer summed up, their areas added.

    Args:
        repairs: in the order in which they were made.

    Returns:
        In the same order; a sum stands where the first of its repairs stood.
    """
    groups: dict[tuple[RepairKind, str], list[Repair]] = defaultdict(list)
    kept: list[Repair] = []
    sums: dict[tuple[RepairKind, str], int] = {}
    for repair in repairs:
        key = repair.kind, repair.layer
        groups[key].append(repair)
        if len(groups[key]) <= LISTED_EACH:
            kept.append(repair)
        elif key not in sums:
            sums[key] = len(kept)
            kept.append(repair)
    for key, index in sums.items():
        rest = groups[key][LISTED_EACH:]
        if len(rest) > 1:
            kept[index] = replace(
                rest[0],
                what=f"{rest[0].what}; and {len(rest) - 1} more of this kind, areas summed",
                area_before_mm2=sum(repair.area_before_mm2 for repair in rest),
                area_after_mm2=sum(repair.area_after_mm2 for repair in rest),
            )
    return tuple(kept)
