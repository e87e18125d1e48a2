"""Photolithographic moulds: thick resist on a wafer, spun in one film or several."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.shapes import offset

#: Heights that differ by less than this share of a film are the same.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Step:
    """What is spun on a wafer for one channel depth, over what the shallower ones have.

    Args:
        depth_um: of the channels whose ridges end here; bottom_um: where the step begins.
        films: spun one over another before the step is exposed, equally high.
    """

    depth_um: float
    bottom_um: float
    films: int

    @property
    def film_um(self) -> float:
        """Height of one of its films."""
        return (self.depth_um - self.bottom_um) / self.films


def spun_steps(depths_um: Iterable[float], mould: Entry) -> tuple[Step, ...]:
    """How ridges of several depths are built up: each from the next shallower one, and exposed there.

    The shallowest is spun first, over the whole wafer, and all is developed at the end, so every film is spun
    on an even face and needs a mask only where a depth ends.

    Args:
        depths_um: of the channels; mould: gives `max_height_um`, what one film reaches.

    Returns:
        The steps, the shallowest first.
    """
    most_um, steps, bottom_um = mould.number("max_height_um"), [], 0.0
    for depth_um in sorted(set(depths_um)):
        films = max(math.ceil((depth_um - bottom_um) / most_um - _ROUNDING), 1)
        steps.append(Step(depth_um, bottom_um, films))
        bottom_um = depth_um
    return tuple(steps)


def made_on_wafer(layer: Layer, mould: Entry, steps: tuple[Step, ...]) -> tuple[MadeChannel, Range]:
    """A ridge of developed resist.

    Args:
        layer: the drawn channel layer, with its depth.
        mould: the process, with `sidewall_bias_um` (growth of each edge) and
            `height_tolerance_percent` (of every spun film).
        steps: of the whole wafer, among them that of this depth.

    Returns:
        The ridge, and made minus drawn width in µm.

    Formula: films err independently, so a ridge of films h₁, h₂, … errs by t √(h₁² + h₂² + …).
    """
    if layer.depth_um is None:
        raise ValueError(f"layer {layer.name!r} has no depth")
    bias = mould.quantity("sidewall_bias_um")
    change = Range(2.0 * bias.low, 2.0 * bias.value, 2.0 * bias.high)
    below = [step for step in steps if step.depth_um <= layer.depth_um]
    squares = math.fsum(step.films * step.film_um**2 for step in below)
    off_um = mould.number("height_tolerance_percent") / 100.0 * math.sqrt(squares)
    depth = Range(layer.depth_um - off_um, layer.depth_um, layer.depth_um + off_um)
    geometry = offset(layer.geometry, bias.value / 1000.0)
    return MadeChannel(layer.name, geometry, depth, layer.level), change
