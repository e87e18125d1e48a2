"""A quote in a terminal: the routes against each other, then what stands in the way of each."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from rillcast.cli.output import date, money, plain, say
from rillcast.models import Finding, Quote, RouteResult, Severity, Verdict

# Sign and colour together, so that a terminal without colours says as much.
_VERDICTS: dict[str, tuple[str, str]] = {
    Verdict.MAKEABLE: ("makeable", "green"),
    Verdict.MAKEABLE_WITH_RISK: ("makeable with risk", "yellow"),
    Verdict.NOT_MAKEABLE: ("not makeable", "red"),
}
_SEVERITIES: dict[str, str] = {Severity.BLOCKER: "bold red", Severity.RISK: "yellow", Severity.NOTE: "dim"}


def print_quote(console: Console, quote: Quote) -> None:
    """The whole answer: comparison, reasons, and each route's findings with their remedies."""
    quantity = quote.request.get("quantity")
    say(console, f"Quote {quote.quote_id} for {quantity}. Every figure is an estimate.", "bold")
    console.print(_routes_table(quote))
    for reason in quote.comparison.reasons:
        say(console, f"  {reason}")
    for route in quote.routes:
        _print_findings(console, route)
    cautions = quote.result.cautions if quote.result else ()
    if cautions:
        console.print()
        for caution in cautions:
            say(console, f"Caution: {caution}")


def _routes_table(quote: Quote) -> Table:
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    table.add_column("route")
    table.add_column("verdict")
    table.add_column("per piece", justify="right")
    table.add_column("net", justify="right")
    table.add_column("10 to 90 %", justify="right")
    table.add_column("hands-on", justify="right")
    table.add_column("ready")
    for route in quote.routes:
        word, style = _VERDICTS.get(route.verdict, (str(route.verdict), ""))
        chosen = route.route == quote.comparison.recommended
        table.add_row(
            plain(f"{route.route}{' (recommended)' if chosen else ''}", "bold" if chosen else ""),
            plain(word, style),
            *_figures(route),
        )
    return table


def _figures(route: RouteResult) -> tuple[Text, ...]:
    if route.cost is None:
        price = ("-", "-", "-")
    else:
        total = route.cost.total
        price = (
            money(route.cost.unit_price),
            money(route.cost.net, route.cost.currency),
            f"{money(total.p10)} to {money(total.p90)}",
        )
    plan = route.schedule
    hands_on = "-" if plan is None else f"{plan.hands_on_h:.1f} h"
    return tuple(plain(cell) for cell in (*price, hands_on, date(plan.finished_at if plan else None)))


def _print_findings(console: Console, route: RouteResult) -> None:
    console.print()
    say(console, route.title or route.route, "bold")
    if route.summary:
        say(console, f"  {route.summary}")
    for index, finding in enumerate(route.findings, start=1):
        say(console, _finding(index, finding))


def _finding(index: int, finding: Finding) -> Text:
    style = _SEVERITIES.get(finding.severity, "")
    return Text.assemble(
        f"  {index} ",
        plain(finding.severity, style),
        plain(f" {finding.message}"),
        plain(f"\n      remedy: {finding.remedy}" if finding.remedy else "", "dim"),
    )
