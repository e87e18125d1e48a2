"""The quotation as one HTML page, and the cost lines as CSV, from a finished quote's JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from rillcast_service.documents import formats
from rillcast_service.documents.price_picture import price_picture
from rillcast_service.documents.signs import severity_icon, verdict_icon
from rillcast_service.documents.svg import clean, core_of
from rillcast_service.engine.job import BENCH_KINDS

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

#: What an assumption is about → kind of catalogue entry that its value names.
_KINDS = {**{f"bench.{key}": kind for key, kind in BENCH_KINDS.items()}, "use.liquid": "liquids"}

#: Cells that begin so would be run as a formula by a spreadsheet.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Detail(StrEnum):
    """How much the quotation tells."""

    #: The recommended route whole, the others in short: what a client reads.
    BRIEF = "brief"
    #: Every route whole.
    FULL = "full"


def quotation_html(
    quote: Mapping[str, Any],
    pictures: Mapping[str, str],
    *,
    layout_name: str = "",
    repairs: Sequence[Mapping[str, Any]] = (),
    detail: Detail = Detail.BRIEF,
    titles: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """The quotation: one HTML page that needs nothing else, for the screen and for printing.

    Args:
        quote: the quote resource, done; its `result` is `as_json` of a `QuoteResult`.
        pictures: SVG documents made here, by `<route>/<picture>` (`cast_printed_mould/findings`,
            `cast_printed_mould/as_made`, `cast_printed_mould/timeline`). A picture that is not there is
            left out.
        layout_name: the chip's name for people.
        repairs: of its drawing, as `as_json` of the layout's; counted in brief, listed in full.
        detail: which routes are told whole; in brief it is the recommended one, or the first when none is.
        titles: of catalogue entries, by `<kind>/<name>`; one that is not there goes by its name.

    Returns:
        An HTML document.

    Raises:
        ValueError: the quote has no result.
    """
    result = _result(quote)
    recommended = result["comparison"]["recommended"]
    # The recommended route first; the others in the order asked.
    routes = sorted(result["routes"], key=lambda route: route["route"] != recommended)
    whole = routes if detail is Detail.FULL else routes[:1]
    return (
        _environment()
        .get_template("quotation.html.j2")
        .render(
            quote=quote,
            result=result,
            whole=whole,
            brief=routes[len(whole) :],
            recommended=next((route for route in routes if route["route"] == recommended), None),
            by_id={route["route"]: route for route in routes},
            # In full, each plan says its own with the steps that they are about.
            cautions=_cautions_of_all(result, apart_from=whole if detail is Detail.FULL else ()),
            layout_name=layout_name,
            repairs=repairs,
            listed_repairs=repairs if detail is Detail.FULL else (),
            times=_times(quote["request"], quote["created_at"], result["routes"]),
            assumptions=[(line, _taken(line, titles)) for line in result["assumptions"]],
            titles=titles,
            prices=_inline(price_picture(result["routes"])),
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


def _times(request: Mapping[str, Any], asked: str, routes: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """When it was asked, can start and is wanted, on the clock that the plans go by; and which clock that is.

    A request says its times in any zone and the plans in that of the bench. One document has one clock: each
    time of the request takes the offset of the plans' time next to it.
    """
    plans = [route["schedule"] for route in routes if route["schedule"]]
    planned = sorted(
        datetime.fromisoformat(step[edge])
        for plan in plans
        for step in plan["steps"]
        for edge in ("start", "end")
    )

    def local(moment: str | None) -> datetime | None:
        if moment is None:
            return None
        at = datetime.fromisoformat(moment)
        near = min(planned, key=lambda other: abs(other - at), default=at)
        return at.astimezone(near.tzinfo)

    told = {
        "asked": local(asked),
        "start": local(request["start"]),
        "deadline": local(request.get("deadline")),
    }
    offsets: dict[str, datetime] = {}
    for moment in sorted(filter(None, (told["start"], *planned, told["deadline"]))):
        offsets.setdefault(formats.offset(moment), moment)
    (zone, _), *later = offsets.items()
    changes = [f"from {formats.day(since)} {offset}" for offset, since in later]
    return {**told, "zone": ", ".join([zone, *changes])}


def _taken(assumption: Mapping[str, Any], titles: Mapping[str, str]) -> str:
    """The value of an assumption: a catalogue entry by its title, with the name to ask for it."""
    name = str(assumption["value"])
    title = titles.get(f"{_KINDS.get(assumption['what'])}/{name}")
    return f"{title} ({name})" if title else name


def _steps(schedule: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The steps of a plan in order of their start, as the timeline numbers them; all batches in one."""
    by_step: dict[str, list[Mapping[str, Any]]] = {}
    for step in sorted(schedule["steps"], key=_start_and_end):
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


def _start_and_end(step: Mapping[str, Any]) -> tuple[datetime, datetime]:
    return datetime.fromisoformat(step["start"]), datetime.fromisoformat(step["end"])


def _cautions(schedule: Mapping[str, Any]) -> dict[str, list[str]]:
    """Caution → titles of the steps that it is about, each once."""
    steps: dict[str, dict[str, None]] = {}
    for step in schedule["steps"]:
        for caution in step["cautions"]:
            steps.setdefault(caution, {})[step["title"]] = None
    return {caution: list(titles) for caution, titles in steps.items()}


def _cautions_of_all(result: Mapping[str, Any], *, apart_from: Sequence[Mapping[str, Any]]) -> list[str]:
    """The cautions of the quote and of every plan, each once, without those of some routes' plans."""
    plans = [route["schedule"] for route in result["routes"] if route["schedule"]]
    all_of_them = dict.fromkeys([*result["cautions"], *(said for plan in plans for said in _cautions(plan))])
    told = {said for route in apart_from if route["schedule"] for said in _cautions(route["schedule"])}
    return [caution for caution in all_of_them if caution not in told]


def _price_groups(lines: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The lines of a price by category, in the order in which the categories first come.

    Returns:
        For each `category` its `amount`, its `lines` with the source of each, and `source` when all of
        them share one, which then is not said with each line.
    """
    by_category: dict[str, list[Mapping[str, Any]]] = {}
    for line in lines:
        by_category.setdefault(line["category"], []).append(line)
    groups = []
    for category, members in by_category.items():
        sources = [", ".join(filter(None, (line["source"], line["price_as_of"]))) for line in members]
        shared = sources[0] if len(set(sources)) == 1 else ""
        groups.append(
            {
                "category": category,
                "amount": sum((Decimal(line["amount"]) for line in members), Decimal(0)),
                "source": shared,
                "lines": list(zip(members, [""] * len(members) if shared else sources, strict=True)),
            }
        )
    return groups


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
    environment.globals |= {
        "stretch": formats.stretch,
        "steps_of": _steps,
        "cautions_of": _cautions,
        "price_groups": _price_groups,
    }
    environment.filters |= {
        "money": formats.money,
        "number": formats.number,
        "measure": formats.measure,
        "span": formats.span,
        "when": formats.when,
        "date": formats.date,
        "duration": formats.duration,
        "words": formats.words,
        "variant": formats.variant,
        "severity_icon": severity_icon,
        "verdict_icon": verdict_icon,
    }
    return environment
