"""What may be said of a layout file and asked of a quote, as types for the editor and the type checker.

Every member is optional: the service fills in its default and names it, with its source, under the
`assumptions` of the layout or of the result.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Literal, TypedDict, cast

from rillcast.models import LayerRole, RepairKind

Percent = Decimal | int | str


#: What a layer of the drawing means.
Role = LayerRole | Literal["channels", "ports", "outline", "marks", "ignored"]
#: Length of one drawing unit.
Unit = Literal["um", "mm", "cm", "m", "in", "pt", "px"]
#: A kind of repair.
Repairs = (
    RepairKind
    | Literal["self_crossing", "unclosed", "duplicate", "overlap", "sliver", "gap", "turned_layer", "tilt"]
)


class LayoutOptions(TypedDict, total=False):
    """How to read a drawing.

    `name`: for people. `unit`: of the coordinates, when the file does not say. `dpi`: pixels per inch of an
    SVG drawing in pixels. `depth_um`: of every channel layer, when the file does not say. `roles`: layer by
    name, number (`1/0`) or colour (`#ff0000`) → role. `levels`: channel layer → plane, 1 next to the lid.
    `flattening_um`: largest distance between a curve and its chords. `closing_um`, `gap_um`: ends, or
    channels, that lie no further apart were meant to meet. `sliver_um`: what is thinner is removed.
    `leave`: repairs switched off. `cell`: of a mask file, the one that is the chip.
    """

    name: str
    unit: Unit
    dpi: Literal[96, 90, 72]
    depth_um: float
    roles: Mapping[str, Role]
    levels: Mapping[str, int]
    flattening_um: float
    closing_um: float
    gap_um: float
    sliver_um: float
    leave: Collection[Repairs]
    cell: str


class ChipOptions(TypedDict, total=False):
    """The body around the channels."""

    thickness_mm: float
    lid: str
    viewed_from: str


class LineOptions(TypedDict, total=False):
    """A needle by gauge or a tube by name, between a port and its source."""

    needle_gauge: int
    tubing: str
    length_mm: float


class ReadoutOptions(TypedDict):
    """A round place where the chip is read."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float


class PortOptions(TypedDict, total=False):
    """A port to add, or to say more about; at most one of flow, pressure and closed.

    `line`: needles and tubes in series with it.
    """

    name: str
    x_mm: float
    y_mm: float
    role: Literal["inlet", "outlet", "vent"]
    bore_mm: float
    flow_ul_per_min: float
    pressure_kpa: float
    closed: bool
    line: Sequence[LineOptions]


class UseOptions(TypedDict, total=False):
    """How the chip will be used.

    `viscosity_mpa_s`, `density_g_per_ml`, `surface_tension_mn_per_m`: of the liquid, in place of the
    catalogue's. `purge_ml`: pushed through at once by hand. `duration_h`: how long liquid stands in the chip,
    in a room of `humidity_percent`.
    """

    liquid: str
    temperature_c: float
    flow_ul_per_min: float
    optics: Sequence[str]
    max_pressure_kpa: float
    diffusivity_m2_per_s: float
    viscosity_mpa_s: float
    density_g_per_ml: float
    surface_tension_mn_per_m: float
    purge_ml: float
    duration_h: float
    humidity_percent: float
    mixed_fraction: float


class VariantOptions(TypedDict, total=False):
    """A build variant to look at; `printer` and `mould` take the place of the bench's."""

    orientation_deg: float
    cure: str
    printer: str
    mould: str


class CommercialOptions(TypedDict, total=False):
    """Terms of the price, in percent."""

    margin_percent: Percent
    discount_percent: Percent
    tax_percent: Percent


class CorrectionOptions(TypedDict, total=False):
    """What a correction may be told of chip and bench; members as in `QuoteOptions`."""

    depths_um: Mapping[str, float]
    levels: Mapping[str, int]
    chip: ChipOptions
    bench: Mapping[str, str | None]


class QuoteOptions(TypedDict, total=False):
    """Members of a quote request besides the layout and the quantity.

    `depths_um`: channel layer → depth, or `channels` for all. `levels`: channel layer → plane, 1 next to
    the lid. `bench`: `printer`, `resin`, `silicone`, … → name in the catalogue, None for "the bench has
    none". `aim`: what the plan minimises. `rule_sets`: optional rules, e.g. `interoperability`.
    `readouts`: where the chip is read. Times need a time zone.
    """

    routes: Sequence[str]
    depths_um: Mapping[str, float]
    levels: Mapping[str, int]
    chip: ChipOptions
    ports: Sequence[PortOptions]
    use: UseOptions
    bench: Mapping[str, str | None]
    variants: Sequence[VariantOptions]
    aim: Literal["price", "date", "hands_on"]
    deadline: datetime | str
    first_article: bool
    commercial: CommercialOptions
    start: datetime | str
    currency: str
    seed: int
    rule_sets: Sequence[str]
    readouts: Sequence[ReadoutOptions]


class UploadAndQuoteOptions(LayoutOptions, QuoteOptions, total=False):
    """All of both."""


def parted(options: UploadAndQuoteOptions, *, uploaded: bool) -> tuple[LayoutOptions, QuoteOptions]:
    """The options of the upload, and those of the quote.

    Args:
        options: of either.
        uploaded: whether the layout is uploaded already: then `levels`, which both have, are the quote's.
    """
    of_upload = set(LayoutOptions.__annotations__)
    if uploaded:
        of_upload -= set(QuoteOptions.__annotations__)
    reading = {key: value for key, value in options.items() if key in of_upload}
    asked = {key: value for key, value in options.items() if key not in reading}
    return cast("LayoutOptions", reading), cast("QuoteOptions", asked)


def as_parameters(options: LayoutOptions) -> dict[str, str]:
    """Options of an upload as query parameters.

    Args:
        options: None is left out.

    Raises:
        TypeError: an option that an upload does not have.
    """
    unknown = options.keys() - LayoutOptions.__annotations__.keys()
    if unknown:
        raise TypeError(f"an upload has no {', '.join(sorted(unknown))}")
    return {key: _as_text(value) for key, value in options.items() if value is not None}


def _as_text(value: Any) -> str:
    match value:
        case str():
            return value
        case float():
            return f"{value:.15g}"
        case Mapping():
            return json.dumps(dict(value))
        case Collection():
            return ",".join(value)
        case _:
            return str(value)


def as_request(quantity: int, options: QuoteOptions) -> dict[str, Any]:
    """The members of a request as JSON values.

    Args:
        quantity: good pieces wanted.
        options: the other members; None is left out.

    Raises:
        TypeError: a member that a request does not have.
        ValueError: a time without a time zone.
    """
    unknown = options.keys() - QuoteOptions.__annotations__.keys()
    if unknown:
        raise TypeError(f"a quote request has no {', '.join(sorted(unknown))}")
    asked = {key: _plain(value) for key, value in options.items() if value is not None}
    return {"quantity": quantity, **asked}


def _plain(value: Any) -> Any:
    match value:
        case datetime():
            if value.tzinfo is None:
                raise ValueError(f"{value.isoformat()} needs a time zone")
            return value.isoformat()
        case Mapping():
            # Percentages travel as decimal strings, so that 0.1 stays 0.1.
            return {
                str(key): str(item) if key.endswith("_percent") else _plain(item)
                for key, item in value.items()
            }
        case str() | bool() | int() | float() | None:
            return value
        case Decimal():
            return str(value)
        case Sequence():
            return [_plain(item) for item in value]
        case _:
            raise TypeError(f"{type(value).__name__} cannot be part of a quote request")
