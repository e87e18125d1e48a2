"""What a quote holds. Field names are the contract's: `as_json` turns any of this into JSON."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum, StrEnum
from typing import Any

from shapely import Geometry
from shapely.geometry import mapping

from rillcast_service.engine.layout.model import Assumption
from rillcast_service.engine.ranges import Range


class Severity(StrEnum):
    """How much a finding matters."""

    BLOCKER = "blocker"
    RISK = "risk"
    NOTE = "note"


class Verdict(StrEnum):
    """Whether a route can make the chip."""

    MAKEABLE = "makeable"
    MAKEABLE_WITH_RISK = "makeable_with_risk"
    NOT_MAKEABLE = "not_makeable"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the review found.

    Args:
        rule: id of the rule, see /v1/rules.
        severity: blocker, risk or note.
        message: what is wrong; why: why it matters, set by the review from the rule's own table.
        remedy: what to do, with a number.
        measured, limit: in `unit`; None when the rule is not about a number.
        limit_low, limit_high: the range of the limit, when the limit itself is in doubt.
        where: place on the layout, mm; None when it concerns the whole chip or the process.
        source: of the limit.
    """

    rule: str
    severity: Severity
    message: str
    remedy: str
    source: str
    measured: float | None = None
    limit: float | None = None
    limit_low: float | None = None
    limit_high: float | None = None
    unit: str | None = None
    where: Geometry | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class HandednessStep:
    """One step from the drawing's files to the chip, and whether it reverses the picture.

    Args:
        of, gives: `mask`, `mould`, `part`, `lid`, each looked at face on; `lid_side`, `body_side`: the
            chip looked at from there.
        mirrors: whether what `of` shows comes out mirrored in what it gives.
        why: in words.
    """

    of: str
    gives: str
    mirrors: bool
    why: str


@dataclass(frozen=True, slots=True)
class Handedness:
    """Which way round things are drawn, so that the chip shows the drawing from the asked side.

    Args:
        viewed_from: the side that the drawing is seen from: `lid` or `body`.
        steps: in the order of making, to the chip looked at from that side.
        mirrored: mask, mould, part, lid → whether the drawing has to be mirrored for it.
        marks_face: the face that marks are made in: `bonded` (with the channels) or `viewed` (outer).
        sees: in words what is seen from the asked side, and through what.
        ports_clockwise: names of the ports clockwise from the top, as seen from the asked side.
    """

    viewed_from: str
    steps: tuple[HandednessStep, ...]
    mirrored: dict[str, bool]
    marks_face: str
    sees: str
    ports_clockwise: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MarkState:
    """One layer of marks as it comes out; without a stroke where it is all codes, or vanishes."""

    layer: str
    depth_um: Range
    min_stroke_um: Range | None


@dataclass(frozen=True, slots=True)
class CodeState:
    """A two-dimensional code found among the marks, and whether it is read on the chip as made.

    Args:
        format: `QR Code`, `Micro QR Code` or `Data Matrix`.
        text: what it says.
        columns, rows: modules across and down, without the quiet zone.
        module_um: edge of a module as drawn.
        x_mm, y_mm: its middle.
        read: whether the best estimate of the made marks decodes to the same text.
        read_at_worst: whether both ends of the range of their widths do.
        mirrored: whether it is the wrong way round from the asked side; None where that cannot be told.
        inverted: whether its light modules are the ones that are engraved.
    """

    format: str
    text: str
    columns: int
    rows: int
    module_um: float
    x_mm: float
    y_mm: float
    read: bool
    read_at_worst: bool
    mirrored: bool | None
    inverted: bool


@dataclass(frozen=True, slots=True)
class AsMadeSummary:
    """What comes out of the machine, in numbers. None: no channel, gap or depth is left to measure.

    `width_um` and `depth_um` go by channel layer: its least width and its depth, each with its tolerance.
    `handedness` is None for a route that says nothing of it.
    """

    min_width_um: Range | None
    min_gap_um: Range | None
    width_um: dict[str, Range | None]
    depth_um: dict[str, Range]
    width_change_um: Range
    lost_features: int
    merged_features: int
    split_features: int = 0
    notes: tuple[str, ...] = ()
    handedness: Handedness | None = None
    marks: tuple[MarkState, ...] = ()
    codes: tuple[CodeState, ...] = ()


@dataclass(frozen=True, slots=True)
class PortState:
    """A port at the operating point. Pressure is above the outlet's.

    `pressure_kpa` is where it opens into the channels, `source_kpa` at the far end of its line: the same
    where it has none.
    """

    name: str
    role: str
    pressure_kpa: float | None
    flow_ul_per_min: float | None
    source_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class FlowFault:
    """Why the flow does not run as asked.

    Args:
        message: what is wrong; remedy: what to change.
        ports: names of those concerned.
        stops: whether nothing can run; else only a figure is rough.
    """

    message: str
    remedy: str
    ports: tuple[str, ...]
    stops: bool = True


@dataclass(frozen=True, slots=True)
class LineState:
    """Needles and tubes between a port and its source, at the operating point.

    Args:
        port: its name; parts: what the line is made of, in words.
        resistance_pa_s_per_m3: of all parts in series; the range is that of their bores.
        drop_kpa: pressure lost in it; None when the flow is not known.
        volume_ul: what stands in it.
        reynolds: largest in any part; None likewise.
    """

    port: str
    parts: tuple[str, ...]
    resistance_pa_s_per_m3: Range
    drop_kpa: Range | None
    volume_ul: float
    reynolds: float | None


@dataclass(frozen=True, slots=True)
class PathSummary:
    """The whole way of the liquid, from source to waste.

    Args:
        lines: of the ports that have one.
        source_kpa: largest pressure at a source at the asked flow; None when no flow is possible.
        chip_percent: share of the pumping power that the chip itself takes; the rest goes into the lines.
        rules: what takes the largest share: `chip`, or the part of a line in words.
        dead_volume_ul: of all lines together.
    """

    lines: tuple[LineState, ...]
    source_kpa: float | None
    chip_percent: float | None
    rules: str | None
    dead_volume_ul: float


@dataclass(frozen=True, slots=True)
class ReadoutState:
    """A place where the chip is read, as made.

    Args:
        name, x_mm, y_mm, diameter_mm: as asked.
        optical_path_um: depth of liquid that light passes; of several levels all together.
        volume_ul: liquid within the diameter.
        covered_percent: of the area within the diameter that is channel.
        speed_mm_per_s: mean speed there at the asked flow; None when it is not known.
        wall_shear_pa: largest on its walls; None likewise.
        water_loss_percent: what evaporates of it over the asked time; None where that is not asked or known.
    """

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    optical_path_um: Range
    volume_ul: Range
    covered_percent: float
    speed_mm_per_s: float | None
    wall_shear_pa: float | None
    water_loss_percent: Range | None = None


@dataclass(frozen=True, slots=True)
class BranchState:
    """A stretch of channel between ports and junctions, at the operating point.

    Args:
        begins, ends: port or junction upstream and downstream.
        level: plane of the channels; x_mm, y_mm: a place halfway along it.
        width_um, depth_um: of its channel where most of the pressure is lost.
        length_mm: of a straight channel of that width and depth that resists as much.
        flow_ul_per_min, drop_kpa: through it and over it.
        share_percent: of the flow that parts where it begins; None where none parts.
        balanced_width_um: width there at which the parts are even; None where it is not the largest by far,
            or no width does it.
    """

    begins: str
    ends: str
    level: int
    x_mm: float
    y_mm: float
    length_mm: float
    width_um: float
    depth_um: float
    flow_ul_per_min: float
    drop_kpa: float
    share_percent: float | None
    balanced_width_um: float | None


@dataclass(frozen=True, slots=True)
class GiveSummary:
    """How soft roofs give way to the liquid's pressure; ranges are those of the silicone's stiffness.

    Args:
        deeper_percent: largest mean bulge over depth.
        pressure_kpa: largest in the channels, flow and bulge in agreement.
        resistance_percent: of the whole chip, of what it is with stiff walls.
        extra_ul: volume that the bulges hold.
        settling_s: until the flow is within 1 % of steady after a start.
        notes: what the model leaves out.
    """

    deeper_percent: Range
    pressure_kpa: Range
    resistance_percent: Range
    extra_ul: Range
    settling_s: Range
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EvaporationSummary:
    """Water that leaves standing channels through silicone.

    Args:
        duration_h: as asked; humidity_percent: of the room; through: what it leaves through, in words.
        ul_per_h: of all channels; percent: of their volume over the asked time.
        notes: what the model leaves out.
    """

    duration_h: float
    humidity_percent: float
    through: str
    ul_per_h: Range
    percent: Range
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PurgeSummary:
    """Pushing a volume through the chip by hand, all inlets at once.

    Args:
        volume_ml: as asked; syringe: title; fillings: how often it is filled for that.
        pressure_kpa: that a hand gives on it, and no more than its fitting is meant for.
        chip_kpa: what of it comes to the chip.
        seconds: until the volume has passed.
        flow_ul_per_min: through the whole chip.
        reynolds: largest in any channel, needle or tube.
        notes: what the model leaves out.
    """

    volume_ml: float
    syringe: str
    fillings: int
    pressure_kpa: Range
    chip_kpa: Range
    seconds: Range
    flow_ul_per_min: Range
    reynolds: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OutletExchange:
    """How what leaves at a port becomes fresh after a switch to fresh liquid.

    Args:
        name: of the port.
        mean_age_s: of what leaves there.
        t95_s, t99_s: until it is 95 and 99 % fresh.
        front_s: standard deviation of the time of arrival by the channels' profiles (Taylor-Aris).
    """

    name: str
    mean_age_s: float
    t95_s: float
    t99_s: float
    front_s: float


@dataclass(frozen=True, slots=True)
class SlowPlace:
    """A place that is exchanged late.

    Args:
        kind: `dead_arm`, `corner`, `side`, `slow_stream`, or `stream` when it just lies at its end.
        what: the same in words, with what more flow would do.
        x_mm, y_mm: its slowest point; level: plane of the channels.
        volume_ul: what stands there.
        reach_mm: how far in from where the flow rules; 0 for a stream.
        mean_age_s, t95_s, t99_s: of the slowest point.
        carried_percent: share of its age that the flow rules; the rest diffuses.
        diffusing_s: reach² / (2 D), the closed form for an arm; None for a stream.
        doubled_t95_s: the 95 % time at twice the flow.
    """

    kind: str
    what: str
    x_mm: float
    y_mm: float
    level: int
    volume_ul: float
    reach_mm: float
    mean_age_s: float
    t95_s: float
    t99_s: float
    carried_percent: float
    diffusing_s: float | None
    doubled_t95_s: float


@dataclass(frozen=True, slots=True)
class ExchangeSummary:
    """How long the liquid takes to be exchanged at the asked flow.

    Args:
        diffusivity_m2_per_s: of what is dissolved.
        exchanged_ul: volume between the ports that fresh liquid reaches; unreached_ul: that it does not.
        t95_s, t99_s: until every place is 95 and 99 % fresh; volume_ul: liquid used until the latter.
        most_percent: what counts as most of the volume.
        most_t95_s, most_t99_s: until so much of it is; most_volume_ul: liquid used until the latter.
        outlets: what leaves at each.
        slowest: the slowest place first.
        notes: leaving the range of the model, and the like.
    """

    diffusivity_m2_per_s: float
    exchanged_ul: float
    unreached_ul: float
    t95_s: float
    t99_s: float
    volume_ul: float
    most_percent: float
    most_t95_s: float
    most_t99_s: float
    most_volume_ul: float
    outlets: tuple[OutletExchange, ...]
    slowest: tuple[SlowPlace, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MixingPlace:
    """How far streams that came side by side have mixed at an outlet or a read-out.

    Args:
        place: name of the port or the read-out; kind: `outlet` or `readout`.
        flow_ul_per_min: that comes there.
        shares: inlet → share of its liquid.
        mixed_fraction: 1 − σ/σ₀ over the flow, 0 side by side, 1 of one colour; None where only one
            inlet's liquid comes. wanted_fraction: what is asked for.
        length_needed_mm: so much more of the channel that feeds it; flow_needed_ul_per_min: the whole
            chip's flow; width_needed_um: that channel's width at the same length and flow. Any of the three
            mixes it as wanted; None where it is mixed already, or would not be by that.
        width_um: of the channel that feeds it; None where several do.
        depth_evened: whether the liquid has time to even out over the depth; where not, the boundary
            between streams is wider at floor and roof than told here.
    """

    place: str
    kind: str
    flow_ul_per_min: float
    shares: dict[str, float]
    mixed_fraction: float | None
    wanted_fraction: float
    length_needed_mm: float | None
    flow_needed_ul_per_min: float | None
    width_needed_um: float | None
    width_um: float | None
    depth_evened: bool


@dataclass(frozen=True, slots=True)
class FluidicsSummary:
    """How liquid moves through the chip as made.

    Args:
        channel_volume_ul: volume of all cavities.
        reached_fraction: part of that volume in cavities with both an inlet and an outlet.
        ports: in the order of the matrix.
        resistance_pa_s_per_m3: between every two ports, all others closed; None where no path is.
        pressure_kpa: the largest port pressure at the asked flow; None when no flow is possible.
        reynolds: largest in any channel at the asked flow.
        grid_pitch_um, cells_across: the grid it was computed on; of several levels the coarsest.
        liquid, viscosity_mpa_s, temperature_c: what flows.
        notes: leaving the range of a model, and the like.
        exchange: how long it takes to be exchanged; None when nothing flows.
        faults: why the flow does not run as asked, or which figure is rough.
        path: the whole way with needles and tubes; None where no port has any.
        wall_shear_pa: largest on any wall at the asked flow; None when it is not known.
        entrance_length_mm: longest way behind an inlet or corner until the flow is that of a long channel.
        readouts: what is seen where the chip is read.
        purge: pushing a volume through by hand; None where none is asked, or nothing can pass.
        evaporation: what is lost while liquid stands; None where no time is asked, or nothing gets out.
        branches: where the flow parts, all stretches that carry some of it; else none.
        give: of soft roofs; None where nothing gives to speak of.
        mixing: how far the inlets' liquids have mixed; empty where fewer than two bring any.
    """

    channel_volume_ul: float
    reached_fraction: float
    ports: tuple[PortState, ...]
    resistance_pa_s_per_m3: tuple[tuple[float | None, ...], ...]
    pressure_kpa: float | None
    reynolds: float | None
    grid_pitch_um: float
    cells_across: float
    liquid: str
    viscosity_mpa_s: float
    temperature_c: float
    notes: tuple[str, ...] = ()
    exchange: ExchangeSummary | None = None
    faults: tuple[FlowFault, ...] = ()
    path: PathSummary | None = None
    wall_shear_pa: float | None = None
    entrance_length_mm: float | None = None
    readouts: tuple[ReadoutState, ...] = ()
    purge: PurgeSummary | None = None
    evaporation: EvaporationSummary | None = None
    branches: tuple[BranchState, ...] = ()
    give: GiveSummary | None = None
    mixing: tuple[MixingPlace, ...] = ()

    @property
    def source_pressure_kpa(self) -> float | None:
        """The largest pressure that a source must give."""
        return self.pressure_kpa if self.path is None else self.path.source_kpa


@dataclass(frozen=True, slots=True)
class PushSummary:
    """Pushing uncured resin out at one port with one other open, the rest plugged.

    Args:
        port_in, port_out: names of the two.
        seconds: until what this push moves is clear.
        moved_ul: volume that it moves.
    """

    port_in: str
    port_out: str
    seconds: Range
    moved_ul: float


@dataclass(frozen=True, slots=True)
class DrainingSummary:
    """How uncured resin comes out of the channels.

    Args:
        pressure_kpa: held by hand on the syringe, and no more than its fitting is meant for.
        syringe, resin: titles; viscosity_mpa_s: of the resin.
        pushes: one after the other, each port in turn.
        minutes: all pushes together.
        still_ul: volume that no push moves; bypassed_ul: volume that clears only long after what pushes
            has broken through elsewhere.
        notes: what the model leaves out.
    """

    pressure_kpa: Range
    syringe: str
    resin: str
    viscosity_mpa_s: Range
    pushes: tuple[PushSummary, ...]
    minutes: Range
    still_ul: float
    bypassed_ul: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """A material that the job uses, with the reason for its amount.

    Args:
        material: catalogue name; `title` for people.
        purpose: what it is for.
        quantity, unit: amount drawn for the job (mL, g, piece, m …), scrap included.
        volume_ml, mass_g: the same as volume and mass, where it is a liquid or a solid mass.
        why: how the amount comes about, in words and numbers.
    """

    material: str
    title: str
    purpose: str
    quantity: float
    unit: str
    why: str
    volume_ml: float | None = None
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class ScheduledStep:
    """One batch of one step, on the calendar.

    Args:
        step: step id within the route; `batch` counts from 1 to `of_batches`.
        items: what the batch holds, e.g. `4 moulds`.
        resource: the machine, bench or supplier it occupies; None for the operator's hands alone.
        hands_on_min: the operator's time within it.
        unattended: whether the rest of it needs nobody.
        source: of the duration.
        cautions: safety, in words.
    """

    step: str
    title: str
    batch: int
    of_batches: int
    items: str
    start: datetime
    end: datetime
    resource: str | None
    hands_on_min: float
    unattended: bool
    source: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Schedule:
    """The making plan on the calendar."""

    steps: tuple[ScheduledStep, ...]
    counts: dict[str, int]
    hands_on_h: float
    elapsed_h: float
    first_article_at: datetime | None
    finished_at: datetime
    critical_path: tuple[str, ...]
    meets_deadline: bool | None = None


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of the price, before rounding of the total.

    Args:
        category: material, machine, labour, consumable, bought_in, overhead, risk, margin,
            discount, contingency or tax.
        what: in words.
        quantity, unit, unit_price: how the amount comes about, where it has a unit.
        amount: in the quote's currency, rounded to its smallest coin.
        shared: True for cost that a repeat order of the same chip would not bring again.
        from_step, from_material: the plan step or material it traces to.
        source: of the price.
        price_as_of: date of the price.
    """

    category: str
    what: str
    amount: Decimal
    shared: bool
    quantity: float | None = None
    unit: str | None = None
    unit_price: Decimal | None = None
    from_step: str | None = None
    from_material: str | None = None
    source: str | None = None
    price_as_of: str | None = None


@dataclass(frozen=True, slots=True)
class Percentiles:
    """Money that the total stays under with 10, 50 and 90 % probability."""

    p10: Decimal
    p50: Decimal
    p90: Decimal


@dataclass(frozen=True, slots=True)
class PriceBreak:
    """Price at another quantity, from a plan of its own."""

    quantity: int
    unit_price: Decimal
    total: Decimal
    finished_at: datetime


@dataclass(frozen=True, slots=True)
class Driver:
    """An input and the share of the price's variance that comes from it."""

    what: str
    share: float


@dataclass(frozen=True, slots=True)
class Cost:
    """The price of the job by one route.

    `amount` is the sum of `lines`, tax included; `net` leaves the tax line out;
    `unit_price` is net per piece; `total` is the range of `net`.
    """

    currency: str
    lines: tuple[CostLine, ...]
    net: Decimal
    amount: Decimal
    shared: Decimal
    unit_price: Decimal
    total: Percentiles
    price_breaks: tuple[PriceBreak, ...]
    drivers: tuple[Driver, ...]
    rounding: str


@dataclass(frozen=True, slots=True)
class VariantResult:
    """One build variant as analysed, and whether the plan took it.

    `machine` is the printer or bought mould that shapes its channels, by catalogue name; with it the
    name is unique within the route.
    """

    name: str
    orientation_deg: float
    cure: str | None
    machine: str | None
    chosen: bool
    verdict: Verdict
    why: str


@dataclass(frozen=True, slots=True)
class RouteResult:
    """The answer for one route. `plan` parts are None when the route is not makeable at all.

    `draining` is None where nothing uncured can be left in the channels, or nothing flows.
    """

    route: str
    title: str
    verdict: Verdict
    summary: str
    variants: tuple[VariantResult, ...]
    findings: tuple[Finding, ...]
    as_made: AsMadeSummary
    fluidics: FluidicsSummary | None
    draining: DrainingSummary | None
    materials: tuple[MaterialLine, ...]
    schedule: Schedule | None
    cost: Cost | None


@dataclass(frozen=True, slots=True)
class Choice:
    """One line of the comparison over routes."""

    route: str
    verdict: Verdict
    unit_price: Decimal | None
    net: Decimal | None
    finished_at: datetime | None
    hands_on_h: float | None
    meets_deadline: bool | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Which route and why. `recommended` is None when no route can make the chip."""

    recommended: str | None
    reasons: tuple[str, ...]
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class Model:
    """Which version of the calculation and of the data gave the numbers."""

    name: str
    version: str
    data_version: str


@dataclass(frozen=True, slots=True)
class QuoteResult:
    """The whole answer."""

    model: Model
    routes: tuple[RouteResult, ...]
    comparison: Comparison
    assumptions: tuple[Assumption, ...]
    cautions: tuple[str, ...]


def as_json(value: Any) -> Any:
    """Plain JSON values of a result.

    Args:
        value: any dataclass, enum, shapely geometry, Decimal, date, or container of them.

    Returns:
        dict, list, str, int, float, bool or None. Decimals become strings, times ISO 8601 with
        offset, geometry GeoJSON with coordinates in mm rounded to 1e-6 mm.

    Raises:
        ValueError: a NaN or an infinity, which JSON does not have and a result must not hold.
    """
    match value:
        case None | bool() | str() | int():
            return value.value if isinstance(value, Enum) else value
        case float():
            if not math.isfinite(value):
                raise ValueError("a result holds a number that is not finite")
            return value
        case Decimal() | datetime() | date():
            return str(value) if isinstance(value, Decimal) else value.isoformat()
        case Geometry():
            return _rounded(mapping(value))
        case dict():
            return {str(key): as_json(item) for key, item in value.items()}
        case list() | tuple():
            return [as_json(item) for item in value]
        case _ if dataclasses.is_dataclass(value):
            return {f.name: as_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
        case _:
            raise TypeError(f"{type(value).__name__} has no JSON form")


def _rounded(value: Any) -> Any:
    match value:
        case float():
            return round(value, 6)
        case dict():
            return {key: _rounded(item) for key, item in value.items()}
        case list() | tuple():
            return [_rounded(item) for item in value]
        case _:
            return value
