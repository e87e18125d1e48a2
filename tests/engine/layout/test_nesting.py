"""Closed lines in one another: areas, holes, copies, and very many of them."""

import numpy as np
import pytest
import shapely
from shapely import box

from rillcast_service.engine.errors import LayoutTooComplex
from rillcast_service.engine.layout.limits import Limits, Tally
from rillcast_service.engine.layout.nesting import Nested, nested


def told_apart(*insides: shapely.Polygon, crossings: int = 1000) -> Nested:
    lines = np.array(insides, dtype=object)
    return nested(lines, tally=Tally(Limits(crossings_count=crossings)), where="layer 'channels'")


def square(half: float, x: float = 0.0) -> shapely.Polygon:
    return box(x - half, -half, x + half, half)


def test_a_line_within_another_cuts_a_hole_and_one_within_that_is_an_area_again() -> None:
    apart = told_apart(square(1), square(3), square(2), square(1, x=10))
    assert apart.solid.tolist() == [0, 1, 3]
    assert apart.holes.tolist() == [2]
    assert shapely.area(apart.areas).tolist() == [4.0, 36.0 - 16.0, 4.0]


def test_copies_of_a_line_go_around_what_the_line_goes_around() -> None:
    apart = told_apart(square(3), square(1), square(3), square(1), square(3))
    assert apart.solid.tolist() == [0, 2, 4]
    assert apart.holes.tolist() == [1, 3]
    assert shapely.area(apart.areas).tolist() == [32.0] * 3


def test_lines_that_cross_do_not_lie_in_one_another() -> None:
    assert told_apart(square(2), square(2, x=3)).holes.tolist() == []


def test_fifty_thousand_copies_take_no_more_memory_than_one() -> None:
    apart = told_apart(*[square(1)] * 50_000)
    assert len(apart.solid) == 50_000


def test_very_many_lines_around_one_another_are_refused() -> None:
    rings = [square(1.0 + 0.01 * index) for index in range(2000)]  # 2 000 000 pairs
    with pytest.raises(LayoutTooComplex) as refused:
        told_apart(*rings, crossings=100_000)
    assert refused.value.faults[0].where == "layer 'channels'"
