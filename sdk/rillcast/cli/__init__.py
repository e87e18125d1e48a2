"""The command `rillcast`: quotes, bench data and the service from a terminal.

With no service named by `--url` or `RILLCAST_BASE_URL`, the command starts one of its own, asks it
and stops it again. An API key is read from `RILLCAST_API_KEY` and never from the command line, where
every other user of the machine could see it.
"""

from rillcast.cli.main import main

__all__ = ["main"]
