"""What each entity of a DXF drawing covers, against closed forms."""

import math

import numpy as np
import pytest
from dxf_tags import (
    Place,
    arc,
    at,
    bar,
    circle,
    drawing,
    edges,
    ellipse,
    entity,
    hatch,
    heavy_polyline,
    line,
    lines,
    polyline,
    ring,
    spline,
    square,
    tags,
    vertex,
)
from shapely import MultiPolygon, Point, Polygon, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults

#: Fine enough for areas to hold to a part in ten million.
FINE = {"flattening_um": 0.01, "sliver_um": 0.0, "gap_um": 0.0}


def reading(*entities: str, **options):
    given = ReadOptions.from_defaults(DEFAULTS, **{**FINE, **options})
    return read(drawing(*entities), media_type="image/vnd.dxf", name="test", options=given)


def area_of(*entities: str, **options):
    """The geometry of the only channel layer."""
    (layer,) = reading(*entities, **options).channel_layers
    return layer.geometry


def told(layout, what):
    return [assumption for assumption in layout.assumptions if assumption.what == what]


def fault_of(*entities: str, **options):
    with pytest.raises(LayoutInvalid) as caught:
        reading(*entities, **options)
    return caught.value.faults[0]


class TestClosedLines:
    def test_polyline(self):
        assert area_of(polyline((0, 0), (4, 0), (4, 1), (0, 1))).equals(box(0, 0, 4, 1))

    @pytest.mark.parametrize("degrees", [20.0, 90.0, 180.0, 270.0, -90.0])
    def test_bulge_is_the_tangent_of_a_quarter_of_the_angle(self, degrees):
        # Source: DXF Reference, LWPOLYLINE, code 42; area of a circular segment r² (θ − sin θ) / 2.
        angle = math.radians(degrees)
        bulge = math.tan(angle / 4)
        found = area_of(polyline((0, 0, bulge), (4, 0), (4, 10), (0, 10)))
        radius = 2 / math.sin(abs(angle) / 2)
        segment = radius**2 * (abs(angle) - math.sin(abs(angle))) / 2
        assert found.area == pytest.approx(40 + math.copysign(segment, angle), abs=1e-4)
        sagitta = abs(bulge) * 2
        assert found.bounds[1] == pytest.approx(-sagitta if bulge > 0 else 0.0, abs=2e-5)

    def test_two_bulges_make_a_circle(self):
        found = area_of(polyline((0, 0, 1), (2, 0, 1)))
        assert found.area == pytest.approx(math.pi, abs=1e-4)
        assert found.bounds == pytest.approx((0, -1, 2, 1), abs=2e-5)

    def test_circle(self):
        found = area_of(circle((3, 4), 2))
        assert found.area == pytest.approx(4 * math.pi, abs=2e-4)
        assert found.centroid.equals_exact(Point(3, 4), 1e-6)

    @pytest.mark.parametrize("flattening_um", [0.1, 1.0, 10.0])
    def test_curves_keep_the_flattening(self, flattening_um):
        ring = area_of(circle((0, 0), 5), flattening_um=flattening_um).geoms[0].exterior
        corners = np.asarray(ring.coords)
        middles = (corners[1:] + corners[:-1]) / 2
        strays = np.abs(np.hypot(*np.vstack([corners, middles]).T) - 5.0)
        assert strays.max() <= flattening_um / 1e3 + 2e-6
        assert strays.max() > flattening_um / 1e3 / 8

    def test_ellipse(self):
        found = area_of(ellipse((1, 1, 0), (3, 4, 0), 0.4, 0.0, 2 * math.pi))
        assert found.area == pytest.approx(math.pi * 5 * 2, abs=5e-4)

    def test_half_an_ellipse_with_its_chord(self):
        # anticlockwise from the end of the major axis: the upper half
        found = area_of(ellipse((0, 0, 0), (3, 0, 0), 0.5, 0.0, math.pi), line((-3, 0), (3, 0)))
        assert found.area == pytest.approx(math.pi * 3 * 1.5 / 2, abs=2e-4)
        assert found.bounds == pytest.approx((-3, 0, 3, 1.5), abs=2e-5)

    def test_old_polyline_with_a_bulge(self):
        corners = (vertex((0, 0), (42, 1.0)), vertex((2, 0)), vertex((2, 3)), vertex((0, 3)))
        assert area_of(heavy_polyline(*corners, flags=1)).area == pytest.approx(6 + math.pi / 2, abs=1e-4)

    def test_a_polyline_that_returns_to_its_start_is_closed(self):
        layout = reading(polyline((0, 0), (4, 0), (4, 1), (0, 1), (0, 0), closed=False))
        assert layout.channel_layers[0].geometry.area == pytest.approx(4)
        assert layout.repairs == ()

    def test_control_points_of_a_smoothed_polyline_are_no_corners(self):
        # Source: DXF Reference, VERTEX, flag 16: spline frame control point.
        corners = [vertex(place) for place in ((0, 0), (4, 0), (4, 1), (0, 1))]
        frame = vertex((9, 9), (70, 16))
        assert area_of(heavy_polyline(*corners, frame, flags=5)).area == pytest.approx(4)

    @pytest.mark.parametrize("kind", ["SOLID", "TRACE"])
    def test_solid_has_its_last_corners_crossed(self, kind):
        # Source: DXF Reference, SOLID: third and fourth corner lie in the order of a Z.
        corners = at((0, 0)) + at((4, 0), 11) + at((0, 2), 12) + at((4, 2), 13)
        assert area_of(entity(kind, *corners)).equals(box(0, 0, 4, 2))

    def test_flat_face(self):
        corners = at((0, 0, 0)) + at((4, 0, 0), 11) + at((4, 2, 0), 12) + at((0, 2, 0), 13)
        assert area_of(entity("3DFACE", *corners)).equals(box(0, 0, 4, 2))

    def test_a_line_in_a_line_cuts_a_hole(self):
        layout = reading(bar(0, 0, 10, 10), circle((5, 5), 2), circle((5, 5), 1))
        expected = 100 - 4 * math.pi + math.pi
        assert layout.channel_layers[0].geometry.area == pytest.approx(expected, abs=5e-4)
        assert told(layout, "layers.channels.holes")

    def test_a_bow_tie_is_filled_and_told(self):
        layout = reading(polyline((0, 0), (2, 2), (2, 0), (0, 2)))
        assert layout.channel_layers[0].geometry.area == pytest.approx(2)
        assert layout.repairs


def bezier_area(control):
    """Area under a closed cubic Bézier by Green's theorem, exact: Gauss points of degree 9."""
    t, weights = np.polynomial.legendre.leggauss(6)
    t = (t + 1) / 2
    basis = np.array([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3]).T
    slope = np.array([-3 * (1 - t) ** 2, 3 * (1 - t) * (1 - 3 * t), 3 * t * (2 - 3 * t), 3 * t**2]).T
    (x, y), (dx, dy) = (basis @ control).T, (slope @ control).T
    return abs(float(np.sum(weights * (x * dy - y * dx)) / 4))


class TestSplines:
    def test_cubic_without_inner_knots_is_a_bezier(self):
        control = np.array([(0, 0), (6, 0), (0, 6), (0, 0)], dtype=float)
        found = area_of(spline(3, [0, 0, 0, 0, 1, 1, 1, 1], *control.tolist()))
        assert found.area == pytest.approx(bezier_area(control), abs=1e-4)

    def test_weights_make_a_circle(self):
        # Source: L. Piegl, W. Tiller, The NURBS Book, 2nd ed., § 7.5: the circle of nine points.
        places = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]
        knots = [0, 0, 0, 0.25, 0.25, 0.5, 0.5, 0.75, 0.75, 1, 1, 1]
        weights = tuple(1.0 if index % 2 == 0 else math.sqrt(0.5) for index in range(9))
        found = area_of(spline(2, knots, *places, weights=weights))
        assert found.area == pytest.approx(math.pi, abs=1e-4)

    def test_degree_one_is_a_polyline(self):
        found = area_of(spline(1, [0, 0, 1, 2, 3, 3], (0, 0), (4, 0), (4, 3), (0, 0)))
        assert found.equals(Polygon([(0, 0), (4, 0), (4, 3)]))

    def test_through_points(self):
        # a spline of fit points only passes through each of them
        points = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0)]
        pairs = [(70, 8), (71, 3), (72, 0), (73, 0), (74, 5)]
        found = area_of(entity("SPLINE", *pairs, *(pair for point in points for pair in at((*point, 0), 11))))
        assert all(found.boundary.distance(Point(point)) < 1e-4 for point in points)

    @pytest.mark.parametrize(
        ("degree", "knots"),
        [(3, [0, 0, 0, 0, 1, 1, 1]), (3, [0, 0, 0, 0, 1, 1, 0, 1]), (0, [0, 1, 2, 3, 4]), (3, [1] * 8)],
    )
    def test_what_makes_no_curve(self, degree, knots):
        fault = fault_of(bar(0, 5, 1, 1), spline(degree, knots, (0, 0), (6, 0), (0, 6), (0, 0)))
        assert "SPLINE" in fault.where


class TestWidths:
    def test_constant_width_is_a_channel_along_the_line(self):
        found = area_of(polyline((0, 0), (5, 0), (5, 5), closed=False, width=0.4))
        # two bars of 5 mm by 0.4 mm, and the mitred corner
        assert found.area == pytest.approx(2 * 5 * 0.4, abs=1e-6)
        assert found.bounds == pytest.approx((0, -0.2, 5.2, 5))

    def test_width_along_an_arc(self):
        # a half ring: from (0, 0) to (4, 0) around (2, 0)
        found = area_of(polyline((0, 0, 1), (4, 0), closed=False, width=0.5))
        assert found.area == pytest.approx(math.pi * 2 * 0.5, abs=2e-4)

    def test_width_that_changes_is_a_taper(self):
        found = area_of(polyline((0, 0, 0, 0.2, 1.0), (10, 0), closed=False))
        assert found.normalize().equals_exact(
            MultiPolygon([Polygon([(0, -0.1), (10, -0.5), (10, 0.5), (0, 0.1)])]).normalize(), 1e-6
        )
        assert found.area == pytest.approx(10 * (0.2 + 1.0) / 2)

    def test_width_to_a_point(self):
        found = area_of(polyline((0, 0, 0, 0.0, 1.0), (10, 0), closed=False))
        assert found.area == pytest.approx(5.0, abs=1e-6)

    def test_closed_line_with_width_is_a_ring_and_told(self):
        layout = reading(polyline((0, 0), (8, 0), (8, 8), (0, 8), width=1.0))
        assert layout.channel_layers[0].geometry.area == pytest.approx(81 - 49)
        assert told(layout, "layers.channels.fill")

    def test_default_width_of_an_old_polyline(self):
        corners = (vertex((0, 0)), vertex((10, 0)))
        found = area_of(heavy_polyline(*corners, pairs=((40, 0.3), (41, 0.3))))
        assert found.area == pytest.approx(3.0)

    def test_own_width_of_a_vertex_goes_first(self):
        corners = (vertex((0, 0), (40, 0.1), (41, 0.1)), vertex((10, 0)))
        found = area_of(heavy_polyline(*corners, pairs=((40, 0.3), (41, 0.3))))
        assert found.area == pytest.approx(1.0)

    def test_outline_and_ports_are_the_inside_whatever_the_width(self):
        corners = ((0, 0), (8, 0), (8, 8), (0, 8))
        layout = reading(bar(1, 1, 3, 1), polyline(*corners, width=0.5, layer="outline"))
        assert layout.outline.equals(box(0, 0, 8, 8))
        assert told(layout, "layers.outline.width")

    @pytest.mark.parametrize("width", [-0.1, "nan"])
    def test_width_that_is_none(self, width):
        assert "width" in fault_of(polyline((0, 0), (5, 0), closed=False, width=width)).message


def hatch_line(start: Place, end: Place):
    return [(72, 1), *at(start), *at(end, 11)]


class TestHatches:
    def test_islands(self):
        found = area_of(hatch(square(0, 0, 10), square(2, 2, 6), square(4, 4, 2)))
        assert found.area == pytest.approx(100 - 36 + 4)

    @pytest.mark.parametrize(("style", "area"), [(0, 100 - 36 + 4), (1, 100 - 36), (2, 100)])
    def test_style_of_islands(self, style, area):
        # Source: DXF Reference, HATCH, code 75: odd parity, outermost area only, entire area.
        found = area_of(hatch(square(0, 0, 10), square(2, 2, 6), square(4, 4, 2), style=style))
        assert found.area == pytest.approx(area)

    def test_boundary_with_bulges(self):
        assert area_of(hatch(ring((0, 0, 1), (2, 0, 1)))).area == pytest.approx(math.pi, abs=1e-4)

    def test_boundary_of_lines_and_arcs(self):
        around = [(72, 2), *at((0, 0)), (40, 3.0), (50, 0.0), (51, 90.0), (73, 1)]
        boundary = edges(hatch_line((0, 0), (3, 0)), around, hatch_line((0, 3), (0, 0)))
        assert area_of(hatch(boundary)).area == pytest.approx(math.pi * 9 / 4, abs=1e-4)

    def test_clockwise_arc(self):
        # Source: DXF Reference, HATCH boundary data, arc edges: code 73, counterclockwise flag. Angles of
        # clockwise edges are measured clockwise, so that -90° … 0° there is the quarter from 90° to 0°.
        around = [(72, 2), *at((0, 0)), (40, 3.0), (50, 270.0), (51, 360.0), (73, 0)]
        boundary = edges(hatch_line((0, 0), (0, 3)), around, hatch_line((3, 0), (0, 0)))
        assert area_of(hatch(boundary)).area == pytest.approx(math.pi * 9 / 4, abs=1e-4)

    def test_whole_ellipse(self):
        around = [(72, 3), *at((5, 5)), *at((2, 0), 11), (40, 0.5), (50, 0.0), (51, 360.0), (73, 1)]
        assert area_of(hatch(edges(around))).area == pytest.approx(math.pi * 2, abs=1e-4)

    def test_pattern_is_taken_as_area_and_told(self):
        layout = reading(hatch(square(0, 0, 10), solid=False))
        assert layout.channel_layers[0].geometry.area == pytest.approx(100)
        assert "pattern" in told(layout, "layers.channels.fill")[0].value

    def test_open_boundary(self):
        boundary = edges(hatch_line((0, 0), (3, 0)), hatch_line((3, 0), (3, 3)))
        assert "open at (" in fault_of(hatch(boundary), bar(9, 9, 1, 1)).message


class TestLinesThatMeet:
    def test_lines_and_arcs(self):
        found = reading(lines((2, 0), (0, 0), (0, 4), (2, 4)), arc((2, 2), 2, 270, 90))
        assert found.channel_layers[0].geometry.area == pytest.approx(8 + 2 * math.pi, abs=1e-4)
        assert found.repairs == ()

    def test_in_any_order_and_direction(self):
        parts = [line((4, 0), (0, 0)), line((4, 3), (0, 3)), line((0, 0), (0, 3)), line((4, 0), (4, 3))]
        assert area_of(*parts).equals(box(0, 0, 4, 3))

    def test_a_gap_within_the_tolerance_is_bridged_and_told(self):
        layout = reading(lines((0, 0), (4, 0), (4, 3), (0, 3), (0, 0.005)), closing_um=10.0)
        assert layout.channel_layers[0].geometry.area == pytest.approx(12, abs=1e-2)
        (repair,) = layout.repairs
        assert repair.kind == "unclosed"
        assert (repair.x_mm, repair.y_mm) == pytest.approx((0, 0), abs=0.006)
        assert repair.area_after_mm2 == pytest.approx(12, abs=1e-2)

    def test_a_gap_beyond_it_is_refused_by_place(self):
        fault = fault_of(lines((0, 0), (4, 0), (4, 3), (0, 3), (0, 0.02)), closing_um=10.0)
        assert "1 open line " in fault.message
        assert "(0, 0)" in fault.where
        assert "(0, 0.02)" in fault.where
        assert "10 µm" in fault.remedy

    def test_bridging_can_be_switched_off(self):
        gap = lines((0, 0), (4, 0), (4, 3), (0, 3), (0, 0.005))
        assert "switched off" in fault_of(gap, closing_um=10.0, leave=["unclosed"]).message

    def test_two_loops_that_touch(self):
        left, right = [(0, 0), (4, 0), (4, 3), (0, 3), (0, 0)], [(4, 3), (8, 3), (8, 6), (4, 6), (4, 3)]
        assert area_of(lines(*left), lines(*right)).area == pytest.approx(24)

    def test_a_line_drawn_twice_counts_once(self):
        layout = reading(lines((0, 0), (4, 0), (4, 3), (0, 3), (0, 0)), line((4, 0), (0, 0)))
        assert layout.channel_layers[0].geometry.area == pytest.approx(12)
        assert [repair.kind for repair in layout.repairs] == ["duplicate"]

    def test_lines_of_two_layers_do_not_join(self):
        half = lines((0, 0), (4, 0), (4, 3))
        other = lines((4, 3), (0, 3), (0, 0), layer="outline")
        with pytest.raises(LayoutInvalid) as caught:
            reading(half, other)
        assert "layer 'channels'" in caught.value.faults[0].where

    def test_open_lines_on_marks_are_left_out(self):
        layout = reading(bar(0, 0, 1, 1), lines((0, 0), (4, 0), (4, 3), layer="marks"))
        assert any("open line" in assumption.why for assumption in layout.assumptions)

    def test_a_polyline_of_no_length(self):
        layout = reading(bar(0, 0, 1, 1), line((3, 3), (3, 3)))
        assert any("enclose no area" in assumption.why for assumption in layout.assumptions)


class TestSpace:
    def test_a_plane_seen_from_below_is_mirrored(self):
        # Source: DXF Reference, arbitrary axis algorithm: N = (0, 0, -1) gives x' = -x.
        downward = ((210, 0.0), (220, 0.0), (230, -1.0))
        found = area_of(polyline((1, 0), (5, 0), (5, 1), pairs=downward))
        assert found.equals(Polygon([(-1, 0), (-5, 0), (-5, 1)]))

    def test_arcs_on_it(self):
        # quarter disc: the arc from 0° to 90° of the mirrored plane lies to the left
        downward = tags((210, 0.0), (220, 0.0), (230, -1.0))
        quarter = arc((0, 0), 2, 0, 90) + downward
        found = area_of(quarter, lines((0, 2), (0, 0), (-2, 0)))
        assert found.area == pytest.approx(math.pi, abs=1e-4)
        assert found.bounds == pytest.approx((-2, 0, 0, 2), abs=1e-4)

    def test_one_height_is_told(self):
        layout = reading(circle((0, 0, 5), 2))
        assert layout.channel_layers[0].geometry.area == pytest.approx(4 * math.pi, abs=2e-4)
        assert any("height" in assumption.value for assumption in layout.assumptions)

    @pytest.mark.parametrize(
        "shape",
        [
            line((0, 0, 0), (5, 0, 1)),
            circle((0, 0), 2, (210, 1.0), (220, 0.0), (230, 0.0)),
            ellipse((0, 0, 0), (3, 0, 1), 0.5, 0, 2 * math.pi),
            heavy_polyline(vertex((0, 0, 0), (70, 32)), vertex((3, 0, 1), (70, 32)), flags=8),
        ],
    )
    def test_what_does_not_lie_flat(self, shape):
        fault = fault_of(shape, bar(9, 9, 1, 1))
        assert "parallel to the plan" in fault.message
        assert "layer 'channels'" in fault.where
