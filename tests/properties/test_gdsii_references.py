"""A shape placed through cells in cells lies where its placings, one after the other, put it."""

import gdstk
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, affinity, unary_union

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

OPTIONS = ReadOptions.from_defaults(load().defaults, roles={"1": "channels"}, gap_um=0.0, sliver_um=0.0)

#: Without symmetry, so that no turn or mirror image goes unseen.
FLAG = Polygon([(0, 0), (3, 0), (3, 1), (1, 1), (1, 2), (0, 2)])

places = st.tuples(*[st.integers(-20, 20)] * 2)
placings = st.fixed_dictionaries(
    {
        "origin": places,
        "degrees": st.sampled_from([0, 90, 180, 270]) | st.integers(-360, 360),
        "magnification": st.sampled_from([0.5, 1.0, 2.0]),
        "is_mirrored": st.booleans(),
        "columns": st.integers(1, 3),
        "rows": st.integers(1, 2),
    }
)
STEP = (9.0, 7.0)


def directly(shapes, placing):
    """Every shape as the stream format orders: mirrored, magnified, turned, then moved along the grid."""
    for column in range(placing["columns"]):
        for row in range(placing["rows"]):
            for shape in shapes:
                mirror = -1.0 if placing["is_mirrored"] else 1.0
                size = placing["magnification"]
                moved = affinity.scale(shape, size, mirror * size, origin=(0, 0))
                moved = affinity.rotate(moved, placing["degrees"], origin=(0, 0))
                x, y = placing["origin"]
                yield affinity.translate(moved, x + column * STEP[0], y + row * STEP[1])


@settings(deadline=None, max_examples=60)
@given(st.lists(placings, min_size=1, max_size=3))
def test_placings_compose(tmp_path_factory, chain):
    library = gdstk.Library(unit=1e-3, precision=1e-9)
    cell = library.new_cell("FLAG")
    cell.add(gdstk.Polygon(list(FLAG.exterior.coords)[:-1], layer=1))
    shapes = [FLAG]
    for number, placing in enumerate(chain):
        inner, cell = cell, library.new_cell(f"C{number}")
        x, y = placing["origin"]
        # one reference a place, so that the grid itself is checked against the stream's own arrays elsewhere
        for column in range(placing["columns"]):
            for row in range(placing["rows"]):
                cell.add(
                    gdstk.Reference(
                        inner,
                        (x + column * STEP[0], y + row * STEP[1]),
                        rotation=placing["degrees"] * 3.141592653589793 / 180.0,
                        magnification=placing["magnification"],
                        x_reflection=placing["is_mirrored"],
                    )
                )
        shapes = list(directly(shapes, placing))
    path = tmp_path_factory.mktemp("stream") / "test.gds"
    library.write_gds(path)
    layout = read(path.read_bytes(), media_type="application/vnd.gdsii", name="test", options=OPTIONS)
    expected = unary_union(shapes)
    found = layout.channel_layers[0].geometry
    assert found.symmetric_difference(expected).area < 3e-6 * expected.length
    assert found.bounds == pytest.approx(expected.bounds, abs=2e-6)
