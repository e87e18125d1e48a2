"""A layout as an OASIS file: the cell, layers, properties and texts of the GDSII stream (`gdsii.py`), packed.

The file carries a CRC-32, by which damage on its way is found.
"""

from __future__ import annotations

import gdstk

from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.scratch import written_as_file
from rillcast_service.engine.layout.writers.drawing import RESOLUTION_MM
from rillcast_service.engine.layout.writers.format import WrittenFormat
from rillcast_service.engine.layout.writers.mask import mask_labels, mask_shapes

_METRES_PER_MM = 1e-3


def write(layout: Layout) -> bytes:
    """A layout as an OASIS file.

    Args:
        layout: any layout.

    Returns:
        The file.
    """
    library = gdstk.Library(unit=_METRES_PER_MM, precision=RESOLUTION_MM * _METRES_PER_MM)
    cell = library.new_cell("CHIP")
    for shape in mask_shapes(layout):
        points = (shape.points_nm * RESOLUTION_MM).tolist()
        polygon = gdstk.Polygon(points, shape.number, shape.data_type)
        polygon.set_property("rillcast", shape.says)
        cell.add(polygon)
    for label in mask_labels(layout):
        place = (label.x_nm * RESOLUTION_MM, label.y_nm * RESOLUTION_MM)
        text = label.text.encode("ascii", "replace").decode("ascii")
        cell.add(gdstk.Label(text, place, layer=label.number))
    return written_as_file(lambda path: library.write_oas(path, validation="crc32"))


FORMAT = WrittenFormat("oasis", "OASIS", "application/vnd.semi.oasis", ".oas", write)
