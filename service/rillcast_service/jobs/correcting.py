"""The work of a correction: from JSON values to the corrected layout, what changed, and the picture."""

from __future__ import annotations

from typing import Any

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.serial import entry_from_json
from rillcast_service.documents.correction_picture import correction_picture
from rillcast_service.engine.corrections.correcting import correct as mend
from rillcast_service.engine.corrections.model import CorrectionRequest
from rillcast_service.engine.layout.serial import layout_from_json, layout_to_json
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import as_json

#: Members of a correction request that a quote request has too.
OF_QUOTES = ("depths_um", "levels", "chip", "bench")


def correct(payload: dict[str, Any]) -> dict[str, Any]:
    """Correct a layout.

    Args:
        payload: `{"layout": …, "request": …, "bench": […], "start": …}` as JSON values.

    Returns:
        The corrected layout under `layout`, None when nothing changed; and the answer's other members.

    Raises:
        EngineError: the request cannot be answered.
    """
    shipped, asked = load(), payload["request"]
    bench = tuple(entry_from_json(one["kind"], one["name"], one, shipped) for one in payload["bench"])
    layout = layout_from_json(payload["layout"])
    quote = {key: asked[key] for key in OF_QUOTES if key in asked}
    corrected = mend(
        layout,
        CorrectionRequest(
            route=asked["route"],
            rules=tuple(asked.get("rules") or ()),
            quote=QuoteRequest.from_json({**quote, "quantity": 1, "start": payload["start"]}),
            move_ports=bool(asked.get("move_ports", False)),
        ),
        shipped.with_bench(bench),
    )
    return {
        "layout": None if corrected.layout is layout else layout_to_json(corrected.layout),
        "changes": as_json(corrected.changes),
        "decisions": as_json(corrected.decisions),
        "outcomes": as_json(corrected.outcomes),
        "side_effects": as_json(corrected.side_effects),
        "assumptions": as_json(corrected.assumptions),
        "picture": correction_picture(layout, corrected),
    }
