"""The work of a job: from the snapshot that the store keeps to the finished quote and its pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rillcast_service.catalogue.loader import data_version, load
from rillcast_service.catalogue.serial import entry_from_json
from rillcast_service.documents.as_made_picture import as_made_picture
from rillcast_service.documents.fields import exchange_picture, mixing_picture, pressure_picture
from rillcast_service.documents.pictures import findings_picture, timeline_picture
from rillcast_service.engine.layout.serial import layout_from_json
from rillcast_service.engine.quoting import quote
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import as_json

SVG = "image/svg+xml"


@dataclass(frozen=True, slots=True)
class Artefact:
    """A file that belongs to a quote.

    Args:
        route: route id it is about; None for the quote as a whole.
        name: `findings`, `timeline` …
        media_type: of the body.
        body: its bytes.
    """

    route: str | None
    name: str
    media_type: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Computed:
    """What a finished job leaves: the `result` member of the quote, and its files."""

    result: dict[str, Any]
    artefacts: tuple[Artefact, ...]


def compute(payload: dict[str, Any], progress: Callable[[float, str], None]) -> Computed:
    """Quote from a snapshot; nothing else is read, so deleting or editing anything cannot change it.

    Args:
        payload: `{"layout": …, "request": …, "bench": […]}` as JSON values.
        progress: told a fraction 0..1 and a step name.

    Returns:
        The result and the pictures of each route.

    Raises:
        EngineError: the request cannot be answered.
    """
    shipped = load()
    bench = tuple(
        entry_from_json(document["kind"], document["name"], document, shipped)
        for document in payload["bench"]
    )
    quoted = quote(
        layout_from_json(payload["layout"]),
        QuoteRequest.from_json(payload["request"]),
        shipped.with_bench(bench),
        data_version=data_version(),
        progress=lambda fraction, step: progress(0.95 * fraction, step),
    )
    progress(0.95, "drawing the pictures")
    artefacts = []
    for route in quoted.result.routes:
        findings = findings_picture(quoted.job.layout, quoted.job.chip.outline, route)
        artefacts.append(Artefact(route.route, "findings", SVG, findings.encode()))
        made = as_made_picture(quoted.job.layout, quoted.job.chip.outline, route, quoted.as_made[route.route])
        artefacts.append(Artefact(route.route, "as_made", SVG, made.encode()))
        flow = quoted.flows[route.route]
        if flow.exchange is not None:
            shown = (quoted.job.layout, quoted.job.chip.outline, route, flow.levels)
            times = exchange_picture(*shown, flow.exchange)
            artefacts.append(Artefact(route.route, "exchange_time", SVG, times.encode()))
            artefacts.append(Artefact(route.route, "pressure", SVG, pressure_picture(*shown).encode()))
            if flow.mixing is not None:
                mixing = mixing_picture(*shown, flow.mixing)
                artefacts.append(Artefact(route.route, "mixing", SVG, mixing.encode()))
        if route.schedule is not None:
            timeline = timeline_picture(route.schedule)
            artefacts.append(Artefact(route.route, "timeline", SVG, timeline.encode()))
    return Computed(result=as_json(quoted.result), artefacts=tuple(artefacts))
