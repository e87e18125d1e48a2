"""Curves and how they become points: no chord strays further from its curve than a given distance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

FULL_TURN = 2.0 * math.pi

#: Points closer than this part of the flattening distance are one point, rounded twice: the step between
#: them would have no direction.
REPEAT_FRACTION = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Bezier:
    """A Bézier curve: straight line, quadratic or cubic.

    Args:
        points: control points, shape (2, 2), (3, 2) or (4, 2), from start to end.
    """

    points: Points

    @property
    def hull(self) -> Points:
        """Points whose bounding box holds the curve, shape (n, 2)."""
        return self.points

    def chords(self, *, tolerance: float) -> int:
        """How many chords keep within `tolerance` of the curve.

        `n = sqrt(d (d − 1) / 8 · max|P₍ᵢ₊₂₎ − 2 P₍ᵢ₊₁₎ + Pᵢ| / tolerance)` for degree d.
        Source: Wang, Journal of Zhejiang University (1984), as given in Sederberg, Computer Aided
        Geometric Design (Brigham Young University), "Error bounds".
        """
        degree = len(self.points) - 1
        if degree < 2:
            return 1
        bend = float(np.hypot(*np.diff(self.points, n=2, axis=0).T).max())
        return max(1, math.ceil(math.sqrt(degree * (degree - 1) / 8.0 * bend / tolerance)))

    def sample(self, chords: int) -> Points:
        """End points of equal parameter steps, the start left out, shape (chords, 2)."""
        if chords == 1:
            return self.points[-1:]
        t = np.linspace(0.0, 1.0, chords + 1)[1:, None]
        levels = list(self.points)
        while len(levels) > 1:  # de Casteljau
            levels = [(1.0 - t) * a + t * b for a, b in pairwise(levels)]
        curve = np.array(np.broadcast_to(levels[0], (chords, 2)))
        curve[-1] = self.points[-1]
        return curve


@dataclass(frozen=True, slots=True, eq=False)
class EllipticArc:
    """An arc of an ellipse: `centre + u cos t + v sin t`.

    Args:
        centre, u, v: shape (2,); u and v are conjugate half-axes, v a quarter turn after u.
        start, sweep: of the parameter t, radians; a sweep of ±2π is the whole ellipse.
    """

    centre: Points
    u: Points
    v: Points
    start: float
    sweep: float

    @property
    def hull(self) -> Points:
        """Points whose bounding box holds the curve, shape (n, 2)."""
        return np.array([self.centre + s * self.u + r * self.v for s in (-1, 1) for r in (-1, 1)])

    @property
    def is_whole(self) -> bool:
        """Whether it closes on itself."""
        return abs(self.sweep) >= FULL_TURN

    def chords(self, *, tolerance: float) -> int:
        """How many chords keep within `tolerance` of the arc.

        A chord over the parameter step Δ strays `r (1 − cos(Δ/2))` from a circle of radius r, and no
        more than that, with r the longer half-axis, from the ellipse that is its affine image.
        """
        radius = float(np.linalg.svd(np.column_stack([self.u, self.v]), compute_uv=False)[0])
        return arc_chords(abs(self.sweep), radius=radius, tolerance=tolerance)

    def sample(self, chords: int) -> Points:
        """End points of equal parameter steps, the start left out, shape (chords, 2).

        The points of a whole ellipse lie just outside it, such that the polygon has the ellipse's
        area: a drilled hole keeps its bore and a disc its volume. They stray no further than the
        chords of the inscribed polygon would.
        """
        step = self.sweep / chords
        t = (self.start + step * np.arange(1, chords + 1))[:, None]
        scale = math.sqrt(step / math.sin(step)) if self.is_whole else 1.0
        curve: Points = self.centre + scale * (np.cos(t) * self.u + np.sin(t) * self.v)
        return curve


@dataclass(frozen=True, slots=True, eq=False)
class Polyline:
    """Straight lines from point to point, kept as one: drawings hold very many of them.

    Args:
        points: shape (n, 2), n ≥ 2.
    """

    points: Points

    @property
    def hull(self) -> Points:
        """Points whose bounding box holds the lines, shape (n, 2)."""
        return self.points

    def chords(self, *, tolerance: float) -> int:  # noqa: ARG002
        """How many lines there are, whatever the tolerance."""
        return len(self.points) - 1

    def sample(self, chords: int) -> Points:  # noqa: ARG002
        """End points of the lines, the start left out, shape (n − 1, 2)."""
        return self.points[1:]


Segment = Bezier | EllipticArc | Polyline


@dataclass(frozen=True, slots=True, eq=False)
class Subpath:
    """One unbroken line of segments, each beginning where the one before ends.

    Args:
        start: first point, shape (2,).
        segments: at least one, or none for a lone point.
        closed: whether the drawing closes it explicitly.
    """

    start: Points
    segments: tuple[Segment, ...]
    closed: bool

    @property
    def hull(self) -> Points:
        """Points whose bounding box holds the subpath, shape (n, 2)."""
        if self._polyline is not None:
            return self._polyline.points
        return np.vstack([self.start[None, :], *(segment.hull for segment in self.segments)])

    @property
    def is_straight(self) -> bool:
        """Whether it consists of straight lines read at once."""
        return self._polyline is not None

    @property
    def _polyline(self) -> Polyline | None:
        """What the subpath consists of, if of straight lines read at once."""
        alone = self.segments[0] if len(self.segments) == 1 else None
        return alone if isinstance(alone, Polyline) else None

    def vertex_count(self, *, tolerance: float) -> int:
        """How many points `flatten` gives, before it is asked to."""
        return 1 + sum(segment.chords(tolerance=tolerance) for segment in self.segments)

    def flatten(self, *, tolerance: float) -> Points:
        """The subpath as points, repeated ones left out.

        Args:
            tolerance: largest distance between a chord and its curve, in the subpath's own unit.

        Returns:
            Shape (n, 2); of a closed subpath the first point is not repeated at the end.
        """
        if self._polyline is not None:
            points = self._polyline.points
        else:
            pieces = [segment.sample(segment.chords(tolerance=tolerance)) for segment in self.segments]
            lone_ellipse = len(self.segments) == 1 and getattr(self.segments[0], "is_whole", False)
            points = pieces[0] if lone_ellipse else np.vstack([self.start[None, :], *pieces])
        points = without_repeats(points, closer_than=tolerance * REPEAT_FRACTION)
        if (
            self.closed
            and len(points) > 1
            and np.hypot(*(points[0] - points[-1])) <= tolerance * REPEAT_FRACTION
        ):
            points = points[:-1]
        return points


def arc_chords(angle: float, *, radius: float, tolerance: float) -> int:
    """How many equal chords keep within `tolerance` of a circular arc.

    Args:
        angle: of the arc, radians, not negative.
        radius, tolerance: in one unit.

    Returns:
        At least 1, and at least one per eighth of a turn, so that a small circle stays round.
    """
    widest = FULL_TURN / 8.0
    if tolerance < radius:
        # 1 − cos(Δ/2) as 2 sin²(Δ/4): the difference would be lost in 1 for a very large radius.
        widest = min(widest, 4.0 * math.asin(math.sqrt(tolerance / radius / 2.0)))
    return max(1, math.ceil(angle / widest - 1e-9))


def without_repeats(points: Points, *, closer_than: float) -> Points:
    """Points without those that repeat the one before.

    Args:
        points: shape (n, 2).
        closer_than: points no further apart than this are one.

    Returns:
        Shape (m, 2), m ≤ n; the first point is kept.
    """
    steps = points[1:] - points[:-1]
    moved = np.hypot(steps[:, 0], steps[:, 1]) > closer_than
    if moved.all():
        return points
    kept: Points = points[np.concatenate([[True], moved])]
    return kept


def line(start: Points, end: Points) -> Bezier:
    """A straight segment.

    Args:
        start, end: shape (2,).

    Returns:
        A Bézier curve of degree 1.
    """
    return Bezier(np.array([start, end], dtype=np.float64))


def polyline(points: Points, *, closed: bool) -> Subpath:
    """A subpath of straight segments.

    Args:
        points: shape (n, 2), n ≥ 1.
        closed: whether the last point joins the first.

    Returns:
        The subpath through the points.
    """
    return Subpath(points[0], (Polyline(points),) if len(points) > 1 else (), closed)


def ellipse(centre: Points, *, radius_x: float, radius_y: float) -> Subpath:
    """A whole ellipse with axes along x and y.

    Args:
        centre: shape (2,).
        radius_x, radius_y: half-axes, in one unit with the centre.

    Returns:
        A closed subpath.
    """
    u, v = np.array([radius_x, 0.0]), np.array([0.0, radius_y])
    return Subpath(centre + u, (EllipticArc(centre, u, v, 0.0, FULL_TURN),), closed=True)


def disc_ring(x_mm: float, y_mm: float, *, diameter_mm: float, flattening_um: float) -> Points:
    """The polygon of a disc's own area.

    Args:
        x_mm, y_mm: centre.
        diameter_mm: of the disc.
        flattening_um: largest distance between the circle and its polygon.

    Returns:
        Vertices in mm, shape (n, 2), anticlockwise.
    """
    radius_mm = diameter_mm / 2.0
    circle = ellipse(np.array([x_mm, y_mm]), radius_x=radius_mm, radius_y=radius_mm)
    return circle.flatten(tolerance=flattening_um / 1e3)
