"""Least widths of generated layouts against a general-purpose image library.

Each layout is sampled into an image; SciPy's distance transform finds for every pixel the nearest outside.
On the ridge of the distances, which is the medial axis, those of pixels side by side lie on opposite walls;
the least distance between walls that face each other is the least width. Nothing of that knows of vectors,
corners or chords.
"""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy.ndimage import distance_transform_edt
from shapely import LineString, Point, box, union_all
from shapely.affinity import rotate, translate

from rillcast_service.engine.layout.measure import measure

LAYOUTS, A_BATCH = 200, 20
#: Chords to a quarter of a circle: both ways see the same chords, and few are quick to measure.
ARC = 6
PIXEL_MM = 0.005
#: Nothing of the layouts is nearly so narrow.
LEAST_PIXELS = 16
#: Walls face each other where the nearest wall points around a place lie this share of a diameter apart; in a
#: right-angled corner it is 0.71, in one of 60° 0.87.
FACING = 0.95
#: From a pixel to those whose nearest walls are compared, along the axes and aslant.
STEPS = ((2, 0), (2, 2), (0, 2), (-2, 2))


def _network(rng):
    """Channels of various widths between round pads, a chamber or two, an island; turned by any angle."""
    columns, rows = rng.integers(2, 4), rng.integers(1, 3)
    nodes = [
        (1.0 * column + rng.uniform(-0.2, 0.2), 0.9 * row + rng.uniform(-0.2, 0.2))
        for row in range(rows)
        for column in range(columns)
    ]
    parts = []
    for one, other in pairwise(nodes):
        width = rng.uniform(0.12, 0.4)
        parts.append(LineString([one, other]).buffer(width / 2.0, quad_segs=ARC))
    for node in nodes:
        parts.append(Point(node).buffer(rng.uniform(0.22, 0.35), quad_segs=ARC))
    if rng.random() < 0.5:
        x, y = nodes[rng.integers(len(nodes))]
        width, height = rng.uniform(0.5, 0.8, size=2)
        chamber = translate(box(-width / 2.0, -height / 2.0, width / 2.0, height / 2.0), x, y)
        parts.append(chamber.buffer(-0.1).buffer(0.1, quad_segs=ARC))
    if rng.random() < 0.3:
        x, y = nodes[0]
        parts.append(Point(x, y).buffer(0.5, quad_segs=ARC))
        shape = union_all(parts).difference(Point(x, y).buffer(rng.uniform(0.15, 0.25), quad_segs=ARC))
    else:
        shape = union_all(parts)
    # an image of pixels has no points: mouths that just open and tips of walls are taken off and rounded
    shape = shape.buffer(0.04, quad_segs=ARC).buffer(-0.09, quad_segs=ARC).buffer(0.05, quad_segs=ARC)
    return rotate(shape, rng.uniform(0.0, 180.0), origin=(0.0, 0.0))


def _width_by_image_um(shape):
    """The least distance across the ridge of distances, where the walls on both sides face each other."""
    x0, y0, x1, y1 = shape.buffer(4 * PIXEL_MM).bounds
    x, y = np.meshgrid(np.arange(x0, x1, PIXEL_MM), np.arange(y0, y1, PIXEL_MM), indexing="ij")
    shapely.prepare(shape)
    image = shapely.contains_xy(shape, x, y)
    distance, nearest = distance_transform_edt(image, return_indices=True)
    # single pixels stand like steps in a slanted wall, and face each other across the step
    at = np.argwhere(distance > LEAST_PIXELS / 2.0)
    across = np.zeros(len(at))
    for step in STEPS:
        sides = [tuple((at + sign * np.array(step)).T) for sign in (-1, 1)]
        ridge = distance[*at.T] >= np.maximum(*(distance[side] for side in sides))
        here, there = (nearest[:, *side] for side in sides)
        across = np.maximum(across, np.where(ridge, np.hypot(*(here - there)), 0.0))
    facing = across >= FACING * 2.0 * distance[*at.T]
    # the nearest pixels outside lie up to a pixel beyond the walls: a quarter of one each, about
    return (across[facing].min() - 0.5) * PIXEL_MM * 1000.0


@pytest.mark.parametrize("batch", range(LAYOUTS // A_BATCH))
def test_the_least_width_is_that_of_the_image_to_a_pixel(batch):
    off = {}
    for seed in range(batch * A_BATCH, (batch + 1) * A_BATCH):
        shape = _network(np.random.default_rng(seed))
        ours = measure(shape).width.length_um
        theirs = _width_by_image_um(shape)
        if abs(ours - theirs) > 1000.0 * PIXEL_MM:
            off[seed] = (round(ours, 1), round(float(theirs), 1))
    assert off == {}
