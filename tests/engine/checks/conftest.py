"""Review one route over a chip drawn by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.checks.review import optional_rules
from rillcast_service.engine.job import Bench, Job
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.quoting import Analysis, analyse
from rillcast_service.engine.result import Finding
from rillcast_service.engine.routes.registry import load_routes

OUTLINE = box(0.0, 0.0, 70.0, 22.0)


@pytest.fixture
def chip(make_job) -> Callable[..., Job]:
    """`chip([box(...)], depth_um=150, ports=[("in", "inlet", x, y)], bench={...}, entries={...})`."""

    def make(
        shapes: Sequence[Polygon],
        *,
        depth_um: float = 400.0,
        ports: Sequence[tuple[str, str, float, float]] = (("in", "inlet", 6, 11), ("out", "outlet", 64, 11)),
        outline: Polygon = OUTLINE,
        bore_mm: float = 1.5,
        **job: Any,
    ) -> Job:
        layer = Layer("channels", Role.CHANNELS, MultiPolygon(shapes), depth_um, len(shapes))
        made = make_job(**job)
        layout = Layout(
            name="test",
            source_format="svg",
            layers=(layer,),
            ports=tuple(
                Port(name, PortRole(role), Point(x, y).buffer(bore_mm / 2.0, quad_segs=32), bore_mm)
                for name, role, x, y in ports
            ),
            outline=outline,
            flattening_um=1.0,
        )
        return replace(made, layout=layout, chip=replace(made.chip, outline=outline))

    return make


@pytest.fixture
def review_of() -> Callable[..., Analysis]:
    """`review_of(job, "cast_printed_mould")` analyses the route's first variant (or the named one)."""

    def run(job: Job, route_id: str, variant: str | None = None) -> Analysis:
        route = load_routes(job.catalogue)[route_id]
        variants = route.variants(job)
        chosen = next((item for item in variants if item.name == variant), variants[0])
        return analyse(job, route, chosen, {})

    return run


@pytest.fixture
def findings_of() -> Callable[..., list[Finding]]:
    """`findings_of(job, "cast_printed_mould", "channel_width", …)`: these rules alone, without the flow."""

    def run(job: Job, route_id: str, *rule_ids: str) -> list[Finding]:
        route = load_routes(job.catalogue)[route_id]
        case = Case.without_flow(job, route, route.variants(job)[0])
        assert set(rule_ids) <= set(route.rules) | optional_rules(job.catalogue, "interoperability")
        return [finding for rule_id in rule_ids for finding in registered()[rule_id](case)]

    return run


@pytest.fixture
def found() -> Callable[[Analysis, str], list[Finding]]:
    """`found(analysis, "channel_width")`: the findings of one rule."""

    def pick(analysis: Analysis, rule_id: str) -> list[Finding]:
        return [finding for finding in analysis.findings if finding.rule == rule_id]

    return pick


@pytest.fixture
def with_values() -> Callable[..., Job]:
    """`with_values(job, "printer", pixel_x_um=…)`: the job with other values of one bench entry."""

    def change(job: Job, key: str, **values: Any) -> Job:
        entry = job.bench[key]
        changed = {
            name: replace(entry.values[name], **given) if isinstance(given, dict) else given
            for name, given in values.items()
        }
        other = replace(entry, values={**entry.values, **changed})
        catalogue = job.catalogue.with_bench((other,))
        items = {
            name: other if item is not None and (item.kind, item.name) == (other.kind, other.name) else item
            for name, item in job.bench.items.items()
        }
        return replace(job, bench=Bench(items), catalogue=catalogue)

    return change
