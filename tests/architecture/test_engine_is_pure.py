"""The engine reads no clock, environment or file, and draws no unseeded random number."""

import ast
from pathlib import Path

import pytest

ENGINE = Path(__file__).parents[2] / "service" / "rillcast_service" / "engine"
FORBIDDEN_CALLS = {
    "datetime.now",
    "datetime.utcnow",
    "date.today",
    "time.time",
    "time.monotonic",
    "os.getenv",
    "open",
    "print",
    "random.random",
}
FORBIDDEN_IMPORTS = {
    "os", "time", "random", "socket", "subprocess", "threading", "logging", "tempfile", "pathlib", "shutil",
}  # fmt: skip
#: The one place that may touch a disc: private files for a library that reads and writes nothing else.
ALLOWED = {"layout/scratch.py": {"tempfile", "pathlib"}}


@pytest.mark.parametrize("path", sorted(ENGINE.rglob("*.py")), ids=lambda path: path.stem)
def test_module_touches_nothing_outside(path):
    tree = ast.parse(path.read_text())
    forbidden = FORBIDDEN_IMPORTS - ALLOWED.get(path.relative_to(ENGINE).as_posix(), set())
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            roots = {alias.name.split(".")[0] for alias in node.names}
            assert not roots & forbidden, f"line {node.lineno}"
        if isinstance(node, ast.ImportFrom) and node.module:
            assert node.module.split(".")[0] not in forbidden, f"line {node.lineno}"
        if isinstance(node, ast.Call):
            assert ast.unparse(node.func) not in FORBIDDEN_CALLS, f"line {node.lineno}"
            if ast.unparse(node.func).endswith("default_rng"):
                assert node.args or node.keywords, f"unseeded generator, line {node.lineno}"
