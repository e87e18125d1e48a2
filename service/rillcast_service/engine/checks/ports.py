"""Rules about room around ports."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import shapely
from shapely import Geometry, LineString, Point

from rillcast_service.engine.checks.limits import Limit, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import mm, of_level
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import Finding


@rule("port_clearance")
def port_clearance(case: Case) -> Iterator[Finding]:
    """Port to edge, port to port, and port to channels of other cavities.

    The route sets `centre_to_edge_mm`, `wall_between_mm` and `wall_to_channel_mm` as it needs them. A port
    is a hole from the lid's side to the deepest level that it opens into: the channels of deeper levels
    lie below its end.
    """
    ports = case.job.layout.ports
    limit = quantity_limit(case, "port_clearance", "centre_to_edge_mm")
    if limit is not None:
        edge = case.job.chip.outline.exterior
        for port in ports:
            yield from _too_near(limit, port.centre, edge, f"the centre of port {port.name!r}", "the edge")
    limit = quantity_limit(case, "port_clearance", "wall_between_mm")
    if limit is not None:
        for one, other in combinations(ports, 2):
            yield from _too_near(
                limit, one.opening, other.opening, f"port {one.name!r}", f"port {other.name!r}"
            )
    limit = quantity_limit(case, "port_clearance", "wall_to_channel_mm")
    if limit is not None:
        for port in ports:
            deepest = _deepest_level(case, port)
            for cavity in case.cavities.cavities:
                for level, channels in cavity.levels.items():
                    if port.name not in cavity.ports and level <= deepest:
                        yield from _too_near(
                            limit,
                            port.opening,
                            channels,
                            f"port {port.name!r}",
                            f"a channel{of_level(case, level)} it does not feed",
                        )


def _deepest_level(case: Case, port: Port) -> int:
    """The deepest level that a port opens into; of one that opens into none, the lowest of all."""
    met = [
        level
        for cavity in case.cavities.cavities
        for level, channels in cavity.levels.items()
        if port.name in cavity.ports and channels.intersects(port.opening)
    ]
    every = (level for cavity in case.cavities.cavities for level in cavity.levels)
    return max(met or every, default=0)


def _too_near(limit: Limit, one: Geometry, other: Geometry, one_is: str, other_is: str) -> Iterator[Finding]:
    # whole micrometres, as everywhere: a distance drawn as the limit itself is no fault
    distance = round(shapely.distance(one, other), 3)
    severity = limit.severity_of_too_small(distance)
    if severity is None:
        return
    nearest = shapely.shortest_line(one, other)
    place: Geometry = nearest if isinstance(nearest, LineString) and nearest.length else Point(one.centroid)
    yield Finding(
        rule="port_clearance",
        severity=severity,
        message=(
            f"From {one_is} to {other_is} it is {mm(distance)}; the route needs {mm(limit.value.best)}."
        ),
        remedy=f"Leave {mm(limit.value.high - distance)} more between them.",
        measured=distance,
        **limit.shown,
        unit="mm",
        where=place,
    )
