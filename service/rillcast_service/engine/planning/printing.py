"""How long a masked vat photopolymerisation print takes: a matter of height, not of parts."""

from __future__ import annotations

import math

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.ranges import Range


def layers(height_mm: float, layer_um: float) -> int:
    """Layers of a print.

    Args:
        height_mm: along the build axis; layer_um: layer thickness.

    Returns:
        The count, rounded up to whole layers.
    """
    # a thousandth of a layer is rounding of the height, not another layer
    return max(1, math.ceil(height_mm * 1000.0 / layer_um - 1e-3))


def print_time_s(
    *,
    layers_count: int,
    exposure_s: float,
    move_s: float,
    base_layers_count: float,
    base_exposure_s: float,
    setup_s: float,
) -> float:
    """Time of one print.

    Args:
        layers_count: N, layers in all.
        exposure_s: of a layer; move_s: lift, return and rest of a layer.
        base_layers_count: N_b, layers with the longer base_exposure_s (no more than N).
        setup_s: homing, heating and settling before the first layer.

    Returns:
        Time in s.

    Formula: t = N (t_exp + t_move) + N_b (t_bexp − t_exp) + t_setup.
    Source: common practice, no source (every layer of a masked exposure takes the same time).
    """
    base = min(base_layers_count, layers_count)
    return layers_count * (exposure_s + move_s) + base * (base_exposure_s - exposure_s) + setup_s


def print_time_min(printer: Entry, resin: Entry, *, height_mm: float) -> Range:
    """Time of one print on a printer with a resin.

    Args:
        printer: gives layer_um, base_layers_count, base_exposure_s, move_s and setup_min.
        resin: gives exposure_s.
        height_mm: of the tallest object on the plate.

    Returns:
        Time in min; the range follows exposure, movement and setup end to end.
    """
    count = layers(height_mm, printer.number("layer_um"))

    def minutes(pick: str) -> float:
        def number(entry: Entry, key: str) -> float:
            return float(getattr(entry.quantity(key), pick))

        seconds = print_time_s(
            layers_count=count,
            exposure_s=number(resin, "exposure_s"),
            move_s=number(printer, "move_s"),
            base_layers_count=printer.number("base_layers_count"),
            base_exposure_s=number(printer, "base_exposure_s"),
            setup_s=60.0 * number(printer, "setup_min"),
        )
        return seconds / 60.0

    return Range(minutes("low"), minutes("value"), minutes("high"))
