"""How long reading and cleaning a layout file take, and how that grows; run it by hand.

    python tests/benchmarks/reading_benchmark.py

The yardstick, in the same run and for the same file, is the bare sequence: parse, convert to shapely,
validate, one union. Parsing is what the format takes at least: the XML and the numbers of its paths, the
GDSII stream by gdstk, the JSON, the DXF by ezdxf. Every figure is a multiple of it. Growth is measured from
10³ to 10⁶ vertices, and memory in a process of its own.
"""

from __future__ import annotations

import io
import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from xml.etree.ElementTree import fromstring

import ezdxf
import ezdxf.units
import gdstk
import numpy as np
import shapely

from rillcast_service.catalogue.loader import load
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import read

SIDE_MM = 200.0
#: Shapes drawn with many corners, as curves come out of a drawing program, and with few, as masks are cut.
CORNERS = {"curves": 100, "boxes": 4}
OPTIONS = ReadOptions.from_defaults(
    load().defaults, limits=Limits(bytes_count=10**9, elements_count=10**7, vertices_count=10**8)
)
MEDIA_TYPES = {
    "svg": "image/svg+xml",
    "geojson": "application/geo+json",
    "gdsii": "application/vnd.gdsii",
    "dxf": "image/vnd.dxf",
}


def rings(vertices: int, corners: int, *, overlap: bool) -> np.ndarray:
    """Ragged discs on a square, to the nanometre: apart, or each over two others; shape (n, corners, 2)."""
    count = max(1, vertices // corners)
    side = math.ceil(math.sqrt(count))
    pitch = SIDE_MM / side
    random = np.random.default_rng(1)
    column, row = np.arange(count) % side, np.arange(count) // side
    reach = (0.55 if overlap else 0.4) / math.cos(math.pi / corners)
    radius = pitch * reach * (1.0 - 0.2 * random.random((count, corners)))
    angle = (np.arange(corners) + 0.5) * (2.0 * np.pi / corners)
    x = (column[:, None] + 0.5) * pitch + radius * np.cos(angle)
    y = (row[:, None] + 0.5) * pitch * (1.0 if not overlap else 1.3) + radius * np.sin(angle)
    return np.round(np.stack([x, y], axis=-1), 6)


def as_svg(shapes: np.ndarray) -> bytes:
    """One path a shape."""
    paths = "".join(
        '<path d="M' + "L".join(f"{x:.6f} {y:.6f}" for x, y in ring) + 'Z"/>' for ring in shapes.tolist()
    )
    size = f'width="{SIDE_MM * 2}mm" height="{SIDE_MM * 2}mm" viewBox="0 0 {SIDE_MM * 2} {SIDE_MM * 2}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}><g id="channels">{paths}</g></svg>'.encode()


def as_geojson(shapes: np.ndarray) -> bytes:
    """One feature a shape."""
    features = [
        {
            "type": "Feature",
            "properties": {"layer": "channels"},
            "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
        }
        for ring in shapes.tolist()
    ]
    return json.dumps({"type": "FeatureCollection", "units": "mm", "features": features}).encode()


def as_gdsii(shapes: np.ndarray) -> bytes:
    """One boundary a shape, in units of 1 nm."""
    library = gdstk.Library(unit=1e-3, precision=1e-9)
    library.new_cell("chip").add(*(gdstk.Polygon(ring, layer=1) for ring in shapes))
    with tempfile.NamedTemporaryFile(suffix=".gds") as file:
        library.write_gds(file.name)
        return Path(file.name).read_bytes()


def as_dxf(shapes: np.ndarray) -> bytes:
    """One closed polyline a shape, in mm."""
    drawing = ezdxf.new(units=ezdxf.units.MM)
    for ring in shapes.tolist():
        drawing.modelspace().add_lwpolyline(ring, close=True, dxfattribs={"layer": "channels"})
    text = io.StringIO()
    drawing.write(text)
    return text.getvalue().encode()


def svg_polygons(data: bytes) -> np.ndarray:
    """The numbers of the paths, and no more."""
    found = [
        np.array(element.get("d", "")[1:-1].replace("L", " ").split(), dtype=float).reshape(-1, 2)
        for element in fromstring(data).iter("{http://www.w3.org/2000/svg}path")
    ]
    return polygons(found)


def geojson_polygons(data: bytes) -> np.ndarray:
    """The coordinates of the features, and no more."""
    document = json.loads(data)
    return polygons([np.array(feature["geometry"]["coordinates"][0]) for feature in document["features"]])


def gdsii_polygons(data: bytes) -> np.ndarray:
    """The polygons of the one cell, and no more."""
    with tempfile.NamedTemporaryFile(suffix=".gds") as file:
        Path(file.name).write_bytes(data)
        (cell,) = gdstk.read_gds(file.name).cells
    return polygons([polygon.points for polygon in cell.polygons])


def dxf_polygons(data: bytes) -> np.ndarray:
    """The corners of the polylines, and no more."""
    lines = ezdxf.read(io.StringIO(data.decode())).modelspace().query("LWPOLYLINE")
    return polygons([np.array(line.get_points("xy")) for line in lines])


def polygons(found: list[np.ndarray]) -> np.ndarray:
    """Rings as shapely polygons, all at once."""
    sizes = [len(ring) for ring in found]
    lines = shapely.linearrings(np.concatenate(found), indices=np.repeat(np.arange(len(found)), sizes))
    return shapely.polygons(lines)


WRITE = {"svg": as_svg, "geojson": as_geojson, "gdsii": as_gdsii, "dxf": as_dxf}
PARSE = {"svg": svg_polygons, "geojson": geojson_polygons, "gdsii": gdsii_polygons, "dxf": dxf_polygons}


def bare(data: bytes, form: str) -> object:
    """Parse, convert, validate, one union."""
    found = PARSE[form](data)
    assert np.all(shapely.is_valid(found))
    return shapely.union_all(found)


def whole(data: bytes, form: str) -> Layout:
    """What the service does."""
    options = ReadOptions.from_defaults(load().defaults, limits=OPTIONS.limits, roles=roles(form))
    return read(data, media_type=MEDIA_TYPES[form], name="x", options=options)


def roles(form: str) -> dict[str, str]:
    """Roles that a file of the format needs."""
    return {"1": "channels"} if form == "gdsii" else {}


def timed(work: Callable[[], object]) -> float:
    """Seconds of the processor, the better of two runs when they are short."""
    started = time.process_time()
    work()
    first = time.process_time() - started
    if first > 5.0:
        return first
    started = time.process_time()
    work()
    return min(first, time.process_time() - started)


def ratios() -> None:
    """Reading and cleaning as a multiple of the bare sequence."""
    print(f"{'file of 10⁵ vertices':34s} {'bare':>8s} {'whole':>8s}  ratio")
    for form, write in WRITE.items():
        for kind, corners in CORNERS.items():
            for overlap in (False, True):
                data = write(rings(100_000, corners, overlap=overlap))
                yardstick = timed(lambda data=data, form=form: bare(data, form))
                taken = timed(lambda data=data, form=form: whole(data, form))
                label = f"{form}, {kind} {'that overlap' if overlap else 'apart'}"
                print(f"{label:34s} {yardstick:7.2f}s {taken:7.2f}s  {taken / yardstick:5.2f} ×", flush=True)


def growth() -> None:
    """Exponents of the time from 10³ to 10⁶ vertices."""
    sizes = [10**3, 10**4, 10**5, 10**6]
    for form, write in WRITE.items():
        for kind, corners in CORNERS.items():
            files = [write(rings(size, corners, overlap=False)) for size in sizes]
            taken = [timed(lambda data=data, form=form: whole(data, form)) for data in files]
            slope = float(np.polyfit(np.log(sizes), np.log(taken), 1)[0])
            told = ", ".join(f"{seconds:.3g}" for seconds in taken)
            print(
                f"{f'{form}, {kind}':34s} {told} s for 10³ to 10⁶ vertices; exponent {slope:.2f}", flush=True
            )


def memory() -> None:
    """Peak memory of reading 10⁶ vertices, each in a process of its own."""
    for form, write in WRITE.items():
        for kind, corners in CORNERS.items():
            with tempfile.NamedTemporaryFile() as file:
                Path(file.name).write_bytes(write(rings(1_000_000, corners, overlap=False)))
                child = [sys.executable, __file__, "--peak", form, file.name]
                peak = subprocess.run(child, check=True, capture_output=True, text=True).stdout.strip()
            print(f"{f'{form}, {kind}':34s} {peak} MB at most for 10⁶ vertices", flush=True)


def peak_mb() -> int:
    """The largest memory of this process so far, MB. (What `getrusage` tells counts its parent's too.)"""
    status = Path("/proc/self/status").read_text()
    return int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))) // 1000


def main() -> None:
    """Print ratios, growth and memory."""
    if sys.argv[1:2] == ["--peak"]:
        whole(Path(sys.argv[3]).read_bytes(), sys.argv[2])
        print(peak_mb())
        return
    ratios()
    growth()
    memory()


if __name__ == "__main__":
    main()
