"""What requests hold. Each schema is the contract's component of the same name; a test compares the two."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from rillcast_service.api.fields import (
    ID_PATTERN,
    LONGEST_NAME,
    NAME_PATTERN,
    Instant,
    Members,
    Number,
    Switch,
    Text,
    Whole,
    name,
    percent,
)
from rillcast_service.documents.quotation import Detail
from rillcast_service.engine.job import BENCH_KINDS
from rillcast_service.engine.layout.lengths import REQUEST_UNITS
from rillcast_service.engine.layout.model import PortRole, RepairKind
from rillcast_service.engine.layout.options import DPI, MAX_LEVEL, TOLERANCE_RANGES_UM
from rillcast_service.engine.preparing import MAX_QUANTITY

MIN_DEPTH_UM, MAX_DEPTH_UM = 0.1, 20_000
MAX_FLOW_UL_PER_MIN = 1_000_000
MAX_PRESSURE_KPA = 10_000
DEPTH = f"a depth of {MIN_DEPTH_UM} to {MAX_DEPTH_UM} µm"

#: What is bought or agreed on: no bench is without it, so null cannot stand there.
NEVER_NONE = ("resin", "mould_resin", "silicone", "mould", "calendar")


def _at_most(count: int) -> validate.Length:
    return validate.Length(max=count, error=f"This holds more than {count}.")


def _all_different(values: list[Any]) -> None:
    if len(set(values)) != len(values):
        raise ValidationError("This holds the same twice.")


class LineRequest(Schema):
    """A needle or a tube."""

    needle_gauge = Whole("a gauge, a whole number from 1 to 40", minimum=1, maximum=40)
    tubing = name("a name in /v1/bench/tubing")
    length_mm = Number("a length of 0.1 to 100000 mm", minimum=0.1, maximum=100_000)


class ReadoutRequest(Schema):
    """A place where the chip is read."""

    name = Text("the name of a place, up to 80 characters", shortest=1, longest=80, required=True)
    x_mm = Number("mm between -1000 and 1000", minimum=-1000, maximum=1000, required=True)
    y_mm = Number("mm between -1000 and 1000", minimum=-1000, maximum=1000, required=True)
    diameter_mm = Number("a diameter of 0.01 to 200 mm", minimum=0.01, maximum=200, required=True)


class PortRequest(Schema):
    """A port to add, or more about a port of the layout."""

    name = Text("the name of a port, up to 80 characters", shortest=1, longest=80, required=True)
    x_mm = Number("mm between -1000 and 1000", minimum=-1000, maximum=1000)
    y_mm = Number("mm between -1000 and 1000", minimum=-1000, maximum=1000)
    role = Text("inlet, outlet or vent", words=tuple(PortRole))
    bore_mm = Number("a diameter of 0.01 to 50 mm", minimum=0.01, maximum=50)
    flow_ul_per_min = Number(
        f"a flow of 0 to {MAX_FLOW_UL_PER_MIN} µL/min", minimum=0, maximum=MAX_FLOW_UL_PER_MIN
    )
    pressure_kpa = Number(f"a pressure of 0 to {MAX_PRESSURE_KPA} kPa", minimum=0, maximum=MAX_PRESSURE_KPA)
    closed = Switch()
    line = fields.List(
        fields.Nested(LineRequest),
        validate=_at_most(8),
        metadata={"accepts": "a list of up to 8 needles and tubes"},
    )


class ChipRequest(Schema):
    """The body around the channels."""

    thickness_mm = Number("a thickness of 0.05 to 50 mm", minimum=0.05, maximum=50)
    lid = name("the name of a lid, such as glass")
    viewed_from = name("the side that the chip is looked at from, such as lid")


class UseRequest(Schema):
    """How the chip will be used."""

    liquid = name("a name in /v1/bench/liquids")
    temperature_c = Number("a temperature of 0 to 100 °C", minimum=0, maximum=100)
    flow_ul_per_min = Number(
        f"a flow of 0.001 to {MAX_FLOW_UL_PER_MIN} µL/min", minimum=0.001, maximum=MAX_FLOW_UL_PER_MIN
    )
    optics = fields.List(
        name(), validate=_at_most(10), metadata={"accepts": "a list of up to 10 ways of reading"}
    )
    max_pressure_kpa = Number(
        f"a pressure of 0.001 to {MAX_PRESSURE_KPA} kPa", minimum=0.001, maximum=MAX_PRESSURE_KPA
    )
    diffusivity_m2_per_s = Number("a diffusivity of 1e-14 to 1e-7 m²/s", minimum=1e-14, maximum=1e-7)
    viscosity_mpa_s = Number("a viscosity of 0.01 to 1000000 mPa·s", minimum=0.01, maximum=1_000_000)
    density_g_per_ml = Number("a density of 0.1 to 20 g/mL", minimum=0.1, maximum=20)
    surface_tension_mn_per_m = Number("a surface tension of 1 to 600 mN/m", minimum=1, maximum=600)
    purge_ml = Number("a volume of 0.001 to 10000 mL", minimum=0.001, maximum=10_000)
    duration_h = Number("a time of 0.001 to 10000 h", minimum=0.001, maximum=10_000)
    humidity_percent = Number("a humidity of 0 to 100 %", minimum=0, maximum=100)
    mixed_fraction = Number("a share of 0.01 to 0.999", minimum=0.01, maximum=0.999)


BenchRequest: type[Schema] = Schema.from_dict(
    {
        key: name(f"a name in /v1/bench/{kind}")
        if key in NEVER_NONE
        else name(f"a name in /v1/bench/{kind}, or null for none", allow_none=True)
        for key, kind in BENCH_KINDS.items()
    },
    name="BenchRequest",
)


class VariantRequest(Schema):
    """A build variant to look at."""

    orientation_deg = Number("an angle of 0 to 90 °", minimum=0, maximum=90)
    cure = name("the name of a cure programme")
    printer = name("the name of an entry of printers")
    mould = name("the name of an entry of moulds")


class CommercialRequest(Schema):
    """Terms of the price."""

    margin_percent = percent('a percentage as a decimal string, such as "20"', digits=4)
    discount_percent = percent('a percentage up to 100 as a decimal string, such as "5"', digits=3)
    tax_percent = percent('a percentage as a decimal string, such as "19"', digits=3)

    @validates_schema
    def _discount_within_price(self, data: Mapping[str, Any], **_: Any) -> None:
        if Decimal(data.get("discount_percent", "0")) > 100:
            raise ValidationError("This is more than the price.", "discount_percent")


def _depths() -> Members:
    return Members(
        "an object from channel layer to depth in µm, at most 64 of them",
        most=64,
        keys=fields.String(),
        values=Number(DEPTH, minimum=MIN_DEPTH_UM, maximum=MAX_DEPTH_UM),
    )


def _levels() -> Members:
    return Members(
        "an object from channel layer to level, at most 64 of them",
        most=64,
        keys=fields.String(),
        values=Whole(f"a whole number from 1 (next to the lid) to {MAX_LEVEL}", minimum=1, maximum=MAX_LEVEL),
    )


class CorrectionRequest(Schema):
    """What to mend in a layout, and by whose limits."""

    route = name("a route id of /v1/routes", required=True)
    rules = fields.List(
        name("a rule id of /v1/rules"),
        validate=[_at_most(64), _all_different],
        metadata={"accepts": "a list of up to 64 different rule ids"},
    )
    move_ports = Switch()
    depths_um = _depths()
    levels = _levels()
    chip = fields.Nested(ChipRequest)
    bench = fields.Nested(BenchRequest)


class QuoteRequest(Schema):
    """What is asked for."""

    layout_id = Text("the id of a layout of yours", longest=64, pattern=ID_PATTERN)
    layout = fields.Dict(
        keys=fields.String(), metadata={"accepts": "a GeoJSON FeatureCollection, coordinates in mm"}
    )
    quantity = Whole(
        f"a whole number from 1 to {MAX_QUANTITY}", minimum=1, maximum=MAX_QUANTITY, required=True
    )
    routes = fields.List(
        name("a route id of /v1/routes"),
        validate=[_at_most(32), _all_different],
        metadata={"accepts": "a list of up to 32 different route ids"},
    )
    depths_um = _depths()
    levels = _levels()
    chip = fields.Nested(ChipRequest)
    ports = fields.List(
        fields.Nested(PortRequest),
        validate=_at_most(256),
        metadata={"accepts": "a list of up to 256 ports"},
    )
    use = fields.Nested(UseRequest)
    bench = fields.Nested(BenchRequest)
    variants = fields.List(
        fields.Nested(VariantRequest),
        validate=_at_most(16),
        metadata={"accepts": "a list of up to 16 build variants"},
    )
    aim = Text("price, date or hands_on", words=("price", "date", "hands_on"))
    deadline = Instant()
    first_article = Switch()
    commercial = fields.Nested(CommercialRequest)
    start = Instant()
    currency = Text("an ISO 4217 code, such as EUR", pattern=r"^[A-Z]{3}$")
    seed = Whole("a whole number from 0 to 2147483647", minimum=0, maximum=2**31 - 1)
    rule_sets = fields.List(
        name("a rule set of /v1/rules"),
        validate=[_at_most(8), _all_different],
        metadata={"accepts": "a list of up to 8 different rule sets"},
    )
    readouts = fields.List(
        fields.Nested(ReadoutRequest),
        validate=_at_most(64),
        metadata={"accepts": "a list of up to 64 places"},
    )

    @validates_schema
    def _one_layout(self, data: Mapping[str, Any], **_: Any) -> None:
        if ("layout_id" in data) == ("layout" in data):
            count = "both" if "layout" in data else "neither"
            raise ValidationError(f"This gives {count} of layout_id and layout.")


class BenchEntryPut(Schema):
    """The user's values of a bench entry; what they may be is the catalogue's to say."""

    kind = Text("the kind in the path", longest=64)
    name = Text("the name in the path", longest=64)
    origin = Text("anything; it is ignored", longest=64)
    title = Text("1 to 200 characters", shortest=1, longest=200)
    based_on = Text("the name of an entry of the same kind", longest=LONGEST_NAME, pattern=NAME_PATTERN)
    values = Members("an object from key to value, at most 200 of them", most=200, keys=fields.String())


class PageQuery(Schema):
    """Parameters of a list."""

    limit = fields.Integer(
        load_default=50,
        validate=validate.Range(min=1, max=200, error="This is not a whole number from 1 to 200."),
        metadata={"accepts": "a whole number from 1 to 200"},
    )
    cursor = Text("the cursor of the `next` of the page before", shortest=1, longest=512)


class DocumentQuery(Schema):
    """Parameters of a document."""

    detail = Text("brief or full", words=tuple(Detail), load_default=Detail.BRIEF.value)


class _TextObject(fields.Field[dict[str, Any]]):
    """A JSON object with members of one kind, written as text, since parameters and form fields are text."""

    default_error_messages = {"invalid": "This is not {accepts}."}  # noqa: RUF012

    def __init__(self, kind: type, accepts: str) -> None:
        super().__init__(validate=_at_most(1000), metadata={"accepts": accepts})
        self.kind = kind

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> dict[str, Any]:  # noqa: ARG002
        try:
            members = json.loads(value)
        except (ValueError, RecursionError):
            members = None
        if not isinstance(members, dict) or any(type(member) is not self.kind for member in members.values()):
            raise self.make_error("invalid", accepts=self.metadata["accepts"])
        return members


class _Words(fields.Field[list[str]]):
    """Words of a set, separated by commas; in order and each once, so that the same set is the same text."""

    default_error_messages = {"invalid": "{word!r} is none of the words that can stand here."}  # noqa: RUF012

    def __init__(self, words: tuple[str, ...]) -> None:
        super().__init__(metadata={"accepts": f"words of {', '.join(words)}, separated by commas"})
        self.words = words

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> list[str]:  # noqa: ARG002
        given = {word.strip() for word in value.split(",")} - {""}
        unknown = sorted(given - set(self.words))
        if unknown:
            raise self.make_error("invalid", word=unknown[0])
        return [word for word in self.words if word in given]


def _tolerance(key: str) -> fields.Float:
    low, high = TOLERANCE_RANGES_UM[key]
    accepts = f"a distance of {low:g} to {high:g} µm"
    return fields.Float(
        allow_nan=False,
        validate=validate.Range(min=low, max=high, error=f"This is not {accepts}."),
        metadata={"accepts": accepts},
    )


class LayoutOptions(Schema):
    """Options of reading a layout: query parameters, or form fields beside the file."""

    name = Text("1 to 200 characters", shortest=1, longest=200)
    unit = Text(f"one of {', '.join(REQUEST_UNITS)}", words=REQUEST_UNITS)
    dpi = fields.Integer(
        validate=validate.OneOf(DPI, error="This is none of the resolutions that drawing programs use."),
        metadata={"accepts": f"one of {', '.join(f'{dpi:g}' for dpi in DPI)}"},
    )
    depth_um = fields.Float(
        allow_nan=False,
        validate=validate.Range(min=MIN_DEPTH_UM, max=MAX_DEPTH_UM, error=f"This is not {DEPTH}."),
        metadata={"accepts": DEPTH},
    )
    roles = _TextObject(str, 'a JSON object from layer to role, such as {"Layer 1": "channels"}')
    levels = _TextObject(int, 'a JSON object from channel layer to level, such as {"channels_low": 2}')
    flattening_um = _tolerance("flattening_um")
    closing_um = _tolerance("closing_um")
    gap_um = _tolerance("gap_um")
    sliver_um = _tolerance("sliver_um")
    leave = _Words(tuple(RepairKind))
    cell = Text("the name of a cell, up to 200 characters", shortest=1, longest=200)
