"""The `transform` attribute. Source: CSS Transforms Module Level 1, §8 (the SVG syntax)."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping

from rillcast_service.engine.layout.affine import (
    IDENTITY,
    Matrix,
    matrix,
    rotation,
    scaling,
    skewing,
    translation,
)
from rillcast_service.engine.layout.readers.svg.faults import Unusable

#: Function → (numbers it takes, how they make a matrix).
_FUNCTIONS: Mapping[str, tuple[tuple[int, ...], Callable[..., Matrix]]] = {
    "matrix": ((6,), matrix),
    "translate": ((1, 2), lambda x, y=0.0: translation(x, y)),
    "scale": ((1, 2), lambda x, y=None: scaling(x, x if y is None else y)),
    "rotate": ((1, 3), rotation),
    "skewX": ((1,), lambda degrees: skewing(degrees, 0.0)),
    "skewY": ((1,), lambda degrees: skewing(0.0, degrees)),
}

_CALL = re.compile(r"[\s,]*([a-zA-Z]+)\s*\(([^()]*)\)[\s,]*")


def parse_transform(text: str) -> Matrix:
    """The matrix of a list of transforms, the last of which acts first.

    Args:
        text: such as `translate(3 4) rotate(30)`.

    Returns:
        The map, shape (3, 3).

    Raises:
        Unusable: not of the standard's form.
    """
    combined, position = IDENTITY, 0
    while position < len(text.rstrip()):
        call = _CALL.match(text, position)
        if call is None:
            raise _unusable(text)
        counts, build = _FUNCTIONS.get(call[1], ((), None))
        try:
            numbers = [float(word) for word in call[2].replace(",", " ").split()]
        except ValueError:
            raise _unusable(text) from None
        if build is None or len(numbers) not in counts or not all(map(math.isfinite, numbers)):
            raise _unusable(text)
        combined = combined @ build(*numbers)
        position = call.end()
    return combined


def _unusable(text: str) -> Unusable:
    return Unusable(
        f"transform={text!r} cannot be read.",
        "Use translate, scale, rotate, skewX, skewY and matrix with plain numbers, or apply the transform.",
    )
