"""How long it takes to work out what is made of a card-size layout, and to review it; run it by hand.

    python tests/benchmarks/asmade_benchmark.py            # one card, and 1 to 16 tiles
    python tests/benchmarks/asmade_benchmark.py --tiles 64
    python tests/benchmarks/asmade_benchmark.py --profile

The yardstick is what an image library would need for the first steps alone: filling the pixels, one
distance transform and one blur for each printer, at its pitch. Flow, codes and draining are apart.
"""

from __future__ import annotations

import argparse
import cProfile
import math
import pstats
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
from flow_benchmark import card
from scipy.ndimage import distance_transform_edt, gaussian_filter
from shapely import MultiPolygon, box, union_all
from shapely.affinity import translate

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.asmade import pixels
from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.asmade.topology import compare
from rillcast_service.engine.checks import Case
from rillcast_service.engine.checks.registry import registered
from rillcast_service.engine.fluidics.cavities import find_cavities
from rillcast_service.engine.job import BENCH_KINDS, Bench, Chip, Job, Terms, Use
from rillcast_service.engine.layout import measure as measuring
from rillcast_service.engine.layout.grid import coverage
from rillcast_service.engine.layout.model import Layer, Layout, Role
from rillcast_service.engine.routes.base import BuildVariant, Route
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.shapes import drawn_levels, made_levels

#: Rules that read codes or push resin out have benchmarks of their own.
APART = {"code_legible", "mark_reversed", "drain_time", "drain_reach", "trapped_resin"}
CATALOGUE = load()
#: From the channels to the edge of the chip.
LAND_MM = 4.0


def job(geometry: MultiPolygon) -> Job:
    """A job for a layout of channels alone, on the default bench."""
    outline = box(*geometry.buffer(LAND_MM).bounds)
    layer = Layer("channels", Role.CHANNELS, geometry, 150.0, len(geometry.geoms))
    names = {key: str(CATALOGUE.defaults[key].value) for key in BENCH_KINDS}
    entries = {key: CATALOGUE.get(BENCH_KINDS[key], name) if name else None for key, name in names.items()}
    return Job(
        layout=Layout("card", "svg", (layer,), (), outline, flattening_um=1.0),
        chip=Chip(outline=outline, thickness_mm=4.0, lid="glass", viewed_from="lid"),
        use=Use(
            CATALOGUE.get("liquids", "water"),
            22.0,
            0.955e-3,
            997.8,
            50.0,
            (),
            None,
            diffusivity_m2_per_s=4e-10,
        ),
        bench=Bench(entries),
        catalogue=CATALOGUE,
        quantity=24,
        start=datetime(2027, 3, 1, 9, 0, tzinfo=ZoneInfo("Europe/Berlin")),
        aim="price",
        deadline=None,
        first_article=False,
        terms=Terms(Decimal(15), Decimal(20), Decimal(0), Decimal(19), "EUR"),
        seed=1,
    )


def forget() -> None:
    """Every run measures all that it asks for."""
    for remembered in (measuring.measure, measuring.narrow_spans, measuring.narrow_gaps, pixels.outline):
        remembered.cache_clear()


def timed(work: Callable[[], object]) -> float:
    """Processor seconds, the better of two runs."""
    spent = []
    for _ in range(2):
        forget()
        started = time.process_time()
        work()
        spent.append(time.process_time() - started)
    return min(spent)


def yardstick(geometry: MultiPolygon) -> None:
    """All of the card filled, one distance transform and one blur, for the one printer of all routes."""
    printer = CATALOGUE.get("printers", str(CATALOGUE.defaults["printer"].value))
    pitch_mm = printer.number("pixel_x_um") / 1e3
    sigma = printer.number("light_spread_um") / printer.number("pixel_x_um")
    x0, y0, x1, y1 = geometry.buffer(LAND_MM).bounds
    column, row, share = coverage(geometry, origin_mm=(x0, y0), pitch_mm=(pitch_mm, pitch_mm))
    image = np.zeros((math.ceil((y1 - y0) / pitch_mm), math.ceil((x1 - x0) / pitch_mm)))
    image[row, column] = share
    distance_transform_edt(image >= 0.5)
    gaussian_filter(image, sigma)


def all_routes(task: Job) -> dict[str, float]:
    """As made and review of every route and variant; seconds by what they were spent on."""
    spent = {"as made": 0.0, "measuring": 0.0, "topology": 0.0, "cavities": 0.0, "rules": 0.0}

    def clocked(name: str, work: Callable[[], object]) -> object:
        started = time.process_time()
        result = work()
        spent[name] += time.process_time() - started
        return result

    for route in load_routes(CATALOGUE).values():
        for variant in route.variants(task):
            _review(task, route, variant, clocked)
    return spent


def _review(task: Job, route: Route, variant: BuildVariant, clocked: Callable[..., object]) -> None:
    as_made = clocked("as made", lambda: route.as_made(task, variant))
    assert isinstance(as_made, AsMade)
    levels = {key: (drawn_levels(task.layout)[key], made) for key, made in made_levels(as_made).items()}
    drawn, made = (
        measuring.least([clocked("measuring", lambda one=one: measuring.measure(one)) for one in side])  # type: ignore[misc]
        for side in zip(*levels.values(), strict=True)
    )
    for one, other in levels.values():
        clocked("topology", lambda one=one, other=other: compare(one, other, reach_um=as_made.width_reach_um))
    open_channels = tuple(
        replace(channel, depth_um=channel.depth_um.map(lambda depth: max(depth, 1.0)))
        for channel in as_made.channels
    )
    cavities = clocked("cavities", lambda: find_cavities(open_channels, task.layout.ports))
    process = route.process(task, variant)
    case = Case(
        job=task,
        route=route,
        variant=variant,
        process=process,
        as_made=as_made,
        drawn=drawn,
        made=made,
        cavities=cavities,
        fluidics=None,
    )
    for name in route.rules:
        if name not in APART:
            clocked("rules", lambda name=name: list(registered()[name](case)))


def tiled(count: int) -> MultiPolygon:
    """So many copies of a small patch of channels in a square."""
    side = math.isqrt(count)
    patch = union_all(
        [box(1, 1 + 1.0 * k, 9, 1.2 + 1.0 * k) for k in range(8)]
        + [box(1 + 8 * (k % 2), 1 + 1.0 * k, 1.2 + 7.6 * (k % 2), 2.2 + 1.0 * k) for k in range(7)]
    )
    copies = [translate(patch, 10.0 * (k % side), 10.0 * (k // side)) for k in range(count)]
    return MultiPolygon([part for copy in copies for part in getattr(copy, "geoms", [copy])])


def main() -> None:
    """Print each part in seconds and as a multiple of the yardstick, and how time grows with the layout."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tiles", type=int, default=16, help="largest tiled layout, a square number")
    parser.add_argument("--profile", action="store_true", help="where the time goes")
    arguments = parser.parse_args()

    geometry, _ = card()
    task = job(geometry)
    bare = timed(lambda: yardstick(geometry))
    whole = timed(lambda: all_routes(task))
    forget()
    parts = all_routes(task)
    print(f"{'pixels, distance, blur':26s} {bare:7.3f} s")
    print(f"{'as made and review':26s} {whole:7.3f} s  {whole / bare:5.2f} ×")
    for name, seconds in parts.items():
        print(f"  {name:24s} {seconds:7.3f} s  {seconds / bare:5.2f} ×")

    counts = [count for count in (1, 4, 16, 64) if count <= arguments.tiles]
    spent = [timed(lambda count=count: all_routes(job(tiled(count)))) for count in counts]  # type: ignore[misc]
    for count, seconds in zip(counts, spent, strict=True):
        print(f"{count:4d} tiles                  {seconds:7.3f} s")
    slope = np.polyfit(np.log(counts), np.log(spent), 1)[0]
    print(
        f"growth exponent {slope:.2f}; of the last step {math.log(spent[-1] / spent[-2]) / math.log(4):.2f}"
    )

    if arguments.profile:
        forget()
        profile = cProfile.Profile()
        profile.runcall(all_routes, task)
        pstats.Stats(profile).sort_stats("tottime").print_stats(18)


if __name__ == "__main__":
    main()
