"""Steps built by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import Step

MakeStep = Callable[..., Step]


@pytest.fixture(scope="session")
def make_step() -> MakeStep:
    """`make_step("bake", after=["mix"], elapsed_min=60, hands_on_min=5, machine="oven", …)`."""

    def make(
        step_id: str,
        *,
        after: Sequence[str] = (),
        unit: str = "part",
        batch: str = "all",
        machine: str | None = None,
        elapsed_min: float = 0.0,
        per_item_min: float = 0.0,
        hands_on_min: float = 0.0,
        hands_on_per_item_min: float = 0.0,
        yield_percent: float | None = None,
        **more: Any,
    ) -> Step:
        share = None
        if yield_percent is not None:
            share = Quantity(yield_percent, "%", "test", low=yield_percent, high=yield_percent)
        values: dict[str, Any] = {
            "id": step_id,
            "title": step_id,
            "after": tuple(after),
            "unit": unit,
            "batch": batch,
            "machine": machine,
            "machine_entry": Entry(kind="ovens", name=machine, title=machine) if machine else None,
            "elapsed_min": Range.exact(elapsed_min),
            "per_item_min": Range.exact(per_item_min),
            "computed": None,
            "hands_on_min": Range.exact(hands_on_min),
            "hands_on_per_item_min": Range.exact(hands_on_per_item_min),
            "unattended": False,
            "first_pass_yield": share,
            "max_gap_h": None,
            "shared": False,
            "supplier": None,
            "supply_days": None,
            "cautions": (),
            "source": "test",
        }
        return Step(**(values | more))

    return make
