"""Drawings against an independent renderer: the area that it paints, and the picture.

The renderer is resvg, which shares no code with ours. What it leaves transparent is no channel; how opaque
the rest is gives the covered area, whatever the colours.

Most drawings come from source distributions of the package registry: flags and emoji, examples of the
standard, exports of drawing programs. As they are no chips, a group called `channels` is put around all they
draw, for the renderer too, and the unit is given with the request where the file states none.
"""

import base64
import io
import re
from dataclasses import dataclass

import numpy as np
import pytest
import resvg_py
import samples
import shapely
from fontTools.ttLib import TTFont
from PIL import Image
from shapely import affinity, box

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import LayoutInvalid, LayoutUnitsMissing, LayoutUnreadable
from rillcast_service.engine.layout.lengths import MM_PER_UNIT
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

DEFAULTS = load().defaults

#: Source distributions that carry drawings.
PACKAGES = {
    "picosvg": ("0.23.0", "a3616d5eb3ee810e74a931ffa68e2c36cd06a2eef24400a97dc07c0e6cc5eb4c"),
    "svglib": ("2.3.2", "625b62cf440ab57f5def42d5be47a0d6b73c02711ef86ab1545650a98ac1ad5f"),
    "svgpathtools": ("1.8.0", "e5fc4a7b5aae744e4a9de698e0ff54a9d3769c578d1e420cc452eedcaf1650fb"),
}

#: The areas agree within this part of them.
AREA_WITHIN = 0.002

#: What is painted in one picture only, as part of what is painted; a pixel is, when more than half of it is.
PICTURE_WITHIN = 0.003

#: For the renderer only: what is see-through counts whole.
OPAQUE = (
    "* { opacity: 1 !important; fill-opacity: 1 !important; stroke-opacity: 1 !important;"
    " stop-opacity: 1 !important }"
)

#: For the renderer only: of a shape with fill and stroke, the fill is the drawn size.
FILL_ONLY = "* { stroke: none !important }"

#: What drawings may hold → how it is written.
FEATURES = {
    "user units": r"<svg[^>]* (width=.\d+[\"']|viewBox)",
    "mm": r"\dmm[\"']",
    "cm": r"\dcm[\"']",
    "in": r"\din[\"']",
    "pt": r"\dpt[\"']",
    "pc": r"\dpc[\"']",
    "px": r"\dpx[\"']",
    "px at 90 dpi": r"\dpx[\"']",
    "px at 72 dpi": r"\dpx[\"']",
    "percentages": r"\d%",
    "viewBox": r"<svg[^>]*\sviewBox=.-?[1-9]",
    "preserveAspectRatio meet": r"preserveAspectRatio=.xM\w\wYM\w\w meet",
    "preserveAspectRatio slice": r"preserveAspectRatio=.xM\w\wYM\w\w slice",
    "preserveAspectRatio none": r"preserveAspectRatio=.none",
    "transforms within transforms": r"transform=[^>]*>\s*<[^>]*transform=",
    "mirrored": r"scale\((-|\d+ ?, ?-)",
    "matrix": r"matrix\(",
    "skewed": r"skew[XY]\(",
    "groups": r"<g\b",
    "use": r"<use\b",
    "symbol": r"<symbol\b",
    "symbol with a viewBox": r"<symbol[^>]*viewBox=",
    "drawing within a drawing": r"<svg\b(?s:.*)<svg\b",
    "style attributes": r"style=",
    "classes": r"\.[\w-]+[^{}<>\"]*\{",
    "ids in style sheets": r"#[\w-]+[^{}<>\"]*\{",
    "selectors by attribute": r"\[[\w-]+=\S+\]",
    "selectors by what is around": r"\w > \w[^{}<>]*\{",
    "!important": r"!important",
    "currentColor": r"currentColor",
    "inherit": r"inherit",
    "nonzero": r"fill-rule[=:].?nonzero",
    "evenodd": r"fill-rule[=:].?evenodd",
    "strokes": r"stroke-width",
    "butt caps": r"stroke-linecap[=:].?butt",
    "round caps": r"stroke-linecap[=:].?round",
    "square caps": r"stroke-linecap[=:].?square",
    "mitred joins": r"stroke-linejoin[=:].?miter",
    "round joins": r"stroke-linejoin[=:].?round",
    "bevelled joins": r"stroke-linejoin[=:].?bevel",
    "miter limit": r"stroke-miterlimit",
    "stretched strokes": r"scale\(\d[\d.]*, ?\d(?s:.*)stroke-width",
    "rectangles": r"<rect",
    "rounded rectangles": r"<rect[^>]* rx=",
    "circles": r"<circle",
    "ellipses": r"<ellipse",
    "polygons": r"<polygon",
    "polylines": r"<polyline",
    "lines": r"<line\b",
    "arcs": r"\sd=.[^\"']*[aA]",
    "cubic curves": r"\sd=.[^\"']*[cC]",
    "quadratic curves": r"\sd=.[^\"']*[qQ]",
    "smooth cubic curves": r"\sd=.[^\"']*[sS]",
    "smooth quadratic curves": r"\sd=.[^\"']*[tT]",
    "gradients": r"url\(#",
    "hidden by display": r"display[=:].?none",
    "hidden by visibility": r"visibility[=:].?hidden",
    "hidden by opacity": r"opacity[=:].?0[\"';]",
    "off the sheet": "",
    "clip paths": r"<clipPath",
    "clip paths of several shapes": r"<clipPath[^>]*>\s*<[^>]*/>\s*<[^/]",
    "clip paths on groups": r"<g[^>]*clip-path",
    "clip paths within one another": r"<clipPath[^>]*clip-path=|<g[^>]*clip-path=[^>]*>\s*<[^>]*clip-path=",
    "clip paths in parts of the shape": r"clipPathUnits=.objectBoundingBox",
    "clip-rule": r"clip-rule=",
    "clipped strokes": r"clip-path=[^>]*stroke-width",
    "clipped references": r"<use[^>]*clip-path=",
    "references in clip paths": r"<clipPath[^>]*>\s*<use",
    "choice by language": r"<switch",
    "colours": r"fill=.green",
    "layers": "channels(?s:.*)ports(?s:.*)outline(?s:.*)notes",
    # Refused, or left out, in words.
    "no real unit": "",
    "dashes": r"stroke-dasharray",
    "text in an embedded font": r"@font-face(?s:.*)<text",
    "text": r"<text",
    "raster pictures": r"<image",
    "font-relative units": r"\dex[\"']",
}


@dataclass(frozen=True)
class Drawing:
    """What a drawing shows, and how it is to be read.

    Args:
        features: of `FEATURES`, with commas.
        unit, dpi: given with the request.
        css: what the renderer is to paint otherwise.
        pixels: of the picture's longer side; thin lines need more.
        body: of a drawing made here, with the `svg` element's attributes before it.
    """

    features: str
    unit: str | None = None
    dpi: float | None = None
    css: str = ""
    pixels: int = 1024
    body: tuple[str, str] | None = None


#: Files of others.
REAL = {
    "picosvg/tests/arcs-before.svg": Drawing("arcs, viewBox, user units", "px", pixels=1800),
    "picosvg/tests/bounding.svg": Drawing("mm, groups, cubic curves, ellipses, rectangles", pixels=2000),
    "picosvg/tests/decimal-viewbox-before.svg": Drawing("arcs, quadratic curves", "mm"),
    "picosvg/tests/emoji_u1f6d2.svg": Drawing("cubic curves", "mm", pixels=2000),
    "picosvg/tests/fill-rule-evenodd-before.svg": Drawing(
        "nonzero, evenodd, polygons, viewBox", "mm", css=FILL_ONLY
    ),
    "picosvg/tests/flag-use-before.svg": Drawing("use, transforms within transforms, mirrored", "px"),
    "picosvg/tests/group-stroke-before.svg": Drawing("groups, strokes", "mm"),
    "picosvg/tests/illegal-inheritance-before.svg": Drawing("groups, gradients, rectangles", "mm"),
    "picosvg/tests/inline-css-style-before.svg": Drawing(
        "style attributes, strokes, gradients", "mm", pixels=2048
    ),
    "picosvg/tests/invisible-before.svg": Drawing(
        "hidden by display, hidden by opacity, viewBox", "px", pixels=2000
    ),
    "picosvg/tests/matrix-before.svg": Drawing("px, matrix, rectangles"),
    "picosvg/tests/no-viewbox-before.svg": Drawing("user units", "mm"),
    "picosvg/tests/outside-viewbox-grouped.svg": Drawing("off the sheet, circles", "mm", css=OPAQUE),
    "picosvg/tests/scale-strokes-before.svg": Drawing("stretched strokes", "mm"),
    "picosvg/tests/stroke-capjoinmiterlimit-before.svg": Drawing(
        "strokes, round caps, round joins, miter limit, arcs", "mm"
    ),
    "picosvg/tests/stroke-path-before.svg": Drawing("strokes, rectangles", "px", css=FILL_ONLY + OPAQUE),
    "picosvg/tests/stroke-polyline-before.svg": Drawing("px, polylines, round caps, round joins"),
    "picosvg/tests/transform-before.svg": Drawing("skewed, use, arcs, viewBox", "mm", pixels=2000),
    "picosvg/tests/twemoji-lesotho-flag-before.svg": Drawing("evenodd, smooth cubic curves", "mm"),
    "picosvg/tests/ungroup-group-transform-before.svg": Drawing("groups, ellipses", "mm"),
    "picosvg/tests/clip-clippath-attrs.svg": Drawing(
        "clip paths, clip paths on groups, references in clip paths", "mm"
    ),
    "picosvg/tests/clip-curves.svg": Drawing("clip paths, smooth cubic curves", "mm", css=OPAQUE),
    "picosvg/tests/clip-from-brazil-flag.svg": Drawing(
        "clip paths, clipped references, use, arcs, evenodd", "px", pixels=2800
    ),
    "picosvg/tests/clip-groups.svg": Drawing("clip paths on groups", "mm", pixels=960),
    "picosvg/tests/clip-multirect.svg": Drawing("clip paths of several shapes", "mm"),
    "picosvg/tests/clip-rule-evenodd.svg": Drawing("clip-rule", "mm"),
    "picosvg/tests/clip-the-clip-before.svg": Drawing("clip paths within one another", "mm"),
    "picosvg/tests/clipped-strokes-before.svg": Drawing("clipped strokes, round caps", "mm"),
    "picosvg/tests/emoji_u1f469_1f3fd_200d_1f91d_200d_1f468_1f3fb.svg": Drawing(
        "clip paths, use, gradients", "mm", css=OPAQUE
    ),
    "picosvg/tests/ungroup-transform-clip-before.svg": Drawing(
        "clip paths on groups, clip paths within one another", "mm", css=OPAQUE
    ),
    "svglib/tests/samples/misc/Python_logo_and_wordmark.svg": Drawing("pt, matrix, gradients", css=OPAQUE),
    "svglib/tests/samples/misc/arcs01.svg": Drawing(
        "cm, arcs, strokes",
        css='path[fill="red"], path[fill="yellow"] { stroke: none !important }',
        pixels=2400,
    ),
    "svglib/tests/samples/misc/firefox-logo.svg": Drawing("gradients, smooth cubic curves", "px"),
    "svglib/tests/samples/misc/test_part.svg": Drawing(
        "mm, mirrored, transforms within transforms, butt caps, mitred joins", pixels=2000
    ),
    "svglib/tests/samples/others/quadratic_path.svg": Drawing("quadratic curves", "mm"),
    "svgpathtools/test/circle.svg": Drawing("px, circles"),
    "svgpathtools/test/negative-scale.svg": Drawing(
        "mm, mirrored, arcs, viewBox", css=FILL_ONLY, pixels=2000
    ),
    "svgpathtools/test/polygons.svg": Drawing("px, polygons, viewBox, off the sheet", css=FILL_ONLY),
    "svgpathtools/test/polyline.svg": Drawing("percentages, polylines, strokes", "mm", pixels=2000),
}

_ASYMMETRIC = '<path d="M12 8h20v6h-12v20h-8z"/><circle cx="36" cy="30" r="6"/>'

#: Drawn here: what no file of others holds, or not in a way that can be told from the picture.
DRAWN = {
    "lengths": Drawing(
        "mm, cm, in, pt, pc, px, percentages, rectangles, rounded rectangles, lines",
        body=(
            'width="6cm" height="2in"',
            '<rect x="1mm" y=".1cm" width="12mm" height="1cm"/>'
            '<rect x="1in" y="2mm" width=".5in" height="9pt"/>'
            '<rect x="7pc" y="5pc" width="40px" height="3pc" rx="1mm"/>'
            '<line x1="10%" x2="50%" y1="70%" y2="90%" stroke="red" stroke-width="2%"/>',
        ),
    ),
    "pixels of 90 dpi": Drawing(
        "px, px at 90 dpi, in",
        dpi=90.0,
        body=('width="180px" height="90px"', '<rect width="1in" height="45"/>'),
    ),
    "pixels of 72 dpi": Drawing(
        "px, px at 72 dpi, mm",
        dpi=72.0,
        body=(
            'width="144px" height="72px"',
            '<rect x="9" width="20mm" height="36"/><circle r="20" cx="99"/>',
        ),
    ),
    "sheet of points": Drawing("pt", body=('width="144pt" height="72pt" viewBox="0 0 40 20"', _ASYMMETRIC)),
    "sheet of picas": Drawing("pc", body=('width="12pc" height="10pc" viewBox="4 2 50 40"', _ASYMMETRIC)),
    "sheet of inches": Drawing(
        "in, viewBox", body=('width="2in" height="1in" viewBox="-5 -5 60 30"', _ASYMMETRIC)
    ),
    "fitted whole, left and low": Drawing(
        "preserveAspectRatio meet",
        body=(
            'width="90mm" height="30mm" viewBox="1 0 50 40" preserveAspectRatio="xMinYMax meet"',
            _ASYMMETRIC,
        ),
    ),
    "fitted whole, right": Drawing(
        "preserveAspectRatio meet",
        body=(
            'width="90mm" height="30mm" viewBox="1 0 50 40" preserveAspectRatio="xMaxYMid meet"',
            _ASYMMETRIC,
        ),
    ),
    "cut to fit": Drawing(
        "preserveAspectRatio slice, off the sheet",
        pixels=900,
        body=(
            'width="90mm" height="50mm" viewBox="1 0 50 40" preserveAspectRatio="xMidYMin slice"',
            _ASYMMETRIC,
        ),
    ),
    "stretched to fit": Drawing(
        "preserveAspectRatio none, circles",
        body=('width="90mm" height="30mm" viewBox="1 0 50 40" preserveAspectRatio="none"', _ASYMMETRIC),
    ),
    "caps and joins": Drawing(
        "strokes, butt caps, round caps, square caps, mitred joins, round joins, bevelled joins, miter limit",
        body=(
            'width="80mm" height="60mm" viewBox="0 0 80 60"',
            '<g fill="none" stroke="#080" stroke-width="3">'
            + "".join(
                f'<path d="M{6 + 24 * i} {8 + 18 * j}h12l-9 5q14 6 4 -4" stroke-linecap="{cap}"'
                f' stroke-linejoin="{join}" stroke-miterlimit="{limit}"/>'
                for i, cap in enumerate(("butt", "round", "square"))
                for j, (join, limit) in enumerate((("miter", 9), ("round", 4), ("bevel", 4)))
            )
            + '<path d="M72 8l4 20l-6 -10z" stroke-width="1" stroke-miterlimit="1.5"/>'
            '<path d="M72 40h0" stroke-width="5" stroke-linecap="round"/></g>',
        ),
    ),
    "strokes in skewed groups": Drawing(
        "stretched strokes, skewed, mirrored, matrix, transforms within transforms, lines",
        body=(
            'width="60mm" height="60mm" viewBox="0 0 60 60"',
            '<g transform="translate(30 30) rotate(20)"><g transform="scale(2, 1) skewX(15)">'
            '<circle r="8" fill="none" stroke="navy" stroke-width="2"/>'
            '<g transform="scale(-1,1) matrix(.7 .2 -.1 .9 4 5)">'
            '<line x2="12" y2="7" stroke="navy" stroke-width="2" stroke-linecap="round"/>'
            '<path d="M0 0h9v9" fill="none" stroke="navy" stroke-width="1.5"/></g></g></g>',
        ),
    ),
    "every curve": Drawing(
        "arcs, cubic curves, quadratic curves, smooth cubic curves, smooth quadratic curves",
        body=(
            'width="80mm" height="40mm" viewBox="0 0 80 40"',
            '<path d="M4 9c0 -9 9 -9 9 0s9 9 9 0l0 9z"/><path d="M28 9q4 -9 8 0t8 0t5 -2l-9 12z"/>'
            '<path d="M10 30a4 2 30 1 0 .1 0z"/><path d="M24 30a1 2 10 0 1 8 -4z"/>'
            '<path d="M40 34a6 4 40 0 1 9 -6a6 4 -20 1 0 3 4z"/><path d="m60 10a5 5 0 119 5z"/>'
            '<path d="M60 30S70 20 74 34T60 30"/>',
        ),
    ),
    "style sheet": Drawing(
        "classes, ids in style sheets, selectors by attribute, selectors by what is around, !important,"
        " currentColor, inherit, style attributes",
        body=(
            'width="60mm" height="40mm" viewBox="0 0 60 40"',
            "<style>.line { fill: none; stroke-width: 2px } g > path.line { stroke: red }"
            " #thin { stroke-width: 1 } [data-cap=round] { stroke-linecap: round }"
            " rect { fill: none } g g rect { fill: blue } .off { display: none !important }"
            " circle { fill: none; stroke: currentColor }</style>"
            '<g><path class="line" d="M5 5h20"/><path class="line" id="thin" d="M5 10h20"/>'
            '<path class="line" data-cap="round" stroke-width="9" d="M5 16h20l3 3"/>'
            '<rect width="3" height="3"/><g><rect x="40" y="4" width="8" height="5"/>'
            '<rect x="40" y="12" width="8" height="5" style="fill:none"/>'
            '<path class="off" style="display:inline" d="M1 20h9v9z"/></g>'
            '<g style="color:green;stroke-width:4">'
            '<circle cx="20" cy="30" r="5" stroke-width="inherit"/></g></g>',
        ),
    ),
    "hidden parts": Drawing(
        "hidden by display, hidden by visibility, hidden by opacity",
        body=(
            'width="50mm" height="40mm" viewBox="0 0 50 40"',
            '<g visibility="hidden"><rect width="9" height="9"/>'
            '<rect x="30" y="20" width="9" height="5" visibility="visible"/></g>'
            '<g display="none"><rect y="20" width="9" height="9"/></g>'
            '<g opacity="0"><rect y="30" width="9" height="9"/></g>'
            '<rect x="12" width="9" height="4" style="visibility:visible"/>',
        ),
    ),
    "symbols": Drawing(
        "symbol, symbol with a viewBox, use",
        body=(
            'width="80mm" height="40mm" viewBox="0 0 80 40"',
            '<symbol id="plain"><path d="M2 2h9v3h-6v4h-3z"/></symbol>'
            '<symbol id="framed" viewBox="0 0 10 10" preserveAspectRatio="xMinYMin meet">'
            '<circle cx="7" cy="5" r="6"/></symbol>'
            '<use href="#plain"/><use href="#plain" x="20" y="5" transform="rotate(10)"/>'
            '<use href="#framed" x="5" y="18" width="30" height="18"/>'
            '<use href="#framed" x="50" y="6" width="12" height="30"/>',
        ),
    ),
    "drawings within": Drawing(
        "drawing within a drawing, preserveAspectRatio none",
        body=(
            'width="80mm" height="40mm" viewBox="0 0 80 40"',
            '<svg x="5" y="5" width="20" height="30" viewBox="0 0 10 10"><circle cx="6" cy="4" r="5"/></svg>'
            '<svg x="30" y="5" width="40%" height="10" viewBox="-2 -2 10 10" preserveAspectRatio="none">'
            '<path d="M0 0h6v3h-3v9z"/></svg>'
            '<svg x="35" y="20" width="12" height="9" overflow="visible">'
            '<rect x="6" y="2" width="20" height="9"/></svg>',
        ),
    ),
    "clips": Drawing(
        "clip paths in parts of the shape, clip paths on groups, clip paths within one another, clip-rule,"
        " clip paths of several shapes, clipped strokes, clipped references",
        body=(
            'width="80mm" height="60mm" viewBox="0 0 80 60"',
            '<defs><clipPath id="parts" clipPathUnits="objectBoundingBox">'
            '<circle cx=".5" cy=".3" r=".45"/></clipPath>'
            '<clipPath id="ring">'
            '<path clip-rule="evenodd" d="M10 10h30v30h-30zM15 15h20v20h-20z"/></clipPath>'
            '<clipPath id="inner" clip-path="url(#ring)" transform="rotate(5)">'
            '<rect x="5" y="5" width="20" height="60"/>'
            '<circle cx="40" cy="30" r="8"/></clipPath></defs>'
            '<rect x="50" y="5" width="20" height="30" clip-path="url(#parts)"/>'
            '<g clip-path="url(#inner)"><rect x="8" y="8" width="60" height="12"/>'
            '<path d="M5 35h60" fill="none" stroke="red" stroke-width="6"/></g>'
            '<g id="bar"><rect x="2" y="40" width="16" height="6"/></g>'
            '<use href="#bar" x="4" y="8" clip-path="url(#parts)"/>'
            '<use href="#bar" x="55" y="-36" transform="rotate(-4)" clip-path="url(#half)"/>'
            '<clipPath id="half"><circle cx="4" cy="42" r="7"/></clipPath>'
            '<path d="M45 50h30" fill="none" clip-path="url(#cut)" stroke="red" stroke-width="6"/>'
            '<clipPath id="turned" clipPathUnits="objectBoundingBox" transform="rotate(8)">'
            '<rect x=".2" y="-.3" width=".6" height="2"/></clipPath>'
            '<rect x="8" y="1" width="30" height="6" clip-path="url(#turned)"/>'
            '<clipPath id="cut"><path d="M50 40l20 15h-20z"/></clipPath>',
        ),
    ),
    "switch": Drawing(
        "choice by language",
        body=(
            'width="60mm" height="30mm" viewBox="0 0 60 30"',
            '<switch><g systemLanguage="xx"><rect width="9" height="9"/></g>'
            '<g><rect x="20" y="9" width="30" height="9"/></g>'
            '<g><rect x="3" y="20" width="9" height="9"/></g>'
            "</switch>",
        ),
    ),
}

#: What is refused: file → request, features, exception, and words that the sender gets.
REFUSED = {
    "picosvg/tests/emoji_u1f6d2.svg": (None, "no real unit", LayoutUnitsMissing, "millimetre.*pixel"),
    "picosvg/tests/stroke-dasharray-before.svg": ("px", "dashes", LayoutInvalid, "dash"),
    "picosvg/tests/comments-image-style-before.svg": (
        "mm",
        "raster pictures",
        LayoutInvalid,
        "raster picture",
    ),
    "picosvg/tests/bad-defs-0.svg": ("mm", "", LayoutInvalid, "<donkey>"),
    "svglib/tests/samples/misc/arcs02.svg": (None, "text", LayoutInvalid, "text"),
    "svglib/tests/samples/misc/tiger.svg": ("px", "", LayoutUnreadable, "document type"),
    "svglib/tests/samples/others/units.svg": (None, "font-relative units", LayoutInvalid, "1ex"),
    "svgpathtools/output1.svg": ("mm", "", LayoutInvalid, "both a stroke and a fill"),
}


def file_of(path):
    package, _, within = path.partition("/")
    return samples.source(package, *PACKAGES[package])[within].decode("utf-8")


def drawn(attributes, body):
    return f'<svg xmlns="http://www.w3.org/2000/svg" {attributes}>{body}</svg>'


def on_a_channel_layer(text):
    """The drawing with a group around all that it holds."""
    start, end = re.search(r"<svg\b[^>]*>", text).end(), text.rindex("</svg>")
    return f'{text[:start]}<g id="channels">{text[start:end]}</g>{text[end:]}'


def reading(text, drawing, **options):
    given = ReadOptions.from_defaults(
        DEFAULTS,
        unit=drawing.unit,
        dpi=drawing.dpi,
        sliver_um=0.0,
        gap_um=0.0,
        closing_um=0.0,
        limits=Limits(extent_mm=2000.0),
        **options,
    )
    return read(
        re.sub(r"^\s*<\?.*?\?>", "", text).encode(), media_type="image/svg+xml", name="test", options=given
    )


def sheet(text, drawing):
    """Width and height in mm, and mm a pixel of the renderer, by the file's first tag."""
    tag = re.search(r"<svg\b[^>]*>", text)[0]
    pixel_mm = 25.4 / (drawing.dpi or 96.0)
    user_unit_mm = MM_PER_UNIT[drawing.unit] if drawing.unit else pixel_mm
    units = {**MM_PER_UNIT, "px": pixel_mm, "": user_unit_mm}
    stated = [re.search(rf"\s{key}\s*=\s*[\"']([\d.]+)([a-z]*)[\"']", tag) for key in ("width", "height")]
    if all(stated):
        width_mm, height_mm = (float(side[1]) * units[side[2]] for side in stated)
    else:
        *_, width, height = re.search(r"viewBox\s*=\s*[\"']([^\"']*)", tag)[1].split()
        width_mm, height_mm = float(width) * user_unit_mm, float(height) * user_unit_mm
    return width_mm, height_mm, user_unit_mm


def painted(text, channel="A", full=255.0, **options):
    """How much of each pixel is painted, 0 to 1, shape (rows, columns).

    `channel` of the picture tells, and is `full` where all of a pixel is painted.
    """
    picture = resvg_py.svg_to_bytes(svg_string=text, skip_system_fonts=True, **options)
    return np.asarray(Image.open(io.BytesIO(bytes(picture))).getchannel(channel)) / full


def painted_polygons(geometry, shape):
    """The same of polygons whose coordinates are pixels, y down."""
    rings = (ring for part in shapely.get_parts(geometry) for ring in (part.exterior, *part.interiors))
    path = "".join("M" + " ".join(f"{x:.4f} {y:.4f}" for x, y in ring.coords[:-1]) + "z" for ring in rings)
    size = f'width="{shape[1]}" height="{shape[0]}"'
    return painted(drawn(size, f'<path fill-rule="evenodd" d="{path}"/>'))


def in_pixels(geometry, height_mm, pixels_per_mm):
    """A geometry in mm, y up, as it lies in a picture."""
    scale = pixels_per_mm
    return affinity.affine_transform(geometry, (scale, 0.0, 0.0, -scale, 0.0, height_mm * scale))


def pictures(text, drawing, geometry, **options):
    """The renderer's picture, our geometry in its pixels, cut at its edge, and our picture."""
    width_mm, height_mm, pixel_mm = sheet(text, drawing)
    zoom = drawing.pixels / (max(width_mm, height_mm) / pixel_mm)
    theirs = painted(text, zoom=zoom, dpi=drawing.dpi or 96.0, style_sheet=drawing.css, **options)
    rows, columns = theirs.shape
    scale = zoom / pixel_mm
    visible = box(0.0, 0.0, min(columns, width_mm * scale), min(rows, height_mm * scale))
    ours = in_pixels(geometry, height_mm, scale).intersection(visible)
    ours = shapely.multipolygons([part for part in shapely.get_parts(ours) if part.geom_type == "Polygon"])
    return theirs, ours, painted_polygons(ours, theirs.shape)


def differ(theirs, ours):
    """Whether pictures differ: edges are rounded in more than one way, but never by half a pixel."""
    return (np.abs(theirs - ours) > 0.5).sum() > PICTURE_WITHIN * theirs.sum()


def assert_same(theirs, geometry, ours):
    assert theirs.sum() > 0.0
    assert geometry.area == pytest.approx(theirs.sum(), rel=AREA_WITHIN)
    assert not differ(theirs, ours)


def compare(text, drawing):
    layout = reading(text, drawing)
    assert_same(*pictures(text, drawing, shapely.union_all([layer.geometry for layer in layout.layers])))


@pytest.mark.parametrize("path", REAL)
def test_files_of_others(path):
    compare(on_a_channel_layer(file_of(path)), REAL[path])


@pytest.mark.parametrize("name", DRAWN)
def test_drawings_made_here(name):
    drawing = DRAWN[name]
    compare(on_a_channel_layer(drawn(*drawing.body)), drawing)


@pytest.mark.parametrize("path", REFUSED)
def test_what_is_refused(path):
    unit, _, error, words = REFUSED[path]
    with pytest.raises(error) as caught:
        reading(on_a_channel_layer(file_of(path)), Drawing("", unit))
    fault = caught.value.faults[0]
    assert re.search(words, fault.message)
    assert fault.remedy.endswith(".")


#: Files of others that show one clip path each: what it leaves of a green area, and of others.
GREEN = {
    f"svglib/tests/samples/clipping/{name}.svg": f"colours, clip paths on groups{also}"
    for name, also in {
        "circle": ", circles",
        "double-path": ", clip paths of several shapes",
        "ellipse": ", ellipses",
        "mixed-fill-rule": ", clip-rule, polygons",
        "multi-path-fill-rule": ", clip paths of several shapes",
        "overlapping-double-path": "",
        "overlapping-double-path-inset": "",
        "path": "",
        "path-no-transform": "",
        "polygon": ", polygons",
        "rect": "",
        "rounded-rect": ", rounded rectangles",
    }.items()
}


@pytest.mark.parametrize("path", GREEN)
def test_colours(path):
    # Source of the colour: CSS Color Module Level 4, §6.1 "Named colors".
    text, drawing = file_of(path), Drawing("", "mm")
    layout = reading(text, drawing, roles={"#008000": "channels", "#000000": "ignored"})
    geometry = layout.channel_layers[0].geometry
    assert_same(*pictures(text, drawing, geometry, channel="G", full=0x80, background="black"))


LAYERS = drawn(
    'width="60mm" height="40mm" viewBox="0 0 60 40"',
    '<g id="channels"><path d="M8 20h30l9 -8" fill="none" stroke="blue" stroke-width="2"/>'
    '<g id="bend"><path d="M30 20a9 9 0 0 0 9 9v2a11 11 0 0 1 -11 -11z"/></g></g>'
    '<g id="ports"><circle cx="8" cy="20" r="2"/><circle cx="47" cy="12" r="1.5"/></g>'
    '<g id="outline"><rect x="2" y="2" width="56" height="36" rx="3"/></g>'
    '<g id="notes"><rect x="20" y="4" width="20" height="4"/></g>'
    '<g id="construction" display="none"><rect x="20" y="30" width="20" height="4"/></g>',
)


@pytest.mark.parametrize("name", ["channels", "ports", "outline"])
def test_layers(name):
    layout = reading(LAYERS, Drawing(""))
    others = {"channels", "ports", "outline", "notes"} - {name}
    hidden = ", ".join(f"#{other}" for other in sorted(others)) + " { display: none !important }"
    geometry = {
        "channels": layout.channel_layers[0].geometry,
        "ports": shapely.union_all([port.opening for port in layout.ports]),
        "outline": layout.outline,
    }[name]
    assert_same(*pictures(LAYERS, Drawing("", css=hidden), geometry))


#: A font with pairs set closer and joined letters, as a wheel of the package registry.
FONT = ("font_caladea", "0.0.2", "eab5b77f1da830226524f419d16d4bc4cb5b68d2de0f47ef83760a8b202e94bc")
FACES = {
    "Caladea-Regular.ttf": "font-weight: normal; font-style: normal",
    "Caladea-Bold.ttf": "font-weight: bold; font-style: normal",
    "Caladea-Italic.ttf": "font-weight: normal; font-style: italic",
}

TEXTS = {
    "pairs": '<text x="3" y="20">AVATAR To. WAY</text>',
    "joined letters": '<text x="3" y="20">final office</text>',
    "in the middle": '<text x="40" y="20" text-anchor="middle">To pÿH 7</text>',
    "to the end": '<text x="70" y="20" text-anchor="end">N <tspan font-weight="bold">O</tspan>3</text>',
    "letter by letter": '<text x="3 20 30" y="12 20 16" dx="1" dy="0 2 -1 3">flowing</text>',
    "further apart": '<text x="3" y="20" letter-spacing="1.5">Waste 2</text>',
    "parts": '<text x="3" y="20">in<tspan font-style="italic" font-size="9">let</tspan>'
    '<tspan x="40" dy="8" font-weight="bold">out </tspan> 1</text>',
    "turned": '<text x="3" y="30" transform="rotate(-20) scale(1.2, .8)">Reagent</text>',
    "outlined": '<text x="3" y="20" fill="none" stroke="red" stroke-width=".6">Q8</text>',
}


def in_fonts(body, data_of):
    """A drawing that carries the fonts, in the form that `data_of` makes of them."""
    faces = "".join(
        "@font-face { font-family: Caladea; "
        f"src: url(data:font/ttf;base64,{base64.b64encode(data_of(name)).decode()}); {kind} }}"
        for name, kind in FACES.items()
        if not (extra := re.search("bold|italic", kind)) or extra[0] in body
    )
    attributes = 'width="80mm" height="40mm" viewBox="0 0 80 40" font-family="Caladea" font-size="12"'
    return drawn(attributes, f"<style>{faces}</style>{body}")


def face(name):
    return samples.wheel(*FONT).read(f"font_caladea/files/{name}")


def as_woff2(name):
    font, data = TTFont(io.BytesIO(face(name))), io.BytesIO()
    font.flavor = "woff2"
    font.save(data)
    return data.getvalue()


@pytest.fixture(scope="module")
def font_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fonts")
    for name in FACES:
        (folder / name).write_bytes(face(name))
    return [str(folder / name) for name in FACES]


@pytest.mark.parametrize(("name", "data_of"), [*((name, face) for name in TEXTS), ("pairs", as_woff2)])
def test_text_in_fonts_that_the_drawing_carries(name, data_of, font_files):
    text, drawing = on_a_channel_layer(in_fonts(TEXTS[name], data_of)), Drawing("", pixels=2000)
    (layer,) = reading(text, drawing).layers
    assert_same(*pictures(text, drawing, layer.geometry, font_files=font_files))


def test_what_is_left_out_of_layers_is_told():
    told = {assumption.what: assumption for assumption in reading(LAYERS, Drawing("")).assumptions}
    assert told["roles.notes"].value == "ignored"
    assert any("construction" in assumption.value for assumption in told.values())


@pytest.mark.parametrize("turn", [lambda g: affinity.scale(g, -1.0), lambda g: affinity.translate(g, 3.0)])
def test_the_comparison_sees_what_lies_elsewhere(turn):
    drawing = DRAWN["every curve"]
    text = on_a_channel_layer(drawn(*drawing.body))
    theirs, ours, _ = pictures(text, drawing, reading(text, drawing).channel_layers[0].geometry)
    assert differ(theirs, painted_polygons(turn(ours), theirs.shape))


def claims():
    """What each drawing, by name, is said to hold, and its text."""
    for path, drawing in REAL.items():
        yield path, drawing.features, file_of(path)
    for name, drawing in DRAWN.items():
        yield name, drawing.features, drawn(*drawing.body)
    for path, (_, features, _, _) in REFUSED.items():
        yield path, features, file_of(path)
    for path, features in GREEN.items():
        yield path, features, file_of(path)
    yield "text", "text in an embedded font", in_fonts(TEXTS["pairs"], face)
    yield "layers", "layers, groups, hidden by display, rounded rectangles", LAYERS


def test_every_feature_is_in_a_drawing():
    shown = set()
    for name, features, text in claims():
        for feature in filter(None, features.split(", ")):
            assert re.search(FEATURES[feature], text), f"{name} does not hold {feature}"
            shown.add(feature)
    assert shown == set(FEATURES)
    assert len(REAL) >= 25
