"""Requests made up from the contract, right ones and wrong ones: no answer breaks it, no request the service.

Few examples and always the same ones, so that a red run says something; raise `max_examples` by hand to
hunt. What it finds becomes a plain test in tests/api.
"""

from collections.abc import Iterator

import pytest
import schemathesis
from flask import Flask
from schemathesis.config import (
    ChecksConfig,
    GenerationConfig,
    PhasesConfig,
    PositiveDataAcceptanceConfig,
    ProjectConfig,
    ProjectsConfig,
    SchemathesisConfig,
)
from schemathesis.config._phases import CoveragePhaseConfig

from rillcast_service.api.app import create_app
from rillcast_service.api.contract import contract
from rillcast_service.jobs.dispatch import EmbeddedDispatcher
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store

#: The contract tells what a request may look like and not what exists: well-formed requests for things
#: that are not there, and layouts that hold no channels, are refused in order.
REFUSALS_IN_ORDER = ["2xx", "400", "404", "409", "415", "422"]

CONFIG = SchemathesisConfig(
    projects=ProjectsConfig(
        default=ProjectConfig(
            generation=GenerationConfig(max_examples=15, deterministic=True, database="none"),
            checks=ChecksConfig(
                positive_data_acceptance=PositiveDataAcceptanceConfig(expected_statuses=REFUSALS_IN_ORDER)
            ),
            phases=PhasesConfig(coverage=CoveragePhaseConfig(enabled=True)),
        )
    )
)


@schemathesis.serializer(
    "image/vnd.dxf", "application/vnd.gdsii", "application/vnd.semi.oasis", "application/wkt"
)
def _as_bytes(ctx: schemathesis.SerializationContext, value: object) -> bytes:
    """Whatever was made up for a drawing, as its bytes: files of noise."""
    return value if isinstance(value, bytes) else str(value).encode(errors="surrogatepass")


schema = schemathesis.openapi.from_dict(contract(), config=CONFIG)


class StoreWithWorker(Store):
    """A store in which a worker is always up."""

    def live_workers(self) -> int:
        return 1


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, readers: ReaderPool) -> Iterator[Flask]:
    """One service for all: what one request leaves behind is the next one's state."""
    settings = Settings(data=tmp_path_factory.mktemp("fuzzed"), max_wait_s=0.2)
    store = StoreWithWorker(settings.database_url)
    store.migrate()
    app = create_app(settings, store, EmbeddedDispatcher(), readers)
    example = contract()["components"]["examples"]["GeoJsonLayout"]["value"]
    layout = app.test_client().post("/v1/layouts", json=example, content_type="application/geo+json")
    app.config["known"] = {"layout_id": layout.json["layout_id"], "depths_um": {"channels": 100}}
    yield app
    store.close()


@schema.parametrize()
def test_no_request_breaks_the_contract(case, served):
    case.operation.app = case.operation.schema.app = served
    if case.method == "POST" and case.path == "/v1/quotes" and isinstance(case.body, dict):
        # Without a layout that is there, every quote would be refused for that alone.
        case.body = {**case.body, **served.config["known"]}
        case.body.pop("layout", None)
        if case.meta.generation.mode.is_positive:
            # Names that are well-formed and not there would be all that is ever tried.
            for names in ("bench", "routes", "currency"):
                case.body.pop(names, None)
    case.call_and_validate()
