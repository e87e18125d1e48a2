"""The lines of DXF entities, each in the plane that the entity lies in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.math import OCS, BSpline, Vec3

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout.affine import Matrix
from rillcast_service.engine.layout.curves import (
    FULL_TURN,
    EllipticArc,
    Points,
    Polyline,
    Segment,
    Subpath,
    line,
    polyline,
)
from rillcast_service.engine.layout.readers.dxf.splines import Spline

#: A bulge below this bends no line that was ever drawn by a visible amount.
_STRAIGHT_BULGE = 1e-9

#: Heights that differ by less than this part of a shape's size lie in one plane.
_FLAT = 1e-9

#: Some programs write a whole turn with no more than four decimals, as 6.2832, rad.
_TURN_DIGITS = 1e-4

#: Flags of POLYLINE vertices. Source: DXF Reference, VERTEX.
_CONTROL_POINT = 16

Line = Subpath | Spline


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What an entity draws.

    Args:
        lines: in the entity's plane; closed ones go around an area.
        to_world: from that plane (with z, the height above it) to the space around, shape (4, 4); None where
            they are the same.
        height: of the lines above the plane's origin.
        widths: of every segment of the only line, at its start and end, shape (n, 2); None without.
        is_area: whether it is painted: of a solid or a face, whose outline is no line of its own.
    """

    lines: tuple[Line, ...]
    to_world: Matrix | None = None
    height: float = 0.0
    widths: Points | None = None
    is_area: bool = False


def drawn(entity: DXFGraphic) -> Drawn:
    """What an entity of one of the kinds in `DRAWN` draws.

    Args:
        entity: such as a LINE.

    Returns:
        Its lines.

    Raises:
        LayoutInvalid: it does not lie in a plane, or its numbers make no line.
    """
    return DRAWN[entity.dxftype()](entity)


def bulged(points: Points, bulges: Sequence[float], *, closed: bool) -> Subpath:
    """A polyline whose segments may be arcs.

    Args:
        points: shape (n, 2), n ≥ 1.
        bulges: of the segment that begins at each point.
        closed: whether the last point joins the first.

    Returns:
        Its line.

    Source: DXF Reference, LWPOLYLINE: the bulge is the tangent of a quarter of the arc's angle, positive
    when the arc goes anticlockwise.
    """
    if not any(abs(bulge) > _STRAIGHT_BULGE for bulge in bulges):
        return polyline(points, closed=closed)
    count = len(points) if closed else len(points) - 1
    segments = tuple(_bulge(points[i], points[(i + 1) % len(points)], bulges[i]) for i in range(count))
    return Subpath(points[0], segments, closed)


def _bulge(start: Points, end: Points, bulge: float) -> Segment:
    if abs(bulge) <= _STRAIGHT_BULGE or np.array_equal(start, end):
        return line(start, end)
    with np.errstate(over="ignore", invalid="ignore"):
        chord = end - start
        # From the chord's middle to the arc's centre, to the left of the chord for a short left turn.
        away = (1.0 / bulge - bulge) / 4.0
        centre = start + chord / 2.0 + away * np.array([-chord[1], chord[0]])
        u = start - centre
    return EllipticArc(centre, u, np.array([-u[1], u[0]]), 0.0, 4.0 * math.atan(bulge))


def widened(drawn: Drawn, *, tolerance: float) -> tuple[Points, Points]:
    """The only line of a polyline of some width, as points and widths.

    Args:
        drawn: with `widths`.
        tolerance: largest distance between a chord and its arc.

    Returns:
        Points of shape (n, 2) and, of the segment after each (of an open line, but for the last), widths at
        its start and end, shape (m, 2). Segments without length are left out.
    """
    (path,) = drawn.lines
    assert isinstance(path, Subpath)
    assert drawn.widths is not None
    points, widths = [path.start[None]], []
    segments = _single(path)
    for segment, (first, last) in zip(segments, drawn.widths, strict=False):
        chords = segment.chords(tolerance=tolerance)
        at = np.linspace(first, last, chords + 1)
        points.append(segment.sample(chords))
        widths.append(np.column_stack([at[:-1], at[1:]]))
    every, wide = np.vstack(points), np.vstack(widths)
    moved = np.any(np.diff(every, axis=0) != 0.0, axis=1)
    wide = wide[moved]
    every = every[np.concatenate([[True], moved])]
    if path.closed and len(every) > 1 and np.allclose(every[0], every[-1], rtol=0.0, atol=tolerance * 1e-3):
        every = every[:-1]
    return every, wide


def _single(path: Subpath) -> list[Segment]:
    """The segments one by one, the closing one with them."""
    segments: list[Segment] = []
    for segment in path.segments:
        if isinstance(segment, Polyline):
            corners = segment.points
            segments += [line(a, b) for a, b in pairwise(corners)]
            if path.closed:
                segments.append(line(corners[-1], path.start))
        else:
            segments.append(segment)
    return segments


def boundaries(entity: Any) -> tuple[tuple[Line, ...], ...]:
    """The boundaries of a HATCH or MPOLYGON, each the lines that go around once.

    Args:
        entity: of the library.

    Returns:
        Of each boundary one closed line, or several that meet end to end.
    """
    found: list[tuple[Line, ...]] = []
    for path in entity.paths:
        if hasattr(path, "vertices"):
            vertices = np.array(path.vertices, dtype=np.float64).reshape(-1, 3)
            if len(vertices) > 1:
                found.append((bulged(vertices[:, :2], vertices[:, 2].tolist(), closed=True),))
        else:
            found.append(tuple(_edge(edge) for edge in path.edges))
    return tuple(lines for lines in found if lines)


def _edge(edge: Any) -> Line:
    match edge.EDGE_TYPE:
        case "LineEdge":
            return polyline(np.array([edge.start, edge.end], dtype=np.float64), closed=False)
        case "ArcEdge":
            return _arc(edge.center, edge.radius, edge.start_angle, edge.end_angle)
        case "EllipseEdge":
            major = np.array(edge.major_axis, dtype=np.float64)
            minor = np.array([-major[1], major[0]]) * edge.ratio
            return _ellipse(
                np.array(edge.center, dtype=np.float64), major, minor, edge.start_param, edge.end_param
            )
        case _:
            if edge.control_points:
                return _spline(edge.degree, edge.knot_values, edge.control_points, edge.weights)
            return _through(edge.construction_tool())


def ocs_matrix(extrusion: Vec3) -> Matrix | None:
    """From an entity's plane to the space around.

    Args:
        extrusion: the plane's normal.

    Returns:
        Shape (4, 4); None when they are the same.

    Source: DXF Reference, "Arbitrary axis algorithm".
    """
    if extrusion.x == 0.0 and extrusion.y == 0.0 and extrusion.z > 0.0:
        return None
    ocs = OCS(extrusion)
    to_world = np.eye(4)
    to_world[:3, :3] = np.column_stack([ocs.ux.xyz, ocs.uy.xyz, ocs.uz.xyz])
    return to_world


def _in_plane(entity: DXFGraphic, height: float, *lines: Line, **more: Any) -> Drawn:
    extrusion = entity.dxf.get("extrusion")
    return Drawn(lines, None if extrusion is None else ocs_matrix(extrusion), height, **more)


def _flat(points: Sequence[Vec3], *directions: Vec3) -> tuple[Points, float]:
    """Points of space as points of a plan, shape (n, 2), and their height; directions lie in the plan."""
    places = np.array([point.xyz for point in points], dtype=np.float64).reshape(-1, 3)
    heights = places[:, 2]
    size = float(np.abs(places).max(initial=0.0))
    steep = [abs(way.z) > _FLAT * way.magnitude for way in directions]
    if np.ptp(heights) > _FLAT * max(size, 1.0) or any(steep):
        raise tilted()
    return places[:, :2], float(heights[0])


def tilted() -> LayoutInvalid:
    """What is said of an entity that does not lie flat."""
    return LayoutInvalid(
        Fault(
            "It does not lie parallel to the plan: its points have different heights (z).",
            "Flatten the drawing (z = 0), so that it shows the chip from above.",
        )
    )


def _line(entity: Any) -> Drawn:
    start, end = entity.dxf.start, entity.dxf.end
    if start.z == end.z == 0.0:
        points, height = np.array([(start.x, start.y), (end.x, end.y)]), 0.0
    else:
        points, height = _flat([start, end])
    return Drawn((polyline(points, closed=False),), None, height)


def _circle(entity: Any) -> Drawn:
    centre = entity.dxf.center
    return _in_plane(entity, centre.z, _arc(centre, entity.dxf.radius, 0.0, 360.0))


def _open_arc(entity: Any) -> Drawn:
    centre = entity.dxf.center
    return _in_plane(
        entity, centre.z, _arc(centre, entity.dxf.radius, entity.dxf.start_angle, entity.dxf.end_angle)
    )


def _arc(centre: Any, radius: float, start_deg: float, end_deg: float) -> Subpath:
    if not radius >= 0.0:
        raise LayoutInvalid(Fault(f"Its radius is {radius:g}.", "Give a radius above 0."))
    return _ellipse(
        np.array([centre.x, centre.y], dtype=np.float64),
        np.array([radius, 0.0]),
        np.array([0.0, radius]),
        math.radians(start_deg),
        math.radians(end_deg),
    )


def _ellipse(centre: Points, major: Points, minor: Points, start: float, end: float) -> Subpath:
    """An arc from one parameter to another, in the turning sense of its axes; equal ones are a whole turn."""
    sweep = (end - start) % FULL_TURN
    is_whole = min(sweep, FULL_TURN - sweep) < 1e-9 or abs(abs(end - start) - FULL_TURN) < _TURN_DIGITS
    sweep = FULL_TURN if is_whole else sweep
    with np.errstate(over="ignore", invalid="ignore"):
        first = centre + math.cos(start) * major + math.sin(start) * minor
    return Subpath(first, (EllipticArc(centre, major, minor, start, sweep),), closed=is_whole)


def _whole_ellipse(entity: Any) -> Drawn:
    major, extrusion = entity.dxf.major_axis, entity.dxf.extrusion
    minor = extrusion.normalize().cross(major) * entity.dxf.ratio
    centre, height = _flat([entity.dxf.center], major, minor)
    path = _ellipse(
        centre[0],
        np.array([major.x, major.y]),
        np.array([minor.x, minor.y]),
        entity.dxf.start_param,
        entity.dxf.end_param,
    )
    return Drawn((path,), None, height)


def _spline_entity(entity: Any) -> Drawn:
    if not entity.control_point_count():
        spline = entity.construction_tool()
        _, height = _flat(spline.control_points)
        return Drawn((_through(spline),), None, height)
    control = [Vec3(point) for point in entity.control_points]
    _, height = _flat(control)
    knots, degree = list(entity.knots), entity.dxf.degree
    return Drawn((_spline(degree, knots, control, list(entity.weights)),), None, height)


def _through(spline: BSpline) -> Spline:
    weights = list(spline.weights()) if spline.is_rational else []
    return _spline(spline.degree, list(spline.knots()), list(spline.control_points), weights)


def _spline(degree: int, knots: Sequence[float], control: Sequence[Any], weights: Sequence[float]) -> Spline:
    return Spline(
        degree,
        np.array(knots, dtype=np.float64),
        np.array([(point.x, point.y) for point in control], dtype=np.float64),
        np.array(weights or [1.0] * len(control), dtype=np.float64),
    )


def _light_polyline(entity: Any) -> Drawn:
    rows = np.array(entity.get_points("xyseb"), dtype=np.float64).reshape(-1, 5)
    widths = rows[:, 2:4]
    if not widths.any() and entity.dxf.hasattr("const_width"):
        widths = np.full_like(widths, entity.dxf.const_width)
    return _polyline_of(entity, rows[:, :2], widths, rows[:, 4], entity.dxf.elevation, closed=entity.closed)


def _heavy_polyline(entity: Any) -> Drawn:
    if entity.is_polygon_mesh or entity.is_poly_face_mesh:
        raise LayoutInvalid(
            Fault("It is a mesh, which is no plan.", "Draw its outline as a closed polyline instead.")
        )
    vertices = [vertex for vertex in entity.vertices if not vertex.dxf.flags & _CONTROL_POINT]
    locations = [vertex.dxf.location for vertex in vertices]
    if entity.is_3d_polyline:
        points, height = _flat(locations) if locations else (np.empty((0, 2)), 0.0)
        return Drawn((polyline(points, closed=entity.is_closed),) if len(points) else (), None, height)
    start, end = entity.dxf.default_start_width, entity.dxf.default_end_width
    widths = [(v.dxf.get("start_width", start), v.dxf.get("end_width", end)) for v in vertices]
    return _polyline_of(
        entity,
        np.array([(place.x, place.y) for place in locations], dtype=np.float64).reshape(-1, 2),
        np.array(widths, dtype=np.float64).reshape(-1, 2),
        np.array([vertex.dxf.bulge for vertex in vertices], dtype=np.float64),
        entity.dxf.elevation.z,
        closed=entity.is_closed,
    )


def _polyline_of(
    entity: Any, points: Points, widths: Points, bulges: Points, height: float, *, closed: bool
) -> Drawn:
    if len(points) == 0:
        return _in_plane(entity, height)
    if not np.isfinite(widths).all() or np.any(widths < 0.0):
        raise LayoutInvalid(Fault("Its width is no length.", "Give a width of 0 or more."))
    path = bulged(points, bulges.tolist(), closed=closed)
    is_wide = len(points) > 1 and bool(np.any(widths[: len(points) - (not closed)] > 0.0))
    return _in_plane(entity, height, path, widths=widths if is_wide else None)


def _solid(entity: Any) -> Drawn:
    corners = [entity.dxf.vtx0, entity.dxf.vtx1, entity.dxf.vtx3, entity.dxf.vtx2]
    points, height = _flat([Vec3(corner) for corner in corners])
    return _in_plane(entity, height, polyline(points, closed=True), is_area=True)


def _face(entity: Any) -> Drawn:
    corners = [entity.dxf.vtx0, entity.dxf.vtx1, entity.dxf.vtx2, entity.dxf.vtx3]
    points, height = _flat([Vec3(corner) for corner in corners])
    return Drawn((polyline(points, closed=True),), None, height, is_area=True)


#: Kinds of entities that are read, but for hatches and references.
DRAWN = {
    "LINE": _line,
    "ARC": _open_arc,
    "CIRCLE": _circle,
    "ELLIPSE": _whole_ellipse,
    "SPLINE": _spline_entity,
    "LWPOLYLINE": _light_polyline,
    "POLYLINE": _heavy_polyline,
    "SOLID": _solid,
    "TRACE": _solid,
    "3DFACE": _face,
}
