"""Photolithographic moulds: thick resist on a wafer."""

from __future__ import annotations

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.shapes import offset


def made_on_wafer(layer: Layer, mould: Entry) -> tuple[MadeChannel, Range]:
    """A ridge of developed resist.

    Args:
        layer: the drawn channel layer, with its depth.
        mould: the process, with `sidewall_bias_um` (growth of each edge) and
            `height_tolerance_percent` (of the spun film).

    Returns:
        The ridge, and made minus drawn width in µm.
    """
    if layer.depth_um is None:
        raise ValueError(f"layer {layer.name!r} has no depth")
    bias = mould.quantity("sidewall_bias_um")
    change = Range(2.0 * bias.low, 2.0 * bias.value, 2.0 * bias.high)
    tolerance = mould.number("height_tolerance_percent") / 100.0
    depth = Range(layer.depth_um * (1.0 - tolerance), layer.depth_um, layer.depth_um * (1.0 + tolerance))
    geometry = offset(layer.geometry, bias.value / 1000.0)
    return MadeChannel(layer.name, geometry, depth, layer.level), change
