"""Writing layout files: one writer a format, chosen by media type. A new format is a module and a line."""

from __future__ import annotations

from collections.abc import Mapping

from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.writers import dxf, gdsii, geojson, oasis, svg, wkt
from rillcast_service.engine.layout.writers.format import WrittenFormat

__all__ = ["MEDIA_TYPES", "WrittenFormat", "written"]

_FORMATS = (
    svg.FORMAT,
    dxf.FORMAT,
    geojson.FORMAT,
    gdsii.FORMAT,
    oasis.FORMAT,
    wkt.FORMAT,
)

#: Media type → format, for every format that can be written; the first is the one that nobody need ask for.
MEDIA_TYPES: Mapping[str, WrittenFormat] = {form.media_type: form for form in _FORMATS}


def written(layout: Layout, *, media_type: str) -> bytes:
    """A layout as a file.

    Args:
        layout: coordinates in mm, y up.
        media_type: one of `MEDIA_TYPES`.

    Returns:
        A file that, read again with no options, gives the same layers that are used, with their depths and
        levels, the same ports and the same outline, to 1 nm. WKT holds the shapes and nothing else.
    """
    return MEDIA_TYPES[media_type].write(layout)
