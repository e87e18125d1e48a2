"""Arguments in, exit code out: 0 done, 1 refused or failed, 2 wrong arguments, 130 stopped by Ctrl-C."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence

from rillcast._version import __version__
from rillcast.cli import bench, correct, demo, layout, lookup, quote, service
from rillcast.cli.output import print_error
from rillcast.errors import RillcastError

WRONG_ARGUMENTS = 2
STOPPED_BY_CTRL_C = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command.

    Args:
        arguments: without the program's name; those of the process when None.

    Returns:
        The exit code.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal without µ shows a question mark there, and the answer all the same.
            stream.reconfigure(errors="replace")
    try:
        if given and given[0] in service.COMMANDS:
            # The service reads its own arguments: they are settings, and belong to its one table.
            return service.run(given[0], given[1:])
        parser = build_parser()
        if not given:
            parser.print_help(sys.stderr)
            return WRONG_ARGUMENTS
        parsed = parser.parse_args(given)
        code: int = parsed.run(parsed)
        sys.stdout.flush()
    except (RillcastError, OSError, ValueError) as error:
        if isinstance(error, BrokenPipeError):
            return _reader_is_gone()
        print_error(error)
        return 1
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return STOPPED_BY_CTRL_C
    return code


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="rillcast", description="Quote microfluidic chips from their flat layout."
    )
    parser.add_argument("--version", action="version", version=f"rillcast {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in (quote, layout, correct, bench, lookup, demo, service):
        module.add_commands(commands)
    return parser


def _reader_is_gone() -> int:
    """End quietly when the program that read the output (`head`, a pager) has closed it."""
    # Python would try to flush again at exit, and complain.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 1
