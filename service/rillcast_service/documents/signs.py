"""The signs of severity and verdict: told by shape and lightness as much as by colour.

Octagon on dark, triangle on middle, circle on light: three shapes and three greys, so that a black
and white print or a colour-blind eye loses nothing. Dark red, orange and white differ in lightness by
3 to 1 each, for the common forms of colour blindness too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from rillcast_service.documents.svg import INK, PAPER, tag, text

#: Of a sign on a picture, unless said otherwise.
RADIUS_PX = 10.5


@dataclass(frozen=True, slots=True)
class Sign:
    """How a severity or a verdict looks.

    Args:
        word: printed beside the sign.
        corners: of the shape, as (x, y) on a unit circle; empty for a disc.
        fill, edge, ink: colours of the area, its edge and what stands on it.
    """

    word: str
    corners: tuple[tuple[float, float], ...]
    fill: str
    edge: str
    ink: str

    @property
    def size_px(self) -> float:
        """Room that the sign takes, with its edge, px."""
        return (
            2.0 * RADIUS_PX * max((abs(value) for corner in self.corners for value in corner), default=1.0)
            + 2.0
        )


def _ring(count: int, *, turn_deg: float, radius: float) -> tuple[tuple[float, float], ...]:
    angles = (math.radians(turn_deg + index * 360 / count) for index in range(count))
    return tuple((radius * math.cos(angle), radius * math.sin(angle)) for angle in angles)


_OCTAGON = _ring(8, turn_deg=22.5, radius=1.05)
_TRIANGLE = ((0.0, -1.2), (1.25, 0.92), (-1.25, 0.92))

BLOCKER = Sign("blocker", _OCTAGON, "#730f0c", "#4a0a06", PAPER)
RISK = Sign("risk", _TRIANGLE, "#d76e14", "#5a2c00", INK)
NOTE = Sign("note", (), "#ffffff", "#1f5fa8", INK)

#: A square: what was mended is no finding.
REPAIR = Sign("repair", _ring(4, turn_deg=45, radius=1.25), "#e7dcf3", "#5b3a86", INK)

#: What becomes of drawn shapes, and where the narrowest places are: no severities, so other shapes.
LOST = Sign("lost", _ring(4, turn_deg=0, radius=1.25), "#3d4148", "#1b1f24", PAPER)
MERGED = Sign("merged", _ring(6, turn_deg=0, radius=1.2), "#d9c1e8", "#5b3a86", INK)
SPLIT = Sign("split", tuple((x, -y) for x, y in _TRIANGLE), "#ffffff", "#1b1f24", INK)
CLOSED = Sign("closed", ((-1.25, -0.8), (1.25, -0.8), (1.25, 0.8), (-1.25, 0.8)), "#3d4148", "#1b1f24", PAPER)
NARROWEST = Sign("narrowest", (), "#ffffff", "#1b1f24", INK)

SEVERITIES = {"blocker": BLOCKER, "risk": RISK, "note": NOTE}

VERDICTS = {
    "makeable": Sign("makeable", (), "#ffffff", "#1d6b45", "#1d6b45"),
    "makeable_with_risk": Sign("makeable with risk", _TRIANGLE, "#d76e14", "#5a2c00", INK),
    "not_makeable": Sign("not makeable", _OCTAGON, "#730f0c", "#4a0a06", PAPER),
}
_VERDICT_MARKS = {"makeable": "✓", "makeable_with_risk": "!", "not_makeable": "×"}


def sign(
    kind: Sign, x: float, y: float, label: str, *, radius: float = RADIUS_PX, label_share: float = 1.12
) -> Markup:
    """A sign with a short label on it.

    Args:
        kind: which.
        x, y: its centre, px.
        label: a number or a mark.
        radius: of the sign, px.
        label_share: height of the label's font over the radius.

    Returns:
        The element.
    """
    look: dict[str, str | float] = {
        "fill": kind.fill,
        "stroke": kind.edge,
        "stroke_width": 1.6,
        "stroke_linejoin": "round",
    }
    if kind.corners:
        points = " ".join(f"{x + radius * u:.1f},{y + radius * v:.1f}" for u, v in kind.corners)
        shape = tag("polygon", points=points, **look)
    else:
        shape = tag("circle", cx=x, cy=y, r=radius, **look)
    size = radius * label_share * (1.0 if len(label) < 3 else 0.77)
    # A triangle's middle of area is not the middle of its height.
    low = radius * sum(v for _, v in kind.corners) / len(kind.corners) if kind.corners else 0.0
    figure = text(x, y + low + 0.36 * size, label, size=size, weight="700", anchor="middle", fill=kind.ink)
    return tag("g", shape, figure)


def severity_sign(severity: str, x: float, y: float, label: str, *, radius: float = RADIUS_PX) -> Markup:
    """The sign of a finding.

    Args:
        severity: `blocker`, `risk` or `note`; any other word gets the sign of a note.
        x, y: its centre, px.
        label: its number.
        radius: of the sign, px.

    Returns:
        The element.
    """
    return sign(SEVERITIES.get(severity, NOTE), x, y, label, radius=radius)


def severity_icon(severity: str, label: str) -> Markup:
    """The sign of a finding as a small picture of its own, for use in a line of HTML."""
    shape = severity_sign(severity, 16, 16, label, radius=12)
    return _icon(shape, SEVERITIES.get(severity, NOTE).word)


def verdict_icon(verdict: str) -> Markup:
    """The sign of a verdict as a small picture of its own, for use in a line of HTML."""
    kind = VERDICTS.get(verdict, NOTE)
    mark = _VERDICT_MARKS.get(verdict, "?")
    return _icon(sign(kind, 16, 16, mark, radius=12, label_share=1.5), kind.word)


def _icon(shape: Markup, word: str) -> Markup:
    return tag(
        "svg",
        shape,
        xmlns="http://www.w3.org/2000/svg",
        viewBox="0 0 32 32",
        width=22,
        height=22,
        class_="sign",
        role="img",
        aria_label=word,
        font_family="Arial, 'DejaVu Sans', sans-serif",
    )
