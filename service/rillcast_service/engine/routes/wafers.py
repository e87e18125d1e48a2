"""What a wafer mould is: how many chips it holds, and what its maker charges for several films."""

from __future__ import annotations

import math
from dataclasses import replace

from rillcast_service.catalogue.types import Entry, Price, Quantity, Value

#: What a maker must say to be asked for several films, and the value that each adds to.
_EXTRAS = {"extra_film": "price", "extra_mask": "setup", "extra_film_days": "lead_days"}


def pack_in_circle(
    *,
    diameter_mm: float,
    margin_mm: float,
    gap_mm: float,
    width_mm: float,
    depth_mm: float,
    inset_x_mm: float = 0.0,
    inset_y_mm: float = 0.0,
) -> int:
    """How many equal rectangles fit on a disc, in rows across it.

    Args:
        diameter_mm: of the disc.
        margin_mm: that what is drawn on the rectangles keeps from the disc's edge.
        gap_mm: between rectangles; width_mm, depth_mm: of a rectangle.
        inset_x_mm, inset_y_mm: from a rectangle's edges to what is drawn on it; the bare land around it
            may reach into the margin, but not over the edge.

    Returns:
        The count. Rows lie symmetric about the middle, each as long as the chord allows at its
        outer edge, for either direction of the rectangles and the fuller of them taken.
    """
    radii = diameter_mm / 2.0, diameter_mm / 2.0 - margin_mm
    if radii[1] <= 0.0:
        return 0
    return max(
        _rows_in_circle(radii, gap_mm, (width_mm, depth_mm), (inset_x_mm, inset_y_mm)),
        _rows_in_circle(radii, gap_mm, (depth_mm, width_mm), (inset_y_mm, inset_x_mm)),
    )


def _rows_in_circle(
    radii: tuple[float, float], gap: float, size: tuple[float, float], inset: tuple[float, float]
) -> int:
    """Rectangles in rows: whole within the first radius, what is drawn on them within the second."""
    (edge, drawn), (width, height), (inset_x, inset_y) = radii, size, inset
    best = 0
    most_rows = math.floor((2.0 * edge + gap) / (height + gap))
    for rows in range(1, most_rows + 1):
        total = rows * height + (rows - 1) * gap
        count = 0
        for row in range(rows):
            bottom = -total / 2.0 + row * (height + gap)
            whole = _along(edge, bottom, bottom + height, width, gap, 0.0)
            on_it = _along(drawn, bottom + inset_y, bottom + height - inset_y, width, gap, inset_x)
            count += min(whole, on_it)
        best = max(best, count)
    return best


def _along(radius: float, bottom: float, top: float, width: float, gap: float, inset: float) -> int:
    """Rectangles side by side in a strip, the outer insets of the row left out."""
    outer = max(abs(bottom), abs(top))
    if outer >= radius:
        return 0
    chord = 2.0 * math.sqrt(radius**2 - outer**2) + 2.0 * inset
    return max(0, math.floor((chord + gap + 1e-9) / (width + gap)))


def makes_films(supplier: Entry, films: int) -> bool:
    """Whether a maker says what several films cost.

    Args:
        supplier: of wafer moulds; films: how many are asked for.

    Returns:
        True for one film, and where the entry has all that a further film adds.
    """
    return films == 1 or all(supplier.has(key) for key in _EXTRAS)


def for_films(supplier: Entry, films: int, masks: int) -> Entry:
    """A maker's entry for wafers of several films, each exposed through a mask where a depth ends.

    Args:
        supplier: gives extra_film, extra_mask and extra_film_days.
        films: spun on every wafer; masks: aligned to one another.

    Returns:
        Price, set-up, least charge and lead time with those of the further films and masks on top.
    """
    if films == 1:
        return supplier
    more = {"extra_film": films - 1, "extra_mask": masks - 1, "extra_film_days": films - 1}
    values: dict[str, Value] = dict(supplier.values)
    for extra, key in _EXTRAS.items():
        values[key] = _sum(supplier.values[key], supplier.values[extra], more[extra])
    if "minimum_charge" in values:
        for extra in ("extra_film", "extra_mask"):
            values["minimum_charge"] = _sum(values["minimum_charge"], supplier.values[extra], more[extra])
    how = f"{films} films, {masks} masks aligned" if masks > 1 else f"{films} films"
    return replace(supplier, title=f"{supplier.title}, {how}", values=values)


def _sum(value: Value, extra: Value, times: int) -> Value:
    if isinstance(value, Price) and isinstance(extra, Price):
        return replace(
            value,
            amount=value.amount + times * extra.amount,
            low=value.low + times * extra.low,
            high=value.high + times * extra.high,
        )
    assert isinstance(value, Quantity)
    assert isinstance(extra, Quantity)
    return replace(
        value,
        value=value.value + times * extra.value,
        low=value.low + times * extra.low,
        high=value.high + times * extra.high,
    )
