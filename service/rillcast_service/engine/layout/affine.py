"""Affine maps of the plane as 3 × 3 matrices that act on column vectors (x, y, 1)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rillcast_service.engine.layout.curves import Points

Matrix = NDArray[np.float64]

IDENTITY: Matrix = np.eye(3)


def matrix(a: float, b: float, c: float, d: float, e: float, f: float) -> Matrix:
    """x' = a x + c y + e, y' = b x + d y + f.

    Returns:
        The map, shape (3, 3), of the six numbers a, b, c, d, e and f.
    """
    return np.array([[a, c, e], [b, d, f], [0.0, 0.0, 1.0]])


def translation(x: float, y: float) -> Matrix:
    """Shift by (x, y).

    Returns:
        The map, shape (3, 3).
    """
    return matrix(1.0, 0.0, 0.0, 1.0, x, y)


def scaling(x: float, y: float) -> Matrix:
    """Scale by x and y about the origin.

    Returns:
        The map, shape (3, 3).
    """
    return matrix(x, 0.0, 0.0, y, 0.0, 0.0)


def rotation(degrees: float, x: float = 0.0, y: float = 0.0) -> Matrix:
    """Turn by some degrees about the point (x, y), from the x axis towards the y axis.

    Returns:
        The map, shape (3, 3).
    """
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    turn = matrix(cos, sin, -sin, cos, 0.0, 0.0)
    about: Matrix = translation(x, y) @ turn @ translation(-x, -y)
    return about


def skewing(x_degrees: float, y_degrees: float) -> Matrix:
    """Slant along x by x_degrees and along y by y_degrees.

    Returns:
        The map, shape (3, 3).
    """
    return matrix(1.0, math.tan(math.radians(y_degrees)), math.tan(math.radians(x_degrees)), 1.0, 0.0, 0.0)


def apply(transform: Matrix, points: Points) -> Points:
    """The images of points under a map.

    Args:
        transform: shape (3, 3).
        points: shape (n, 2).

    Returns:
        Shape (n, 2).
    """
    moved: Points = points @ transform[:2, :2].T + transform[:2, 2]
    return moved


def largest_scale(transform: Matrix) -> float:
    """The most that a map lengthens any distance.

    Args:
        transform: shape (3, 3).

    Returns:
        The largest singular value of its linear part, from the sum of its squares and its determinant.
    """
    a, c, b, d = transform[:2, :2].ravel().tolist()
    return (math.hypot(a + d, b - c) + math.hypot(a - d, b + c)) / 2.0
