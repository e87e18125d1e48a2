"""Rules about getting liquid in and out."""

from __future__ import annotations

from collections.abc import Iterator

from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import of_level
from rillcast_service.engine.layout.model import PortRole
from rillcast_service.engine.result import Finding, Severity

_SOURCE = "conservation of volume: what goes in must push something out"


@rule("unreachable_cavity")
def unreachable_cavity(case: Case) -> Iterator[Finding]:
    """Every connected cavity, of however many levels, has an inlet, and an outlet or vent."""
    vents = {port.name for port in case.job.layout.ports if port.role is PortRole.VENT}
    for cavity in case.cavities.cavities:
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
            remedy = f"Draw an {lacking} into it, or give one of its ports that role."
        yield Finding(
            rule="unreachable_cavity",
            severity=Severity.BLOCKER,
            message=f"{message}",
            remedy=remedy,
            source=_SOURCE,
            measured=float(len(cavity.ports)),
            limit=2.0,
            unit="ports",
            where=cavity.geometry,
        )
