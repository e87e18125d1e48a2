"""Each operation of the contract has a method, and that method calls that operation."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest

from rillcast import Client, RillcastError

#: operationId → a call that must send exactly one request, to that operation.
CALLS: dict[str, Callable[[Client], Any]] = {
    "createLayout": lambda client: client.upload_layout(b"<svg/>", media_type="image/svg+xml"),
    "listLayouts": lambda client: list(client.iter_layouts()),
    "getLayout": lambda client: client.layout("lay_1"),
    "deleteLayout": lambda client: client.delete_layout("lay_1"),
    "getLayoutFile": lambda client: client.layout_file("lay_1"),
    "getLayoutPicture": lambda client: client.layout_picture("lay_1"),
    "createCorrection": lambda client: client.correct_layout("lay_1", route="cast_printed_mould"),
    "createQuote": lambda client: client.create_quote("lay_1", quantity=1),
    "listQuotes": lambda client: list(client.iter_quotes()),
    "getQuote": lambda client: client.get_quote("quo_1"),
    "cancelQuote": lambda client: client.cancel_quote("quo_1"),
    "getQuoteDocument": lambda client: client.document("quo_1"),
    "getQuotePicture": lambda client: client.picture("quo_1", "cast_printed_mould"),
    "listRoutes": lambda client: client.routes(),
    "getRoute": lambda client: client.route("cast_printed_mould"),
    "listRules": lambda client: client.rules(),
    "listBench": lambda client: client.bench(),
    "listBenchEntries": lambda client: client.bench_entries("ovens"),
    "getBenchEntry": lambda client: client.bench_entry("ovens", "bench_oven"),
    "putBenchEntry": lambda client: client.put_bench_entry("ovens", "bench_oven", {"max_c": 220}),
    "deleteBenchEntry": lambda client: client.delete_bench_entry("ovens", "bench_oven"),
    "getHealth": lambda client: client.health(),
    "getReadiness": lambda client: client.ready(),
    "getContract": lambda client: client.contract(),
    "getProblemType": lambda client: client.problem_type("layout-units-missing"),
}


def _operations(contract: dict[str, Any]) -> dict[str, tuple[str, str]]:
    return {
        operation["operationId"]: (method.upper(), path)
        for path, item in contract["paths"].items()
        for method, operation in item.items()
        if method in ("get", "post", "put", "delete", "patch")
    }


def test_no_operation_is_left_out_and_none_is_made_up(contract):
    assert CALLS.keys() == _operations(contract).keys()


@pytest.mark.parametrize("operation", CALLS)
def test_the_method_calls_its_operation(service, client, contract, operation):
    method, path = _operations(contract)[operation]
    with suppress(RillcastError):  # the canned service has no answer; what was asked is what counts
        CALLS[operation](client)
    sent = [(seen.method, seen.path) for seen in service.seen]
    pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path))
    assert len(sent) == 1
    assert sent[0][0] == method
    assert re.fullmatch(pattern, sent[0][1])


@pytest.mark.parametrize(
    ("operation", "example_name"),
    [
        ("createLayout", "Layout"),
        ("listLayouts", "LayoutPage"),
        ("createCorrection", "Correction"),
        ("createQuote", "QuoteQueued"),
        ("listQuotes", "QuotePage"),
        ("getQuote", "QuoteDone"),
        ("cancelQuote", "QuoteCancelled"),
        ("listRoutes", "RouteList"),
        ("getRoute", "Route"),
        ("listRules", "RuleList"),
        ("listBench", "Bench"),
        ("listBenchEntries", "BenchEntryList"),
        ("putBenchEntry", "BenchEntry"),
    ],
)
def test_the_contracts_own_example_is_understood(service, client, contract, example, operation, example_name):
    answer = example(example_name)
    if "next" in answer:
        answer["next"] = None
    method, path = _operations(contract)[operation]
    filled = (
        path.replace("{layout_id}", "lay_1")
        .replace("{quote_id}", "quo_1")
        .replace("{kind}", "ovens")
        .replace("{name}", "bench_oven")
        .replace("{route_id}", "cast_printed_mould")
    )
    service.answer(method, filled, answer)
    assert CALLS[operation](client)
