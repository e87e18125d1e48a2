"""Rules about how a cast comes off its mould."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rillcast_service.engine.checks.limits import quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import mm, um
from rillcast_service.engine.result import Finding, Severity


@rule("mould_draft")
def mould_draft(case: Case) -> Iterator[Finding]:
    """Ridges with upright walls that are too tall to peel the cast off without care: a note."""
    limit = quantity_limit(case, "mould_draft", "depth_mm")
    draft = quantity_limit(case, "mould_draft", "draft_deg")
    if limit is None or draft is None:
        return
    tall = [
        layer
        for layer in case.job.layout.channel_layers
        if (layer.depth_um or 0.0) > 1000.0 * limit.value.best
    ]
    for layer in tall:
        depth_um = layer.depth_um or 0.0
        foot_um = 2.0 * depth_um * math.tan(math.radians(draft.value.best))
        yield Finding(
            rule="mould_draft",
            severity=Severity.NOTE,
            message=(
                f"The ridges of layer {layer.name!r} stand {mm(depth_um / 1000.0)} tall with upright walls; "
                f"above {mm(limit.value.best)} the cast grips them when it is peeled off."
            ),
            remedy=(
                f"Give the walls {draft.value.best:g}° of draft: {um(foot_um)} wider at the foot than at the "
                "top of a ridge."
            ),
            measured=round(depth_um / 1000.0, 3),
            **limit.shown,
            unit="mm",
            where=layer.geometry,
        )
