"""What several rules ask about places: islands in channels, depths, contact angles, one finding a cause."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np
import shapely
from shapely import Geometry, MultiPolygon, Polygon, STRtree

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.elasticity import plane_modulus_pa
from rillcast_service.engine.checks.limits import Limit, rule_range
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.layout.measure import Span, narrow_gaps
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Severity
from rillcast_service.engine.routes import prints

#: A chord ends on the walls of its channels to within rounding.
_ON_WALL_MM = 1e-3


P = TypeVar("P")


def by_severity(graded: Sequence[tuple[Severity | None, P]]) -> Iterator[tuple[Severity, list[P]]]:
    """Places parted by how much they matter, the gravest first: one cause is told once.

    Args:
        graded: severity and place; None where nothing is wrong.

    Returns:
        Each severity that occurs, with its places.
    """
    for severity in Severity:
        found = [place for grade, place in graded if grade is severity]
        if found:
            yield severity, found


def walls_and_islands(
    case: Case, channels: MultiPolygon, *, below_um: float
) -> tuple[tuple[Span, ...], tuple[tuple[Span, Polygon], ...]]:
    """Thin places of the material between channels: those of walls, and those of islands.

    Args:
        case: its rule `island_size` says how long for its width an island may be; a longer one is a wall.
        channels: of one level, mm.
        below_um: only what is thinner is looked for.

    Returns:
        Spans of walls, and for each thin island its least span and its outline.
    """
    spans = narrow_gaps(channels, below_um=below_um)
    islands = (
        _islands(channels, longest=rule_range(case, "island_size", "length_to_width_ratio").best)
        if spans
        else ()
    )
    if not islands:
        return spans, ()
    centres = shapely.points([(span.centre.x, span.centre.y) for span in spans])
    span_index, island_index = STRtree(islands).query(centres, predicate="intersects")
    least: dict[int, Span] = {}
    for span, island in zip(span_index.tolist(), island_index.tolist(), strict=True):
        if island not in least or spans[span].length_um < least[island].length_um:
            least[island] = spans[span]
    of_islands = set(span_index.tolist())
    walls = tuple(span for index, span in enumerate(spans) if index not in of_islands)
    return walls, tuple((span, islands[island]) for island, span in least.items())


def _islands(channels: MultiPolygon, *, longest: float) -> tuple[Polygon, ...]:
    """Compact pieces of material that stand in a channel with nothing but themselves within."""
    holes = [Polygon(ring) for part in channels.geoms for ring in part.interiors]
    if not holes:
        return ()
    points = [part.representative_point() for part in channels.geoms]
    hollow = set(STRtree(holes).query(points, predicate="within")[1].tolist())
    return tuple(
        hole for index, hole in enumerate(holes) if index not in hollow and _elongation(hole) <= longest
    )


def _elongation(shape: Polygon) -> float:
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = np.hypot(*(corners[1:3] - corners[:2]).T)
    return float(sides.max() / max(sides.min(), 1e-12))


def depth_at_um(case: Case, level: int, place: Geometry) -> float:
    """The drawn depth of the deepest channel that meets a place.

    Args:
        case, level: whose channels.
        place: mm, touching their walls.

    Returns:
        µm; that of the level's deepest channel where none touches it.
    """
    layers = [layer for layer in case.job.layout.channel_layers if layer.level == level]
    touching = [layer for layer in layers if shapely.dwithin(layer.geometry, place, _ON_WALL_MM)]
    return max((layer.depth_um or 0.0 for layer in touching or layers), default=0.0)


def deepest_um(case: Case, level: int) -> float:
    """The drawn depth of a level's deepest channel.

    Args:
        case, level: whose channels.

    Returns:
        µm; zero where it has none.
    """
    layers = case.job.layout.channel_layers
    return max((layer.depth_um or 0.0 for layer in layers if layer.level == level), default=0.0)


def wall_material(case: Case) -> Entry:
    """What the side walls of the channels are made of.

    Args:
        case: its process tells.

    Returns:
        The silicone of a cast, or the resin of a print.
    """
    silicone = case.process.facts.get("silicone")
    if silicone is not None:
        return case.job.catalogue.get("silicones", silicone)
    return prints.resin(case.job)


def silicone_stiffness(case: Case) -> Range:
    """Plane stiffness of the cast silicone.

    Args:
        case: of a route that casts.

    Returns:
        E* in Pa, from the silicone's own modulus and the Poisson's ratio of the rule `roof_sag`.
    """
    modulus = case.job.bench["silicone"].quantity("modulus_mpa")
    poisson_ratio = rule_range(case, "roof_sag", "poisson_ratio").best
    return Limit.of(modulus).value.map(
        lambda mpa: plane_modulus_pa(modulus_pa=mpa * 1e6, poisson_ratio=poisson_ratio)
    )
