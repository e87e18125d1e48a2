"""The job: layout, bench and terms with every default filled in, ready to be worked out by any route."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

from shapely import Point, Polygon

from rillcast_service.catalogue.types import Catalogue, Entry
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.ranges import Range

#: Request key of `bench` → catalogue kind that it picks from.
BENCH_KINDS: Mapping[str, str] = {
    "printer": "printers",
    "resin": "resins",
    "mould_resin": "resins",
    "silicone": "silicones",
    "mould": "moulds",
    "oven": "ovens",
    "uv_lamp": "uv_lamps",
    "vacuum_chamber": "vacuum_chambers",
    "plasma": "plasma",
    "syringe": "syringes",
    "calendar": "calendars",
    "passivation": "recipes",
}


@dataclass(frozen=True, slots=True)
class Bench:
    """What the user works with: one entry per key of `BENCH_KINDS`, None where the bench has none."""

    items: Mapping[str, Entry | None]

    def has(self, key: str) -> bool:
        """Whether the bench holds a thing of that key."""
        return self.items.get(key) is not None

    def __getitem__(self, key: str) -> Entry:
        entry = self.items.get(key)
        if entry is None:
            raise KeyError(f"the bench has no {key}")
        return entry


@dataclass(frozen=True, slots=True)
class Chip:
    """The body: outline in mm, thickness, lid material and the side it is looked at from."""

    outline: Polygon
    thickness_mm: float
    lid: str
    viewed_from: str


@dataclass(frozen=True, slots=True)
class LinePart:
    """A needle or a tube between a port and its source: title, inner diameter, length of the bore."""

    title: str
    bore_mm: Range
    length_mm: float


@dataclass(frozen=True, slots=True)
class Use:
    """How the chip will be used; viscosity and what dissolves in the liquid are at its temperature.

    `lines` holds, by port, what lies between it and its source. `purge_ml` is pushed through at once;
    `duration_h` is how long liquid stands in the chip in a room of `humidity_percent`; None: not asked.
    `mixed_fraction` is how far the inlets' liquids shall mix; None: as the rules' table wants.
    `notes` tell of values of the liquid that the request gives.
    """

    liquid: Entry
    temperature_c: float
    viscosity_pa_s: float
    density_kg_per_m3: float
    flow_ul_per_min: float
    optics: tuple[str, ...]
    max_pressure_kpa: float | None
    diffusivity_m2_per_s: float
    lines: Mapping[str, tuple[LinePart, ...]] = field(default_factory=dict)
    surface_tension_n_per_m: float | None = None
    purge_ml: float | None = None
    duration_h: float | None = None
    humidity_percent: float | None = None
    mixed_fraction: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Readout:
    """A round place where the chip is read: name, middle and diameter in mm."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float

    @property
    def disc(self) -> Polygon:
        """The place as a polygon, mm."""
        return Point(self.x_mm, self.y_mm).buffer(self.diameter_mm / 2.0, quad_segs=32)


@dataclass(frozen=True, slots=True)
class Terms:
    """Terms of the price, in percent: what is added on, taken off and due."""

    overhead_percent: Decimal
    margin_percent: Decimal
    discount_percent: Decimal
    tax_percent: Decimal
    currency: str


@dataclass(frozen=True, slots=True)
class Job:
    """Everything a route needs to know.

    `layout` has every channel layer's depth set and the request's ports merged in.
    `good_parts_confidence` is the probability that the pieces begun give the quantity; None begins as
    many as do on average. `rule_sets` names the optional sets of review rules that are asked for.
    """

    layout: Layout
    chip: Chip
    use: Use
    bench: Bench
    catalogue: Catalogue
    quantity: int
    start: datetime
    aim: str
    deadline: datetime | None
    first_article: bool
    terms: Terms
    seed: int
    good_parts_confidence: float | None = None
    rule_sets: tuple[str, ...] = ()
    readouts: tuple[Readout, ...] = ()
