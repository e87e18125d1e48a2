"""SVG as a plan of the chip. `reader` walks the drawing; the other modules each read one part of it."""

from rillcast_service.engine.layout.readers.format import Format
from rillcast_service.engine.layout.readers.svg.reader import fill

__all__ = ["FORMAT"]

FORMAT = Format("svg", "SVG", "image/svg+xml", (".svg",), fill)
