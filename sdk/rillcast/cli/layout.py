"""`rillcast layout`: how a drawing is read, what was mended and guessed, and the mended drawing itself."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from rillcast.cli.connection import add_connection_options, connect
from rillcast.cli.output import Row, hanging, out, plain, say, table
from rillcast.cli.reading import FORMATS, add_reading_options, reading_options
from rillcast.cli.saving import add_saving_options, check_saving, save
from rillcast.layout_files import layout_media_type
from rillcast.models import Layer, Layout, Port, Repair

_LAYER_NUMBERS = frozenset({"depth", "level", "area", "shapes"})
_PORT_NUMBERS = frozenset({"x", "y", "bore"})


def add_commands(commands: Any) -> None:
    """Add `layout` to the parser."""
    parser = commands.add_parser(
        "layout",
        help="read a layout file: layers, ports, repairs and guesses",
        description="Reads a drawing and says how it was understood. Nothing is quoted.",
    )
    parser.set_defaults(run=run)
    parser.add_argument("file", type=Path, metavar="FILE", help=f"layout: {FORMATS}")
    parser.add_argument("--depth-um", type=float, metavar="D", help="depth of every channel layer")
    parser.add_argument("--name", help="of the layout; the file's otherwise")
    add_reading_options(parser)
    add_saving_options(parser, drawing="the mended drawing", picture="a picture of it", answer="the layout")
    add_connection_options(parser)


def run(arguments: argparse.Namespace) -> int:
    """Read the file, print, save."""
    check_saving(arguments)
    check_layout_file(arguments.file)
    options = reading_options(arguments)
    if arguments.depth_um is not None:
        options["depth_um"] = arguments.depth_um
    if arguments.name is not None:
        options["name"] = arguments.name
    with connect(arguments) as client:
        layout = client.upload_layout(arguments.file, **options)
        if arguments.json:
            print(json.dumps(layout.raw, indent=2, ensure_ascii=False))
        else:
            print_layout(out(), layout)
        save(arguments, layout, layout.picture)
    return 0


def check_layout_file(path: Path) -> None:
    """Refuse a file that is not there or is no layout, before a service is started for it."""
    with path.open("rb") as file:
        layout_media_type(path.name, file.read(256))


def print_layout(console: Console, layout: Layout) -> None:
    """How a drawing was read: layers, ports, what was mended, what was guessed or taken by default."""
    say(console, f"Layout {layout.layout_id}: {layout.name} ({layout.source_format}{_size(layout)})", "bold")
    console.print()
    table(console, [_layer(layer) for layer in layout.layers], numbers=_LAYER_NUMBERS)
    console.print()
    if layout.ports:
        table(console, [_port(port) for port in layout.ports], numbers=_PORT_NUMBERS)
    else:
        say(console, "no ports", "dim")
    console.print()
    say(console, _headed("repair", layout.repairs), "bold")
    hanging(console, repair_lines(layout.repairs))
    console.print()
    say(console, _headed("guess or default", layout.assumptions, "guesses and defaults"), "bold")
    hanging(
        console,
        [
            (plain("-"), plain(f"{one.what}: {one.value}. ") + plain(f"{one.why} ({one.source})", "dim"))
            for one in layout.assumptions
        ],
    )


def repair_lines(repairs: Iterable[Repair]) -> list[tuple[Text, Text]]:
    """Each repair with its number, as on the picture: kind, place, what, area before and after."""
    return [
        (
            Text.assemble(f"{index} ", plain(repair.kind, "yellow")),
            plain(f"layer {repair.layer!r} at ({repair.x_mm:g}, {repair.y_mm:g}) mm: {repair.what}. ")
            + plain(f"{repair.area_before_mm2:.4g} → {repair.area_after_mm2:.4g} mm²", "dim"),
        )
        for index, repair in enumerate(repairs, start=1)
    ]


def _headed(what: str, listed: Sequence[object], many: str | None = None) -> str:
    if not listed:
        return f"no {many or what + 's'}"
    return f"{len(listed)} {what if len(listed) == 1 else many or what + 's'}"


def _size(layout: Layout) -> str:
    bounds = layout.bounds_mm
    if bounds is None:
        return ""
    width, height = bounds.max_x_mm - bounds.min_x_mm, bounds.max_y_mm - bounds.min_y_mm
    return f", {width:.6g} × {height:.6g} mm"


def _layer(layer: Layer) -> Row:
    channels = layer.role == "channels"
    depth = "open" if layer.depth_um is None else f"{layer.depth_um:g} µm"
    return {
        "layer": plain(layer.name, "bold"),
        "role": plain(layer.role),
        "depth": plain(depth if channels else "-"),
        "level": plain(layer.level if channels else "-"),
        "area": plain("-" if layer.role == "ignored" else f"{layer.area_mm2 or 0.0:,.3f} mm²"),
        "shapes": plain("-" if layer.shapes is None else layer.shapes),
    }


def _port(port: Port) -> Row:
    return {
        "port": plain(port.name, "bold"),
        "role": plain(f"{port.role}{' (guessed)' if port.guessed else ''}"),
        "x": plain(f"{port.x_mm:.4g} mm" if port.x_mm is not None else "-"),
        "y": plain(f"{port.y_mm:.4g} mm" if port.y_mm is not None else "-"),
        "bore": plain(f"{port.bore_mm:.4g} mm" if port.bore_mm is not None else "-"),
    }
