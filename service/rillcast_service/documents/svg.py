"""A few functions that write SVG: elements, text that fits, shapely geometry as paths.

Everything is a `Markup` string, so text from a stranger's drawing is escaped on its way in. Looks
are presentation attributes, never `<style>` or ids: the pictures are put into one HTML page side by
side, where both would leak.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from markupsafe import Markup, escape
from shapely import Geometry, LineString, Polygon
from shapely.geometry.base import BaseMultipartGeometry

FONT = "'Helvetica Neue', Helvetica, Arial, 'Liberation Sans', system-ui, sans-serif"

INK = "#1b1f24"
FAINT_INK = "#5c6670"
RULE = "#c9ced4"
PAPER = "#ffffff"

#: Half a micrometre, which no maker of such chips holds.
FINE_MM = 0.0005

_CORE = re.compile(r'^<svg [^>]*\bdata-core="([-0-9. ]+)"')
_VIEW = re.compile(r'viewBox="[-0-9. ]+" width="[0-9.]+" height="[0-9.]+"')
_PLAIN_SPACES = re.compile("[ \t\n\r]+")
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

# Shares of the font size, for a common sans-serif; a little generous, so that text does fit.
_NARROW, _WIDE = frozenset("iljtfrI.,:;'|!()[]{} \u00a0\u202f·-"), frozenset("mwMW@%—→")
_NARROW_EM, _USUAL_EM, _CAPITAL_EM, _WIDE_EM = 0.37, 0.62, 0.72, 0.95


def clean(text: str) -> str:
    """Text without characters that XML does not allow; each becomes U+FFFD."""
    return _NOT_XML.sub("\ufffd", text)


def tag(name: str, /, *children: str, **attributes: str | float | None) -> Markup:
    """One element.

    Args:
        name: of the element.
        children: `Markup` as it is; plain text is escaped.
        attributes: `stroke_width` becomes `stroke-width`; None is left out; numbers get two decimals.

    Returns:
        The element, safe to put into another.
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(clean(_plain(value)))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = Markup("").join(
        child if isinstance(child, Markup) else escape(clean(child)) for child in children
    )
    return Markup(f"<{name}{written}>{inner}</{name}>" if inner else f"<{name}{written}/>")  # noqa: S704


def picture(
    width: float,
    height: float,
    parts: Iterable[Markup],
    *,
    title: str,
    summary: str = "",
    core: tuple[float, float] | None = None,
) -> str:
    """A whole SVG document on white paper.

    Args:
        width, height: in px at 96 per inch; also the coordinate system of the parts.
        parts: from back to front.
        title, summary: what the picture shows, for people who cannot see it.
        core: from where to where down the picture it says what the text of a document around it does
            not say already, px; see `core_of`.

    Returns:
        The document as text.
    """
    return str(
        tag(
            "svg",
            tag("title", title),
            tag("desc", summary),
            tag("rect", x=0, y=0, width=width, height=height, fill=PAPER),
            *parts,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {_plain(width)} {_plain(height)}",
            width=width,
            height=height,
            data_core=f"0 {_plain(core[0])} {_plain(width)} {_plain(core[1] - core[0])}" if core else None,
            role="img",
            font_family=FONT,
            font_size=13.0,
            fill=INK,
        )
    )


def core_of(svg: str) -> str:
    """A picture cut to its core: a document has headings and a list of its own around it.

    Args:
        svg: as `picture` made it.

    Returns:
        The same picture seen through a smaller window; unchanged when it states no core.
    """
    core = _CORE.search(svg)
    return _VIEW.sub(f'viewBox="{core[1]}"', svg, count=1) if core else svg


def text(
    x: float,
    y: float,
    content: str,
    *,
    size: float = 13.0,
    weight: str | None = None,
    anchor: str | None = None,
    fill: str | None = None,
    halo: bool = False,
) -> Markup:
    """A line of text.

    Args:
        x, y: where its baseline starts, or has its middle or end by `anchor`, px.
        content: the text.
        size: of the font, px.
        weight, anchor, fill: as the attributes of SVG.
        halo: a rim of paper around the letters keeps them legible over a drawing.

    Returns:
        The element.
    """
    return tag(
        "text",
        content,
        x=x,
        y=y,
        font_size=size,
        font_weight=weight,
        text_anchor=anchor,
        fill=fill,
        stroke=PAPER if halo else None,
        stroke_width=3.0 if halo else None,
        stroke_linejoin="round" if halo else None,
        paint_order="stroke" if halo else None,
    )


def text_width(content: str, size: float) -> float:
    """About how wide a line of text is, on the wide side.

    Args:
        content: the text.
        size: of the font, px.

    Returns:
        Width in px.
    """
    return size * sum(
        _NARROW_EM
        if character in _NARROW
        else _WIDE_EM
        if character in _WIDE
        else _CAPITAL_EM
        if character.isupper()
        else _USUAL_EM
        for character in content
    )


def wrapped(content: str, *, size: float, width: float, lines: int) -> list[str]:
    """Text broken into lines.

    Args:
        content: the text.
        size: of the font, px.
        width: of a line, px.
        lines: how many at most.

    Returns:
        The lines; the last one ends in `…` when something is left over.
    """
    rows: list[str] = []
    row = ""
    # only at plain spaces: the others hold a number and its unit together
    words = _breakable(list(filter(None, _PLAIN_SPACES.split(clean(content)))), size=size, width=width)
    for index, word in enumerate(words):
        longer = f"{row} {word}" if row else word
        if not row or text_width(longer, size) <= width:
            row = longer
            continue
        rows.append(row)
        row = word
        if len(rows) == lines:
            return [*rows[:-1], shortened(" ".join([rows[-1], *words[index:]]), size=size, width=width)]
    return [*rows, row] if row else rows


def _breakable(words: list[str], *, size: float, width: float) -> list[str]:
    """Words none of which is wider than a line."""
    longest = max(4, int(width / (size * _WIDE_EM)))
    return [word[start : start + longest] for word in words for start in range(0, len(word), longest)]


def shortened(content: str, *, size: float, width: float) -> str:
    """A line of text cut to what fits.

    Args:
        content: the text.
        size: of the font, px.
        width: that it may take, px.

    Returns:
        The text, or its beginning with `…`.
    """
    content = clean(content)
    if text_width(content, size) <= width:
        return content
    while content and text_width(content + "…", size) > width:
        content = content[:-1]
    return content.rstrip() + "…"


@dataclass(frozen=True, slots=True)
class Scale:
    """From the layout's mm (y up) to the picture's px (y down).

    Args:
        px_per_mm: scale of the drawing.
        left_mm, top_mm: the layout's point that lands on (`x_px`, `y_px`).
    """

    px_per_mm: float
    left_mm: float
    top_mm: float
    x_px: float
    y_px: float

    def x(self, x_mm: float) -> float:
        """Across the picture, px."""
        return self.x_px + (x_mm - self.left_mm) * self.px_per_mm

    def y(self, y_mm: float) -> float:
        """Down the picture, px."""
        return self.y_px + (self.top_mm - y_mm) * self.px_per_mm

    def path(self, geometry: Geometry, **attributes: str | float | None) -> Markup:
        """Polygons and lines as one path; points are left out."""
        # What moves by less than a tenth of a pixel cannot be seen, but would make the file heavy.
        return self._path(geometry, 0.1 / self.px_per_mm, 2, attributes)

    def fine_path(self, geometry: Geometry, **attributes: str | float | None) -> Markup:
        """The same with what shows only when the picture is enlarged; its strokes stay thin then."""
        return self._path(geometry, FINE_MM, 4, {**attributes, "vector_effect": "non-scaling-stroke"})

    def _path(
        self,
        geometry: Geometry,
        tolerance_mm: float,
        decimals: int,
        attributes: Mapping[str, str | float | None],
    ) -> Markup:
        data = "".join(self._data(part, decimals) for part in parts_of(geometry.simplify(tolerance_mm)))
        return tag("path", d=data, fill_rule="evenodd", **attributes) if data else Markup("")

    def _data(self, part: Geometry, decimals: int) -> str:
        if isinstance(part, Polygon):
            rings = (part.exterior, *part.interiors)
            return "".join(self._line(ring.coords, decimals, close=True) for ring in rings)
        if isinstance(part, LineString):
            return self._line(part.coords, decimals, close=False)
        return ""

    def _line(self, coords: Iterable[tuple[float, ...]], decimals: int, *, close: bool) -> str:
        points = [f"{_plain(self.x(x), decimals)} {_plain(self.y(y), decimals)}" for x, y, *_ in coords]
        if close:
            points.pop()
        return f"M{'L'.join(points)}{'Z' if close else ''}" if points else ""


def parts_of(geometry: Geometry) -> Iterable[Geometry]:
    """The points, lines and polygons that a geometry is made of, however it is nested.

    Args:
        geometry: any; nothing comes of an empty one.

    Returns:
        Its simple parts.
    """
    if isinstance(geometry, BaseMultipartGeometry):
        for part in geometry.geoms:
            yield from parts_of(part)
    elif not geometry.is_empty:
        yield geometry


def _plain(value: str | float, decimals: int = 2) -> str:
    if isinstance(value, str):
        return value
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".") if value % 1 else f"{value:.0f}"
