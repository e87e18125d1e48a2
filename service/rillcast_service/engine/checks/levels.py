"""Rules about channels in several planes: whether the route makes them, and whether the body holds them."""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely import Geometry

from rillcast_service.engine.checks.limits import Limit, least_size_um, quantity_limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, in_doubt, mm, mm_least, um
from rillcast_service.engine.result import Finding
from rillcast_service.engine.shapes import crossings, drawn_levels


@rule("levels")
def levels(case: Case) -> Iterator[Finding]:
    """No more levels than the route makes: one moulded or bonded face holds the channels of one plane."""
    limit = quantity_limit(case, "levels", "most_count")
    planes = drawn_levels(case.job.layout)
    severity = limit.severity_of_too_large(len(planes)) if limit is not None else None
    if limit is None or severity is None:
        return
    crossed = crossings(planes, [port.opening for port in case.job.layout.ports])
    where: Geometry = crossed
    if crossed.is_empty:
        where = shapely.union_all(list(planes.values())[1:])
        cross = "cross nowhere"
        remedy = "Put all channels on level 1: they meet at ports alone, so no flow changes."
    else:
        cross = f"cross at {count(len(crossed.geoms), 'place')}"
        remedy = (
            "Move what crosses apart in the plan and put all channels on level 1, put them there as they are "
            "if they may join, or print the chip in one piece."
        )
    yield Finding(
        rule="levels",
        severity=severity,
        message=(
            f"The channels lie on {len(planes)} levels and {cross}; this route makes "
            f"{count(round(limit.value.best), 'level')}, the one at the face that is closed."
        ),
        remedy=remedy,
        measured=float(len(planes)),
        **limit.shown,
        unit="levels",
        where=where,
    )


@rule("level_stack")
def level_stack(case: Case) -> Iterator[Finding]:
    """A body thick enough for all levels, the floors between them and the cover on both sides.

    Level 1 lies next to the lid's side under its cover, each further level below the one before with the
    least floor between, and below the last again the cover. Every level takes its deepest channel, as
    drawn or, where that is more, as made.
    """
    floor = least_size_um(case, "level_stack")
    cover = quantity_limit(case, "cover", "least_mm")
    depths_um: dict[int, float] = {}
    for layer, channel in zip(case.job.layout.channel_layers, case.as_made.channels, strict=True):
        deepest = max(layer.depth_um or 0.0, channel.depth_um.high)
        depths_um[layer.level] = max(deepest, depths_um.get(layer.level, 0.0))
    if floor is None or cover is None or len(depths_um) < 2:
        return
    channels_um = sum(depths_um.values())
    floors_mm = floor.value * ((len(depths_um) - 1) / 1000.0)
    needed = cover.value * 2.0 + floors_mm + channels_um / 1000.0
    limit = Limit(needed, f"cover: {cover.source}; floor: {floor.source}")
    thickness_mm = case.job.chip.thickness_mm
    severity = limit.severity_of_too_small(round(thickness_mm, 3))
    if severity is None:
        return
    yield Finding(
        rule="level_stack",
        severity=severity,
        message=(
            f"{len(depths_um)} levels with {um(channels_um)} of channels, {um(floor.value.best)} of floor "
            f"between them and {mm(cover.value.best)} over and under them take {mm(needed.best)}; the chip "
            f"is {mm(thickness_mm)} thick.{in_doubt(case, floor)}"
        ),
        remedy=(
            f"Make the chip {mm_least(needed.high)} thick, the channels shallower, or join levels that need "
            "not cross."
        ),
        measured=thickness_mm,
        **limit.shown,
        unit="mm",
    )
