"""`rillcast bench`: look at machines, materials and rates, and set one's own."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.table import Table

from rillcast.cli.connection import add_connection_options, connect
from rillcast.cli.output import money, out, plain, say
from rillcast.errors import NotFoundError
from rillcast.models import BenchEntry


def add_commands(commands: Any) -> None:
    """Add `bench` with its own commands to the parser."""
    bench = commands.add_parser("bench", help="machines, materials and rates, shipped and your own")
    actions = bench.add_subparsers(title="commands", metavar="COMMAND", required=True)

    listing = actions.add_parser("list", help="what there is")
    listing.add_argument(
        "kind", nargs="?", metavar="KIND", help="printers, resins, silicones …; all when left out"
    )
    listing.set_defaults(run=run_list)

    show = actions.add_parser("show", help="every value of one thing, with range and source")
    setting = actions.add_parser("set", help="lay own values over a thing, or add one")
    reset = actions.add_parser("reset", help="take own values away again")
    for parser in (show, setting, reset):
        parser.add_argument("kind", metavar="KIND")
        parser.add_argument("name", metavar="NAME")
    show.set_defaults(run=run_show)
    reset.set_defaults(run=run_reset)
    setting.set_defaults(run=run_set)
    setting.add_argument(
        "values",
        nargs="*",
        type=_assignment,
        metavar="KEY=VALUE",
        help="in the unit that the key ends in; JSON for anything but a number or a word",
    )
    setting.add_argument("--title", help="name for people")
    setting.add_argument("--based-on", metavar="NAME", help="for a new thing: the one it is like")
    for parser in (listing, show, setting, reset):
        add_connection_options(parser)


def run_list(arguments: argparse.Namespace) -> int:
    """Print the entries of one kind or of all, the defaults marked."""
    with connect(arguments) as client:
        bench = client.bench()
    if arguments.kind is not None and arguments.kind not in bench.kinds:
        raise ValueError(f"there is no kind {arguments.kind!r}; known: {', '.join(bench.kinds)}")
    defaults = {default.value for default in bench.defaults}
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for column in ("kind", "name", "title", "origin", ""):
        table.add_column(column)
    for entry in bench.items:
        if arguments.kind in (None, entry.kind):
            mark = "default" if entry.name in defaults else ""
            table.add_row(
                *(plain(cell) for cell in (entry.kind, entry.name, entry.title, entry.origin, mark))
            )
    out().print(table)
    return 0


def run_show(arguments: argparse.Namespace) -> int:
    """Print every value of one entry."""
    with connect(arguments) as client:
        entry = client.bench_entry(arguments.kind, arguments.name)
    _print_entry(entry)
    return 0


def run_set(arguments: argparse.Namespace) -> int:
    """Lay the given values over the entry; own values that are there already stay."""
    values = dict(arguments.values)
    if not values and arguments.title is None and arguments.based_on is None:
        raise ValueError("nothing to set: give KEY=VALUE, --title or --based-on")
    with connect(arguments) as client:
        title = arguments.title
        try:
            present: BenchEntry | None = client.bench_entry(arguments.kind, arguments.name)
        except NotFoundError:
            present = None
        # The service replaces one's own entry as a whole, so what is there goes along.
        if present is not None and present.origin == "bench":
            values = {**present.values, **values}
            title = title or present.title
        entry = client.put_bench_entry(
            arguments.kind, arguments.name, values, title=title, based_on=arguments.based_on
        )
    _print_entry(entry)
    return 0


def run_reset(arguments: argparse.Namespace) -> int:
    """Take one's own values of an entry away."""
    with connect(arguments) as client:
        client.delete_bench_entry(arguments.kind, arguments.name)
    say(out(), f"{arguments.kind} {arguments.name}: your own values are gone")
    return 0


def _print_entry(entry: BenchEntry) -> None:
    console = out()
    say(console, f"{entry.title} ({entry.kind} {entry.name}, {entry.origin})", "bold")
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for column in ("key", "value", "range", "source"):
        table.add_column(column)
    for key, value in entry.values.items():
        table.add_row(*(plain(cell) for cell in (key, *_cells(value))))
    console.print(table)


def _cells(value: Any) -> tuple[str, str, str]:
    """Value, range and source of a catalogue value in words."""
    if not isinstance(value, Mapping):
        return str(value), "", ""
    source = str(value.get("source", ""))
    if "amount" in value:
        low, high = value.get("low"), value.get("high")
        per = f"{_grouped(value['amount'])} {value.get('currency', '')} per {value.get('per', 'piece')}"
        return per, "" if low == high else f"{_grouped(low)} to {_grouped(high)}", source
    plain_value = value.get("value")
    if "unit" in value:
        low, high = value.get("low"), value.get("high")
        return f"{plain_value:g} {value['unit']}", "" if low == high else f"{low:g} to {high:g}", source
    return plain_value if isinstance(plain_value, str) else json.dumps(plain_value), "", source


def _grouped(amount: Any) -> str:
    """Money in words; what is no number (of a newer service) as it is."""
    try:
        return money(Decimal(str(amount)))
    except InvalidOperation:
        return str(amount)


def _assignment(text: str) -> tuple[str, Any]:
    key, sign, value = text.partition("=")
    if not sign or not key:
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form KEY=VALUE")
    try:
        return key, json.loads(value)
    except ValueError:
        return key, value  # a plain word
