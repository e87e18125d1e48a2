"""The tolerance of a made length, by hand."""

from shapely import LineString

from rillcast_service.engine.asmade.tolerances import made_range
from rillcast_service.engine.layout.measure import Span
from rillcast_service.engine.ranges import Range

CHANGE = Range(-10.0, 5.0, 30.0)


def span(length_um):
    return Span(length_um, LineString([(0.0, 0.0), (0.0, length_um / 1000.0)]))


def test_the_doubt_of_the_raster_counts_once_from_the_drawn_length_on():
    # 100 µm drawn come out between 90 and 130; the raster as it lies gives 112
    assert made_range(span(112.0), span(100.0), CHANGE) == Range(90.0, 112.0, 130.0)


def test_what_is_made_lies_in_its_own_range():
    assert made_range(span(85.0), span(100.0), CHANGE) == Range(85.0, 85.0, 130.0)
    assert made_range(span(140.0), span(100.0), CHANGE) == Range(90.0, 140.0, 140.0)


def test_without_a_drawn_length_the_range_lies_about_the_made_one():
    assert made_range(span(12.0), None, CHANGE) == Range(0.0, 12.0, 37.0)


def test_what_is_not_made_has_no_length():
    assert made_range(None, span(100.0), CHANGE) is None
