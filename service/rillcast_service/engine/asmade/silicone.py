"""Casting silicone: the mould is scaled so that the shrunk cast has the drawn size."""

from __future__ import annotations

from dataclasses import replace

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.curing import shrinkage_percent
from rillcast_service.engine.ranges import Range


def mould_scale(silicone: Entry, *, cure_temperature_c: float) -> float:
    """Factor by which every length of the mould is drawn larger.

    Args:
        silicone: gives the shrinkage; cure_temperature_c: at which it cures.

    Returns:
        1/(1 − s), with s the linear shrinkage at that temperature.
    """
    return 1.0 / (1.0 - shrinkage_percent(silicone, cure_temperature_c).best / 100.0)


def made_by_casting(channel: MadeChannel, silicone: Entry, *, cure_temperature_c: float) -> MadeChannel:
    """A channel cast on a ridge of a mould that was scaled for this cure.

    Args:
        channel: the ridge as it came out, at the size of the drawing: what it measures over the scale.
        silicone, cure_temperature_c: what is cast and how it cures.

    Returns:
        The cast channel: as the ridge, its depth with the doubt that the shrinkage leaves.
    """
    shrinkage = shrinkage_percent(silicone, cure_temperature_c)
    scale = mould_scale(silicone, cure_temperature_c=cure_temperature_c)
    depth = channel.depth_um
    low = depth.low * scale * (1.0 - shrinkage.high / 100.0)
    high = depth.high * scale * (1.0 - shrinkage.low / 100.0)
    return replace(channel, depth_um=Range(low, depth.best, high))
