"""What is printed, and how: results to standard output, progress and errors to standard error."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from decimal import Decimal

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from rillcast.errors import ApiStatusError, QuoteFailedError
from rillcast.models import Problem

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
#: What the documents put between groups of three digits (ISO 80000-1). A terminal breaks lines at it, and
#: not every one can show it, so that the command groups by commas.
_NARROW_SPACE_IN_NUMBER = re.compile(r"(?<=\d)\u202f(?=\d)")
#: Width of tables where there is no terminal to ask.
PIPE_WIDTH = 160
#: Longer lines of prose are hard to read, however wide the terminal.
PROSE_WIDTH = 110


def out() -> Console:
    """Where results go. `COLUMNS` says how wide, as everywhere; without it a pipe is wide."""
    asked = sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()
    return Console(file=sys.stdout, highlight=False, width=None if asked else PIPE_WIDTH)


def say(console: Console, content: object, style: str = "") -> None:
    """Print a line as it is, unbroken: the terminal wraps it, and a pipe gets one line."""
    console.print(content if isinstance(content, Text) else plain(content, style), soft_wrap=True)


def hanging(console: Console, items: Sequence[tuple[Text, Text]]) -> None:
    """Print paragraphs, each beside its mark and wrapped to a width that reads well."""
    margin = max((mark.cell_len for mark, _ in items), default=0) + 3
    for mark, paragraph in items:
        head = Text("  ") + mark
        for line in paragraph.wrap(console, min(console.width, PROSE_WIDTH) - margin):
            line.rstrip()
            say(console, head + Text(" " * (margin - head.cell_len)) + line)
            head = Text()


#: A line of a table: the name of a column → what stands there.
Row = dict[str, Text]
GAP = "  "


def table(console: Console, rows: Sequence[Row], *, numbers: frozenset[str]) -> None:
    """Print rows of the same columns below their heads, a rule between.

    Args:
        rows: at least one.
        numbers: columns that are set to the right.
    """
    head = {name: plain(name, "bold") for name in rows[0]}
    widths = widths_of([head, *rows])
    say(console, row_line(head, widths, numbers))
    say(console, "─" * min(table_width(widths), console.width), "dim")
    for row in rows:
        say(console, row_line(row, widths, numbers))


def widths_of(rows: Sequence[Row]) -> dict[str, int]:
    """Column → how wide its widest cell is."""
    return {name: max(row[name].cell_len for row in rows) for name in rows[0]}


def table_width(widths: Mapping[str, int]) -> int:
    """How wide a line of such columns is."""
    return sum(widths.values()) + len(GAP) * (len(widths) - 1)


def row_line(row: Row, widths: Mapping[str, int], numbers: frozenset[str]) -> Text:
    """The cells of the columns that have a width, side by side."""
    line = Text()
    for position, (name, width) in enumerate(widths.items()):
        room = " " * (width - row[name].cell_len)
        line.append(GAP if position else "")
        line.append_text(Text(room) + row[name] if name in numbers else row[name] + Text(room))
    line.rstrip()
    return line


def err() -> Console:
    """Where everything else goes."""
    return Console(file=sys.stderr, highlight=False)


def plain(content: object, style: str = "") -> Text:
    """Text as it is: no markup is read in it, and no control character of a stranger gets through.

    Amounts in it are kept whole: their groups of digits are parted by commas.
    """
    return Text(_CONTROL.sub("\ufffd", _NARROW_SPACE_IN_NUMBER.sub(",", str(content))), style=style)


def money(amount: Decimal | None, currency: str = "") -> str:
    """`1234.50` as `1,234.50 EUR`; `-` for None."""
    if amount is None:
        return "-"
    return f"{amount:,}" + (f" {currency}" if currency else "")


def date(moment: datetime | None) -> str:
    """The day of a time as `Mon 2027-03-01`; `-` for None."""
    return "-" if moment is None else moment.strftime("%a %Y-%m-%d")


@contextmanager
def progress_bar(title: str) -> Iterator[Callable[[float, str], None]]:
    """A bar on standard error that a quote's progress can be given to; on a terminal only."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=28),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[step]}"),
    )
    with Progress(*columns, console=err(), transient=True) as bar:
        task = bar.add_task(title, total=1.0, step="")

        def report(share: float, step: str) -> None:
            bar.update(task, completed=share, step=plain(step).plain)

        yield report


def print_error(error: Exception) -> None:
    """Say what is wrong, where, and how to mend it."""
    console = err()
    if isinstance(error, ApiStatusError | QuoteFailedError):
        _print_problem(console, error.problem)
        if isinstance(error, ApiStatusError) and error.request_id:
            say(console, f"request {error.request_id}", "dim")
        return
    say(console, Text.assemble(("error: ", "bold red"), plain(_words(error))))


def _print_problem(console: Console, problem: Problem) -> None:
    say(console, Text.assemble(("error: ", "bold red"), plain(problem.title or "unknown problem", "bold")))
    said = {fault.message for fault in problem.errors}
    if problem.detail and problem.detail not in said:
        say(console, f"  {problem.detail}")
    for fault in problem.errors:
        place = ", ".join(part for part in (fault.pointer, fault.where) if part)
        say(console, f"  {place + ': ' if place else ''}{fault.message}")
        if fault.remedy:
            say(console, f"    remedy: {fault.remedy}")


def _words(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error) or type(error).__name__
