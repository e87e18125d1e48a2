"""The README and the contributors' guide name only what exists."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from rillcast.cli.main import build_parser
from rillcast_service.engine.layout.roles import NAMES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
GUIDE = (ROOT / "DEVELOPERS.md").read_text()
MAKEFILE = (ROOT / "Makefile").read_text()


def test_the_readme_begins_with_the_job_and_then_the_two_commands():
    paragraphs = README.split("\n\n")
    assert paragraphs[0] == "# Rillcast"
    assert "can it be made" in paragraphs[1]
    assert "make demo" in paragraphs[2]
    assert "make test" in paragraphs[2]


def test_nothing_is_left_to_fill_in():
    assert "@@" not in README + GUIDE


@pytest.mark.parametrize("target", re.findall(r"\$ make (\w+)", README + GUIDE))
def test_make_targets_exist(target):
    assert re.search(rf"^{target}:", MAKEFILE, re.MULTILINE)


@pytest.mark.parametrize("link", re.findall(r"\]\((?!https?:|#)([^)#]+)\)", README + GUIDE))
def test_links_lead_somewhere(link):
    assert (ROOT / link).exists()


def test_every_place_on_the_map_exists():
    block = GUIDE.split("## The map", 1)[1].split("```")[1]
    folder = {0: ROOT}
    seen = 0
    for line in block.strip().splitlines():
        indent = len(line) - len(line.lstrip())
        names = re.split(r"\s{2,}", line.strip())[0].split(", ")
        for name in names:
            path = folder[indent] / name
            assert path.exists(), f"{path} is on the map but not in the tree"
            seen += 1
        folder[indent + 2] = folder[indent] / names[0]
    assert seen > 15


@pytest.mark.parametrize("line", re.findall(r"^\$ \.venv/bin/(rillcast [^#&\n]+)", README, re.MULTILINE))
def test_commands_of_the_readme_parse(line):
    build_parser().parse_args(shlex.split(line)[1:])


def test_the_readmes_table_of_layer_names_is_the_programs():
    for role, names in NAMES.items():
        (row,) = [line for line in README.splitlines() if line.startswith(f"| {role.value} |")]
        assert re.findall(r"`([^`]+)`", row.split("|")[2]) == list(names)
