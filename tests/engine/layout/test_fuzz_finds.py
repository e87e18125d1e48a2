"""What fuzzing found, in as few bytes as it takes: none of it may happen again."""

from __future__ import annotations

import pytest
from judge import check
from seeds import DXF, DXF_SQUARE, GDSII, SVG, boundary, cell, dxf, insert, stream, tags

FAR = ((2 * 10**6, 0), (3 * 10**6, 0), (3 * 10**6, 10**6))

FINDS = {
    "a bow tie on a layer whose role is not known": (
        GDSII,
        stream(cell("A", boundary((0, 0), (9**6, 9**6), (9**6, 0), (0, 9**6)), boundary(*FAR, layer=2))),
    ),
    "only boundaries without area": (GDSII, stream(cell("A", boundary((0, 0), (5, 5)), boundary((1, 1))))),
    "channels too thin to be any": (GDSII, stream(cell("A", boundary((0, 0), (10**6, 0), (10**6, 9))))),
    "a block reference without a name": (DXF, dxf(DXF_SQUARE, insert("A").replace("\n2\nA\n", "\n"))),
    "the end of a block among entities": (DXF, dxf(DXF_SQUARE, tags((0, "ENDBLK"), (8, "channels")))),
    "an arc of a radius without end": (
        SVG,
        b'<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm" viewBox="0 0 9 9">'
        b'<path id="channels" d="M0 0A1e300 1 0 0 1 5 5L0 5z"/></svg>',
    ),
}


@pytest.mark.parametrize(("media_type", "data"), FINDS.values(), ids=FINDS)
def test_it_is_read_or_refused_in_words(media_type: str, data: bytes) -> None:
    check(data, media_type)
