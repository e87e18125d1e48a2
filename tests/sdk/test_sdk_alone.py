"""The SDK and its command live without the service: requests and rich are all that they need."""

from __future__ import annotations

import subprocess
import sys

# Refuses every import that the base installation does not bring.
BLOCKER = """
import sys

class Blocker:
    blocked = {"flask", "marshmallow", "numpy", "scipy", "shapely", "sqlalchemy", "jinja2", "markupsafe",
               "svgelements", "defusedxml", "waitress", "alembic", "yaml", "dramatiq", "rillcast_service"}
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in self.blocked:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
"""


def _run(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", BLOCKER + code], capture_output=True, text=True, timeout=60, check=False
    )


def test_it_is_imported_with_nothing_of_the_service_installed():
    done = _run("""
sys.meta_path.insert(0, Blocker())
import rillcast, rillcast.cli, rillcast.client, rillcast.embedded
print(rillcast.Client("http://127.0.0.1:1"))
""")
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "Client('http://127.0.0.1:1')"


def test_the_command_says_how_to_get_a_service_when_there_is_none():
    done = _run("""
import importlib.util
real = importlib.util.find_spec
importlib.util.find_spec = lambda name: None if name in Blocker.blocked else real(name)
from rillcast.cli import main
sys.exit(main(["routes"]))
""")
    assert done.returncode == 1
    assert "pip install 'rillcast[service]'" in done.stderr
    assert "--url" in done.stderr
    assert "Traceback" not in done.stderr


def test_serve_says_the_same():
    done = _run("""
import importlib.util
real = importlib.util.find_spec
importlib.util.find_spec = lambda name: None if name in Blocker.blocked else real(name)
from rillcast.cli import main
sys.exit(main(["serve"]))
""")
    assert done.returncode == 1
    assert "rillcast[service]" in done.stderr
