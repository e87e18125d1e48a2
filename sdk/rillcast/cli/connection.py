"""Which service the command talks to: the one named, or one of its own."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager

from rillcast.cli.output import err
from rillcast.client import Client
from rillcast.embedded import EmbeddedService


def add_connection_options(parser: argparse.ArgumentParser) -> None:
    """`--url` and `--data`, the same for every command that asks a service."""
    group = parser.add_argument_group("service")
    group.add_argument(
        "--url",
        help="address of a running service (RILLCAST_BASE_URL); without one, "
        "the command starts a service of its own",
    )
    group.add_argument("--data", metavar="DIR", help="data folder of the service of its own (RILLCAST_DATA)")


@contextmanager
def connect(arguments: argparse.Namespace) -> Iterator[Client]:
    """A client of the named service, or of an embedded one that lasts as long as the block."""
    url = arguments.url or os.environ.get("RILLCAST_BASE_URL")
    if url:
        with Client(url) as client:
            yield client
        return
    with embedded(EmbeddedService(data=arguments.data, temporary=False)) as client:
        yield client


@contextmanager
def embedded(service: EmbeddedService) -> Iterator[Client]:
    """A client of an embedded service, with a word on standard error while it starts."""
    with err().status("starting a service"):
        service.__enter__()
    try:
        with Client(service.url) as client:
            yield client
    finally:
        service.stop()
