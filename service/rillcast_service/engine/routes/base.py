"""What a route is: variants it can be built in, the geometry each gives, and the process that gives it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range


@dataclass(frozen=True, slots=True)
class BuildVariant:
    """One way of building by a route that changes the geometry.

    Args:
        route: route id.
        name: unique within the route and machine, for people and requests (`flat`, `upright`, `slow_65c` …).
        orientation_deg: angle between the chip's plane and the build plate; 0 is flat.
        cure: name of the silicone cure programme; None where there is no silicone.
        cure_temperature_c, cure_time_h: that programme; None likewise.
        machine: catalogue name of what it is made on, set from the bench; see `Route.made_on`.
    """

    route: str
    name: str
    orientation_deg: float = 0.0
    cure: str | None = None
    cure_temperature_c: float | None = None
    cure_time_h: float | None = None
    machine: str | None = None


#: Units of steps that are done again for every piece, and again for a piece that must be remade.
PIECE_UNITS = ("part", "pour")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a route's process, its machine chosen from the bench.

    Args:
        id: unique within the process.
        title: what to do, for the bench.
        after: ids of the steps that must be finished before.
        unit: what it handles: `job` (once), `mould`, `pour` (a mould filled once), `part`, or
            `first_part` (the first piece alone).
        batch: how many items go together: `all`, `one`, `same` (the batches of the step it follows),
            or the name of a capacity that the planner works out (see `planning/capacity.py`: `plate`,
            `tray`, `moulds`, `oven`, `uv_lamp`, `cup` …).
        machine: bench key of the machine it occupies, or the route's own name for one that no bench
            holds; None for hands alone.
        machine_entry: the entry of that machine, whose wear and power the price counts.
        elapsed_min: time of a batch from start to end; per_item_min is added for each item.
        computed: `print` when the time of a print comes on top, which the planner works out.
        hands_on_min: operator's time per batch; `hands_on_per_item_min` is added for each item.
        unattended: the machine may run on while nobody is there.
        first_pass_yield: share of items that come out good.
        max_gap_h: longest wait between the end of `after` and the start of this.
        shared: True when a repeat order would not need it (making the mould).
        supplier: entry of who does the step outside; its lead time is the elapsed time.
        supply_days: that lead time in working days; None for steps done in the shop.
        cautions: safety, in words.
        source: of the durations.
        since, within_h: the step must be over within that time of the start of the step `since`, which
            a run of longest waits ties to it (pot life); None where nothing runs out.
        holds_c: temperature at which the machine holds the batch; batches at one temperature share the
            machine's room. None for a machine that takes one batch at a time.
        supplied_each: things that a supplier who is paid by the piece makes for one item.
    """

    id: str
    title: str
    after: tuple[str, ...]
    unit: str
    batch: str
    machine: str | None
    machine_entry: Entry | None
    elapsed_min: Range
    per_item_min: Range
    computed: str | None
    hands_on_min: Range
    hands_on_per_item_min: Range
    unattended: bool
    first_pass_yield: Quantity | None
    max_gap_h: float | None
    shared: bool
    supplier: Entry | None
    supply_days: Range | None
    cautions: tuple[str, ...]
    source: str
    since: str | None = None
    within_h: float | None = None
    holds_c: float | None = None
    supplied_each: int = 1


@dataclass(frozen=True, slots=True)
class Replacement:
    """A step done another way because the bench lacks a machine.

    Args:
        step: title of the step as the route would have it.
        lacking: bench key of the machine that is missing.
        instead: what is done instead; None when nothing can be done, which blocks the route.
        remedy: what the user can change.
        source: of the alternative.
    """

    step: str
    lacking: str
    instead: str | None
    remedy: str
    source: str


@dataclass(frozen=True, slots=True)
class Process:
    """The ordered steps of one build variant on this bench.

    Args:
        steps: in an order that respects `after`.
        replacements: steps that the bench forced to be done another way, or not at all.
        facts: what checks and costing need to know of it, e.g. `passivation` (recipe name),
            `mould_resin`, `cure_temperature_c`.
    """

    steps: tuple[Step, ...]
    replacements: tuple[Replacement, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MaterialNeed:
    """An amount of one catalogue material, before prices.

    Args:
        kind, name: of an entry of the catalogue (`resins`, `silicones`, `consumables`) with a price.
        purpose: what for.
        quantity, unit: amount, in the unit that the entry's price is `per` (`kg`, `l`, `piece` …).
        volume_ml, mass_g: the same as volume and mass where that makes sense.
        why: how the amount comes about, with its numbers.
        shared: True when a repeat order would not need it.
        step: id of the step that uses it.
    """

    kind: str
    name: str
    purpose: str
    quantity: Range
    unit: str
    why: str
    step: str
    shared: bool = False
    volume_ml: float | None = None
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class Sizing:
    """The counts of a plan.

    Args:
        good_parts: pieces wanted.
        started_parts: pieces begun, so that enough come out good.
        moulds: moulds made (0 for routes without one).
        rounds: casting rounds, each using every mould once (0 likewise).
        parts_per_mould: pieces poured together on one mould (0 likewise).
        batches: step id → size of a batch → how many there are; empty until the steps are cut.
        confidence: probability that the pieces begun give the pieces wanted; None: on average.
        why: how the number begun comes about, in words.
    """

    good_parts: int
    started_parts: int
    moulds: int = 0
    rounds: int = 0
    parts_per_mould: int = 0
    batches: Mapping[str, Mapping[int, int]] = field(default_factory=dict, hash=False)
    confidence: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Printed:
    """One kind of object that a route prints, for plates, print time and resin.

    Args:
        name: `mould`, `part`, `lid` …
        step: id of the print step.
        width_mm, depth_mm: footprint on the plate in this variant; height_mm: along the build axis.
        solid_ml: volume of cured resin in one piece; surface_cm2: its wetted surface.
    """

    name: str
    step: str
    width_mm: float
    depth_mm: float
    height_mm: float
    solid_ml: float
    surface_cm2: float


@dataclass(frozen=True, slots=True)
class Mould:
    """A mould that a route can cast on.

    Args:
        parts: pieces that come off one pour.
        width_mm, depth_mm: footprint on a shelf.
        pour_ml: silicone of one pour, cup loss not included.
        life_casts: pours that it stands.
        lid_ml: silicone of one lid, likewise; 0 where lids are not cast.
    """

    parts: int
    width_mm: float
    depth_mm: float
    pour_ml: float
    life_casts: Quantity
    lid_ml: float = 0.0


class Route(ABC):
    """A way of making a chip: data from catalogue/routes/<id>.toml plus this small strategy.

    A subclass in a module of this package is found by `registry.py` when its `id` is the name of such a
    table. A quote asks it for `variants`; for each of them for `process` and `as_made`, which the review
    looks at; and for those that can be made for `moulds`, `printed` and `materials`, which the plan needs.
    """

    id: ClassVar[str]
    #: Bench key of what gives the channels their shape (`printer`, `mould`), which a request may ask
    #: several of to be looked at; None when the bench has no such key.
    made_on: ClassVar[str | None] = None

    def __init__(self, table: Mapping[str, Any]) -> None:
        self.table = table

    @property
    def title(self) -> str:
        """The route's name for people."""
        return str(self.table["title"])

    @property
    def rules(self) -> tuple[str, ...]:
        """Ids of the checks that apply."""
        return tuple(self.table["rules"])

    @abstractmethod
    def variants(self, job: Job) -> tuple[BuildVariant, ...]:
        """The build variants worth analysing on this bench; at least one."""

    @abstractmethod
    def process(self, job: Job, variant: BuildVariant) -> Process:
        """The steps of a variant, machines chosen from the bench."""

    @abstractmethod
    def as_made(self, job: Job, variant: BuildVariant) -> AsMade:
        """The geometry that a variant gives."""

    def moulds(self, job: Job, variant: BuildVariant) -> tuple[Mould, ...]:
        """The moulds worth considering, by pieces per pour; empty for routes without one.

        Args:
            job, variant: what is made, and how.

        Returns:
            One `Mould` for each number of pieces per pour.
        """
        del job, variant
        return ()

    @abstractmethod
    def printed(self, job: Job, variant: BuildVariant, parts_per_mould: int) -> tuple[Printed, ...]:
        """What is printed; empty for routes that print nothing."""

    @abstractmethod
    def materials(
        self, job: Job, variant: BuildVariant, process: Process, sizing: Sizing
    ) -> tuple[MaterialNeed, ...]:
        """What the job consumes at these counts."""
