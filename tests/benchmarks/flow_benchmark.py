"""How long measuring, sampling and solving a card-size layout take; run it by hand.

    python tests/benchmarks/flow_benchmark.py

The yardstick is one bare SuperLU factorisation of the same matrix: everything else is given as a
multiple of it, so that the figures mean the same on any machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu
from shapely import LineString, MultiPolygon, Point, box, union_all

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.layout.grid import Grid, fit
from rillcast_service.engine.layout.measure import measure
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range


def card() -> tuple[MultiPolygon, list[Port]]:
    """A card of 85 × 54 mm: a serpentine of 0.9 m, 200 µm wide, three chambers and three ports."""
    points = [(4 + 1.0 * (k // 2), 4 + 14.0 * (((k + 1) // 2) % 2)) for k in range(124)]
    serpentine = LineString(points).buffer(0.1, join_style="mitre")
    chambers = [box(10 + 22 * k, 30, 15 + 22 * k, 35) for k in range(3)]
    feed = LineString([points[-1], (80, 32.5), (5, 32.5)]).buffer(0.1)
    merged = union_all([serpentine, feed, *chambers])
    geometry = merged if isinstance(merged, MultiPolygon) else MultiPolygon([merged])
    ports = [
        Port("in", PortRole.INLET, Point(points[0]).buffer(0.75), 1.5),
        Port("side", PortRole.INLET, Point(80, 32.5).buffer(0.75), 1.5),
        Port("out", PortRole.OUTLET, Point(5, 32.5).buffer(0.75), 1.5),
    ]
    return geometry, ports


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Seconds, the better of two runs, and what came out."""
    best, result = np.inf, None
    for _ in range(2):
        started = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - started)
    return float(best), result


def bare_factorisation(grid: Grid) -> object:
    """SuperLU on the Laplacian of the grid's faces, nothing else."""
    a, b = grid.face.T
    count = len(grid.cell)
    off = coo_array((-grid.aperture, (a, b)), shape=(count, count)).tocsc()
    off = off + off.T
    places = np.arange(count)
    diagonal = coo_array((-np.asarray(off.sum(axis=0)).ravel() + 1e-9, (places, places)))
    matrix = (off + diagonal).tocsc()
    return splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})


def main() -> None:
    """Print each part in seconds and as a multiple of the bare factorisation."""
    geometry, ports = card()
    channel = MadeChannel("channels", geometry, Range.exact(150.0))
    measuring, measured = timed(lambda: measure(geometry))
    sampling, fitted = timed(lambda: fit(geometry, measured))
    bare, _ = timed(lambda: bare_factorisation(fitted.grid))
    whole, _ = timed(
        lambda: solve(
            [channel],
            ports,
            viscosity_pa_s=1e-3,
            density_kg_per_m3=998.0,
            flow_ul_per_min=50.0,
            measured={1: measured},
        )
    )
    print(f"{len(fitted.grid.cell)} cells, {len(fitted.grid.face)} faces")
    for name, seconds in (
        ("bare factorisation", bare),
        ("measuring width and gap", measuring),
        ("sampling and checking the grid", sampling),
        ("all of solve(), measuring apart", whole),
    ):
        print(f"{name:34s} {seconds:7.3f} s  {seconds / bare:5.2f} ×")


if __name__ == "__main__":
    main()
