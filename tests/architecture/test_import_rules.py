"""The dependency rule holds, and the check that holds it would notice a breach."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
LINTER = Path(sys.executable).with_name("lint-imports")


def _lint(cwd: Path, config: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [LINTER, "--config", config, "--no-cache"], cwd=cwd, capture_output=True, text=True, check=False
    )


def test_every_import_follows_the_dependency_rule():
    done = _lint(ROOT, ROOT / "pyproject.toml")
    assert done.returncode == 0, done.stdout


def test_an_engine_that_imports_the_web_is_caught(tmp_path):
    # A tiny twin of the tree with one breach, judged by the project's own first contract.
    engine = tmp_path / "rillcast_service" / "engine"
    engine.mkdir(parents=True)
    (tmp_path / "rillcast_service" / "__init__.py").touch()
    (engine / "__init__.py").write_text("import flask\n")
    config = tmp_path / "setup.cfg"
    config.write_text(
        "[importlinter]\nroot_package = rillcast_service\ninclude_external_packages = True\n"
        "[importlinter:contract:1]\nname = engine\ntype = forbidden\n"
        "source_modules = rillcast_service.engine\nforbidden_modules = flask\n"
    )
    done = _lint(tmp_path, config)
    assert done.returncode == 1
    assert "flask" in done.stdout
