"""Rules about islands: material that stands free in a channel, or pits of the mould that cast it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from shapely import MultiPolygon, Polygon

from rillcast_service.engine.checks.limits import Limit, least_size_um, quantity_limit
from rillcast_service.engine.checks.places import by_severity, deepest_um, depth_at_um, walls_and_islands
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import (
    count,
    enough_um,
    in_doubt,
    of_level,
    or_finer,
    um,
    um_least,
    um_most,
)
from rillcast_service.engine.result import Finding
from rillcast_service.engine.shapes import drawn_levels


@dataclass(frozen=True, slots=True)
class _Island:
    """An island and what was measured of it, in the unit of the rule."""

    measured: float
    outline: Polygon


@rule("island_size")
def island_size(case: Case) -> Iterator[Finding]:
    """Islands at least as wide as the machine resolves, as drawn, each level by itself."""
    limit = least_size_um(case, "island_size")
    if limit is None or case.drawn.gap is None:
        return
    for level, channels in drawn_levels(case.job.layout).items():
        _, islands = walls_and_islands(case, channels, below_um=limit.value.high)
        # whole micrometres: curves are flattened to about one, and no bench measures finer
        places = [_Island(round(span.length_um), outline) for span, outline in islands]
        for severity, found in by_severity(
            [(limit.severity_of_too_small(island.measured), island) for island in places]
        ):
            least = min(island.measured for island in found)
            yield Finding(
                rule="island_size",
                severity=severity,
                message=(
                    f"The smallest island{of_level(case, level)} is {um(least)} wide"
                    f"{_alike(found)}; this route makes {um(limit.value.best)} and up."
                    f"{in_doubt(case, limit)}"
                ),
                remedy=(
                    f"Widen it to {enough_um(limit, severity)}"
                    f"{or_finer(case, 'island_size', drawn_um=least)}; or leave it out."
                ),
                measured=least,
                **limit.shown,
                unit="µm",
                where=_all_of(found),
            )


@rule("island_slenderness")
def island_slenderness(case: Case) -> Iterator[Finding]:
    """Height over least width of islands that stand in a channel: taller ones lean, fall over or tear off."""
    yield from _slender(case, "island_slenderness", "An island", "stands {} times as high as wide")


@rule("mould_pits")
def mould_pits(case: Case) -> Iterator[Finding]:
    """Depth over least width of the pits that islands are in a mould.

    A pit is closed all around by a ridge: resin and solvent stay in it, and the post of silicone that is
    cast in it tears or leans.
    """
    yield from _slender(
        case, "mould_pits", "An island is a pit of the mould that", "is {} times as deep as wide"
    )


def _slender(case: Case, rule_id: str, thing: str, how: str) -> Iterator[Finding]:
    limit = quantity_limit(case, rule_id, "aspect_ratio")
    if limit is None or case.drawn.gap is None:
        return
    for level, channels in drawn_levels(case.job.layout).items():
        below_um = deepest_um(case, level) / limit.value.low
        if case.drawn.gap.length_um < below_um:
            yield from _slender_on(case, rule_id, limit, (level, channels), below_um, f"{thing} {how}")


def _slender_on(
    case: Case, rule_id: str, limit: Limit, on: tuple[int, MultiPolygon], below_um: float, told: str
) -> Iterator[Finding]:
    level, channels = on
    _, islands = walls_and_islands(case, channels, below_um=below_um)
    places = [
        _Island(round(depth_at_um(case, level, outline) / max(round(span.length_um), 1), 2), outline)
        for span, outline in islands
    ]
    for severity, found in by_severity(
        [(limit.severity_of_too_large(island.measured), island) for island in places]
    ):
        worst = max(found, key=lambda island: island.measured)
        depth_um = depth_at_um(case, level, worst.outline)
        yield Finding(
            rule=rule_id,
            severity=severity,
            message=(
                f"{told.format(f'{worst.measured:.1f}')}{_alike(found)}{of_level(case, level)}; "
                f"{limit.value.low:g} is safe and {limit.value.best:g} the most."
            ),
            remedy=(
                f"Widen it to {um_least(depth_um / limit.value.low)}, or make the channel around it "
                f"{um_most(depth_um * limit.value.low / worst.measured)} deep."
            ),
            measured=worst.measured,
            **limit.shown,
            unit="1",
            where=_all_of(found),
        )


def _alike(found: list[_Island]) -> str:
    return f" ({count(len(found), 'island')} like it)" if len(found) > 1 else ""


def _all_of(found: list[_Island]) -> MultiPolygon:
    return MultiPolygon([island.outline for island in found])
