"""Short ways to read a drawing in the layout tests."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

SHEET = 'width="76mm" height="26mm" viewBox="0 0 76 26"'


def _options(given: Mapping[str, Any]) -> ReadOptions:
    return ReadOptions.from_defaults(load().defaults, **given)


@pytest.fixture
def read_svg() -> Callable[..., Layout]:
    """Reads an SVG body: the elements inside `svg`, or a whole file when it begins with `<svg` or `<?`."""

    def reading(body: str | bytes, *, sheet: str = SHEET, **options: Any) -> Layout:
        if isinstance(body, str) and not body.startswith(("<svg", "<?", "<!")):
            body = f'<svg xmlns="http://www.w3.org/2000/svg" {sheet}>{body}</svg>'
        data = body.encode() if isinstance(body, str) else body
        return read(data, media_type="image/svg+xml", name="test", options=_options(options))

    return reading


@pytest.fixture
def read_channels(read_svg: Callable[..., Layout]) -> Callable[..., Any]:
    """Reads shapes on one channel layer and gives its geometry."""

    def reading(shapes: str, *, group: str = "", **keywords: Any) -> Any:
        layout = read_svg(f'<g id="channels" {group}>{shapes}</g>', **keywords)
        return layout.channel_layers[0].geometry

    return reading


@pytest.fixture
def read_geojson() -> Callable[..., Layout]:
    """Reads GeoJSON features, or a whole document when given a dict or bytes."""

    def reading(document: Any, **options: Any) -> Layout:
        if isinstance(document, list):
            document = {"type": "FeatureCollection", "units": "mm", "features": document}
        data = document if isinstance(document, bytes) else json.dumps(document).encode()
        return read(data, media_type="application/geo+json", name="test", options=_options(options))

    return reading


@pytest.fixture
def refusal() -> Callable[..., Fault]:
    """The first fault of the error that a reading ends in, which must be of the given class."""

    def refused(kind: type[EngineError], reading: Callable[..., Any], *args: Any, **keywords: Any) -> Fault:
        with pytest.raises(kind) as caught:
            reading(*args, **keywords)
        assert type(caught.value) is kind
        fault = caught.value.faults[0]
        assert fault.message.endswith(".")
        assert fault.remedy.endswith(".")
        return fault

    return refused
