"""The command: what it asks for, what it prints, and how it ends."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rillcast import Client
from rillcast.cli import main


@pytest.fixture
def chip(tmp_path: Path) -> Path:
    path = tmp_path / "chip.svg"
    path.write_text("<svg/>")
    return path


@pytest.fixture
def quoted(service: Any, example: Any, done: dict[str, Any]) -> dict[str, Any]:
    """A service that answers a quote with the contract's example."""
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    service.answer("POST", "/v1/quotes", done, status=201)
    service.answer("GET", f"/v1/quotes/{done['quote_id']}/document", b"<!doctype html>")
    return done


def test_a_quote_prints_each_route_with_verdict_price_range_and_date(service, quoted, chip, capsys):
    assert main(["quote", str(chip), "--quantity", "24", "--depth-um", "150", "--url", service.url]) == 0
    printed = capsys.readouterr().out
    route = quoted["result"]["routes"][0]
    assert route["route"] in printed
    assert route["verdict"].replace("_", " ") in printed
    assert route["cost"]["unit_price"] in printed
    for key in ("p10", "p90"):
        assert f"{float(route['cost']['total'][key]):,.2f}" in printed
    assert route["schedule"]["finished_at"][:10] in printed
    for finding in route["findings"]:
        assert finding["message"] in printed
        assert finding["remedy"] in printed
    assert "estimate" in printed


def test_the_arguments_become_the_request(service, quoted, chip):
    arguments = [
        "quote", str(chip), "--quantity", "24", "--url", service.url, "--route", "cast_printed_mould",
        "--route", "printed_monolith", "--depth-um", "150", "--depth-um", "mixer=90.5", "--aim", "date",
        "--start", "2027-03-01T09:00+01:00", "--printer", "masked_lcd_35um", "--plasma", "none",
        "--lid", "glass", "--flow-ul-per-min", "25", "--first-article", "--seed", "7",
        "--rule-set", "interoperability",
    ]  # fmt: skip
    assert main(arguments) == 0
    assert service.requests("POST", "/v1/quotes")[0].json == {
        "layout_id": "lay_4Jk2v9QmT1xW",
        "quantity": 24,
        "routes": ["cast_printed_mould", "printed_monolith"],
        "depths_um": {"channels": 150.0, "mixer": 90.5},
        "aim": "date",
        "start": "2027-03-01T09:00+01:00",
        "bench": {"printer": "masked_lcd_35um", "plasma": None},
        "chip": {"lid": "glass"},
        "use": {"flow_ul_per_min": 25.0},
        "first_article": True,
        "seed": 7,
        "rule_sets": ["interoperability"],
    }


def test_a_machine_that_is_named_twice_is_compared(service, quoted, chip, capsys):
    asked = ["quote", str(chip), "--quantity", "3", "--url", service.url, "--mould", "wafer_chrome_mask"]
    assert main([*asked, "--printer", "masked_lcd_35um", "--printer", "masked_lcd_22um"]) == 0
    (sent,) = service.requests("POST", "/v1/quotes")
    assert sent.json["variants"] == [{"printer": "masked_lcd_35um"}, {"printer": "masked_lcd_22um"}]
    assert sent.json["bench"] == {"mould": "wafer_chrome_mask"}
    assert main([*asked, "--printer", "masked_lcd_35um", "--printer", "none"]) != 0
    assert "--printer none cannot be compared" in capsys.readouterr().err


def test_what_is_not_said_is_left_to_the_service(service, quoted, chip):
    assert main(["quote", str(chip), "--quantity", "3", "--url", service.url]) == 0
    assert service.requests("POST", "/v1/quotes")[0].json == {"layout_id": "lay_4Jk2v9QmT1xW", "quantity": 3}


def test_json_on_standard_output_is_nothing_but_the_answer(service, quoted, chip, capsys):
    assert main(["quote", str(chip), "--quantity", "24", "--json", "--url", service.url]) == 0
    assert json.loads(capsys.readouterr().out) == quoted


def test_each_save_leaves_a_file(service, quoted, chip, tmp_path, capsys):
    html, plain = tmp_path / "offer.html", tmp_path / "quote.json"
    arguments = [
        "quote",
        str(chip),
        "--quantity",
        "24",
        "--url",
        service.url,
        "--save",
        str(html),
        "--save",
        str(plain),
    ]
    assert main(arguments) == 0
    assert html.read_text() == "<!doctype html>"
    assert json.loads(plain.read_text()) == quoted
    assert str(html) in capsys.readouterr().err


def test_pictures_go_into_a_folder_of_their_own(service, quoted, chip, tmp_path, capsys):
    folder = tmp_path / "new" / "pictures"
    for name in ("findings", "as_made", "exchange_time", "pressure", "timeline"):
        link = f"/v1/quotes/{quoted['quote_id']}/pictures/cast_printed_mould/{name}"
        service.answer("GET", link, f"<svg>{name}</svg>".encode())
    asked = ["quote", str(chip), "--quantity", "24", "--url", service.url, "--pictures", str(folder)]
    assert main(asked) == 0
    assert (folder / "as_made-cast_printed_mould.svg").read_text() == "<svg>as_made</svg>"
    assert len(list(folder.iterdir())) == 5
    assert "as_made-cast_printed_mould.svg" in "".join(capsys.readouterr().err.split())


def test_the_quotation_can_be_had_in_full(service, quoted, chip, tmp_path):
    arguments = ["quote", str(chip), "--quantity", "24", "--url", service.url, "--detail", "full"]
    assert main([*arguments, "--save", str(tmp_path / "offer.html")]) == 0
    (asked,) = service.requests("GET", f"/v1/quotes/{quoted['quote_id']}/document")
    assert asked.query == {"detail": "full"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["quote", "missing.svg", "--quantity", "1"], "missing.svg: No such file"),
        (
            ["quote", "chip.stl", "--quantity", "1"],
            "chip.stl: not known as a layout; a layout's name ends in .svg",
        ),
        (["quote", ".", "--quantity", "1"], "Is a directory"),
        (
            ["quote", "chip.svg", "--quantity", "1", "--save", "offer.docx"],
            "offer.docx: a quote comes as .html",
        ),
        (
            ["quote", "chip.svg", "--quantity", "1", "--save", "offer.pdf"],
            "offer.pdf: PDF is not offered yet",
        ),
        (["quote", "chip.svg", "--quantity", "1", "--save", "no/offer.csv"], "there is no folder no to save"),
        (["demo", "--out", "chip.svg"], "chip.svg: File exists"),
        (["rules", "--url", "localhost:8000"], "looks like http://host:port, not 'localhost:8000'"),
    ],
)
def test_a_mistake_is_said_before_a_service_is_started(arguments, said, capsys, monkeypatch, tmp_path):
    for name in ("chip.svg", "chip.stl"):
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("rillcast.cli.connection.EmbeddedService", None)
    monkeypatch.setattr("rillcast.cli.demo.embedded", None)
    assert main(arguments) == 1
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.out == ""


@pytest.mark.parametrize(
    "arguments",
    [
        ["carve"],
        ["quote"],
        ["quote", "chip.svg"],
        ["quote", "chip.svg", "--quantity", "ten"],
        ["quote", "chip.svg", "--quantity", "1", "--depth-um", "deep"],
        ["bench", "set", "ovens", "x", "max_c"],
    ],
)
def test_wrong_arguments_end_with_2(arguments):
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2


def test_without_a_command_the_commands_are_listed(capsys):
    assert main([]) == 2
    printed = capsys.readouterr()
    assert "quote a layout file" in printed.err
    assert printed.out == ""


def test_a_refusal_prints_what_where_and_how_to_mend_it(service, chip, capsys):
    service.problem(
        "POST", "/v1/layouts", 422, "layout-invalid",
        title="The layout cannot be used", detail="It has no channels.",
        errors=[{"message": "No channel layer.", "remedy": "Name it channels.", "where": "layer Ebene 1"}],
    )  # fmt: skip
    assert main(["quote", str(chip), "--quantity", "1", "--url", service.url]) == 1
    printed = capsys.readouterr().err
    for part in (
        "The layout cannot be used",
        "It has no channels.",
        "layer Ebene 1: No channel layer.",
        "remedy: Name it channels.",
        "req_1",
    ):
        assert part in printed
    assert "Traceback" not in printed


def test_a_service_that_is_not_there_is_said_in_words(chip, capsys, monkeypatch):
    monkeypatch.setattr("rillcast._transport.time.sleep", lambda _: None)
    assert main(["quote", str(chip), "--quantity", "1", "--url", "http://127.0.0.1:9"]) == 1
    assert "(Connection refused); is the service running there?" in capsys.readouterr().err


def test_text_of_strangers_cannot_steer_the_terminal(service, quoted, chip, capsys):
    hostile = "\x1b[2J\x1b]0;owned\x07[bold red]layer\x9b31m"
    quoted["result"]["routes"][0]["findings"][0]["message"] = hostile
    service.answers[("POST", "/v1/quotes")] = []
    service.answer("POST", "/v1/quotes", quoted, status=201)
    assert main(["quote", str(chip), "--quantity", "24", "--url", service.url]) == 0
    printed = capsys.readouterr().out
    assert "[bold red]layer" in printed, "markup is text"
    assert not {"\x1b", "\x07", "\x9b"} & set(printed)


def test_ctrl_c_stops_the_work_as_well(service, example, queued, chip, capsys, monkeypatch):
    service.answer("POST", "/v1/layouts", example("Layout"), status=201)
    service.answer("POST", "/v1/quotes", queued, status=202)
    service.answer("POST", f"/v1/quotes/{queued['quote_id']}/cancel", example("QuoteCancelled"))

    def interrupted(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Client, "wait", interrupted)
    assert main(["quote", str(chip), "--quantity", "1", "--url", service.url]) == 130
    assert len(service.requests("POST", f"/v1/quotes/{queued['quote_id']}/cancel")) == 1
    assert "stopped" in capsys.readouterr().err


def test_a_reader_that_has_gone_is_no_error(service, example):
    """`rillcast rules | head -1`: more is printed than anybody reads."""
    rules = example("RuleList")
    rules["items"] = rules["items"] * 5000
    service.answer("GET", "/v1/rules", rules)
    command = [sys.executable, "-m", "rillcast", "rules", "--url", service.url]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 1


def test_routes_and_rules_are_printed_with_limits_and_sources(service, example, capsys):
    service.answer("GET", "/v1/routes", example("RouteList"))
    service.answer("GET", "/v1/rules", example("RuleList"))
    assert main(["routes", "--url", service.url]) == 0
    assert example("RouteList")["items"][0]["title"] in capsys.readouterr().out
    assert main(["rules", "--url", service.url]) == 0
    printed = capsys.readouterr().out
    limit = example("RuleList")["items"][0]["limits"][0]
    assert f"{limit['key']}: {limit['value']:g}" in printed
    assert limit["source"] in printed


def test_rules_of_a_route_that_is_not_there_are_refused_with_those_that_are(service, example, capsys):
    service.answer("GET", "/v1/rules", example("RuleList"))
    assert main(["rules", "--route", "carved_from_stone", "--url", service.url]) == 1
    printed = capsys.readouterr()
    assert "carved_from_stone" in printed.err
    assert "cast_printed_mould" in printed.err
    assert printed.out == ""


def test_the_bench_is_listed_by_kind(service, example, capsys):
    service.answer("GET", "/v1/bench", example("Bench"))
    assert main(["bench", "list", "ovens", "--url", service.url]) == 0
    assert "bench_oven" in capsys.readouterr().out
    assert main(["bench", "list", "anvils", "--url", service.url]) == 1
    assert "ovens, printers" in capsys.readouterr().err


def test_a_thing_is_shown_with_ranges_and_sources(service, example, capsys):
    service.answer("GET", "/v1/bench/ovens/bench_oven", example("BenchEntry"))
    assert main(["bench", "show", "ovens", "bench_oven", "--url", service.url]) == 0
    printed = capsys.readouterr().out
    for part in ("max_c", "220 °C", "bench", "900.00 EUR per piece", "600.00 to 1,400.00"):
        assert part in printed


def test_setting_a_value_keeps_the_own_values_that_are_there(service, example, capsys):
    service.answer("GET", "/v1/bench/ovens/bench_oven", example("BenchEntry"))
    service.answer("PUT", "/v1/bench/ovens/bench_oven", example("BenchEntry"))
    assert main(["bench", "set", "ovens", "bench_oven", "ramp_c_per_min=3.5", "--url", service.url]) == 0
    sent = service.requests("PUT", "/v1/bench/ovens/bench_oven")[0].json
    assert sent["values"] == example("BenchEntry")["values"] | {"ramp_c_per_min": 3.5}


def test_setting_a_value_of_a_shipped_thing_sends_that_value_alone(service, example):
    service.answer("GET", "/v1/bench/ovens/bench_oven", example("BenchEntry") | {"origin": "shipped"})
    service.answer("PUT", "/v1/bench/ovens/bench_oven", example("BenchEntry"), status=201)
    arguments = [
        "bench",
        "set",
        "ovens",
        "bench_oven",
        "max_c=220",
        "fan=yes",
        'hours=["09:00"]',
        "--url",
        service.url,
    ]
    assert main(arguments) == 0
    sent = service.requests("PUT", "/v1/bench/ovens/bench_oven")[0].json
    assert sent == {"values": {"max_c": 220, "fan": "yes", "hours": ["09:00"]}}


def test_setting_nothing_is_refused(service, capsys):
    assert main(["bench", "set", "ovens", "bench_oven", "--url", service.url]) == 1
    assert "nothing to set" in capsys.readouterr().err


def test_resetting_takes_own_values_away(service, capsys):
    service.answer("DELETE", "/v1/bench/ovens/bench_oven", status=204)
    assert main(["bench", "reset", "ovens", "bench_oven", "--url", service.url]) == 0
    assert "gone" in capsys.readouterr().out


def test_a_terminal_that_cannot_show_every_sign_still_gets_the_answer(service, quoted, chip):
    command = [sys.executable, "-m", "rillcast", "quote", str(chip), "--quantity", "24", "--url", service.url]
    environ = {**os.environ, "PYTHONIOENCODING": "ascii"}
    ended = subprocess.run(command, env=environ, capture_output=True, check=False, timeout=30)
    assert ended.returncode == 0, ended.stderr
    assert b"cast_printed_mould" in ended.stdout
