"""Corrections through the client and the command."""

from __future__ import annotations

from pathlib import Path

import pytest

from rillcast import Client, Layout
from rillcast.cli import main
from rillcast.models import Severity

CORRECTIONS = "/v1/layouts/lay_4Jk2v9QmT1xW/corrections"


@pytest.fixture
def served(service, example):
    service.answer("POST", CORRECTIONS, example("Correction"), status=201)
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    service.answer("GET", "/v1/layouts/lay_7Qe1b5RsU8yZ/file", b"<svg/>")
    return service


def test_a_layout_corrects_itself_and_the_answer_is_typed(served, client: Client, tmp_path: Path):
    layout: Layout = client.upload_layout(b"<svg/>", media_type="image/svg+xml")
    correction = layout.corrected(
        route="cast_printed_mould", rules=["channel_width"], move_ports=True, depths_um={"channels": 150}
    )
    (sent,) = served.requests("POST", CORRECTIONS)
    assert sent.json == {
        "route": "cast_printed_mould",
        "rules": ["channel_width"],
        "move_ports": True,
        "depths_um": {"channels": 150},
    }
    assert correction.changed
    assert correction.layout.corrected_from == layout.layout_id
    assert correction.outcomes[0].severity_before is Severity.BLOCKER
    assert correction.decisions[0].options[0] == "Move the channels apart by 202 µm."
    assert [effect.severity for effect in correction.side_effects] == [Severity.RISK]
    # the corrected layout is one of the client's, so its drawing can be fetched
    assert correction.layout.save(tmp_path / "mended.svg").read_bytes() == b"<svg/>"


def test_the_command_tells_changes_and_decisions_and_saves(served, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    chip, mended, picture = tmp_path / "chip.svg", tmp_path / "mended.svg", tmp_path / "places.svg"
    chip.write_text("<svg/>")
    arguments = ["correct", str(chip), "--route", "cast_printed_mould", "--rule", "channel_width"]
    arguments += ["--save", str(mended), "--picture", str(picture), "--url", served.url]
    assert main(arguments) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "corrected from lay_4Jk2v9QmT1xW" in told
    assert "1 channel_width at (16, 10) mm: Channel widened from 100 µm to 302 µm." in told
    assert "2 channel_gap at (20, 10.2) mm: This wall is 200 µm wide" in told
    assert "wall_slenderness at (16, 10.4) mm: The slenderest wall" in told
    assert mended.read_bytes() == b"<svg/>"
    assert picture.read_text().startswith("<svg")


def test_the_command_refuses_a_file_that_is_no_drawing_before_it_asks(served, tmp_path, capsys):
    chip = tmp_path / "chip.svg"
    chip.write_text("<svg/>")
    arguments = [
        "correct",
        str(chip),
        "--route",
        "cast_printed_mould",
        "--save",
        str(tmp_path / "mended.png"),
    ]
    assert main([*arguments, "--url", served.url]) == 1
    assert "mended.png" in capsys.readouterr().err
    assert served.seen == []
