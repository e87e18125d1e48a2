"""/v1/layouts/{layout_id}/corrections: a layout with the places mended that a route's review objects to."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from typing import Any

from flask import Blueprint, Response, jsonify

from rillcast_service import MODEL_VERSION
from rillcast_service.api.bench import bench_catalogue
from rillcast_service.api.context import owner, service
from rillcast_service.api.inputs import json_body
from rillcast_service.api.layouts import known_layout, layout_resource
from rillcast_service.api.schemas import CorrectionRequest
from rillcast_service.engine.layout.serial import layout_from_json
from rillcast_service.engine.layout.writers import written
from rillcast_service.store.rows import LayoutRow

blueprint = Blueprint("corrections", __name__, url_prefix="/v1/layouts/<id:layout_id>/corrections")

#: A corrected layout was never a file; it is kept as one of this type.
_KEPT_AS = "application/geo+json"


@blueprint.post("")
def create_correction(layout_id: str) -> tuple[Response, int]:
    """Correct a layout."""
    asked = json_body(CorrectionRequest())
    row = known_layout(layout_id)
    bench_catalogue(to_quote=True)  # refuses an entry of the owner that has outlived its catalogue
    answer = service().readers.correct(
        {
            "layout": row.layout,
            "request": asked,
            "bench": service().store.list_bench(owner()),
            # no date touches a correction, but what a quote is told has one
            "start": datetime.now(UTC).replace(microsecond=0).isoformat(),
        },
        name=row.name,
    )
    corrected = answer.pop("layout")
    kept, created = _keep(row, corrected) if corrected else (row, False)
    response = jsonify({"corrected_from": layout_id, "layout": layout_resource(kept), **answer})
    response.headers["Location"] = f"/v1/layouts/{kept.layout_id}"
    return response, 201 if created else 200


def _keep(row: LayoutRow, corrected: dict[str, Any]) -> tuple[LayoutRow, bool]:
    """Keep a corrected layout, once for the same layout mended in the same way."""
    body = written(layout_from_json(corrected), media_type=_KEPT_AS)
    told = json.dumps(["corrected", MODEL_VERSION, row.digest, corrected], sort_keys=True)
    return service().store.add_layout(
        owner(),
        digest=hashlib.sha256(told.encode()).hexdigest(),
        name=row.name,
        media_type=_KEPT_AS,
        source=body,
        options=row.options,
        layout=corrected,
        corrected_from=row.layout_id,
    )
