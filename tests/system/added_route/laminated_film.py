"""Channels cut out of double-sided adhesive film, laminated between two plates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, ClassVar

from rillcast_service.catalogue.types import Entry, Price, Value
from rillcast_service.engine.asmade.model import AsMade, MadeChannel
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes import bodies, steptable
from rillcast_service.engine.routes.base import (
    BuildVariant,
    MaterialNeed,
    Printed,
    Process,
    Replacement,
    Route,
    Sizing,
    Step,
)
from rillcast_service.engine.routes.counts import pieces_entering
from rillcast_service.engine.routes.materials import listed_needs
from rillcast_service.engine.shapes import offset

_FILM = ("consumables", "adhesive_film")

_CUT, _ORDER = "cut_films", "order_plates"
#: Steps that occupy the cutter, and steps whose times for a piece are written for one film of it.
_ON_CUTTER = ("kerf_test", _CUT)
_PER_FILM = (_CUT, "weed", "laminate")


class LaminatedFilm(Route):
    """Quick and cheap to cut; the depth comes in whole films."""

    id: ClassVar[str] = "laminated_film"

    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """One: films lie flat on the cutter."""
        del job
        return (BuildVariant(route=self.id, name="flat"),)

    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of the table, with the cutter and the supplier that the table brings along."""
        process = steptable.build(self.table, job, variant, steptable.Setting())
        films = _films_of_chip(job)
        return replace(
            process,
            steps=tuple(self._equipped(step, films) for step in process.steps),
            replacements=(*process.replacements, *self._lacking(job)),
        )

    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """The cut outline, narrowed by adhesive that creeps in; as deep as whole films."""
        del variant
        creep = steptable.quantity(self.table["body"], "creep_um")
        film = job.catalogue.get(*_FILM).quantity("thickness_mm")
        # either edge creeps in, and may lie off the drawn line by the blade's repeatability
        edge_um = self._cutter.number("repeatability_um")
        change = Range(-2.0 * (creep.high + edge_um), -2.0 * creep.value, 2.0 * (edge_um - creep.low))

        def made(layer: Layer) -> MadeChannel:
            depth_um = Range(film.low, film.value, film.high) * (1000.0 * _films(layer, job))
            outline = offset(layer.geometry, -creep.value / 1000.0)
            return MadeChannel(layer=layer.name, geometry=outline, depth_um=depth_um)

        return AsMade(
            channels=tuple(made(layer) for layer in job.layout.channel_layers),
            width_change_um=change,
            calibrated=None,
            notes=self._notes(job),
        )

    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """Nothing."""
        del job, variant, parts_per_mould
        return ()

    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """Whole sheets of film, and what the table lists; the plates come with the supplier's price."""
        del variant
        entering = pieces_entering(process.steps, sizing.good_parts, sizing.confidence)
        pieces, films = entering[_CUT], _films_of_chip(job)
        per_sheet = self._per_sheet(job)
        sheets = math.ceil(pieces * films / per_sheet)
        kind, name = _FILM
        film = MaterialNeed(
            kind=kind,
            name=name,
            purpose="channel layers",
            quantity=Range.exact(float(sheets)),
            unit="piece",
            why=f"{pieces} chips × {films} films ÷ {per_sheet} on a sheet, whole sheets",
            step=_CUT,
        )
        return (film, *listed_needs(self.table["materials"], process, sizing, ports=len(job.layout.ports)))

    @property
    def _cutter(self) -> Entry:
        return _own_entry("cutters", "craft_cutter", self.table["machines"]["craft_cutter"])

    @property
    def _service(self) -> Entry:
        return _own_entry("suppliers", "cutting_service", self.table["suppliers"]["cutting_service"])

    def _notes(self, job: Job) -> tuple[str, ...]:
        """What the reader must know: the stack, the holes of the plates, and a lid that is not used."""
        films, film_mm = _films_of_chip(job), job.catalogue.get(*_FILM).number("thickness_mm")
        plate_mm = steptable.quantity(self.table["body"], "plate_mm").value
        kerf = self._service.quantity("kerf_um")
        stack = (
            f"{films} {'film' if films == 1 else 'films'} of {1000.0 * film_mm:g} µm between two acrylic "
            f"plates of {plate_mm:g} mm: {2.0 * plate_mm + films * film_mm:.2f} mm in all."
        )
        holes = (
            f"Port holes of the plates are laser-cut: take the kerf of {kerf.value:g} µm ({kerf.low:g} to "
            f"{kerf.high:g}) off their diameter."
        )
        lid = f"This route closes the chip with an acrylic plate: the {job.chip.lid} lid is not used."
        return (stack, holes) if job.chip.lid == "acrylic" else (stack, holes, lid)

    def _equipped(self, step: Step, films: int) -> Step:
        """A step with its machine or supplier, and its times for all films of a chip."""
        if step.id in _ON_CUTTER:
            step = replace(step, machine="cutter", machine_entry=self._cutter)
        if step.id == _ORDER:
            days = self._service.quantity("lead_days")
            step = replace(step, supplier=self._service, supply_days=Range(days.low, days.value, days.high))
        if step.id in _PER_FILM:
            step = replace(
                step,
                per_item_min=step.per_item_min * films,
                hands_on_per_item_min=step.hands_on_per_item_min * films,
            )
        return step

    def _lacking(self, job: Job) -> tuple[Replacement, ...]:
        """That a cutter is taken for granted; and what blocks: a chip larger than a sheet of film."""
        cutter = Replacement(
            step="Cut the films",
            lacking="cutter",
            instead=f"a {self._cutter.title} is reckoned with, at what its hours cost",
            remedy="Have such a cutter at hand, or leave this route out.",
            source=str(self.table["source"]),
        )
        if self._per_sheet(job) > 0:
            return (cutter,)
        width, depth = bodies.extent_mm(job.chip.outline)
        film = job.catalogue.get(*_FILM)
        sheet = Replacement(
            step="Cut the films",
            lacking=f"sheet of film that holds {width:.0f} × {depth:.0f} mm",
            instead=None,
            remedy=(
                f"Make the chip smaller than the sheet of {film.number('length_mm'):g} × "
                f"{film.number('width_mm'):g} mm, or add a larger film to the bench."
            ),
            source=film.source_of("length_mm"),
        )
        return (cutter, sheet)

    def _per_sheet(self, job: Job) -> int:
        """Pieces of film on one sheet, in the fuller of the two grids; 0 when not even one fits."""
        film, body = job.catalogue.get(*_FILM), self.table["body"]
        margin_mm = steptable.quantity(body, "sheet_margin_mm").value
        gap_mm = steptable.quantity(body, "sheet_gap_mm").value
        room = [film.number(key) - 2.0 * margin_mm + gap_mm for key in ("length_mm", "width_mm")]

        def grid(width_mm: float, depth_mm: float) -> int:
            along, across = room[0] / (width_mm + gap_mm), room[1] / (depth_mm + gap_mm)
            return math.floor(along + 1e-9) * math.floor(across + 1e-9)

        width, depth = bodies.extent_mm(job.chip.outline)
        return max(grid(width, depth), grid(depth, width))


def _films(layer: Layer, job: Job) -> int:
    """The number of films that comes nearest to the drawn depth, at least one."""
    film_um = 1000.0 * job.catalogue.get(*_FILM).number("thickness_mm")
    return max(1, round((layer.depth_um or 0.0) / film_um))


def _films_of_chip(job: Job) -> int:
    """The height of the stack: that of the deepest layer; shallower ones are cut into fewer films."""
    return max((_films(layer, job) for layer in job.layout.channel_layers), default=1)


def _own_entry(kind: str, name: str, table: Mapping[str, Any]) -> Entry:
    """A catalogue entry that the route's own table describes."""
    values: dict[str, Value] = {}
    for key, written in table.items():
        if key == "title":
            continue
        values[key] = _price(written) if "amount" in written else steptable.quantity(table, key)
    return Entry(kind=kind, name=name, title=str(table["title"]), values=values)


def _price(written: Mapping[str, Any]) -> Price:
    amount, low, high = (Decimal(written[key]) for key in ("amount", "low", "high"))
    words = {key: str(written[key]) for key in ("currency", "per", "source", "as_of")}
    return Price(amount=amount, low=low, high=high, **words)
