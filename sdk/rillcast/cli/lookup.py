"""`rillcast routes` and `rillcast rules`: what the service knows."""

from __future__ import annotations

import argparse
from typing import Any

from rillcast.cli.connection import add_connection_options, connect
from rillcast.cli.output import out, say
from rillcast.models import RuleLimit


def add_commands(commands: Any) -> None:
    """Add `routes` and `rules` to the parser."""
    routes = commands.add_parser("routes", help="the ways of making a chip")
    routes.set_defaults(run=run_routes)
    rules = commands.add_parser("rules", help="the checks of the review, with limits and sources")
    rules.add_argument("--route", metavar="R", help="only those of one route")
    rules.set_defaults(run=run_rules)
    for parser in (routes, rules):
        add_connection_options(parser)


def run_routes(arguments: argparse.Namespace) -> int:
    """Print every route."""
    with connect(arguments) as client:
        routes = client.routes()
    for route in routes:
        say(out(), f"{route.route}: {route.title}", "bold")
        if route.summary:
            say(out(), f"  {route.summary}")
    return 0


def run_rules(arguments: argparse.Namespace) -> int:
    """Print every rule, or those of one route."""
    with connect(arguments) as client:
        rules = client.rules()
    known = sorted({route for rule in rules for route in rule.routes})
    if arguments.route not in (None, *known):
        raise ValueError(f"there is no route {arguments.route!r}; known: {', '.join(known)}")
    for rule in rules:
        if arguments.route is not None and arguments.route not in rule.routes:
            continue
        say(out(), f"{rule.rule}: {rule.title}", "bold")
        if rule.why:
            say(out(), f"  {rule.why}")
        for limit in rule.limits:
            if arguments.route in (None, limit.route) or limit.route is None:
                say(out(), f"  {_limit(limit)}")
    return 0


def _limit(limit: RuleLimit) -> str:
    value = "?" if limit.value is None else f"{limit.value:g}"
    if limit.low is not None and limit.high is not None and limit.low != limit.high:
        value += f" ({limit.low:g} to {limit.high:g})"
    where = f"{limit.route}, " if limit.route else ""
    return f"{where}{limit.key}: {value} {limit.unit or ''}, source: {limit.source}"
