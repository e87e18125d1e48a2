"""Prices of the routes against each other: one bar a route from the 10 % to the 90 % price."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from markupsafe import Markup

from rillcast_service.documents.formats import money, number
from rillcast_service.documents.svg import FAINT_INK, INK, RULE, picture, shortened, tag, text, text_width

WIDTH_PX = 960.0
MARGIN_PX = 1.0
LABEL_PX = 250.0
FIGURES_PX = 150.0
ROW_PX = 34.0
RANGE_FILL, RANGE_EDGE, LIKELY = "#bfdadd", "#0b5563", "#0b5563"


def price_picture(routes: Sequence[Mapping[str, Any]]) -> str:
    """Ranges of the net price on one axis that starts at zero.

    Args:
        routes: route results as JSON; those without a price are left out.

    Returns:
        An SVG document; empty when no route has a price.
    """
    priced = [route for route in routes if route["cost"]]
    if not priced:
        return ""
    currency = priced[0]["cost"]["currency"]
    most = max(float(route["cost"]["total"]["p90"]) for route in priced)
    tick = _round_step(most / 5) if most > 0 else 1.0
    end = max(tick, math.ceil(most / tick - 1e-9) * tick)
    left, right = MARGIN_PX + LABEL_PX, WIDTH_PX - MARGIN_PX - FIGURES_PX
    px = (right - left) / end
    bottom = 12 + ROW_PX * len(priced)
    parts: list[Markup] = []
    for index in range(round(end / tick) + 1):
        x = left + index * tick * px
        parts.append(tag("line", x1=x, x2=x, y1=6, y2=bottom, stroke=RULE))
        label = number(index * tick, 4)
        parts.append(text(x, bottom + 16, label, size=12.0, anchor="middle", fill=FAINT_INK))
    unit_x = right + text_width(number(end, 4), 12.0) / 2 + 6
    parts.append(text(unit_x, bottom + 16, currency, size=12.0, fill=FAINT_INK))
    for row, route in enumerate(priced):
        parts += _row(route, 12 + ROW_PX * row, left, px)
    return picture(
        WIDTH_PX,
        bottom + 26,
        parts,
        title="Net price by route, 10 % to 90 %",
        summary="; ".join(f"{route['title']}: {_range(route['cost'])}" for route in priced),
    )


def _row(route: Mapping[str, Any], top: float, left: float, px: float) -> list[Markup]:
    total = route["cost"]["total"]
    x10, x50, x90 = (left + float(total[key]) * px for key in ("p10", "p50", "p90"))
    label = shortened(route["title"], size=13.0, width=LABEL_PX - 14)
    return [
        text(MARGIN_PX, top + 18, label),
        tag(
            "rect",
            x=x10,
            y=top + 5,
            width=max(x90 - x10, 2.0),
            height=17,
            fill=RANGE_FILL,
            stroke=RANGE_EDGE,
        ),
        tag("rect", x=x50 - 2, y=top + 1, width=4, height=25, fill=LIKELY),
        text(x90 + 10, top + 18, money(_whole(total["p50"])), weight="700", fill=INK, halo=True),
    ]


def _range(cost: Mapping[str, Any]) -> str:
    total = cost["total"]
    return f"{money(_whole(total['p10']))} to {money(_whole(total['p90']), cost['currency'])}"


def _whole(amount: str) -> Decimal:
    return Decimal(amount).quantize(Decimal(1))


def _round_step(least: float) -> float:
    """The smallest of 1, 2, 5 × 10ⁿ that is not less."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * (1 - 1e-9))
