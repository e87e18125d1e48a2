"""DXF drawings, in text and in binary: what lies in model space, seen from above."""

from __future__ import annotations

from rillcast_service.engine.layout.readers.dxf.reader import fill
from rillcast_service.engine.layout.readers.format import Format

__all__ = ["FORMAT"]

FORMAT = Format("dxf", "DXF", "image/vnd.dxf", (".dxf",), fill)
