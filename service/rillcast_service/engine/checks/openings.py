"""Rules about getting liquid in and out."""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from rillcast_service.engine.checks.draining import holds_resin
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import of_level
from rillcast_service.engine.layout.model import PortRole
from rillcast_service.engine.result import Finding, Severity

_RUNS = "conservation of volume, over channels that hang together"
_SOURCE = "conservation of volume: what goes in must push something out"


@rule("unreachable_cavity")
def unreachable_cavity(case: Case) -> Iterator[Finding]:
    """Every connected cavity, of however many levels, has an inlet, and an outlet or vent."""
    vents = {port.name for port in case.job.layout.ports if port.role is PortRole.VENT}
    resin_stays = "trapped_resin" in case.route.rules and holds_resin(case.route, case.process)
    for cavity in case.cavities.cavities:
        if resin_stays and len(cavity.ports) < 2:
            continue  # `trapped_resin` tells it, with what it means for this route
        if cavity.has_inlet and (cavity.has_outlet or vents & set(cavity.ports)):
            continue
        level, channels = next(iter(cavity.levels.items()))
        at = channels.representative_point()
        place = f"the cavity{of_level(case, level)} at ({at.x:.2f}, {at.y:.2f}) mm"
        if not cavity.ports:
            message = f"No port opens into {place}, {cavity.volume_ul:.2f} µL."
            remedy = "Draw an inlet and an outlet into it, or join it to a channel that has them."
        else:
            lacking = "outlet or vent" if cavity.has_inlet else "inlet"
            message = f"There is no {lacking} to {place}; only {', '.join(cavity.ports)}."
            remedy = f"Draw an {lacking} into it"
            remedy += ", or give one of its ports that role." if len(cavity.ports) > 1 else "."
        yield Finding(
            rule="unreachable_cavity",
            severity=Severity.BLOCKER,
            message=message,
            remedy=remedy,
            source=_SOURCE,
            measured=float(len(cavity.ports)),
            limit=2.0,
            unit="ports",
            where=cavity.geometry,
        )


@rule("operating_point")
def operating_point(case: Case) -> Iterator[Finding]:
    """What the request asks of the ports can run, and every port is wide enough to be worked out."""
    ports = {port.name: port for port in case.job.layout.ports}
    for fault in case.fluidics.faults if case.fluidics is not None else ():
        yield Finding(
            rule="operating_point",
            severity=Severity.RISK if fault.stops else Severity.NOTE,
            message=fault.message,
            remedy=fault.remedy,
            source=_RUNS if fault.stops else "the grid of the computation",
            where=shapely.union_all([ports[name].opening for name in fault.ports]),
        )
