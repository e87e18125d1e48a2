"""How many items go together: on a plate, a shelf, under a lamp, in a chamber, in a cup."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.job import Bench
from rillcast_service.engine.planning.plates import fits_area, pack
from rillcast_service.engine.routes.base import Mould, Printed, Step

#: Batch name → key of the machine's usable area; an oven has several shelves of it.
_AREAS = {
    "oven": "shelf_area_cm2",
    "uv_lamp": "area_cm2",
    "vacuum_chamber": "floor_area_cm2",
    "plasma": "tray_area_cm2",
}


@dataclass(frozen=True, slots=True)
class Handling:
    """How items are handled together.

    Args:
        shelf_gap_mm: between items on a shelf, under a lamp or in a chamber.
        cup_percent: share of a vacuum chamber's volume that the mixing cup may take.
        tray_count: pieces that a pair of hands works on at a time.
        most_moulds_count: moulds that are looked after at once; 0 for routes without.
    """

    shelf_gap_mm: float
    cup_percent: float
    tray_count: int
    most_moulds_count: int

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Handling:
        """As written in a route's table `handling`."""

        def number(key: str) -> float:
            return float(table[key]["value"]) if key in table else 0.0

        return cls(
            shelf_gap_mm=number("shelf_gap_mm"),
            cup_percent=number("cup_percent"),
            tray_count=int(number("tray_count")),
            most_moulds_count=int(number("most_moulds_count")),
        )


def per_plate(printed: Sequence[Printed], printer: Entry) -> int:
    """Items on one build plate; an item may be several objects of one footprint class.

    Args:
        printed: the objects of one item, such as half and lid.
        printer: gives plate, margin and gap.

    Returns:
        ⌊places / objects⌋ with places for the largest of the objects; 0 when one item does not
        fit on one plate, in plan or in height.
    """
    if max(item.height_mm for item in printed) > printer.number("build_z_mm"):
        return 0
    grid = pack(
        plate_x_mm=printer.number("build_x_mm"),
        plate_y_mm=printer.number("build_y_mm"),
        margin_mm=printer.number("plate_margin_mm"),
        gap_mm=printer.number("plate_gap_mm"),
        width_mm=max(item.width_mm for item in printed),
        depth_mm=max(item.depth_mm for item in printed),
    )
    return grid.count // len(printed)


def capacities(
    steps: Sequence[Step],
    bench: Bench,
    *,
    plate: int,
    part_mm: tuple[float, float],
    mould: Mould | None,
    handling: Handling,
) -> Mapping[str, Mapping[str, int]]:
    """Items of each unit that go together, for every batch name that the steps use.

    Args:
        steps: of the process.
        bench: gives the machines.
        plate: items on one build plate, for routes that print.
        part_mm: width and depth of a piece as it lies on a shelf, lid included.
        mould: what silicone is poured into; None for routes without one.
        handling: room between items and above liquid.

    Returns:
        Batch name → unit → items, at least 1: a thing that fills a machine goes alone.
    """
    gap_mm = handling.shelf_gap_mm
    mould_mm = (mould.width_mm, mould.depth_mm) if mould else part_mm
    sizes = {"part": part_mm, "first_part": part_mm, "mould": mould_mm, "pour": mould_mm, "job": part_mm}
    found: dict[str, dict[str, int]] = {}
    for name in {step.batch for step in steps}:
        if name == "plate":
            found[name] = dict.fromkeys(sizes, plate)
        elif name in _AREAS and bench.has(name):
            machine = bench[name]
            shelves = int(machine.number("shelves_count")) if name == "oven" else 1
            found[name] = {
                unit: shelves
                * fits_area(
                    area_cm2=machine.number(_AREAS[name]), width_mm=size[0], depth_mm=size[1], gap_mm=gap_mm
                )
                for unit, size in sizes.items()
            }
        elif name == "tray" or name in _AREAS:
            # hand work goes by the machine before it; without that machine it goes by the tray
            found[name] = dict.fromkeys(sizes, handling.tray_count)
        elif name == "cup" and mould is not None:
            count = _per_cup(bench, mould.pour_ml, handling)
            found[name] = dict.fromkeys(sizes, count)
    return {name: {unit: max(1, count) for unit, count in counts.items()} for name, counts in found.items()}


def _per_cup(bench: Bench, pour_ml: float, handling: Handling) -> int:
    """Pours that one mix serves: the cup, foam and all, must find room in the vacuum chamber."""
    if not bench.has("vacuum_chamber"):
        return sys.maxsize
    chamber = bench["vacuum_chamber"]
    room_ml = chamber.number("volume_ml") * handling.cup_percent / 100.0
    return math.floor(room_ml / (chamber.number("foam_ratio") * pour_ml))
