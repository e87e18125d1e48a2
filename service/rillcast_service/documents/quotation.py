"""The quotation as one HTML page, and the cost lines as CSV, from a finished quote's JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from rillcast_service.documents import formats
from rillcast_service.documents.price_picture import price_picture
from rillcast_service.documents.signs import severity_icon, verdict_icon
from rillcast_service.documents.svg import clean, core_of

TEMPLATES = Path(__file__).with_name("templates")

CSV_COLUMNS = (
    "route",
    "verdict",
    "category",
    "what",
    "quantity",
    "unit",
    "unit_price",
    "amount",
    "currency",
    "shared",
    "from_step",
    "from_material",
    "source",
    "price_as_of",
)

#: Cells that begin so would be run as a formula by a spreadsheet.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def quotation_html(quote: Mapping[str, Any], pictures: Mapping[str, str], *, layout_name: str = "") -> str:
    """The quotation: one HTML page that needs nothing else, for the screen and for printing.

    Args:
        quote: the quote resource, done; its `result` is `as_json` of a `QuoteResult`.
        pictures: SVG documents made here, by `<route>/<picture>` (`cast_printed_mould/findings`,
            `cast_printed_mould/timeline`). A picture that is not there is left out.
        layout_name: the chip's name for people.

    Returns:
        An HTML document.

    Raises:
        ValueError: the quote has no result.
    """
    result = _result(quote)
    routes = result["routes"]
    recommended = result["comparison"]["recommended"]
    return (
        _environment()
        .get_template("quotation.html.j2")
        .render(
            quote=quote,
            result=result,
            # The recommended route first; the others in the order asked.
            routes=sorted(routes, key=lambda route: route["route"] != recommended),
            recommended=next((route for route in routes if route["route"] == recommended), None),
            by_id={route["route"]: route for route in routes},
            layout_name=layout_name,
            prices=_inline(price_picture(routes)),
            pictures={key: _inline(core_of(body)) for key, body in pictures.items()},
            css=Markup(TEMPLATES.joinpath("quotation.css").read_text(encoding="utf-8")),  # noqa: S704
        )
    )


def cost_lines_csv(quote: Mapping[str, Any]) -> str:
    """Every cost line of every priced route; the amounts of a route add up to its price with tax.

    Args:
        quote: the quote resource, done.

    Returns:
        CSV with a header line (RFC 4180).

    Raises:
        ValueError: the quote has no result.
    """
    written = io.StringIO()
    writer = csv.DictWriter(written, CSV_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for route in _result(quote)["routes"]:
        if route["cost"] is None:
            continue
        shared = {"route": route["route"], "verdict": route["verdict"], "currency": route["cost"]["currency"]}
        for line in route["cost"]["lines"]:
            row = {**{column: line.get(column) for column in CSV_COLUMNS}, **shared}
            writer.writerow({column: _cell(column, value) for column, value in row.items()})
    return written.getvalue()


def _result(quote: Mapping[str, Any]) -> Mapping[str, Any]:
    result: Mapping[str, Any] | None = quote.get("result")
    if result is None:
        raise ValueError(f"quote {quote.get('quote_id')} is {quote.get('state')} and has no result")
    return result


def _steps(schedule: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The steps of a plan in order of their start, all batches of a step in one."""
    by_step: dict[str, list[Mapping[str, Any]]] = {}
    for step in sorted(schedule["steps"], key=lambda step: datetime.fromisoformat(step["start"])):
        by_step.setdefault(step["step"], []).append(step)
    return [
        {
            "title": batches[0]["title"],
            "batches": len(batches),
            "start": batches[0]["start"],
            "end": max((step["end"] for step in batches), key=datetime.fromisoformat),
            "resource": batches[0]["resource"],
            "unattended": batches[0]["unattended"],
            "hands_on_min": sum(step["hands_on_min"] for step in batches),
        }
        for batches in by_step.values()
    ]


def _cautions(schedule: Mapping[str, Any]) -> dict[str, list[str]]:
    """Caution → titles of the steps that it is about, each once."""
    steps: dict[str, dict[str, None]] = {}
    for step in schedule["steps"]:
        for caution in step["cautions"]:
            steps.setdefault(caution, {})[step["title"]] = None
    return {caution: list(titles) for caution, titles in steps.items()}


def _cell(column: str, value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if column in ("amount", "unit_price"):
        return str(Decimal(value))
    if isinstance(value, str):
        value = clean(value)
        return "'" + value if value.startswith(_FORMULA_STARTS) else value
    return value


def _inline(svg: str) -> Markup:
    """A picture of ours as part of the page."""
    if svg and not svg.startswith("<svg "):
        raise ValueError("a picture must be an SVG document made by rillcast_service.documents")
    return Markup(svg)  # noqa: S704 - written element by element with everything escaped


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # What a template prints comes from strangers' drawings too: no control characters.
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    environment.globals |= {"stretch": formats.stretch, "steps_of": _steps, "cautions_of": _cautions}
    environment.filters |= {
        "money": formats.money,
        "number": formats.number,
        "measure": formats.measure,
        "span": formats.span,
        "when": formats.when,
        "date": formats.date,
        "offset": formats.offset,
        "duration": formats.duration,
        "words": formats.words,
        "severity_icon": severity_icon,
        "verdict_icon": verdict_icon,
    }
    return environment
