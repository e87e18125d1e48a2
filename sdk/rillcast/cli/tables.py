"""A quote in a terminal: the routes against each other, then what stands in the way of each."""

from __future__ import annotations

import re
from collections.abc import Iterator

from rich.console import Console
from rich.text import Text

from rillcast.cli.output import (
    Row,
    date,
    hanging,
    money,
    plain,
    row_line,
    say,
    table_width,
    widths_of,
)
from rillcast.models import Finding, Quote, RouteResult, Severity, Verdict

# Sign and colour together, so that a terminal without colours says as much.
_VERDICTS: dict[str, tuple[str, str]] = {
    Verdict.MAKEABLE: ("makeable", "green"),
    Verdict.MAKEABLE_WITH_RISK: ("makeable with risk", "yellow"),
    Verdict.NOT_MAKEABLE: ("not makeable", "red"),
}
_SEVERITIES: dict[str, str] = {Severity.BLOCKER: "bold red", Severity.RISK: "yellow", Severity.NOTE: "dim"}

_COLUMNS = ("route", "verdict", "each", "total", "range", "hands-on", "ready")
_NUMBERS = frozenset({"each", "total", "range", "hands-on"})
#: Left out where the terminal is too narrow for all columns; the range is then said below its route.
_FIRST_TO_GO = ("hands-on", "range")
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")


def print_quote(console: Console, quote: Quote) -> None:
    """The whole answer: comparison, reasons, and each route's findings with their remedies."""
    quantity = quote.request.get("quantity")
    say(console, f"Quote {quote.quote_id} for {quantity}. Every figure is an estimate.", "bold")
    console.print()
    _print_routes(console, quote)
    if quote.comparison.reasons:
        console.print()
        hanging(console, [(plain("-"), plain(reason)) for reason in quote.comparison.reasons])
    for route in quote.routes:
        console.print()
        say(console, route.title or route.route, "bold")
        hanging(console, list(_machines(route)))
        hanging(console, _findings(route))
    cautions = quote.result.cautions if quote.result else ()
    if cautions:
        console.print()
        say(console, "Cautions", "bold")
        hanging(console, [(plain("-"), plain(caution)) for caution in cautions])


def _print_routes(console: Console, quote: Quote) -> None:
    """A line for each route, and below it in words what blocks it."""
    recommended = quote.comparison.recommended
    rows = [_row(route, chosen=route.route == recommended) for route in quote.routes]
    head: Row = {name: plain(name, "bold") for name in _COLUMNS}
    widths = widths_of([head, *rows])
    for name in _FIRST_TO_GO:
        if table_width(widths) > console.width:
            del widths[name]
    say(console, row_line(head, widths, _NUMBERS))
    say(console, "─" * min(table_width(widths), console.width), "dim")
    for route, row in zip(quote.routes, rows, strict=True):
        say(console, row_line(row, widths, _NUMBERS))
        hanging(console, list(_below(route, range_too=None if "range" in widths else row["range"])))
    say(console, _legend(quote), "dim")


def _row(route: RouteResult, *, chosen: bool) -> Row:
    word, style = _VERDICTS.get(route.verdict, (str(route.verdict), ""))
    cost, plan = route.cost, route.schedule
    return {
        "route": plain(f"{route.route}{' *' if chosen else ''}", "bold" if chosen else ""),
        "verdict": plain(word, style),
        "each": plain(money(cost.unit_price) if cost else "-"),
        "total": plain(money(cost.net) if cost else "-"),
        "range": plain(f"{money(cost.total.p10)} to {money(cost.total.p90)}" if cost else "-"),
        "hands-on": plain(f"{plan.hands_on_h:.1f} h" if plan else "-"),
        "ready": plain(date(plan.finished_at if plan else None)),
    }


def _below(route: RouteResult, *, range_too: Text | None) -> Iterator[tuple[Text, Text]]:
    if range_too is not None and route.cost is not None:
        yield plain("range", "dim"), range_too
    for blocker in route.blockers:
        # What it measured and needs; how sure the limit is comes with the findings.
        yield plain("blocked:", "bold red"), plain(_SENTENCE_END.split(blocker.message, maxsplit=1)[0])


def _legend(quote: Quote) -> str:
    currencies = {route.cost.currency for route in quote.routes if route.cost is not None}
    said = ["* recommended"] if quote.comparison.recommended else []
    if currencies:
        said.append(
            f"prices in {', '.join(sorted(currencies))} before tax, range from 10 to 90 % probability"
        )
    return "; ".join(said)


def _findings(route: RouteResult) -> list[tuple[Text, Text]]:
    """Each finding: what, why in a quieter voice, and the way out."""
    listed = [
        (
            Text.assemble(f"{index} ", plain(finding.severity, _SEVERITIES.get(finding.severity, ""))),
            _finding(finding),
        )
        for index, finding in enumerate(route.findings, start=1)
    ]
    return listed or [(Text(), plain("no findings", "dim"))]


def _machines(route: RouteResult) -> Iterator[tuple[Text, Text]]:
    """Each variant with its machine, where several machines were looked at."""
    if len({variant.machine for variant in route.variants}) < 2:
        return
    for variant in route.variants:
        word, style = _VERDICTS.get(variant.verdict, (str(variant.verdict), ""))
        named = f"{variant.name} on {variant.machine}{', taken' if variant.chosen else ''}: "
        yield plain("-"), Text.assemble(plain(named), plain(word, style), plain(f"; {variant.why}"))


def _finding(finding: Finding) -> Text:
    said = plain(finding.message)
    if finding.why:
        said.append_text(plain(f" {finding.why}", "dim"))
    if finding.remedy:
        said.append_text(plain(f"\nremedy: {finding.remedy}", "italic"))
    return said
