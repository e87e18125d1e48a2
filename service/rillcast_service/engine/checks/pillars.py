"""Pillars as a remedy: how thick and how far apart, so that they carry a roof and can be made."""

from __future__ import annotations

import math

from rillcast_service.engine.checks.limits import least_size_um
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.checks.words import mm_most, um_least


def in_square(case: Case, *, free_mm: float) -> str:
    """A square grid of pillars between which no more than a given roof is free.

    Args:
        case: its rules for islands and channels say what pillars the machine makes, and how near together.
        free_mm: diameter of the largest disc that may lie free between four pillars.

    Returns:
        Such as `Set pillars of 300 µm 0.91 mm apart from centre to centre in it`; nothing where the machine
        makes no pillars so close. The pitch is (free + diameter as made) / √2: the disc touches the pillars
        at the corners of a square.
    """
    island, channel = (least_size_um(case, rule_id) for rule_id in ("island_size", "channel_width"))
    diameter_um = math.ceil(island.value.high) if island is not None else 0
    made_um = max(diameter_um - max(case.as_made.width_change_um.high, 0.0), 0.0)
    pitch_mm = (free_mm + made_um / 1000.0) / math.sqrt(2.0)
    between_um = 1000.0 * pitch_mm - diameter_um
    if between_um < (channel.value.high if channel is not None else 0.0):
        return ""
    return f"Set pillars of {um_least(diameter_um)} {mm_most(pitch_mm)} apart from centre to centre in it"
