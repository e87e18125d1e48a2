"""What holds of repairs whatever was drawn: bars of all sizes, askew, crossed, nearly touching."""

from __future__ import annotations

import json

import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import rotate

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.model import Layout, RepairKind
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults
CALM = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
#: Sum of the areas that rounding to the joining grid and reaching into a neighbour by it may add, mm².
ROUNDING_MM2 = 1e-4

length = st.integers(1, 60).map(lambda n: n * 0.1)
slip = st.sampled_from([0.0, 0.0004, 0.002, 0.0045, 0.006, -0.003, 0.3])


@st.composite
def bars(draw: st.DrawFn) -> list[Polygon]:
    """Bars that end near those before them, some at a slant, some drawn twice, some with a hair."""
    shapes: list[Polygon] = []
    x = y = 0.0
    for _ in range(draw(st.integers(1, 7))):
        width, height = draw(length), draw(st.sampled_from([0.0005, 0.002, 0.1, 0.2, 1.0]))
        bar = box(x, y, x + width, y + height)
        if draw(st.booleans()):
            bar = rotate(bar, draw(st.integers(-90, 90)), origin=(x, y))
        if draw(st.integers(0, 4)) == 0:
            bar = bar.union(box(x + width / 2, y, x + width / 2 + 0.0004, y + height + 1.0))
        for part in shapely.get_parts(bar):
            shapes += [part] * draw(st.sampled_from([1, 1, 1, 2]))
        x, y = draw(
            st.sampled_from([(x + width, y), (x, y + height), (x + width / 2, y), (x - 3.0, y + 2.0)])
        )
        x, y = x + draw(slip), y + draw(slip)
    # One that can be made, so that there is a channel whatever is removed.
    return [*shapes, box(-20.0, -20.0, -10.0, -19.0)]


def reading(shapes: list[Polygon], **options: object) -> Layout:
    features = [
        {"type": "Feature", "properties": {"layer": "channels"}, "geometry": shapely.geometry.mapping(shape)}
        for shape in shapes
    ]
    document = {"type": "FeatureCollection", "units": "mm", "features": features}
    data = json.dumps(document).encode()
    return read(
        data,
        media_type="application/geo+json",
        name="bars",
        options=ReadOptions.from_defaults(DEFAULTS, **options),
    )


def area_of(layout: Layout) -> shapely.MultiPolygon:
    return layout.channel_layers[0].geometry


@CALM
@given(bars())
def test_a_mended_layer_is_valid_and_mending_it_again_changes_nothing(shapes):
    once = area_of(reading(shapes))
    assert once.is_valid
    again = reading(list(once.geoms))
    assert again.repairs == ()
    assert shapely.equals_identical(area_of(again), once)


@CALM
@given(bars())
def test_area_changes_by_what_is_told(shapes):
    layout = reading(shapes)
    told = sum(repair.area_after_mm2 - repair.area_before_mm2 for repair in layout.repairs)
    drawn = sum(shape.area for shape in shapes)
    assert abs(area_of(layout).area - drawn - told) < ROUNDING_MM2


@CALM
@given(bars())
def test_repairs_only_join(shapes):
    drawn = shapely.get_parts(shapely.union_all(shapes, grid_size=1e-6))
    pieces = shapely.get_parts(area_of(reading(shapes)))
    assert len(pieces) <= len(drawn)
    # What was one piece, shreds and hairs apart, is within one piece.
    for core in shapely.get_parts(shapely.buffer(drawn, -0.001)):
        if core.area > 0.0:
            shares = shapely.area(shapely.intersection(pieces, core)) / core.area
            assert shares.max() > 0.99


@CALM
@given(bars(), st.sampled_from(list(RepairKind)))
def test_without_one_kind_nothing_of_it_is_done(shapes, kind):
    where = ""
    try:
        done = {repair.kind for repair in reading(shapes, leave=frozenset({kind.value})).repairs}
    except LayoutInvalid as refusal:
        done, where = set(), refusal.faults[0].where
    assert kind not in done
    # Shapes that overlap cannot be left as drawn.
    assert not where or (kind is RepairKind.OVERLAP and where.startswith("layer 'channels' at ("))


@CALM
@given(bars())
def test_with_nothing_to_join_or_remove_the_drawing_is_its_union(shapes):
    left = frozenset({RepairKind.GAP.value, RepairKind.SLIVER.value})
    drawn = shapely.union_all(shapes, grid_size=1e-6)
    assert area_of(reading(shapes, leave=left)).symmetric_difference(drawn).area < ROUNDING_MM2
