"""Saving a drawing and its picture, the same for every command that gives one."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from rillcast.cli.output import err, say
from rillcast.cli.reading import SUFFIXES
from rillcast.layout_files import drawing_media_type
from rillcast.models import Layout


def add_saving_options(parser: argparse.ArgumentParser, *, drawing: str, picture: str, answer: str) -> None:
    """`--save`, `--picture` and `--json`; the words say what each gives."""
    output = parser.add_argument_group("output")
    output.add_argument(
        "--save",
        action="append",
        default=[],
        type=Path,
        metavar="PATH",
        help=f"write {drawing} ({SUFFIXES}); may be repeated",
    )
    output.add_argument("--picture", type=Path, metavar="PATH", help=f"write {picture} (.svg)")
    output.add_argument("--json", action="store_true", help=f"print {answer} as JSON instead of tables")


def check_saving(arguments: argparse.Namespace) -> None:
    """Refuse what cannot be saved, before a service is started for it. Raises ValueError."""
    for path in arguments.save:
        drawing_media_type(path.name)
        check_folder(path)
    if arguments.picture is not None:
        check_folder(arguments.picture)
        if arguments.picture.suffix.lower() != ".svg":
            raise ValueError(f"{arguments.picture}: a picture comes as .svg")


def save(arguments: argparse.Namespace, layout: Layout, picture: Callable[[], str]) -> None:
    """Write the drawing and the picture that were asked for."""
    for path in arguments.save:
        layout.save(path)
        say(err(), f"wrote {path}")
    if arguments.picture is not None:
        arguments.picture.write_text(picture(), encoding="utf-8")
        say(err(), f"wrote {arguments.picture}")


def check_folder(path: Path) -> None:
    """Refuse to save where there is no folder. Raises ValueError."""
    if not path.parent.is_dir():
        raise ValueError(f"{path}: there is no folder {path.parent} to save it in")
