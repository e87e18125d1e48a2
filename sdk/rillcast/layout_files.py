"""What kinds of layout files there are, told by a file's name or by how it begins."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

#: File suffix → media type of a layout. Those of GDSII, OASIS and WKT are not registered with IANA.
LAYOUT_TYPES: Mapping[str, str] = {
    ".svg": "image/svg+xml",
    ".dxf": "image/vnd.dxf",
    ".gds": "application/vnd.gdsii",
    ".gdsii": "application/vnd.gdsii",
    ".gds2": "application/vnd.gdsii",
    ".oas": "application/vnd.semi.oasis",
    ".oasis": "application/vnd.semi.oasis",
    ".geojson": "application/geo+json",
    ".json": "application/geo+json",
    ".wkt": "application/wkt",
}

#: How a file begins → its media type. Spaces before it count for binary files only.
_BEGINNINGS: tuple[tuple[re.Pattern[bytes], str], ...] = (
    (re.compile(rb"\x00\x06\x00\x02"), "application/vnd.gdsii"),
    (re.compile(rb"%SEMI-OASIS\r\n"), "application/vnd.semi.oasis"),
    (re.compile(rb"AutoCAD Binary DXF|\s*(0\s*\n\s*SECTION|999\s*\n)"), "image/vnd.dxf"),
    (re.compile(rb"(\xef\xbb\xbf)?\s*\{"), "application/geo+json"),
    (re.compile(rb"(\xef\xbb\xbf)?\s*<"), "image/svg+xml"),
    (
        re.compile(rb"\s*(MULTI)?(POLYGON|LINESTRING|POINT)\b|\s*GEOMETRYCOLLECTION\b", re.IGNORECASE),
        "application/wkt",
    ),
)

_BEGINNING_BYTES = 256


def layout_media_type(file_name: str, body: bytes = b"") -> str:
    """What kind of layout a file is.

    Args:
        file_name: whose suffix tells; may be empty.
        body: whose beginning tells when the suffix does not; may be empty.

    Raises:
        ValueError: neither tells.
    """
    by_suffix = LAYOUT_TYPES.get(Path(file_name).suffix.lower())
    if by_suffix:
        return by_suffix
    head = body[:_BEGINNING_BYTES]
    for beginning, media_type in _BEGINNINGS:
        if beginning.match(head):
            return media_type
    known = ", ".join(LAYOUT_TYPES)
    if file_name:
        raise ValueError(f"{file_name}: not known as a layout; a layout's name ends in {known}")
    raise ValueError(f"these bytes begin like no layout that is known; say media_type= (that of {known})")


def drawing_media_type(file_name: str) -> str:
    """In which format to save a layout under a name. Raises ValueError with those that there are."""
    media_type = LAYOUT_TYPES.get(Path(file_name).suffix.lower())
    if media_type is None:
        raise ValueError(f"{file_name}: a layout is saved as {', '.join(LAYOUT_TYPES)}")
    return media_type
