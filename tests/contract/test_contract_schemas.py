"""The contract's components are the code's types, member by member: request schemas and results."""

from __future__ import annotations

import dataclasses
import re
import types
import typing
from enum import Enum
from typing import Any

import pytest
from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin

from rillcast_service.api import problems, schemas
from rillcast_service.api.contract import contract
from rillcast_service.engine import ranges, result
from rillcast_service.engine.corrections import model as corrections
from rillcast_service.engine.layout import model, options, readers, writers
from rillcast_service.engine.layout.options import TOLERANCE_RANGES_UM
from rillcast_service.engine.result import Severity, Verdict
from rillcast_service.jobs import problems as job_problems
from rillcast_service.store.rows import QuoteState

COMPONENTS = contract()["components"]["schemas"]

# --- requests ---------------------------------------------------------------------------------------

REQUESTS = {
    "PortRequest": schemas.PortRequest,
    "LineRequest": schemas.LineRequest,
    "ReadoutRequest": schemas.ReadoutRequest,
    "ChipRequest": schemas.ChipRequest,
    "UseRequest": schemas.UseRequest,
    "BenchRequest": schemas.BenchRequest,
    "VariantRequest": schemas.VariantRequest,
    "CommercialRequest": schemas.CommercialRequest,
    "QuoteRequest": schemas.QuoteRequest,
    "CorrectionRequest": schemas.CorrectionRequest,
    "BenchEntryPut": schemas.BenchEntryPut,
}

#: What decides whether a value passes; words for people are left out of the comparison, and so are
#: defaults, which the engine fills in and not the schema.
DECIDING = (
    "type", "enum", "minimum", "maximum", "minLength", "maxLength", "maxItems", "pattern",
    "format",
)  # fmt: skip


def of_marshmallow() -> dict[str, Any]:
    plugin = MarshmallowPlugin(schema_name_resolver=_name)
    spec = APISpec(title="drift", version="1", openapi_version="3.1.0", plugins=[plugin])
    for name, schema in REQUESTS.items():
        if name not in spec.components.schemas:
            spec.components.schema(name, schema=schema)
    components: dict[str, Any] = spec.to_dict()["components"]["schemas"]
    return components


def _name(schema: Any) -> str:
    kind = schema if isinstance(schema, type) else type(schema)
    return next(name for name, known in REQUESTS.items() if known is kind)


def deciding(schema: dict[str, Any]) -> Any:
    """The part of a schema that decides, with references resolved."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[-1]
        return name if name in REQUESTS else deciding(COMPONENTS[name])
    found = {key: schema[key] for key in DECIDING if key in schema}
    if isinstance(found.get("type"), list):
        found["type"] = set(found["type"])
    if "items" in schema:
        found["items"] = deciding(schema["items"])
    # The members of an inline layout are the reader's to judge.
    if isinstance(schema.get("additionalProperties"), dict) and schema["additionalProperties"]:
        found["members"] = deciding(schema["additionalProperties"])
    return found


@pytest.mark.parametrize("name", REQUESTS)
def test_request_schema_is_the_component_of_its_name(name):
    ours, theirs = of_marshmallow()[name], COMPONENTS[name]
    assert ours["properties"].keys() == theirs["properties"].keys()
    assert set(ours.get("required", ())) == set(theirs.get("required", ()))
    for key, schema in theirs["properties"].items():
        assert deciding(ours["properties"][key]) == deciding(schema), f"{name}.{key}"


def test_layout_options_are_the_parameters_and_the_form_fields():
    fields = schemas.LayoutOptions().fields
    form = COMPONENTS["LayoutUpload"]["properties"]
    parameters = {
        contract()["components"]["parameters"][ref["$ref"].rsplit("/", 1)[-1]]["name"]
        for ref in contract()["paths"]["/v1/layouts"]["post"]["parameters"]
    }
    assert set(fields) == parameters == set(form) - {"file"}
    assert tuple(COMPONENTS["Unit"]["enum"]) == schemas.REQUEST_UNITS
    assert form["depth_um"]["maximum"] == schemas.MAX_DEPTH_UM
    assert set(COMPONENTS["LayoutOptions"]["properties"]) == set(fields) - {"name"}


@pytest.mark.parametrize(("key", "ends"), TOLERANCE_RANGES_UM.items())
def test_tolerances_have_the_same_range_as_parameter_and_as_form_field(key, ends):
    parameters = contract()["components"]["parameters"].values()
    (parameter,) = [parameter["schema"] for parameter in parameters if parameter["name"] == key]
    for schema in (parameter, COMPONENTS["LayoutUpload"]["properties"][key]):
        assert (schema["minimum"], schema["maximum"]) == ends


def test_what_can_be_read_and_written_is_what_the_contract_says():
    paths = contract()["paths"]
    read = set(paths["/v1/layouts"]["post"]["requestBody"]["content"]) - {"multipart/form-data"}
    file = paths["/v1/layouts/{layout_id}/file"]["get"]["responses"]["200"]["content"]
    assert (read, set(file)) == (set(readers.MEDIA_TYPES), set(writers.MEDIA_TYPES))
    said = paths["/v1/layouts"]["post"]["description"]
    for media_type, form in readers.MEDIA_TYPES.items():
        (row,) = [line for line in said.splitlines() if line.startswith(f"| {form.title} |")]
        assert f"`{media_type}`" in row
        assert tuple(re.findall(r"`(\.\w+)`", row)) == form.suffixes


# --- results ----------------------------------------------------------------------------------------

RESULTS = [
    result.Finding, result.AsMadeSummary, result.PortState, result.FluidicsSummary,
    result.ExchangeSummary, result.OutletExchange, result.SlowPlace,
    result.BranchState, result.GiveSummary, result.EvaporationSummary, result.FlowFault,
    result.LineState, result.PathSummary,
    result.ReadoutState, result.PurgeSummary, result.MixingPlace,
    result.DrainingSummary, result.PushSummary, result.MaterialLine,
    result.ScheduledStep, result.Schedule, result.CostLine, result.Percentiles, result.PriceBreak,
    result.Driver, result.Cost, result.VariantResult, result.RouteResult, result.Choice, result.Comparison,
    result.HandednessStep, result.Handedness, result.MarkState, result.CodeState,
    corrections.Change, corrections.Decision, corrections.RuleOutcome, corrections.SideEffect,
    result.Model, result.QuoteResult, ranges.Range, model.Assumption, model.Repair,
]  # fmt: skip

JSON_TYPES = {str: "string", int: "integer", float: "number", bool: "boolean"}


def form_of(annotation: Any) -> Any:
    """What a type becomes in JSON: a type name, a component's name, or a container of them."""
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        (inner,) = (argument for argument in arguments if argument is not type(None))
        return ("null", form_of(inner))
    if origin is tuple:
        return ("list", form_of(arguments[0]))
    if origin is dict:
        return ("members", form_of(arguments[1]))
    if annotation in JSON_TYPES:
        return JSON_TYPES[annotation]
    if isinstance(annotation, type) and (
        dataclasses.is_dataclass(annotation) or issubclass(annotation, Enum)
    ):
        return annotation.__name__
    return {"Decimal": "decimal", "datetime": "date-time", "Geometry": "Geometry"}[annotation.__name__]


def form_in(schema: dict[str, Any]) -> Any:
    """The same, as the contract says it."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[-1]
        if name == "Name":
            return "string"
        return "decimal" if name == "DecimalString" else name
    if "anyOf" in schema:
        (inner,) = (below for below in schema["anyOf"] if below != {"type": "null"})
        return ("null", form_in(inner))
    kind = schema["type"]
    if isinstance(kind, list):
        (inner,) = (one for one in kind if one != "null")
        return ("null", form_in({**schema, "type": inner}))
    if kind == "array":
        return ("list", form_in(schema["items"]))
    if kind == "object":
        return ("members", form_in(schema["additionalProperties"]))
    if kind == "string" and "pattern" in schema:
        return "decimal"
    return schema.get("format", kind)


@pytest.mark.parametrize("kind", RESULTS, ids=lambda kind: kind.__name__)
def test_result_type_is_the_component_of_its_name(kind):
    component = COMPONENTS[kind.__name__]
    annotations = typing.get_type_hints(kind)
    members = [field.name for field in dataclasses.fields(kind)]
    assert set(component["properties"]) == set(members)
    assert set(component["required"]) == set(members)
    for member in members:
        assert form_in(component["properties"][member]) == form_of(annotations[member]), member


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (Severity, "Severity"),
        (Verdict, "Verdict"),
        (QuoteState, "QuoteState"),
        (model.Role, "LayerRole"),
        (model.PortRole, "PortRole"),
        (model.RepairKind, "RepairKind"),
    ],
)
def test_words_are_the_contracts(kind, name):
    assert [member.value for member in kind] == COMPONENTS[name]["enum"]


def test_resolutions_of_drawing_programs_are_the_contracts():
    assert tuple(COMPONENTS["Dpi"]["enum"]) == options.DPI


# --- problems ---------------------------------------------------------------------------------------


def test_every_problem_type_is_named_in_the_contract():
    told = contract()["info"]["description"]
    assert [slug for slug in problems.TYPES if f"`{slug}`" not in told] == []


def test_problems_of_failed_quotes_are_known_types():
    made = [
        job_problems.calculation_failed(),
        job_problems.time_limit(600),
        job_problems.memory_limit(4096),
        job_problems.attempts_exhausted(3),
    ]
    for document in made:
        kind = problems.TYPES[document["type"].removeprefix("/problems/")]
        assert (kind.uri, kind.title, kind.status) == (
            document["type"],
            document["title"],
            document["status"],
        )
