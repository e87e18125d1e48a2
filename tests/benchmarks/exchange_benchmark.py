"""How long mean age and exchange times of a card-size layout take, and how they grow; run it by hand.

    python tests/benchmarks/exchange_benchmark.py

The yardstick is one bare SuperLU factorisation of the flow's matrix, as in flow_benchmark.py.
"""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
from flow_benchmark import bare_factorisation, card, timed

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.exchange import Fineness, exchange, mean_age_s
from rillcast_service.engine.fluidics.hydraulics import Hydraulics, solve
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.measure import measure
from rillcast_service.engine.ranges import Range

DIFFUSIVITY = 4.25e-10
FINENESS = Fineness(slow_ratio=3.0, still_peclet=10.0, most_share=0.95, ring_bores=0.5, places=10)


def flow(across: float) -> Hydraulics:
    """The card's flow on a grid of so many cells across its channels."""
    geometry, ports = card()
    return solve(
        [MadeChannel("channels", geometry, Range.exact(150.0))],
        ports,
        viscosity_pa_s=1e-3,
        density_kg_per_m3=998.0,
        flow_ul_per_min=50.0,
        measured={1: measure(geometry)},
        sampling=Sampling(cells_across=across, least_cells_across=3.0, cells_max=2_500_000),
    )


def main() -> None:
    """Print each part as a multiple of the bare factorisation, at several finenesses."""
    counts, seconds = [], []
    for across in (4.0, 6.0, 8.0, 12.0):
        solving, hydraulics = timed(lambda across=across: flow(across))
        assert isinstance(hydraulics, Hydraulics)
        cells = len(hydraulics.levels[0].depth_mm)
        grid = hydraulics.levels[0].fitted.grid
        bare, _ = timed(lambda grid=grid: bare_factorisation(grid))
        age, _ = timed(lambda own=hydraulics: mean_age_s(own, diffusivity_m2_per_s=DIFFUSIVITY))
        whole, found = timed(
            lambda own=hydraulics: exchange(own, diffusivity_m2_per_s=DIFFUSIVITY, fineness=FINENESS)
        )
        tracemalloc.start()
        exchange(hydraulics, diffusivity_m2_per_s=DIFFUSIVITY, fineness=FINENESS)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        outlet = found.outlets[0]  # type: ignore[attr-defined]
        by_volume = found.exchanged_m3 / found.flow_m3_per_s  # type: ignore[attr-defined]
        print(f"{cells} cells; outlet age over volume/flow - 1: {outlet.age_s / by_volume - 1.0:.1e}")
        for name, value in (
            ("flow, with measuring", solving),
            ("mean age", age),
            ("mean age, 95 and 99 % times, slow places", whole),
        ):
            print(f"  {name:42s} {value:7.3f} s  {value / bare:5.2f} x")
        print(f"  peak of arrays, factors apart: {peak / cells:.0f} B per cell")
        counts.append(math.log(cells))
        seconds.append(math.log(whole))
    print(f"growth exponent {np.polyfit(counts, seconds, 1)[0]:.2f}")


if __name__ == "__main__":
    main()
