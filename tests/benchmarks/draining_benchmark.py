"""How long it takes to push a card-size layout clear, against solving its flow; run it by hand.

    python tests/benchmarks/draining_benchmark.py

The yardstick is the flow solution that draining builds on, of the same run and the same grid.
"""

from __future__ import annotations

from flow_benchmark import card, timed

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.draining import drain
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.ranges import Range


def main() -> None:
    """Print the ratio, and what was pushed."""
    geometry, ports = card()
    made = [MadeChannel("channels", geometry, Range.exact(150.0))]
    solving, hydraulics = timed(
        lambda: solve(made, ports, viscosity_pa_s=1e-3, density_kg_per_m3=998.0, flow_ul_per_min=10.0)
    )
    draining, drained = timed(
        lambda: drain(hydraulics, still_share=0.01, bypass_ratio=1.2, cleared_share=0.98)
    )
    cells = sum(len(level.depth_mm) for level in hydraulics.levels)
    print(f"{cells} cells, {len(ports)} ports, {len(drained.pushes)} pushes")
    print(f"measure, sample, factorise and solve: 1 ({solving:.2f} s on this machine)")
    print(f"draining on top of it: {draining / solving:.2f} ({draining:.2f} s)")
    print(f"of that for each push: {draining / solving / len(drained.pushes):.3f}")


if __name__ == "__main__":
    main()
