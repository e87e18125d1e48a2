"""Whatever the bytes, reading ends in a layout or in a fault with words: never in a bare error."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.errors import EngineError
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

SMALL = ReadOptions.from_defaults(
    load().defaults, limits=Limits(bytes_count=20_000, elements_count=200, vertices_count=20_000)
)

SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" width="76mm" height="26mm" viewBox="0 0 76 26">
<style>.a{fill:none}</style><g id="channels" data-depth-um="150" transform="rotate(3)">
<path class="a" d="M5 5 h10 a2 2 0 0 1 2 2 Q3 4 5 6z" stroke="red" stroke-width=".2" stroke-linejoin="round"/>
<circle cx="9" cy="9" r="3"/><polygon points="1,1 2,2 3,1"/></g>
<g id="ports"><circle id="in" cx="5" cy="5" r=".75"/></g><use href="#in" x="3"/></svg>"""

GEOJSON = b"""{"type": "FeatureCollection", "units": "mm", "features": [
{"type": "Feature", "properties": {"layer": "channels", "depth_um": 90, "width_mm": 0.2},
"geometry": {"type": "LineString", "coordinates": [[0, 0], [9, 0], [9, 9]]}},
{"type": "Feature", "properties": {"layer": "ports", "name": "a", "bore_mm": 1},
"geometry": {"type": "Point", "coordinates": [0, 0]}}]}"""

FAST = settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def changed(draw, original):
    """The file with a few runs of bytes replaced by other ones, many of them from the file itself."""
    data = bytearray(original)
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 12)))
        source = draw(st.integers(0, len(original) - 1))
        pieces = st.one_of(
            st.binary(max_size=6),
            st.just(original[source : source + 15]),
            st.sampled_from([b"1e999", b"-1", b"NaN", b'""', b"null", b"0", b"1e7", b"%", b"#in", b"zzz"]),
        )
        data[start:end] = draw(pieces)
    return bytes(data)


def reads_or_says_why(data, media_type):
    faults = ()
    try:
        layout = read(data, media_type=media_type, name="x", options=SMALL)
    except EngineError as error:
        faults = error.faults
    else:
        assert all(layer.geometry.is_valid for layer in layout.layers)
        assert layout.channel_layers[0].geometry.area > 0.0
    assert all(fault.message and fault.remedy for fault in faults)


@FAST
@given(changed(SVG))
def test_changed_svg(data):
    reads_or_says_why(data, "image/svg+xml")


@FAST
@given(changed(GEOJSON))
def test_changed_geojson(data):
    reads_or_says_why(data, "application/geo+json")


@FAST
@given(st.binary(max_size=60))
def test_any_bytes(data):
    for media_type in ("image/svg+xml", "application/geo+json"):
        reads_or_says_why(data, media_type)
