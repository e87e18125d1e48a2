"""Rules about walls that stand between channels: whether they lean, tear or stick together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiLineString, MultiPolygon

from rillcast_service.engine.asmade import elasticity
from rillcast_service.engine.checks.limits import Limit, quantity_limit, rule_range
from rillcast_service.engine.checks.places import (
    by_severity,
    deepest_um,
    depth_at_um,
    silicone_stiffness,
    walls_and_islands,
)
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, of_level, um_least, um_most
from rillcast_service.engine.layout.measure import Span
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Finding
from rillcast_service.engine.shapes import drawn_levels

#: How far a chord is followed into the channels beside a wall; a wider one is too far to touch across.
_REACH_UM = 1000.0
_ON_WALL_MM = 1e-3


@dataclass(frozen=True, slots=True)
class _Standing:
    """A wall: how slender it is, how slender it may be, and its chord."""

    ratio: float
    limit: Limit
    sticks: bool
    depth_um: float
    chord: LineString


@rule("wall_slenderness")
def wall_slenderness(case: Case) -> Iterator[Finding]:
    """Height over thickness of the walls between channels, each level by itself.

    Slender walls tear when the cast is peeled off its mould, and lean; two soft ones that touch once stick
    together where adhesion pays for the bending (`elasticity.sticking_height_m`). The lower of both limits
    counts.
    """
    limit = quantity_limit(case, "wall_slenderness", "aspect_ratio")
    gap, width = case.drawn.gap, case.drawn.width
    if limit is None or gap is None or width is None:
        return
    for level, channels in drawn_levels(case.job.layout).items():
        below_um = deepest_um(case, level) / limit.value.low
        if gap.length_um < below_um:
            walls, _ = walls_and_islands(case, channels, below_um=below_um)
            standing = [_standing(case, level, limit, span, channels) for span in walls]
            yield from _leaning(standing, of_level(case, level))


def _leaning(standing: list[_Standing], where: str) -> Iterator[Finding]:
    for severity, found in by_severity(
        [(wall.limit.severity_of_too_large(wall.ratio), wall) for wall in standing]
    ):
        # walls of several limits are told by the one that is farthest beyond its own
        worst = max(found, key=lambda wall: wall.ratio / wall.limit.value.best)
        others = f" ({count(len(found), 'place')} like it)" if len(found) > 1 else ""
        danger = (
            "where it touches its neighbour it sticks" if worst.sticks else "it leans, or tears in peeling"
        )
        safe = worst.limit.value.low
        yield Finding(
            rule="wall_slenderness",
            severity=severity,
            message=(
                f"A wall between channels{where} stands {worst.ratio:.1f} times as high as thick{others}: "
                f"{danger}; {safe:.2g} is safe and {worst.limit.value.best:.2g} the most."
            ),
            remedy=(
                f"Make it {um_least(worst.depth_um / safe)} thick, or the channels beside it "
                f"{um_most(worst.depth_um * safe / worst.ratio)} deep."
            ),
            measured=worst.ratio,
            **worst.limit.shown,
            unit="1",
            where=MultiLineString([wall.chord for wall in found]),
        )


def _standing(case: Case, level: int, limit: Limit, span: Span, channels: MultiPolygon) -> _Standing:
    depth_um = depth_at_um(case, level, span.chord)
    # whole micrometres, as of every wall
    thickness_um = float(max(round(span.length_um), 1))
    ratio = round(depth_um / thickness_um, 2)
    silicone = case.process.facts.get("silicone")
    gap_um = _channel_beside_um(span, channels) if silicone is not None else None
    if silicone is None or gap_um is None:
        return _Standing(ratio, limit, False, depth_um, span.chord)
    plane, adhesion = silicone_stiffness(case), rule_range(case, "roof_sag", "adhesion_j_per_m2")
    low, best, high = (
        1e6
        * elasticity.sticking_height_m(
            thickness_m=thickness_um * 1e-6, gap_m=gap_um * 1e-6, plane_pa=stiffness, adhesion_j_per_m2=work
        )
        / thickness_um
        for stiffness, work in (
            (plane.low, adhesion.high),
            (plane.best, adhesion.best),
            (plane.high, adhesion.low),
        )
    )
    if best >= limit.value.best:
        return _Standing(ratio, limit, False, depth_um, span.chord)
    source = case.job.catalogue.rules["roof_sag"]["adhesion_j_per_m2"]["source"]
    sticking = Limit(
        Range(min(low, limit.value.low), best, high), f"elastic model of sticking; adhesion: {source}"
    )
    return _Standing(ratio, sticking, True, depth_um, span.chord)


def _channel_beside_um(span: Span, channels: MultiPolygon) -> float | None:
    """Width, along a chord through a wall, of the narrower of the channels on both its sides."""
    ends = np.asarray(span.chord.coords)
    along = ends[-1] - ends[0]
    length = float(np.hypot(*along))
    if length <= 0.0:
        return None
    reach = along * (_REACH_UM / (1000.0 * length))
    widths = []
    for end, way in ((ends[0], -reach), (ends[-1], reach)):
        ray = LineString([end, end + way])
        inside = shapely.get_parts(shapely.intersection(ray, channels))
        near = [
            part.length for part in inside if part.distance(shapely.Point(end)) < _ON_WALL_MM and part.length
        ]
        widths += near
    return 1000.0 * min(widths) if widths else None
