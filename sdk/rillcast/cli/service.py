"""`rillcast serve` and `rillcast worker`: hand over to the service, which reads its own arguments."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from typing import Any

from rillcast.embedded import require_service

#: Command → module of the service whose `main(arguments)` runs it.
COMMANDS = {"serve": "rillcast_service.serve", "worker": "rillcast_service.jobs.worker"}
_HELP = {"serve": "run the HTTP service and its workers", "worker": "run one more worker of a service"}


def add_commands(commands: Any) -> None:
    """Name `serve` and `worker` in the help; they are run before the parser sees their arguments."""
    for name in COMMANDS:
        commands.add_parser(name, help=_HELP[name], add_help=False)


def run(name: str, arguments: Sequence[str]) -> int:
    """Run a command of the service in this process.

    Raises:
        EmbeddedServiceError: the service is not installed here.
    """
    require_service()
    # By name and late: the SDK must not need the service to be there.
    code = importlib.import_module(COMMANDS[name]).main(list(arguments))
    return int(code or 0)
