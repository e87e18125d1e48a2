"""`rillcast layout`: what it sends, what it prints, what it saves; and the same options on `quote`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rillcast.cli import main

LAYOUT_ID = "lay_4Jk2v9QmT1xW"

SAID = [
    "--unit", "mm", "--dpi", "90", "--role", "Layer 1=channels", "--role", "#ff0000=ports",
    "--level", "channels=low=2", "--leave", "gap", "--leave", "tilt", "--flattening-um", "0.5",
    "--closing-um", "20", "--gap-um", "0", "--sliver-um", "2", "--cell", "CHIP",
]  # fmt: skip
SENT = {
    "name": "chip",
    "unit": "mm",
    "dpi": "90",
    "roles": '{"Layer 1": "channels", "#ff0000": "ports"}',
    "levels": '{"channels=low": 2}',
    "leave": "gap,tilt",
    "flattening_um": "0.5",
    "closing_um": "20",
    "gap_um": "0",
    "sliver_um": "2",
    "cell": "CHIP",
}


@pytest.fixture
def chip(tmp_path: Path) -> Path:
    path = tmp_path / "chip.svg"
    path.write_text("<svg/>")
    return path


@pytest.fixture
def read(service: Any, example: Any) -> dict[str, Any]:
    """A service that reads every file as the contract's example."""
    layout = example("Layout")
    service.answer("POST", "/v1/layouts", layout, status=201)
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}/file", b"drawing")
    service.answer("GET", f"/v1/layouts/{LAYOUT_ID}/picture", b"<svg />")
    return layout


def test_layers_ports_repairs_and_guesses_are_printed(service, read, chip, capsys):
    assert main(["layout", str(chip), "--url", service.url]) == 0
    printed = capsys.readouterr().out
    lines = [" ".join(line.split()) for line in printed.splitlines()]
    assert f"Layout {LAYOUT_ID}: River nitrate chip (svg, 75 × 25 mm)" in lines
    assert "Ebene 1 channels 150 µm 1 61.200 mm² 14" in lines
    assert "outline outline - - 1,875.000 mm² 1" in lines
    assert "sample inlet 6 mm 8 mm 1.5 mm" in lines
    assert "1 repair" in lines
    (repair,) = read["repairs"]
    assert f"1 {repair['kind']} layer 'Ebene 1' at (31.25, 12.5) mm:" in " ".join(lines)
    assert "4.1 → 4.3 mm²" in " ".join(lines)
    assert "1 guess or default" in lines
    (assumption,) = read["assumptions"]
    assert f"- {assumption['what']}: {assumption['value']}. {assumption['why']}" in " ".join(lines)


def test_a_drawing_with_nothing_to_tell_says_so(service, example, chip, capsys):
    layout = example("Layout") | {"ports": [], "repairs": [], "assumptions": []}
    service.answer("POST", "/v1/layouts", layout, status=201)
    assert main(["layout", str(chip), "--url", service.url]) == 0
    printed = capsys.readouterr().out
    assert "no ports" in printed
    assert "no repairs" in printed
    assert "no guesses and defaults" in printed


def test_what_is_said_of_the_file_is_sent(service, read, chip):
    assert main(["layout", str(chip), "--depth-um", "150", "--url", service.url, *SAID]) == 0
    assert service.seen[0].query == SENT | {"depth_um": "150"}


def test_what_is_not_said_is_left_to_the_service(service, read, chip):
    assert main(["layout", str(chip), "--url", service.url]) == 0
    assert service.seen[0].query == {"name": "chip"}


def test_a_quote_takes_the_same_options_and_says_what_was_mended(service, read, done, chip, capsys):
    service.answer("POST", "/v1/quotes", done, status=201)
    assert main(["quote", str(chip), "--quantity", "24", "--url", service.url, *SAID]) == 0
    assert service.seen[0].query == SENT
    told = capsys.readouterr()
    assert "self_crossing" in told.err
    assert "self_crossing" not in told.out


def test_of_very_many_repairs_a_quote_says_the_first(service, example, done, chip, capsys):
    layout = example("Layout")
    service.answer("POST", "/v1/layouts", layout | {"repairs": layout["repairs"] * 25}, status=201)
    service.answer("POST", "/v1/quotes", done, status=201)
    assert main(["quote", str(chip), "--quantity", "24", "--url", service.url]) == 0
    told = capsys.readouterr().err
    assert told.count("self_crossing") == 10
    assert "and 15 more" in told


def test_the_mended_drawing_and_its_picture_are_saved(service, read, chip, tmp_path, capsys):
    saved, picture = tmp_path / "mended.dxf", tmp_path / "chip-picture.svg"
    arguments = ["layout", str(chip), "--url", service.url, "--save", str(saved), "--picture", str(picture)]
    assert main(arguments) == 0
    assert saved.read_bytes() == b"drawing"
    assert picture.read_text() == "<svg />"
    assert str(saved) in capsys.readouterr().err
    (asked,) = service.requests("GET", f"/v1/layouts/{LAYOUT_ID}/file")
    assert asked.headers["Accept"] == "image/vnd.dxf"


def test_json_on_standard_output_is_nothing_but_the_answer(service, read, chip, capsys):
    assert main(["layout", str(chip), "--json", "--url", service.url]) == 0
    assert json.loads(capsys.readouterr().out) == read


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--save", "mended.pdf"], "mended.pdf: a layout is saved as .svg, .dxf"),
        (["--save", "no/such/folder/mended.svg"], "there is no folder"),
        (["--picture", "chip.png"], "a picture comes as .svg"),
    ],
)
def test_what_cannot_work_is_said_before_anything_is_sent(service, read, chip, capsys, more, said):
    assert main(["layout", str(chip), "--url", service.url, *more]) == 1
    assert said in capsys.readouterr().err
    assert service.seen == []


@pytest.mark.parametrize(
    "more", [["--role", "channels"], ["--role", "a=plumbing"], ["--level", "a=deep"], ["--leave", "holes"]]
)
def test_options_that_cannot_be_are_wrong_arguments(chip, capsys, more):
    with pytest.raises(SystemExit) as ended:
        main(["layout", str(chip), *more])
    assert ended.value.code == 2
    assert more[1] in capsys.readouterr().err


def test_a_refusal_says_place_and_remedy(service, chip, capsys):
    service.problem(
        "POST",
        "/v1/layouts",
        422,
        "layout-invalid",
        errors=[
            {
                "message": "The drawing holds text.",
                "remedy": "Convert the text to outlines (paths).",
                "pointer": None,
                "where": "layer 'marks', <text> 'label' at (3, 4) mm",
            }
        ],
    )
    assert main(["layout", str(chip), "--url", service.url]) == 1
    told = capsys.readouterr().err
    assert "layer 'marks', <text> 'label' at (3, 4) mm: The drawing holds text." in told
    assert "remedy: Convert the text to outlines (paths)." in told
