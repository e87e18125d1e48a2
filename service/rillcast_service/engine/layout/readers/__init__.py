"""Reading layout files: one reader a format, chosen by media type. A new format is a module and a line."""

from __future__ import annotations

from collections.abc import Mapping

from shapely.errors import GEOSException

from rillcast_service.engine.errors import (
    EngineError,
    Fault,
    LayoutInvalid,
    LayoutTooComplex,
    LayoutUnreadable,
)
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import dxf, gdsii, geojson, oasis, svg, wkt
from rillcast_service.engine.layout.readers.format import Format, looks_like
from rillcast_service.engine.layout.readers.wording import presentable_error, presentable_layout
from rillcast_service.engine.layout.sketch import Sketch

__all__ = ["MEDIA_TYPES", "Format", "ReadOptions", "read"]

_FORMATS = (
    svg.FORMAT,
    dxf.FORMAT,
    geojson.FORMAT,
    gdsii.FORMAT,
    oasis.FORMAT,
    wkt.FORMAT,
)

#: Media type → format, for every format that can be read.
MEDIA_TYPES: Mapping[str, Format] = {form.media_type: form for form in _FORMATS}


def read(data: bytes, *, media_type: str, name: str, options: ReadOptions) -> Layout:
    """Read a layout file.

    Args:
        data: the file.
        media_type: says which reader; its parameters (`; charset=…`) are set aside.
        name: of the layout, for people.
        options: unit, layer roles, depths, flattening distance, limits.

    Returns:
        The layout, coordinates in mm, x to the right, y up.

    Raises:
        LayoutUnreadable: empty, damaged, or not of the format.
        LayoutUnitsMissing: the drawing states no real unit and none was given.
        LayoutInvalid: readable, but not a usable chip layout.
        LayoutTooComplex: beyond a limit of `Limits`.
    """
    try:
        return presentable_layout(_read(data, media_type, name, options))
    except EngineError as error:
        raise presentable_error(error) from None


def _read(data: bytes, media_type: str, name: str, options: ReadOptions) -> Layout:
    form = MEDIA_TYPES.get(media_type.split(";")[0].strip().lower())
    if form is None:
        raise LayoutUnreadable(
            Fault(f"No reader for media type {media_type!r}.", f"Send one of {', '.join(MEDIA_TYPES)}.")
        )
    if not data.strip():
        raise LayoutUnreadable(Fault("The file is empty.", f"Send the {form.title} file itself."))
    sketch = Sketch(name=name, source_format=form.name, options=options)
    sketch.tally.size(len(data))
    actual = looks_like(data)
    if actual is not None and actual != form.name:
        actual = next((other.title for other in _FORMATS if other.name == actual), actual)
        raise LayoutUnreadable(
            Fault(
                f"The file is not {form.title}: it begins like {actual}.",
                f"Send the {form.title} file itself, or the media type that fits.",
            )
        )
    try:
        form.fill(data, sketch)
        return sketch.layout()
    except RecursionError:
        # Where a library goes down as deep as a file does, and counts nothing.
        raise LayoutTooComplex(
            Fault(
                "Something in the file is nested deeper than can be followed, as brackets in brackets are.",
                "Ungroup the drawing, simplify its styles, or save it anew in another format.",
            )
        ) from None
    except GEOSException as error:
        raise LayoutInvalid(
            Fault(
                f"The shapes cannot be combined: {error}.", "Simplify or redraw the shape at the place named."
            )
        ) from None
