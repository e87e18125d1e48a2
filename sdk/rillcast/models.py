"""What the service answers, as typed objects.

Field names are the contract's, units in the name; money is `Decimal`, times are `datetime` with an
offset, geometry is a GeoJSON object in mm. Every object keeps the answer it came from in `.raw`, so
that members added by a newer service are within reach, and the words of an enum that this version
does not know stay plain strings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol, Unpack

if TYPE_CHECKING:
    from rillcast.options import CorrectionOptions

Raw = Mapping[str, Any]
#: How much a quotation tells.
Detail = Literal["brief", "full"]
GeoJson = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """Part of an answer; `raw` is the JSON object that it was made from."""

    raw: Raw = field(default_factory=dict, repr=False, compare=False, kw_only=True)


class Verdict(StrEnum):
    """Whether a route can make the chip."""

    MAKEABLE = "makeable"
    MAKEABLE_WITH_RISK = "makeable_with_risk"
    NOT_MAKEABLE = "not_makeable"


class Severity(StrEnum):
    """How much a finding matters."""

    BLOCKER = "blocker"
    RISK = "risk"
    NOTE = "note"


class LayerRole(StrEnum):
    """What a layer of the drawing means."""

    CHANNELS = "channels"
    PORTS = "ports"
    OUTLINE = "outline"
    MARKS = "marks"
    IGNORED = "ignored"


class RepairKind(StrEnum):
    """What kind of thing was mended; each kind can be switched off with `leave`."""

    SELF_CROSSING = "self_crossing"
    UNCLOSED = "unclosed"
    DUPLICATE = "duplicate"
    OVERLAP = "overlap"
    SLIVER = "sliver"
    GAP = "gap"
    TURNED_LAYER = "turned_layer"
    TILT = "tilt"


class State(StrEnum):
    """How far a quote is."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"


#: States that a quote does not leave again.
FINAL_STATES = frozenset({State.DONE, State.FAILED, State.CANCELLED})


# --- problems ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fault(Answer):
    """One thing that is wrong with an input: what, where, and how to mend it."""

    message: str = ""
    remedy: str | None = None
    pointer: str | None = None
    where: str | None = None

    @property
    def text(self) -> str:
        """The fault in one sentence or two, place first."""
        place = ", ".join(part for part in (self.pointer, self.where) if part)
        return (f"{place}: " if place else "") + self.message + (f" {self.remedy}" if self.remedy else "")


@dataclass(frozen=True, slots=True)
class Problem(Answer):
    """A problem document (RFC 9457). Act on `slug`, show `text`."""

    title: str = ""
    status: int | None = None
    type: str = "about:blank"
    detail: str | None = None
    instance: str | None = None
    errors: tuple[Fault, ...] = ()

    @property
    def slug(self) -> str:
        """The last part of `type`, e.g. `layout-units-missing`."""
        return self.type.rstrip("/").rsplit("/", 1)[-1]

    @property
    def text(self) -> str:
        """Title, detail and every fault, one a line; a detail that is one of the faults is said there."""
        told = self.detail in [fault.message for fault in self.errors]
        head = self.title + (f": {self.detail}" if self.detail and not told else "")
        return "\n".join([head or "Unknown problem", *(f"  - {fault.text}" for fault in self.errors)])


# --- layouts ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Assumption(Answer):
    """A default that was used because the request or the file left it open."""

    what: str
    value: str
    why: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Repair(Answer):
    """One thing that was mended while reading the file."""

    kind: RepairKind | str
    what: str
    layer: str
    x_mm: float
    y_mm: float
    area_before_mm2: float
    area_after_mm2: float


@dataclass(frozen=True, slots=True)
class Layer(Answer):
    """A layer of the drawing and what it means."""

    name: str
    role: LayerRole | str
    depth_um: float | None = None
    area_mm2: float | None = None
    shapes: int | None = None
    level: int = 1


@dataclass(frozen=True, slots=True)
class Port(Answer):
    """An opening through which liquid enters or leaves."""

    name: str
    role: str
    x_mm: float | None = None
    y_mm: float | None = None
    bore_mm: float | None = None
    flow_ul_per_min: float | None = None
    pressure_kpa: float | None = None
    closed: bool = False
    guessed: bool = False


@dataclass(frozen=True, slots=True)
class Bounds(Answer):
    """Extent of a drawing, y up."""

    min_x_mm: float
    min_y_mm: float
    max_x_mm: float
    max_y_mm: float


class DrawingSource(Protocol):
    """What saves a layout's drawing and shows its picture: the client."""

    def save_layout(self, layout: Layout, path: str | Path) -> Path:
        """Write the layout to a file."""

    def layout_picture(self, layout_id: str) -> str:
        """The layout as SVG text."""

    def correct_layout(
        self,
        layout: Layout | str,
        *,
        route: str,
        rules: Sequence[str] = (),
        move_ports: bool = False,
        **options: Unpack[CorrectionOptions],
    ) -> Correction:
        """The layout with places mended."""


@dataclass(frozen=True, slots=True)
class Layout(Answer):
    """An uploaded layout, as the service read it: what was mended is under `repairs`, what was guessed or
    taken by default under `assumptions`, what came with the upload under `options`."""

    layout_id: str
    name: str = ""
    source_format: str = ""
    bounds_mm: Bounds | None = None
    flattening_um: float | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    layers: tuple[Layer, ...] = ()
    ports: tuple[Port, ...] = ()
    repairs: tuple[Repair, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    corrected_from: str | None = None
    created_at: datetime | None = None
    _source: DrawingSource | None = field(default=None, repr=False, compare=False)

    def corrected(
        self,
        *,
        route: str,
        rules: Sequence[str] = (),
        move_ports: bool = False,
        **options: Unpack[CorrectionOptions],
    ) -> Correction:
        """This layout with places mended that a route's review objects to; see `Client.correct_layout`."""
        return self._client().correct_layout(self, route=route, rules=rules, move_ports=move_ports, **options)

    def save(self, path: str | Path) -> Path:
        """Write the layout to a file as a drawing, with its repairs done; the suffix picks the format.

        Args:
            path: `.svg`, `.dxf`, `.gds`, `.oas`, `.geojson` or `.wkt` (shapes without names).

        Returns:
            The path written.
        """
        return self._client().save_layout(self, path)

    def picture(self) -> str:
        """The layout to scale, its repairs numbered, as SVG text."""
        return self._client().layout_picture(self.layout_id)

    def _client(self) -> DrawingSource:
        if self._source is None:
            raise LookupError("this layout was not given by a client, so its files cannot be fetched")
        return self._source


@dataclass(frozen=True, slots=True)
class Change(Answer):
    """One place that a correction mended; sizes in `unit`, as drawn, `where` what was added or taken away.

    `level` is that of the channels, None for marks.
    """

    rule: str
    what: str
    level: int | None
    x_mm: float
    y_mm: float
    measured_before: float
    measured_after: float
    unit: str
    area_before_mm2: float
    area_after_mm2: float
    where: GeoJson | None = None


@dataclass(frozen=True, slots=True)
class Decision(Answer):
    """One place that a correction left, because mending it takes somebody's decision."""

    rule: str
    question: str
    options: tuple[str, ...] = ()
    x_mm: float | None = None
    y_mm: float | None = None
    measured: float | None = None
    needed: float | None = None
    unit: str | None = None
    where: GeoJson | None = None


@dataclass(frozen=True, slots=True)
class RuleOutcome(Answer):
    """What the review finds of one rule before and after; a severity of None: nothing."""

    rule: str
    severity_before: Severity | str | None = None
    severity_after: Severity | str | None = None
    measured_before: float | None = None
    measured_after: float | None = None
    limit: float | None = None
    limit_high: float | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class SideEffect(Answer):
    """A risk of any rule of the route that the changes of a correction bring."""

    rule: str
    severity: Severity | str
    message: str
    remedy: str
    x_mm: float | None = None
    y_mm: float | None = None
    measured: float | None = None
    limit: float | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Correction(Answer):
    """A corrected layout and how it came about; with no change, `layout` is the layout that was given.

    `picture` is an SVG document: the chip with every place numbered, and each before and after.
    """

    corrected_from: str
    layout: Layout
    changes: tuple[Change, ...] = ()
    decisions: tuple[Decision, ...] = ()
    outcomes: tuple[RuleOutcome, ...] = ()
    side_effects: tuple[SideEffect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    picture: str = field(default="", repr=False)

    @property
    def changed(self) -> bool:
        """Whether anything was mended."""
        return bool(self.changes)


# --- quotes -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Range(Answer):
    """Low, best and high estimate of one number."""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True)
class Finding(Answer):
    """One thing that the review of a route found: what (`message`), why it matters, how to mend it."""

    rule: str
    severity: Severity | str
    message: str
    remedy: str
    why: str = ""
    source: str = ""
    measured: float | None = None
    limit: float | None = None
    limit_low: float | None = None
    limit_high: float | None = None
    unit: str | None = None
    where: GeoJson | None = None


@dataclass(frozen=True, slots=True)
class HandednessStep(Answer):
    """One step from the drawing's files to the chip, and whether it reverses the picture."""

    of: str
    gives: str
    mirrors: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Handedness(Answer):
    """Which way round things are drawn, so that the chip shows the drawing from the asked side."""

    viewed_from: str
    steps: tuple[HandednessStep, ...] = ()
    mirrored: Mapping[str, bool] = field(default_factory=dict)
    marks_face: str = ""
    sees: str = ""
    ports_clockwise: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MarkState(Answer):
    """One layer of labels, codes or ticks as it comes out."""

    layer: str
    depth_um: Range | None = None
    min_stroke_um: Range | None = None


@dataclass(frozen=True, slots=True)
class CodeState(Answer):
    """A two-dimensional code among the marks, and whether it is read on the chip as made."""

    format: str
    text: str
    columns: int = 0
    rows: int = 0
    module_um: float | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    read: bool | None = None
    read_at_worst: bool | None = None
    mirrored: bool | None = None
    inverted: bool | None = None


@dataclass(frozen=True, slots=True)
class AsMade(Answer):
    """What comes out of the machine, in numbers; least width and depth also by channel layer."""

    min_width_um: Range | None = None
    min_gap_um: Range | None = None
    width_um: Mapping[str, Range | None] = field(default_factory=dict)
    depth_um: Mapping[str, Range] = field(default_factory=dict)
    width_change_um: Range | None = None
    lost_features: int = 0
    merged_features: int = 0
    split_features: int = 0
    notes: tuple[str, ...] = ()
    handedness: Handedness | None = None
    marks: tuple[MarkState, ...] = ()
    codes: tuple[CodeState, ...] = ()


@dataclass(frozen=True, slots=True)
class PortState(Answer):
    """A port at the operating point; pressure is above the outlet's."""

    name: str
    role: str
    pressure_kpa: float | None = None
    flow_ul_per_min: float | None = None
    source_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class FlowFault(Answer):
    """Why the flow does not run as asked; with `stops` nothing runs, else a figure is rough."""

    message: str
    remedy: str
    ports: tuple[str, ...] = ()
    stops: bool = True


@dataclass(frozen=True, slots=True)
class Line(Answer):
    """Needles and tubes between a port and its source, at the operating point."""

    port: str
    parts: tuple[str, ...] = ()
    resistance_pa_s_per_m3: Range | None = None
    drop_kpa: Range | None = None
    volume_ul: float | None = None
    reynolds: float | None = None


@dataclass(frozen=True, slots=True)
class FlowPath(Answer):
    """The whole way of the liquid; `rules` is what takes the largest share of the pumping power."""

    lines: tuple[Line, ...] = ()
    source_kpa: float | None = None
    chip_percent: float | None = None
    rules: str | None = None
    dead_volume_ul: float | None = None


@dataclass(frozen=True, slots=True)
class ReadoutState(Answer):
    """A place where the chip is read, as made."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    optical_path_um: Range | None = None
    volume_ul: Range | None = None
    covered_percent: float | None = None
    speed_mm_per_s: float | None = None
    wall_shear_pa: float | None = None
    water_loss_percent: Range | None = None


@dataclass(frozen=True, slots=True)
class Branch(Answer):
    """A stretch of channel between ports and junctions, at the operating point."""

    begins: str
    ends: str
    level: int = 1
    x_mm: float | None = None
    y_mm: float | None = None
    length_mm: float | None = None
    width_um: float | None = None
    depth_um: float | None = None
    flow_ul_per_min: float | None = None
    drop_kpa: float | None = None
    share_percent: float | None = None
    balanced_width_um: float | None = None


@dataclass(frozen=True, slots=True)
class Give(Answer):
    """How soft roofs give way to the liquid's pressure; ranges are those of the silicone's stiffness."""

    deeper_percent: Range | None = None
    pressure_kpa: Range | None = None
    resistance_percent: Range | None = None
    extra_ul: Range | None = None
    settling_s: Range | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Evaporation(Answer):
    """Water that leaves standing channels through silicone over the asked time."""

    duration_h: float
    humidity_percent: float | None = None
    through: str = ""
    ul_per_h: Range | None = None
    percent: Range | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Purge(Answer):
    """Pushing a volume through the chip by hand, all inlets at once."""

    volume_ml: float
    syringe: str = ""
    fillings: int = 1
    pressure_kpa: Range | None = None
    chip_kpa: Range | None = None
    seconds: Range | None = None
    flow_ul_per_min: Range | None = None
    reynolds: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OutletExchange(Answer):
    """How what leaves at a port becomes fresh after a switch to fresh liquid."""

    name: str
    mean_age_s: float
    t95_s: float
    t99_s: float
    front_s: float | None = None


@dataclass(frozen=True, slots=True)
class SlowPlace(Answer):
    """A place that is exchanged late: where, what holds it back (`kind`, `what`) and for how long."""

    kind: str
    what: str
    x_mm: float
    y_mm: float
    t95_s: float
    t99_s: float
    level: int = 1
    volume_ul: float | None = None
    reach_mm: float | None = None
    mean_age_s: float | None = None
    carried_percent: float | None = None
    diffusing_s: float | None = None
    doubled_t95_s: float | None = None


@dataclass(frozen=True, slots=True)
class Exchange(Answer):
    """How long the liquid takes to be exchanged: until every place is fresh, most is, an outlet is."""

    t95_s: float
    t99_s: float
    volume_ul: float
    diffusivity_m2_per_s: float | None = None
    exchanged_ul: float | None = None
    unreached_ul: float | None = None
    most_percent: float | None = None
    most_t95_s: float | None = None
    most_t99_s: float | None = None
    most_volume_ul: float | None = None
    outlets: tuple[OutletExchange, ...] = ()
    slowest: tuple[SlowPlace, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MixingPlace(Answer):
    """How far streams have mixed at an outlet or a read-out, and three ways to what is wanted."""

    place: str
    kind: str
    mixed_fraction: float | None
    shares: Mapping[str, float] = field(default_factory=dict)
    flow_ul_per_min: float | None = None
    wanted_fraction: float | None = None
    length_needed_mm: float | None = None
    flow_needed_ul_per_min: float | None = None
    width_needed_um: float | None = None
    width_um: float | None = None
    depth_evened: bool | None = None


@dataclass(frozen=True, slots=True)
class Fluidics(Answer):
    """How liquid moves through the chip as made."""

    channel_volume_ul: float
    reached_fraction: float | None = None
    ports: tuple[PortState, ...] = ()
    resistance_pa_s_per_m3: tuple[tuple[float | None, ...], ...] = ()
    pressure_kpa: float | None = None
    reynolds: float | None = None
    grid_pitch_um: float | None = None
    cells_across: float | None = None
    liquid: str | None = None
    viscosity_mpa_s: float | None = None
    temperature_c: float | None = None
    notes: tuple[str, ...] = ()
    exchange: Exchange | None = None
    faults: tuple[FlowFault, ...] = ()
    path: FlowPath | None = None
    wall_shear_pa: float | None = None
    entrance_length_mm: float | None = None
    readouts: tuple[ReadoutState, ...] = ()
    purge: Purge | None = None
    evaporation: Evaporation | None = None
    branches: tuple[Branch, ...] = ()
    give: Give | None = None
    mixing: tuple[MixingPlace, ...] = ()


@dataclass(frozen=True, slots=True)
class Push(Answer):
    """Pushing resin out at one port with one other open, the rest plugged."""

    port_in: str
    port_out: str
    seconds: Range | None = None
    moved_ul: float | None = None


@dataclass(frozen=True, slots=True)
class Draining(Answer):
    """How uncured resin comes out of enclosed channels, pushed by hand."""

    pressure_kpa: Range | None = None
    syringe: str = ""
    resin: str = ""
    viscosity_mpa_s: Range | None = None
    pushes: tuple[Push, ...] = ()
    minutes: Range | None = None
    still_ul: float | None = None
    bypassed_ul: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Material(Answer):
    """An amount of one material, and how it comes about."""

    material: str
    title: str = ""
    purpose: str = ""
    quantity: float | None = None
    unit: str = ""
    why: str = ""
    volume_ml: float | None = None
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class Step(Answer):
    """One batch of one step, on the calendar."""

    step: str
    title: str
    start: datetime
    end: datetime
    batch: int = 1
    of_batches: int = 1
    items: str = ""
    resource: str | None = None
    hands_on_min: float = 0.0
    unattended: bool = False
    source: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Schedule(Answer):
    """The making plan on the calendar."""

    finished_at: datetime
    steps: tuple[Step, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    hands_on_h: float = 0.0
    elapsed_h: float = 0.0
    first_article_at: datetime | None = None
    critical_path: tuple[str, ...] = ()
    meets_deadline: bool | None = None


@dataclass(frozen=True, slots=True)
class CostLine(Answer):
    """One line of the price, in the currency of its cost."""

    category: str
    what: str
    amount: Decimal
    shared: bool = False
    quantity: float | None = None
    unit: str | None = None
    unit_price: Decimal | None = None
    from_step: str | None = None
    from_material: str | None = None
    source: str | None = None
    price_as_of: str | None = None


@dataclass(frozen=True, slots=True)
class Percentiles(Answer):
    """Money that the net total stays under with 10, 50 and 90 % probability."""

    p10: Decimal
    p50: Decimal
    p90: Decimal


@dataclass(frozen=True, slots=True)
class PriceBreak(Answer):
    """Price at another quantity, from a plan of its own."""

    quantity: int
    unit_price: Decimal
    total: Decimal
    finished_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Driver(Answer):
    """An input and the share of the price's variance that comes from it."""

    what: str
    share: float


@dataclass(frozen=True, slots=True)
class Cost(Answer):
    """The price by one route: `amount` with tax, `net` and `unit_price` without."""

    currency: str
    net: Decimal
    amount: Decimal
    unit_price: Decimal
    total: Percentiles
    shared: Decimal | None = None
    lines: tuple[CostLine, ...] = ()
    price_breaks: tuple[PriceBreak, ...] = ()
    drivers: tuple[Driver, ...] = ()
    rounding: str = ""


@dataclass(frozen=True, slots=True)
class Variant(Answer):
    """One way of building by a route, on one machine, and whether the plan took it."""

    name: str
    orientation_deg: float | None = None
    cure: str | None = None
    machine: str | None = None
    chosen: bool = False
    verdict: Verdict | str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class RouteResult(Answer):
    """The answer for one route; `schedule` and `cost` are None when it cannot make the chip."""

    route: str
    verdict: Verdict | str
    title: str = ""
    summary: str = ""
    variants: tuple[Variant, ...] = ()
    findings: tuple[Finding, ...] = ()
    as_made: AsMade | None = None
    fluidics: Fluidics | None = None
    draining: Draining | None = None
    materials: tuple[Material, ...] = ()
    schedule: Schedule | None = None
    cost: Cost | None = None

    @property
    def blockers(self) -> tuple[Finding, ...]:
        """The findings that stop this route."""
        return tuple(finding for finding in self.findings if finding.severity == Severity.BLOCKER)


@dataclass(frozen=True, slots=True)
class Choice(Answer):
    """One line of the comparison over routes."""

    route: str
    verdict: Verdict | str
    unit_price: Decimal | None = None
    net: Decimal | None = None
    finished_at: datetime | None = None
    hands_on_h: float | None = None
    meets_deadline: bool | None = None


@dataclass(frozen=True, slots=True)
class Comparison(Answer):
    """Which route and why; `recommended` is None when no route can make the chip."""

    recommended: str | None = None
    reasons: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()


@dataclass(frozen=True, slots=True)
class Model(Answer):
    """Which version of the calculation and of the data gave the numbers."""

    name: str = ""
    version: str = ""
    data_version: str = ""


@dataclass(frozen=True, slots=True)
class Result(Answer):
    """The whole answer of a finished quote."""

    routes: tuple[RouteResult, ...]
    comparison: Comparison = Comparison()
    model: Model = Model()
    assumptions: tuple[Assumption, ...] = ()
    cautions: tuple[str, ...] = ()


class QuoteSource(Protocol):
    """Where a quote fetches its documents and pictures from: the client that gave it."""

    def save_quote(self, quote: Quote, path: str | Path, *, detail: Detail = "brief") -> Path:
        """Write the quote to a file."""

    def picture(self, quote_id: str, route: str, picture: str) -> str:
        """A picture of a route as SVG."""


@dataclass(frozen=True, slots=True)
class Quote(Answer):
    """A quote: queued, running, or done with a `result`."""

    quote_id: str
    state: State | str
    revision: int | None = None
    progress: float = 0.0
    step: str | None = None
    request: Mapping[str, Any] = field(default_factory=dict)
    result: Result | None = None
    problem: Problem | None = None
    created_at: datetime | None = None
    finished_at: datetime | None = None
    _source: QuoteSource | None = field(default=None, repr=False, compare=False)

    @property
    def finished(self) -> bool:
        """Whether its state will not change any more."""
        return self.state in FINAL_STATES

    @property
    def routes(self) -> tuple[RouteResult, ...]:
        """The answers, one a route, in the order asked. Raises LookupError while there is no result."""
        return self._done().routes

    @property
    def comparison(self) -> Comparison:
        """Which route and why. Raises LookupError while there is no result."""
        return self._done().comparison

    @property
    def recommended(self) -> RouteResult | None:
        """The answer for the recommended route; None when no route can make the chip."""
        route_id = self.comparison.recommended
        return self.route(route_id) if route_id else None

    def route(self, route_id: str) -> RouteResult:
        """The answer for one route.

        Raises:
            LookupError: there is no result yet, or the quote has no such route.
        """
        for route in self.routes:
            if route.route == route_id:
                return route
        known = ", ".join(route.route for route in self.routes)
        raise LookupError(f"quote {self.quote_id} has no route {route_id!r}; it has: {known}")

    def save(self, path: str | Path, *, detail: Detail = "brief") -> Path:
        """Write the quote to a file; the suffix picks the form.

        Args:
            path: `.html` (quotation for the client), `.csv` (cost lines) or `.json` (everything).
            detail: of the quotation: `brief` tells the recommended route whole and the others in short,
                `full` tells all of them whole.

        Returns:
            The path written.
        """
        return self._client().save_quote(self, path, detail=detail)

    def picture(self, route_id: str, picture: str = "findings") -> str:
        """A picture of one route, SVG: `findings`, `as_made`, `mixing`, `timeline` and the like."""
        return self._client().picture(self.quote_id, route_id, picture)

    def save_pictures(self, folder: str | Path) -> list[Path]:
        """Write every picture of every route to a folder that is there, as `<picture>-<route>.svg`.

        Args:
            folder: where to.

        Returns:
            The paths written. A route without a plan has no timeline, one without flow no picture of it.
        """
        written = []
        for route in self.routes:
            flows = route.fluidics is not None and route.fluidics.exchange is not None
            mixes = route.fluidics is not None and bool(route.fluidics.mixing)
            names = (
                "findings",
                "as_made",
                *(("exchange_time", "pressure") if flows else ()),
                *(("mixing",) if mixes else ()),
            )
            for picture in (*names, "timeline") if route.schedule else names:
                path = Path(folder) / f"{picture}-{route.route}.svg"
                path.write_text(self.picture(route.route, picture), encoding="utf-8")
                written.append(path)
        return written

    def _done(self) -> Result:
        if self.result is None:
            raise LookupError(f"quote {self.quote_id} is {self.state} and has no result")
        return self.result

    def _client(self) -> QuoteSource:
        if self._source is None:
            raise LookupError("this quote was not given by a client, so its documents cannot be fetched")
        return self._source


@dataclass(frozen=True, slots=True)
class QuoteSummary(Answer):
    """A quote without its result, as in a list; `Client.get_quote` gives the whole."""

    quote_id: str
    state: State | str
    revision: int | None = None
    progress: float = 0.0
    step: str | None = None
    layout_id: str | None = None
    quantity: int | None = None
    created_at: datetime | None = None
    finished_at: datetime | None = None


# --- what can be looked up --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RouteInfo(Answer):
    """A way of making a chip."""

    route: str
    title: str = ""
    summary: str = ""
    rules: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RuleLimit(Answer):
    """A number that a check compares with on one route."""

    key: str
    route: str | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class RuleInfo(Answer):
    """A check of the review, with its limits and routes; `rule_set` names what a request asks for it by."""

    rule: str
    title: str = ""
    why: str = ""
    limits: tuple[RuleLimit, ...] = ()
    routes: tuple[str, ...] = ()
    rule_set: str | None = None


@dataclass(frozen=True, slots=True)
class BenchEntry(Answer):
    """A machine, material or rate of the bench: shipped, or the user's own."""

    kind: str
    name: str
    title: str = ""
    origin: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)

    def value(self, key: str) -> Any:
        """The plain value of `key`, in the unit its name ends in; a price's amount is a Decimal.

        Raises:
            KeyError: the entry has no such key.
        """
        value = self.values[key]
        if not isinstance(value, Mapping):
            return value
        return Decimal(value["amount"]) if "amount" in value else value.get("value")


@dataclass(frozen=True, slots=True)
class BenchDefault(Answer):
    """What a quote takes when its request names nothing."""

    what: str
    value: str = ""
    why: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Bench(Answer):
    """Everything on the bench: the shipped things with one's own laid over them."""

    items: tuple[BenchEntry, ...]
    kinds: tuple[str, ...] = ()
    defaults: tuple[BenchDefault, ...] = ()


@dataclass(frozen=True, slots=True)
class ProblemType(Answer):
    """What a type of problem means."""

    type: str
    title: str = ""
    status: int | None = None
    meaning: str = ""
