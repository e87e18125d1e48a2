"""`rillcast demo`: quote the packaged chip by every route, from nothing to a quotation on disk."""

from __future__ import annotations

import argparse
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from rillcast.cli.connection import embedded
from rillcast.cli.output import err, out, say
from rillcast.cli.quote import quote_with_progress
from rillcast.cli.tables import print_quote
from rillcast.embedded import EmbeddedService
from rillcast.models import Quote

DRAWING = "river_nitrate_chip.svg"
NAME = "River nitrate chip"
QUANTITY = 24


def add_commands(commands: Any) -> None:
    """Add `demo` to the parser."""
    parser = commands.add_parser(
        "demo",
        help="quote an example chip with a service of its own",
        description="24 colour-test chips for river nitrate, by every route. Everything is invented.",
    )
    parser.add_argument("--out", type=Path, default=Path("demo-output"), metavar="DIR", help="where files go")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Start a service in a temporary folder, quote, print, and leave the files."""
    arguments.out.mkdir(parents=True, exist_ok=True)
    drawing = files("rillcast").joinpath("demo", DRAWING)
    with embedded(EmbeddedService()) as client, as_file(drawing) as path:
        quote = quote_with_progress(client, path, QUANTITY, {}, reading={"name": NAME})
        for written in write_files(quote, arguments.out):
            say(err(), f"wrote {written}")
        print_quote(out(), quote)
    return 0


def write_files(quote: Quote, folder: Path) -> list[Path]:
    """Leave the quote, the quotation and the pictures of each route in a folder that is there."""
    documents = [quote.save(folder / "quote.json"), quote.save(folder / "quotation.html")]
    return documents + quote.save_pictures(folder)
