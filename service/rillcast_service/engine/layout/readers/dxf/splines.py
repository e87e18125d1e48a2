"""Splines as points: no chord strays further from its curve than a given distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout.curves import Points
from rillcast_service.engine.layout.limits import Tally

#: Where between the ends of a chord the curve is compared with it.
_LOOKED_AT = np.array([0.25, 0.5, 0.75])

#: Between these places the curve may stray a little further than at them: of a parabola, a tenth at most.
_SHARE = 0.9

#: Chords of a stretch between two knots to begin with, for each degree: so many that no turn of the curve
#: falls between the places looked at.
_CHORDS_PER_DEGREE = 4

_MAX_DEGREE = 25


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """A B-spline, rational where its weights differ.

    Args:
        degree: 1 or more.
        knots: ascending, shape (n + degree + 1,).
        control: control points, shape (n, 2).
        weights: above 0, shape (n,).

    Raises:
        LayoutInvalid: numbers that make no curve.
    """

    degree: int
    knots: NDArray[np.float64]
    control: Points
    weights: NDArray[np.float64]

    def __post_init__(self) -> None:
        count = len(self.control)
        usable = (
            1 <= self.degree <= _MAX_DEGREE
            and count > self.degree
            and len(self.knots) == count + self.degree + 1
            and len(self.weights) == count
            and bool(np.isfinite(self.knots).all() and np.all(np.diff(self.knots) >= 0.0))
            and bool(np.isfinite(self.weights).all() and np.all(self.weights > 0.0))
            and self.knots[self.degree] < self.knots[count]
        )
        if not usable:
            raise LayoutInvalid(
                Fault(
                    f"A spline of degree {self.degree} with {count} control points, {len(self.knots)} knots "
                    f"and {len(self.weights)} weights makes no curve.",
                    "Draw the spline anew, or turn it into a polyline.",
                )
            )

    def flatten(self, *, tolerance: float, tally: Tally) -> Points:
        """The curve as points.

        Every stretch between knots is halved until the curve, at a quarter, half and three quarters of each
        chord's parameter, lies within the tolerance of it.

        Args:
            tolerance: largest distance between a chord and the curve, in the unit of the control points.
            tally: holds the limit of vertices.

        Returns:
            Shape (n, 2), from start to end.

        Raises:
            LayoutTooComplex: too many points.
        """
        homogeneous = np.column_stack([self.control * self.weights[:, None], self.weights])
        curve = BSpline(self.knots, homogeneous, self.degree, extrapolate=False)
        first, last = self.knots[self.degree], self.knots[len(self.control)]
        stops = np.unique(self.knots[(self.knots >= first) & (self.knots <= last)])
        chords = 1 if self.degree == 1 else _CHORDS_PER_DEGREE * self.degree
        steps = np.linspace(0.0, 1.0, chords, endpoint=False)
        t = np.append((stops[:-1, None] + np.diff(stops)[:, None] * steps).ravel(), last)
        while True:
            tally.vertex(len(t))
            tally.vertices -= len(t)  # they are counted once, when the shape is made
            points = _at(curve, t)
            is_far = self._strays(curve, t, points) > _SHARE * tolerance
            middles = (t[:-1] + t[1:]) / 2.0
            is_far &= (middles > t[:-1]) & (middles < t[1:])
            if self.degree == 1 or not is_far.any():
                return points
            t = np.sort(np.concatenate([t, middles[is_far]]))

    def _strays(self, curve: BSpline, t: NDArray[np.float64], points: Points) -> NDArray[np.float64]:
        """How far the curve lies from each chord at the places looked at, shape (n − 1,)."""
        inner = t[:-1, None] + np.diff(t)[:, None] * _LOOKED_AT
        offsets = _at(curve, inner.ravel()).reshape(len(t) - 1, len(_LOOKED_AT), 2) - points[:-1, None]
        chords = np.diff(points, axis=0)[:, None]
        lengths = np.maximum(np.sum(chords**2, axis=2), np.finfo(np.float64).tiny)
        share = np.clip(np.sum(offsets * chords, axis=2) / lengths, 0.0, 1.0)
        strays: NDArray[np.float64] = np.hypot(*np.moveaxis(offsets - share[..., None] * chords, 2, 0))
        widest: NDArray[np.float64] = strays.max(axis=1)
        return widest


def _at(curve: BSpline, t: NDArray[np.float64]) -> Points:
    """Points of the curve at parameters of shape (n,), shape (n, 2)."""
    homogeneous = curve(t)
    points: Points = homogeneous[:, :2] / homogeneous[:, 2:]
    return points
