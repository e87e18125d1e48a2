"""How long following the streams of a card-size layout and mixing them takes; run it by hand.

    python tests/benchmarks/mixing_benchmark.py

The yardstick is that of flow_benchmark.py: one bare SuperLU factorisation of the same matrix.
"""

from __future__ import annotations

from flow_benchmark import bare_factorisation, card, timed

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.fluidics.mixing import Mixing
from rillcast_service.engine.fluidics.streams import follow
from rillcast_service.engine.ranges import Range


def main() -> None:
    """Print each part in seconds and as a multiple of the bare factorisation."""
    geometry, ports = card()
    hydraulics = solve(
        [MadeChannel("channels", geometry, Range.exact(150.0))],
        ports,
        viscosity_pa_s=1e-3,
        density_kg_per_m3=998.0,
        flow_ul_per_min=50.0,
    )
    grid = hydraulics.problems[0].field.grid
    bare, _ = timed(lambda: bare_factorisation(grid))
    following, streams = timed(lambda: follow(hydraulics))

    def mix() -> None:
        mixing = Mixing(hydraulics, streams, diffusivity_m2_per_s=4.25e-10)
        for place in mixing.outlets():
            mixing.remedy(place, 0.9)

    mixed, _ = timed(mix)
    print(f"{len(grid.cell)} cells, {len(streams.runs)} runs")
    for name, seconds in (
        ("bare factorisation", bare),
        ("following the streams", following),
        ("mixing them, with remedies", mixed),
    ):
        print(f"{name:34s} {seconds:7.3f} s  {seconds / bare:5.2f} ×")


if __name__ == "__main__":
    main()
