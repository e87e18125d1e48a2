"""Colours for fields: an ordered scale that is even to the eye and stays in order without colour.

Nine even steps of the colour map viridis by S. van der Walt, N. Smith and E. Firing, 2015, released to the
public domain (CC0 1.0) by its authors.
"""

from __future__ import annotations

#: Dark to light.
SCALE = (
    "#440154",
    "#472d7b",
    "#3b528b",
    "#2c728e",
    "#21918c",
    "#28ae80",
    "#5ec962",
    "#addc30",
    "#fde725",
)
#: What no value is known for.
NO_VALUE = "#c9ced4"


def colours(count: int, *, dark_first: bool) -> list[str]:
    """So many colours, spread over the scale.

    Args:
        count: 1 to 9.
        dark_first: whether the first is the darkest.

    Returns:
        Hexadecimal colours.
    """
    last = len(SCALE) - 1
    picked = [SCALE[round(k * last / max(count - 1, 1))] for k in range(count)]
    return picked if dark_first else picked[::-1]
