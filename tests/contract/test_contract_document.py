"""The contract is a valid OpenAPI 3.1 document and keeps our own conventions."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from rillcast_service.api.contract import contract
from rillcast_service.catalogue.units import suffix_of
from rillcast_service.engine.layout.limits import Limits

CONTRACT = contract()
METHODS = ("get", "put", "post", "delete", "patch")
OPERATIONS = [
    pytest.param(path, method, operation, id=operation["operationId"])
    for path, item in CONTRACT["paths"].items()
    for method, operation in item.items()
    if method in METHODS
]

#: Words of JSON Schema 2020-12 that the contract uses; anything else in a schema is a slip.
SCHEMA_WORDS = {
    "$ref", "additionalProperties", "anyOf", "contentMediaType", "default", "description", "enum",
    "exclusiveMinimum", "format", "items", "maxItems", "maxLength", "maxProperties", "maximum", "minLength",
    "minimum", "pattern", "properties", "required", "type", "uniqueItems",
}  # fmt: skip

#: Numbers that have no unit.
DIMENSIONLESS = {"progress", "reynolds", "cells_across", "share"}


def deref(value: dict[str, Any]) -> dict[str, Any]:
    """What a `$ref` stands for."""
    while "$ref" in value:
        target: Any = CONTRACT
        for part in value["$ref"].removeprefix("#/").split("/"):
            target = target[part.replace("~1", "/").replace("~0", "~")]
        value = target
    return value


def walk(value: Any) -> Iterator[Any]:
    """Every object and list within a document."""
    yield value
    for child in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from walk(child)


def schemas() -> Iterator[tuple[str, dict[str, Any]]]:
    """Every schema with a name for messages: components, those below them, and those of parameters."""
    todo = [(name, schema) for name, schema in CONTRACT["components"]["schemas"].items()]
    todo += [(name, deref(p)["schema"]) for name, p in CONTRACT["components"]["parameters"].items()]
    todo += [(name, deref(h)["schema"]) for name, h in CONTRACT["components"]["headers"].items()]
    while todo:
        name, schema = todo.pop()
        yield name, schema
        todo += [(f"{name}.{key}", below) for key, below in schema.get("properties", {}).items()]
        todo += [(f"{name}[{i}]", below) for i, below in enumerate(schema.get("anyOf", ()))]
        for key in ("items", "additionalProperties"):
            if isinstance(schema.get(key), dict):
                todo.append((f"{name}.{key}", schema[key]))


def test_is_valid_openapi():
    validate(CONTRACT)


def test_operation_ids_are_unique_and_read_as_verbs():
    ids = Counter(param.values[2]["operationId"] for param in OPERATIONS)
    assert max(ids.values()) == 1
    assert all(re.fullmatch(r"(create|list|get|put|delete|cancel)[A-Z][A-Za-z]+", name) for name in ids)


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS)
def test_operation_is_described_and_refuses_with_problems(path, method, operation):
    assert operation["summary"]
    assert set(operation["tags"]) <= {tag["name"] for tag in CONTRACT["tags"]}
    refusals = {code: deref(r) for code, r in operation["responses"].items() if code[0] in "45"}
    assert any(code[0] == "4" for code in refusals)
    assert "5XX" in refusals
    for refusal in refusals.values():
        assert list(refusal["content"]) == ["application/problem+json"]
    if path.startswith("/v1/"):
        assert {"401", "429"} <= set(refusals)
        assert "security" not in operation
    else:
        assert operation["security"] == []
    if "{" in path:
        assert "404" in refusals
    if "requestBody" in operation:
        assert {"400", "413", "415", "422"} <= set(refusals)


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS)
def test_operation_shows_examples(path, method, operation):
    for code, response in operation["responses"].items():
        for media_type, content in deref(response).get("content", {}).items():
            if "schema" in content:
                assert content["examples"], f"{code} {media_type}"
    for media_type, content in operation.get("requestBody", {}).get("content", {}).items():
        if "json" in media_type:
            assert content["examples"], media_type
    for parameter in [*operation.get("parameters", ()), *CONTRACT["paths"][path].get("parameters", ())]:
        assert deref(parameter)["description"]
        assert deref(parameter)["examples"]


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS)
def test_every_answer_carries_the_request_id(path, method, operation):
    for code, response in operation["responses"].items():
        assert "X-Request-Id" in deref(response)["headers"], code
        assert ("content" in deref(response)) == (code not in ("204", "304")), code


def test_examples_fit_their_schemas():
    checked = 0
    for node in walk([CONTRACT["paths"], CONTRACT["components"]]):
        if not (isinstance(node, dict) and "schema" in node and "examples" in node):
            continue
        validator = Draft202012Validator(
            {**node["schema"], "components": CONTRACT["components"]},
            format_checker=Draft202012Validator.FORMAT_CHECKER,
        )
        for example in node["examples"].values():
            validator.validate(deref(example)["value"])
            checked += 1
    assert checked > 50


def test_schemas_use_known_words_of_json_schema():
    for name, schema in schemas():
        assert set(schema) <= SCHEMA_WORDS, name


def test_schemas_are_of_version_3_1():
    for node in walk(CONTRACT):
        if isinstance(node, dict):
            assert "nullable" not in node
            assert node.get("format") != "binary"


def test_every_number_says_its_unit():
    for name, schema in schemas():
        members = schema.get("properties", {})
        if name == "Range" or "unit" in members:
            continue  # low, best, high in the unit of the member that holds the range; or `unit` says it
        for key, below in members.items():
            kinds = below.get("type", ())
            if "number" in ([kinds] if isinstance(kinds, str) else kinds):
                assert suffix_of(key) or key in DIMENSIONLESS, f"{name}.{key}"


def test_requests_refuse_and_answers_allow_unknown_members():
    requests = {
        "QuoteRequest", "PortRequest", "ChipRequest", "UseRequest", "BenchRequest", "VariantRequest",
        "CommercialRequest", "CorrectionRequest", "BenchEntryPut", "LayoutUpload", "LineRequest",
        "ReadoutRequest",
    }  # fmt: skip
    for name, schema in CONTRACT["components"]["schemas"].items():
        if schema.get("type") == "object":
            assert (schema.get("additionalProperties") is False) == (name in requests), name


def test_route_ids_and_bench_names_are_open():
    """A route or a machine is added without a new contract."""
    told = str(CONTRACT["components"]["schemas"]["Name"])
    assert "enum" not in told
    for node in walk(CONTRACT["components"]["schemas"]):
        if isinstance(node, dict) and isinstance(node.get("enum"), list):
            assert not {"cast_printed_mould", "printers"} & set(node["enum"])


def test_no_component_is_unused():
    used = {node["$ref"] for node in walk(CONTRACT) if isinstance(node, dict) and "$ref" in node}
    for kind in ("schemas", "parameters", "headers", "responses", "examples"):
        for name in CONTRACT["components"][kind]:
            known_otherwise = kind == "examples" and name in ("Route", "Rule")
            assert f"#/components/{kind}/{name}" in used or known_otherwise, f"{kind}/{name}"


@pytest.mark.parametrize(
    ("stated", "limit"),
    [
        (r"layouts ([\d ]+) mm along x and y", "extent_mm"),
        (r"([\d ]+) elements", "elements_count"),
        (r"([\d ]+) polygons", "polygons_count"),
        (r"([\d ]+) vertices", "vertices_count"),
        (r"([\d ]+) crossings of lines", "crossings_count"),
        (r"([\d ]+) levels of nesting", "nesting_count"),
        (r"bodies ([\d ]+) MB unless", "bytes_count"),
    ],
)
def test_the_limits_of_layouts_are_those_that_are_kept(stated, limit):
    said = " ".join(CONTRACT["info"]["description"].split())
    (figure,) = re.findall(stated, said)
    kept = getattr(Limits(), limit)
    assert float(figure.replace(" ", "")) == (kept / 1e6 if limit == "bytes_count" else kept)
