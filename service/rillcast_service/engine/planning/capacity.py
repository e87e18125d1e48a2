"""How many items go together: on a plate, a shelf, under a lamp, in a chamber, in a cup."""

from __future__ import annotations

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


@dataclass(frozen=True, slots=True)
class Plates:
    """How items lie on build plates.

    Args:
        items: that one print gives, or one set of prints where an item takes several plates.
        heights_mm: height of each print of such a set; just one where an item fits one plate.
    """

    items: int
    heights_mm: tuple[float, ...]


def on_plates(printed: Sequence[Printed], printer: Entry) -> Plates | None:
    """How items lie on build plates; an item may be several objects of one footprint class.

    Args:
        printed: the objects of one item, such as half and lid.
        printer: gives plate, margin and gap.

    Returns:
        With n places for the largest of k objects, ⌊n/k⌋ items a plate; where n < k, one item on
        ⌈k/n⌉ plates, tall objects together. None when an object fits no plate, in plan or in height.
    """
    heights = sorted((item.height_mm for item in printed), reverse=True)
    grid = pack(
        plate_x_mm=printer.number("build_x_mm"),
        plate_y_mm=printer.number("build_y_mm"),
        margin_mm=printer.number("plate_margin_mm"),
        gap_mm=printer.number("plate_gap_mm"),
        width_mm=max(item.width_mm for item in printed),
        depth_mm=max(item.depth_mm for item in printed),
    )
    if heights[0] > printer.number("build_z_mm") or grid.count == 0:
        return None
    if grid.count >= len(printed):
        return Plates(grid.count // len(printed), (heights[0],))
    return Plates(1, tuple(heights[:: grid.count]))


def capacities(
    steps: Sequence[Step],
    bench: Bench,
    *,
    plate: int,
    part_mm: tuple[float, float],
    mould: Mould | None,
    per_cup: Mapping[str, int],
    handling: Handling,
) -> Mapping[str, Mapping[str, int]]:
    """Items of each unit that go together, for every batch name and machine that the steps use.

    Args:
        steps: of the process.
        bench: gives the machines.
        plate: items on one build plate, for routes that print.
        part_mm: width and depth of a piece as it lies on a shelf, lid included.
        mould: what silicone is poured into; None for routes without one.
        per_cup: unit → pours that one cup of mix serves.
        handling: room between items and above liquid.

    Returns:
        Batch name → unit → items, at least 1: a thing that fills a machine goes alone.
    """
    gap_mm = handling.shelf_gap_mm
    mould_mm = (mould.width_mm, mould.depth_mm) if mould else part_mm
    sizes = {"part": part_mm, "first_part": part_mm, "mould": mould_mm, "pour": mould_mm, "job": part_mm}
    found: dict[str, dict[str, int]] = {}
    for name in {step.batch for step in steps} | {step.machine or "" for step in steps}:
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
            found[name] = dict(per_cup)
    return {name: {unit: max(1, count) for unit, count in counts.items()} for name, counts in found.items()}
