"""The build variants that a request asks for: orientation × cure × machine, each on its own bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rillcast_service.engine.job import BENCH_KINDS, Bench, Job
from rillcast_service.engine.request import VariantRequest
from rillcast_service.engine.routes.base import BuildVariant, Route


@dataclass(frozen=True, slots=True)
class Build:
    """A build variant and the job as it is done on the variant's machine.

    Everything about the variant (geometry, review, plan, price) is worked out from this job.
    """

    job: Job
    variant: BuildVariant


def asked_builds(route: Route, job: Job, wishes: tuple[VariantRequest, ...]) -> tuple[Build, ...]:
    """The variants of a route that a request names.

    Args:
        route, job: what is made, and how; the job holds the bench that the request names.
        wishes: of the request; a machine that one names takes the place of the bench's.

    Returns:
        Each variant once, in the order of the wishes; empty when the route fits none of them.
    """
    found = {}
    for wish in wishes:
        for build in _fitting(route, job, wish):
            found[build.variant] = build
    return tuple(found.values())


def proposed_builds(route: Route, job: Job) -> tuple[Build, ...]:
    """The variants that a route proposes.

    Args:
        route, job: what is made, and how; the job's bench holds the machine.

    Returns:
        At least one, each knowing its machine.
    """
    entry = job.bench.items.get(route.made_on) if route.made_on else None
    machine = entry.name if entry else None
    return tuple(Build(job, replace(variant, machine=machine)) for variant in route.variants(job))


def _fitting(route: Route, job: Job, wish: VariantRequest) -> Iterator[Build]:
    if any(key != route.made_on for key in wish.machines):
        return
    entries = {key: job.catalogue.get(BENCH_KINDS[key], name) for key, name in wish.machines.items()}
    if entries:
        job = replace(job, bench=Bench({**job.bench.items, **entries}))
    for build in proposed_builds(route, job):
        if wish.fits(build.variant.orientation_deg, build.variant.cure):
            yield build
