"""A client made from the contract by a generic generator does the main job over HTTP: upload, quote, price.

Whoever writes in another language has the contract and nothing else; this stands in for them.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import yaml
from flask import Flask
from werkzeug.serving import make_server

from rillcast_service.api.contract import contract
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Artefact

PACKAGE = "client_of_the_contract"

#: What the generator cannot express, operation → how many media types: it leaves raw drawings out, since it
#: does the same by a form, and hands pictures over as bytes without a type of their own.
KNOWN_WARNINGS = {
    "POST /v1/layouts": 5,
    "GET /v1/layouts/{layout_id}/picture": 1,
    "GET /v1/quotes/{quote_id}/pictures/{route_id}/{picture}": 1,
}

DRAWING = """<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
  <g id="channels"><rect x="5" y="9.9" width="20" height="0.2"/></g>
  <g id="ports"><circle id="sample" cx="5" cy="10" r="0.75"/><circle id="waste" cx="25" cy="10" r="0.75"/></g>
</svg>"""


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[ModuleType, str]]:
    """The generated package, and what the generator said."""
    folder = tmp_path_factory.mktemp("generated")
    source, config = folder / "contract.yaml", folder / "config.yaml"
    source.write_text(yaml.safe_dump(contract(), sort_keys=False), encoding="utf-8")
    config.write_text("post_hooks: []\n", encoding="utf-8")
    command = [Path(sys.executable).with_name("openapi-python-client"), "generate", "--meta", "none"]
    command += ["--path", source, "--config", config, "--output-path", folder / PACKAGE]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    sys.path.insert(0, str(folder))
    try:
        yield importlib.import_module(PACKAGE), done.stdout + done.stderr
    finally:
        sys.path.remove(str(folder))
        for name in [name for name in sys.modules if name.split(".")[0] == PACKAGE]:
            del sys.modules[name]


@pytest.fixture
def address(app: Flask) -> Iterator[str]:
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.port}"
    server.shutdown()
    thread.join()
    server.server_close()


def part(name: str) -> Any:
    return importlib.import_module(f"{PACKAGE}.{name}")


def work_off(store: Store, stop: threading.Event) -> None:
    """A worker that finishes every quote with the contract's example."""
    result = contract()["components"]["examples"]["QuoteDone"]["value"]["result"]
    picture = Artefact("cast_printed_mould", "findings", "image/svg+xml", b"<svg ></svg>")
    while not stop.wait(0.05):
        claim = store.claim("test", lease_s=30, max_attempts=3)
        if claim is not None:
            store.finish(claim, result=result, files=[picture])


@pytest.fixture
def worker(store: Store) -> Iterator[None]:
    stop = threading.Event()
    thread = threading.Thread(target=work_off, args=(store, stop))
    thread.start()
    yield
    stop.set()
    thread.join()


def test_the_generator_takes_all_but_what_is_known(generated):
    _, said = generated
    warned = [line for line in said.splitlines() if line.startswith(("WARNING", "ERROR"))]
    assert len(warned) == sum(KNOWN_WARNINGS.values())
    for operation, count in KNOWN_WARNINGS.items():
        assert sum(f"parsing {operation} within" in line for line in warned) == count, operation


def test_every_operation_has_a_function(generated):
    folder = Path(generated[0].__file__).parent / "api"
    functions = {path.stem.replace("_", "") for path in folder.glob("*/*.py") if path.stem != "__init__"}
    operations = {
        operation["operationId"].lower()
        for item in contract()["paths"].values()
        for method, operation in item.items()
        if method != "parameters"
    }
    assert functions == operations


def test_from_a_drawing_to_a_price(generated, address, worker):
    client, models = generated[0].Client(base_url=address), part("models")

    upload = models.LayoutUpload(file=DRAWING, name="Straight channel", unit=models.Unit.MM, depth_um=150)
    layout = part("api.layouts.create_layout").sync(client=client, body=upload)
    assert isinstance(layout, models.Layout)
    assert [port.name for port in layout.ports] == ["sample", "waste"]
    assert next(layer for layer in layout.layers if layer.role == "channels").depth_um == 150

    request = models.QuoteRequest(
        layout_id=layout.layout_id,
        quantity=24,
        routes=["cast_printed_mould"],
        bench=models.BenchRequest(plasma=None),
        aim=models.QuoteRequestAim.PRICE,
    )
    asked = part("api.quotes.create_quote").sync_detailed(
        client=client, body=request, idempotency_key="once", prefer="wait=0"
    )
    assert asked.status_code == 202
    quote, deadline = asked.parsed, time.monotonic() + 10
    while quote.state in ("queued", "running"):
        assert time.monotonic() < deadline
        time.sleep(0.05)
        quote = part("api.quotes.get_quote").sync(quote.quote_id, client=client)

    assert quote.state == models.QuoteState.DONE
    (route,) = quote.result.routes
    assert route.route == quote.result.comparison.recommended == "cast_printed_mould"
    assert Decimal(route.cost.unit_price) == Decimal("1.88")
    assert Decimal(route.cost.total.p10) < Decimal(route.cost.total.p90)
    assert route.as_made.depth_um["channels"].best == 148
    assert route.findings[0].where.coordinates

    page = part("api.quotes.get_quote_document").sync(quote.quote_id, client=client)
    assert page.lower().startswith("<!doctype html>")
    picture = part("api.quotes.get_quote_picture").sync_detailed(
        quote.quote_id, "cast_printed_mould", "findings", client=client
    )
    assert picture.content.startswith(b"<svg")


def test_geojson_goes_as_a_body_of_its_own(generated, address):
    client, models = generated[0].Client(base_url=address), part("models")
    example = contract()["components"]["examples"]["GeoJsonLayout"]["value"]
    body = models.GeoJsonLayout.from_dict(example)
    layout = part("api.layouts.create_layout").sync(client=client, body=body)
    assert layout.source_format == "geojson"


def test_a_refusal_is_a_typed_problem(generated, address):
    client, models = generated[0].Client(base_url=address), part("models")
    request = models.QuoteRequest(layout_id="lay_none", quantity=24)
    problem = part("api.quotes.create_quote").sync(client=client, body=request)
    assert isinstance(problem, models.Problem)
    assert problem.type_ == "/problems/request-invalid"
    assert problem.errors[0].pointer == "#/layout_id"


def test_the_bench_can_be_read_and_set(generated, address):
    client, models = generated[0].Client(base_url=address), part("models")
    bench = part("api.bench.list_bench").sync(client=client)
    printer = next(entry for entry in bench.items if entry.kind == "printers")
    pixel = printer.values["pixel_x_um"]
    assert isinstance(pixel, models.CatalogueQuantity)
    assert pixel.unit == "µm"
    body = models.BenchEntryPut(values=models.BenchEntryPutValues.from_dict({"setup_min": 3}))
    entry = part("api.bench.put_bench_entry").sync("printers", printer.name, client=client, body=body)
    assert entry.values["setup_min"].value == 3
