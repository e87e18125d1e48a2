"""`rillcast demo` for real: a service of its own, the packaged chip, four routes, files on disk."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from xml.etree import ElementTree

from rillcast.cli import main

ROUTES = {"printed_monolith", "printed_bonded_halves", "cast_printed_mould", "cast_wafer_mould"}


def test_the_demo_leaves_a_quotation_and_says_what_it_found(tmp_path: Path, capsys):
    assert main(["demo", "--out", str(tmp_path / "out")]) == 0
    printed = capsys.readouterr()
    quote = json.loads((tmp_path / "out" / "quote.json").read_text(encoding="utf-8"))
    routes = {route["route"]: route for route in quote["result"]["routes"]}
    assert quote["state"] == "done"
    assert quote["request"]["quantity"] == 24
    assert routes.keys() == ROUTES
    page = (tmp_path / "out" / "quotation.html").read_text(encoding="utf-8")
    assert "River nitrate chip, 24 pieces" in page
    said = " ".join(printed.out.split())
    for route_id, route in routes.items():
        assert route_id in printed.out
        assert route["title"] in page
        flows = ("exchange_time", "pressure") if route["fluidics"] and route["fluidics"]["exchange"] else ()
        mixes = ("mixing",) if route["fluidics"] and route["fluidics"]["mixing"] else ()
        for picture in ("findings", "as_made", *flows, *mixes):
            ElementTree.parse(tmp_path / "out" / f"{picture}-{route_id}.svg")
        for finding in route["findings"]:
            words = f"{finding['message']} {finding['why']} remedy: {finding['remedy']}".split()
            assert " ".join(words) in said
        if route["cost"] is not None:
            lines = sum(Decimal(line["amount"]) for line in route["cost"]["lines"])
            assert lines == Decimal(route["cost"]["amount"])
            unit_price = f"{Decimal(route['cost']['unit_price']):,}"
            assert unit_price in printed.out
    assert quote["result"]["comparison"]["recommended"] in ROUTES
    assert "Traceback" not in printed.err
