"""What a file format is to the readers, and what the first bytes of a file say about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rillcast_service.engine.layout.sketch import Sketch


@dataclass(frozen=True, slots=True)
class Format:
    """A file format that can be read.

    Args:
        name: short, as in `Layout.source_format`.
        title: for people.
        media_type: as in a Content-Type header.
        suffixes: of file names, with the dot.
        fill: reads the file into a sketch.
    """

    name: str
    title: str
    media_type: str
    suffixes: tuple[str, ...]
    fill: Callable[[bytes, Sketch], None]


#: First bytes → what they begin. Formats with a reader go by their `Format.name`.
_SIGNATURES: tuple[tuple[bytes, str], ...] = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"%PDF", "a PDF document"),
    (b"%!PS", "a PostScript document"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x1f\x8b", "a gzip archive (unpack it first)"),
    (b"\x00\x06\x00\x02", "gdsii"),
    (b"%SEMI-OASIS", "oasis"),
    (b"AutoCAD Binary DXF", "dxf"),
    (b"0\n", "dxf"),
    (b"0\r", "dxf"),
    (b"999\n", "dxf"),
    (b"999\r", "dxf"),
    (b"solid ", "an STL body"),
    (b"{", "geojson"),
    (b"<", "svg"),
)


def looks_like(data: bytes) -> str | None:
    """What a file begins like.

    Args:
        data: the file.

    Returns:
        Name of a `Format`, or words for another kind of file; None when the first bytes tell nothing.
    """
    head = data[:64].removeprefix(b"\xef\xbb\xbf").lstrip()
    return next((what for signature, what in _SIGNATURES if head.startswith(signature)), None)
