"""`rillcast correct`: mend in a drawing what a route's review objects to, and tell what is left to decide."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from rillcast.cli.connection import add_connection_options, connect
from rillcast.cli.layout import check_layout_file
from rillcast.cli.output import Row, hanging, out, plain, say, table
from rillcast.cli.reading import FORMATS, add_reading_options, reading_options
from rillcast.cli.saving import add_saving_options, check_saving, save
from rillcast.models import Change, Correction, Decision, RuleOutcome, SideEffect
from rillcast.options import CorrectionOptions

_NUMBERS = frozenset({"before", "after", "safe from"})


def add_commands(commands: Any) -> None:
    """Add `correct` to the parser."""
    parser = commands.add_parser(
        "correct",
        help="mend in a drawing what a route cannot make, and nothing else",
        description="Mends narrow channels, thin walls, acute corners and ports without room where one "
        "change does it; tells what takes a decision.",
    )
    parser.set_defaults(run=run)
    parser.add_argument("file", type=Path, metavar="FILE", help=f"layout: {FORMATS}")
    parser.add_argument("--route", required=True, metavar="ROUTE", help="whose limits count; see `routes`")
    parser.add_argument(
        "--rule",
        action="append",
        default=[],
        metavar="RULE",
        help="rule to mend, see `rules`; may be repeated; all that can be mended when left out",
    )
    parser.add_argument(
        "--move-ports", action="store_true", help="ports may be moved, and connectors with them"
    )
    parser.add_argument("--depth-um", type=float, metavar="D", help="depth of every channel layer")
    parser.add_argument("--printer", metavar="NAME", help="of the bench; its default otherwise")
    add_reading_options(parser)
    add_saving_options(
        parser, drawing="the corrected drawing", picture="the places before and after", answer="the answer"
    )
    add_connection_options(parser)


def run(arguments: argparse.Namespace) -> int:
    """Read the file, correct, print, save."""
    check_saving(arguments)
    check_layout_file(arguments.file)
    options: CorrectionOptions = {}
    if arguments.depth_um is not None:
        options["depths_um"] = {"channels": arguments.depth_um}
    if arguments.printer is not None:
        options["bench"] = {"printer": arguments.printer}
    with connect(arguments) as client:
        layout = client.upload_layout(arguments.file, **reading_options(arguments))
        correction = client.correct_layout(
            layout, route=arguments.route, rules=arguments.rule, move_ports=arguments.move_ports, **options
        )
        if arguments.json:
            print(json.dumps(correction.raw, indent=2, ensure_ascii=False))
        else:
            print_correction(out(), correction)
        save(arguments, correction.layout, lambda: correction.picture)
    return 0


def print_correction(console: Console, correction: Correction) -> None:
    """What changed, what is left to decide, and what the review says of each rule before and after."""
    layout = correction.layout
    if correction.changed:
        say(console, f"Layout {layout.layout_id}, corrected from {correction.corrected_from}", "bold")
    else:
        say(console, f"Layout {layout.layout_id} stays as it is", "bold")
    console.print()
    table(console, [_outcome(outcome) for outcome in correction.outcomes], numbers=_NUMBERS)
    console.print()
    say(console, _headed("place changed", "places changed", len(correction.changes)), "bold")
    hanging(console, _change_lines(correction.changes))
    if correction.side_effects:
        console.print()
        say(console, _headed("side effect", "side effects", len(correction.side_effects)), "bold")
        hanging(console, _side_effect_lines(correction.side_effects))
    console.print()
    say(console, _headed("place to decide on", "places to decide on", len(correction.decisions)), "bold")
    hanging(console, _decision_lines(correction.decisions, first=len(correction.changes) + 1))


def _outcome(outcome: RuleOutcome) -> Row:
    return {
        "rule": plain(outcome.rule, "bold"),
        "found before": plain(outcome.severity_before or "nothing"),
        "before": plain(_size(outcome.measured_before, outcome.unit)),
        "found after": plain(outcome.severity_after or "nothing"),
        "after": plain(_size(outcome.measured_after, outcome.unit)),
        "safe from": plain(_size(outcome.limit_high, outcome.unit)),
    }


def _size(value: float | None, unit: str | None) -> str:
    return "-" if value is None else f"{value:.4g} {unit or ''}".strip()


def _change_lines(changes: Iterable[Change]) -> list[tuple[Text, Text]]:
    return [
        (
            Text.assemble(f"{index} ", plain(change.rule, "green")),
            plain(f"at ({change.x_mm:g}, {change.y_mm:g}) mm: {change.what}. ")
            + plain(f"{change.area_before_mm2:.5g} → {change.area_after_mm2:.5g} mm²", "dim"),
        )
        for index, change in enumerate(changes, start=1)
    ]


def _side_effect_lines(effects: Iterable[SideEffect]) -> list[tuple[Text, Text]]:
    return [
        (plain(effect.rule, "yellow"), plain(f"{_at(effect)}{effect.message} ") + plain(effect.remedy, "dim"))
        for effect in effects
    ]


def _decision_lines(decisions: Iterable[Decision], *, first: int) -> list[tuple[Text, Text]]:
    return [
        (
            Text.assemble(f"{index} ", plain(decision.rule, "yellow")),
            plain(f"{_at(decision)}{decision.question} ") + plain(" Or: ".join(decision.options), "dim"),
        )
        for index, decision in enumerate(decisions, start=first)
    ]


def _at(place: Decision | SideEffect) -> str:
    if place.x_mm is None or place.y_mm is None:
        return ""
    return f"at ({place.x_mm:g}, {place.y_mm:g}) mm: "


def _headed(one: str, many: str, count: int) -> str:
    return f"no {many}" if count == 0 else f"{count} {one if count == 1 else many}"
