"""`rillcast quote`: a layout file in, prices and findings out."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

from rillcast.cli.connection import add_connection_options, connect
from rillcast.cli.layout import check_layout_file, repair_lines
from rillcast.cli.output import err, hanging, out, progress_bar, say
from rillcast.cli.reading import FORMATS, add_reading_options, reading_options
from rillcast.cli.saving import check_folder
from rillcast.cli.tables import print_quote
from rillcast.client import Client, check_document_suffix
from rillcast.models import Quote
from rillcast.options import LayoutOptions, QuoteOptions

#: Bench keys of a request that have an option of their own.
BENCH_OPTIONS = (
    "printer",
    "resin",
    "mould_resin",
    "silicone",
    "mould",
    "oven",
    "uv_lamp",
    "vacuum_chamber",
    "plasma",
    "syringe",
    "calendar",
    "passivation",
)
#: Of those, machines that a quote compares when several are named.
COMPARED = ("printer", "mould")
NONE = "none"
#: How many repairs of the drawing are said before a quote; `rillcast layout` says all.
REPAIRS_SHOWN = 10


def add_commands(commands: Any) -> None:
    """Add `quote` to the parser."""
    parser = commands.add_parser("quote", help="quote a layout file by one or all routes")
    parser.set_defaults(run=run)
    parser.add_argument("file", type=Path, metavar="FILE", help=f"layout: {FORMATS}")
    parser.add_argument("--quantity", type=int, required=True, metavar="N", help="good pieces wanted")
    parser.add_argument("--route", action="append", default=[], metavar="R", help="route id; may be repeated")
    parser.add_argument(
        "--depth-um",
        action="append",
        default=[],
        type=_depth,
        metavar="[LAYER=]D",
        help="channel depth, of one layer or of all; may be repeated",
    )
    parser.add_argument("--aim", choices=("price", "date", "hands_on"), help="what the plan minimises")
    parser.add_argument(
        "--start", metavar="TIME", help="when the bench can begin, e.g. 2027-03-01T09:00+01:00"
    )
    parser.add_argument("--deadline", metavar="TIME", help="the latest date that is of use")
    parser.add_argument("--first-article", action="store_true", help="make and check one piece first")
    parser.add_argument("--currency", metavar="CODE", help="ISO 4217 code")
    parser.add_argument("--seed", type=int, help="seed of the uncertainty simulation")
    parser.add_argument(
        "--rule-set",
        action="append",
        default=[],
        metavar="SET",
        help="hold the chip to an optional set of rules, e.g. interoperability; may be repeated",
    )
    add_reading_options(parser)
    add_nested_options(parser)
    output = parser.add_argument_group("output")
    output.add_argument(
        "--save",
        action="append",
        default=[],
        type=Path,
        metavar="PATH",
        help="write the quotation (.html), the cost lines (.csv) or the whole quote (.json); may be repeated",
    )
    output.add_argument(
        "--detail",
        choices=("brief", "full"),
        default="brief",
        help="of a quotation: the recommended route whole and the others in short, or all of them whole",
    )
    output.add_argument(
        "--pictures", type=Path, metavar="DIR", help="write the pictures of every route into a folder (.svg)"
    )
    output.add_argument("--json", action="store_true", help="print the quote as JSON instead of tables")
    output.add_argument(
        "--timeout-s", type=float, default=600.0, metavar="S", help="longest wait for the result"
    )
    add_connection_options(parser)


#: Terms of the price, as members of the request's `commercial`.
TERMS = ("margin_percent", "discount_percent", "tax_percent")


def add_nested_options(parser: argparse.ArgumentParser) -> None:
    """Options of the bench, the chip and its use."""
    bench = parser.add_argument_group(
        "bench", f"names of the catalogue, see `rillcast bench list`, or {NONE!r}"
    )
    for key in BENCH_OPTIONS:
        if key in COMPARED:
            bench.add_argument(
                f"--{key}", action="append", default=[], metavar="NAME", help="may be repeated, to compare"
            )
        else:
            bench.add_argument(f"--{key.replace('_', '-')}", metavar="NAME")
    chip = parser.add_argument_group("chip and use")
    chip.add_argument("--thickness-mm", type=float, metavar="D")
    chip.add_argument("--lid", metavar="NAME")
    chip.add_argument("--viewed-from", metavar="SIDE")
    chip.add_argument("--liquid", metavar="NAME")
    chip.add_argument("--temperature-c", type=float, metavar="T")
    chip.add_argument("--flow-ul-per-min", type=float, metavar="Q")
    chip.add_argument(
        "--diffusivity-m2-per-s", type=float, metavar="D", help="of what is dissolved and shall be exchanged"
    )
    chip.add_argument(
        "--mixed-fraction", type=float, metavar="M", help="how far the inlets' liquids shall mix, 0 to 1"
    )
    chip.add_argument("--max-pressure-kpa", type=float, metavar="P", help="that the use allows")
    chip.add_argument(
        "--optics",
        action="append",
        metavar="BAND",
        help="light that must pass, e.g. visible; may be repeated",
    )
    terms = parser.add_argument_group(
        "terms", "in percent; what is left out comes from the rates of the bench"
    )
    for key in TERMS:
        terms.add_argument(f"--{key.replace('_', '-')}", metavar="P")


def run(arguments: argparse.Namespace) -> int:
    """Quote the file, print, save."""
    # What cannot work is said before a service is started and a quote worked out for it.
    for path in arguments.save:
        check_document_suffix(path)
        check_folder(path)
    if arguments.pictures is not None:
        arguments.pictures.mkdir(parents=True, exist_ok=True)
    check_layout_file(arguments.file)
    options = request_options(arguments)
    with connect(arguments) as client:
        quote = quote_with_progress(
            client,
            arguments.file,
            arguments.quantity,
            options,
            reading=reading_options(arguments),
            timeout_s=arguments.timeout_s,
        )
        if arguments.json:
            print(json.dumps(quote.raw, indent=2, ensure_ascii=False))
        else:
            print_quote(out(), quote)
        for path in arguments.save:
            quote.save(path, detail=arguments.detail)
            say(err(), f"wrote {path}")
        for path in quote.save_pictures(arguments.pictures) if arguments.pictures else ():
            say(err(), f"wrote {path}")
    return 0


def quote_with_progress(
    client: Client,
    file: Path,
    quantity: int,
    options: QuoteOptions,
    *,
    reading: LayoutOptions,
    timeout_s: float = 600.0,
) -> Quote:
    """A finished quote of a file, with a bar while it is worked out; Ctrl-C stops the work as well.

    What had to be mended in the drawing is said before, since the quote is one of the mended chip.
    """
    layout = client.upload_layout(file, **reading)
    if layout.repairs:
        say(err(), f"mended in the drawing ({file.name}; `rillcast layout` tells all about it):", "bold")
        hanging(err(), repair_lines(layout.repairs[:REPAIRS_SHOWN]))
        if len(layout.repairs) > REPAIRS_SHOWN:
            say(err(), f"  and {len(layout.repairs) - REPAIRS_SHOWN} more")
    queued = client.create_quote(layout, quantity=quantity, **options)
    try:
        with progress_bar("quoting") as report:
            return client.wait(queued, timeout_s=timeout_s, progress=report)
    except KeyboardInterrupt:
        client.cancel_quote(queued.quote_id)
        raise


def request_options(arguments: argparse.Namespace) -> QuoteOptions:
    """The request that the arguments ask for; what was not said is left to the service."""
    asked: dict[str, Any] = {
        "routes": arguments.route,
        "depths_um": dict(arguments.depth_um),
        "aim": arguments.aim,
        "start": arguments.start,
        "deadline": arguments.deadline,
        "first_article": arguments.first_article or None,
        "currency": arguments.currency,
        "seed": arguments.seed,
        "rule_sets": arguments.rule_set,
        "bench": {key: None if name == NONE else name for key, name in _bench(arguments)},
        "variants": [
            {key: name}
            for key in COMPARED
            for name in getattr(arguments, key)
            if len(getattr(arguments, key)) > 1
        ],
        "chip": _said(arguments, "thickness_mm", "lid", "viewed_from"),
        "use": _said(
            arguments,
            "liquid",
            "temperature_c",
            "flow_ul_per_min",
            "max_pressure_kpa",
            "diffusivity_m2_per_s",
            "mixed_fraction",
            "optics",
        ),
        "commercial": _said(arguments, *TERMS),
    }
    said = {key: value for key, value in asked.items() if value not in (None, [], {})}
    return cast("QuoteOptions", said)


def _bench(arguments: argparse.Namespace) -> Iterator[tuple[str, str]]:
    """The bench that was said; of a machine that is named more than once each is a variant instead."""
    for key in BENCH_OPTIONS:
        said = getattr(arguments, key)
        names = said if isinstance(said, list) else [said]
        if len(names) == 1 and names[0] is not None:
            yield key, names[0]
        elif NONE in names:
            raise ValueError(f"--{key} {NONE} cannot be compared with a machine")


def _said(arguments: argparse.Namespace, *names: str) -> dict[str, Any]:
    return {name: value for name in names if (value := getattr(arguments, name)) is not None}


def _depth(text: str) -> tuple[str, float]:
    layer, _, depth = text.rpartition("=")
    try:
        return layer or "channels", float(depth)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a depth in µm, such as 150 or mixer=150") from None
