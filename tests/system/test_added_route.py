"""A route is added with one module and one table; nothing else of the service changes.

The two files lie in `added_route/`: a laminated-film route such as a newcomer would write. They are put into
a copy of the service, which is then started and asked over HTTP like any other.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import rillcast_service
from rillcast import Client, Layout, Quote
from rillcast.embedded import EmbeddedService
from rillcast.errors import InvalidInputError
from rillcast.models import RouteResult, Severity, Verdict
from rillcast_service.api.contract import contract

ROUTE = "laminated_film"
FIXTURES = Path(__file__).parent / "added_route"
ADDED = {
    Path("engine/routes/laminated_film.py"): FIXTURES / "laminated_film.py",
    Path("catalogue/routes/laminated_film.toml"): FIXTURES / "laminated_film.toml",
}
ORIGINAL = Path(rillcast_service.__file__).parent
DEMO = files("rillcast").joinpath("demo", "river_nitrate_chip.svg").read_bytes()

START = "2027-03-01T09:00:00+01:00"  # a Monday


def straight(*, width_mm: float = 0.4, chip_mm: tuple[float, float] = (30.0, 20.0)) -> bytes:
    """A drawing of one straight channel, 150 µm deep, between two ports."""
    x, y = chip_mm
    return f"""<svg xmlns="http://www.w3.org/2000/svg" width="{x}mm" height="{y}mm" viewBox="0 0 {x} {y}">
      <g id="outline"><rect width="{x}" height="{y}"/></g>
      <g id="channels" data-depth-um="150">
        <rect x="5" y="{10 - width_mm / 2}" width="20" height="{width_mm}"/></g>
      <g id="ports"><circle id="in" data-role="inlet" cx="5" cy="10" r="0.75"/>
        <circle id="out" data-role="outlet" cx="25" cy="10" r="0.75"/></g>
    </svg>""".encode()


def contents(folder: Path) -> dict[Path, bytes]:
    """Every file of a service but what Python has compiled."""
    return {
        path.relative_to(folder): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def assert_contract(document: object, component: str) -> None:
    """The contract describes this document."""
    schema = {"$ref": f"#/components/schemas/{component}", "components": contract()["components"]}
    Draft202012Validator(schema).validate(document)


@pytest.fixture(scope="module")
def extended(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the service and nothing else, with the two files in it."""
    copy = tmp_path_factory.mktemp("extended") / "rillcast_service"
    shutil.copytree(ORIGINAL, copy, ignore=shutil.ignore_patterns("__pycache__"))
    for place, file in ADDED.items():
        shutil.copyfile(file, copy / place)
    return copy


@pytest.fixture(scope="module")
def client(extended: Path) -> Iterator[Client]:
    """A client of that copy, which runs as `python -m rillcast_service.serve --port 0 …`."""
    paths = (str(extended.parent), os.environ.get("PYTHONPATH", ""))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(filter(None, paths)))
        patch.chdir(extended.parent.parent)  # `-m` looks in the working directory first
        with EmbeddedService() as service, Client(service.url) as client:
            yield client


@pytest.fixture(scope="module")
def demo(client: Client) -> Layout:
    return client.upload_layout(DEMO, name="River nitrate chip", media_type="image/svg+xml")


@pytest.fixture(scope="module")
def quote(client: Client, demo: Layout) -> Quote:
    return client.quote(demo, quantity=24, routes=[ROUTE], start=START, timeout_s=60)


@pytest.fixture(scope="module")
def result(quote: Quote) -> RouteResult:
    return quote.route(ROUTE)


def quoted(client: Client, drawing: bytes, **options: object) -> RouteResult:
    """The route's answer for a small drawing."""
    layout = client.upload_layout(drawing, name="straight", media_type="image/svg+xml")
    return client.quote(layout, quantity=2, routes=[ROUTE], start=START, timeout_s=60, **options).route(ROUTE)


def test_without_its_two_files_the_route_is_unknown() -> None:
    with EmbeddedService() as service, Client(service.url) as client:
        assert ROUTE not in {route.route for route in client.routes()}
        layout = client.upload_layout(straight(), name="straight", media_type="image/svg+xml")
        with pytest.raises(InvalidInputError) as refused:
            client.create_quote(layout, quantity=2, routes=[ROUTE])
    assert refused.value.status == 422
    (fault,) = refused.value.problem.errors
    assert fault.pointer == "#/routes/0"
    assert ROUTE in fault.message


def test_two_files_are_all_that_is_added(client: Client, extended: Path) -> None:
    before, after = contents(ORIGINAL), contents(extended)
    assert after.keys() - before.keys() == ADDED.keys()
    assert {path for path in before if after.get(path) != before[path]} == set()


def test_the_route_and_its_limits_are_listed_beside_the_others(client: Client) -> None:
    routes = {route.route: route for route in client.routes()}
    assert set(routes) == {path.stem for path in ORIGINAL.glob("catalogue/routes/*.toml")} | {ROUTE}
    assert routes[ROUTE].title == "Laminated film between plates"
    assert_contract(dict(routes[ROUTE].raw), "Route")
    for rule in client.rules():
        # rules that are looked at when asked for hold for every route
        assert (ROUTE in rule.routes) == (rule.rule in routes[ROUTE].rules or rule.rule_set is not None)
    (width,) = (rule for rule in client.rules() if rule.rule == "channel_width")
    (limit,) = (limit for limit in width.limits if limit.route == ROUTE)
    assert (limit.low, limit.value, limit.high, limit.unit) == (150, 200, 300, "µm")


def test_the_verdict_follows_from_its_own_limits(result: RouteResult) -> None:
    """The drawing's lines are 200 µm wide, which this route makes as a rule, but 300 µm would be safe."""
    assert result.verdict == Verdict.MAKEABLE_WITH_RISK
    found = {(finding.rule, finding.severity): finding for finding in result.findings}
    assert found.keys() == {("channel_width", Severity.RISK), ("bench_lacks", Severity.NOTE)}
    width = found["channel_width", Severity.RISK]
    assert (width.measured, width.limit_low, width.limit, width.limit_high) == (200, 150, 200, 300)
    assert width.source == "common practice, no source"
    assert "cutter" in found["bench_lacks", Severity.NOTE].message


def test_a_channel_narrower_than_the_blade_cuts_is_not_makeable(client: Client) -> None:
    narrow = quoted(client, straight(width_mm=0.14))
    assert narrow.verdict == Verdict.NOT_MAKEABLE
    (blocker,) = narrow.blockers
    assert (blocker.rule, blocker.measured, blocker.limit) == ("channel_width", 140, 200)
    assert narrow.schedule is narrow.cost is None


def test_a_chip_larger_than_a_sheet_of_film_is_not_makeable(client: Client) -> None:
    large = quoted(client, straight(chip_mm=(290.0, 210.0)))
    assert large.verdict == Verdict.NOT_MAKEABLE
    assert ["290 × 210 mm" in blocker.message for blocker in large.blockers] == [True]


def test_the_depth_is_a_whole_number_of_films(result: RouteResult) -> None:
    """150 µm is nearest to two films of 90 µm (50 to 130 µm, whichever is bought)."""
    depth = result.as_made.depth_um["channels"]
    assert (depth.low, depth.best, depth.high) == pytest.approx((2 * 50, 2 * 90, 2 * 130))
    assert any("2 films of 90 µm" in note for note in result.as_made.notes)


def test_the_film_of_the_bench_decides_how_many(client: Client) -> None:
    client.put_bench_entry("consumables", "adhesive_film", {"thickness_mm": 0.05})
    try:
        depth = quoted(client, straight()).as_made.depth_um["channels"]
    finally:
        client.delete_bench_entry("consumables", "adhesive_film")
    assert (depth.low, depth.best, depth.high) == pytest.approx((3 * 50, 3 * 50, 3 * 50))


def test_adhesive_creeps_in_from_both_edges(result: RouteResult) -> None:
    """15 µm (0 to 40) from each edge, each edge cut to within 25 µm: −2 (40 + 25) to 2 (25 − 0) µm."""
    change = result.as_made.width_change_um
    assert (change.low, change.best, change.high) == (-130, -30, 50)
    assert result.as_made.min_width_um.best == pytest.approx(200 - 30, abs=1)


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("prepare", "kerf_test"),
        ("kerf_test", "cut_films"),
        ("cut_films", "weed"),
        ("prepare", "order_plates"),
        ("order_plates", "anneal"),
        ("anneal", "clean"),
        ("weed", "laminate"),
        ("clean", "laminate"),
        ("laminate", "press"),
        ("press", "fit_ports"),
        ("fit_ports", "leak_test"),
        ("leak_test", "pack"),
    ],
)
def test_steps_come_in_order(result: RouteResult, earlier: str, later: str) -> None:
    first = {step.step: step for step in result.schedule.steps if step.batch == 1}
    assert first[earlier].end <= first[later].start


def test_plates_come_after_five_working_days_and_films_are_cut_meanwhile(result: RouteResult) -> None:
    steps = {step.step: step for step in result.schedule.steps if step.batch == step.of_batches}
    assert steps["order_plates"].resource == "laser-cutting service"
    assert steps["order_plates"].end == datetime.fromisoformat("2027-03-09T09:00:00+01:00")
    assert steps["cut_films"].resource == "craft cutter with drag blade"
    assert steps["weed"].end < steps["order_plates"].end
    assert result.schedule.critical_path[:3] == ("prepare", "order_plates", "anneal")


def test_hands_on_steps_carry_their_cautions(result: RouteResult) -> None:
    cautions = {step.step: " ".join(step.cautions) for step in result.schedule.steps}
    assert "carriage" in cautions["cut_films"]
    assert "Blades and punches are sharp" in cautions["weed"]
    assert "no isopropanol" in cautions["clean"]
    assert "can burst" in cautions["leak_test"]


def test_materials_by_hand(result: RouteResult) -> None:
    """24 good chips with 90 % probability, at yields of 92 % in weeding, 90 % in laminating and 95 % in the
    leak test. By the binomial distribution: cut 34, for P(B(34; 0.787) ≥ 24) = 0.909 (33: 0.852), clean and
    laminate 31, for P(B(31; 0.855) ≥ 24) = 0.930 (30: 0.866), test 27, for P(B(27; 0.95) ≥ 24) = 0.956
    (26: 0.861). Chips of 74 × 24 mm, 4 mm apart, on a sheet of 297 × 210 mm with margins of 8 mm:
    ⌊285/78⌋ · ⌊198/28⌋ = 3 · 7 = 21; two films each: ⌈34 · 2/21⌉ = ⌈3.24⌉ = 4 sheets.
    """
    assert {line.material: (line.quantity, line.unit) for line in result.materials} == {
        "adhesive_film": (4, "piece"),
        "wipes": (31 * 2, "piece"),
        "nitrile_gloves": (4, "piece"),  # 0.1 pairs for each of 31, whole pairs
        "blunt_needle": (3, "piece"),  # one a port
        "leak_test_dye": (27 * 2, "ml"),
        "packing_bag": (24, "piece"),
    }
    assert result.schedule.counts == {"started_parts": 34}


def test_lines_add_up_to_the_price(result: RouteResult) -> None:
    cost = result.cost
    assert sum(line.amount for line in cost.lines) == cost.amount
    assert sum(line.amount for line in cost.lines if line.category != "tax") == cost.net
    assert cost.unit_price == (cost.net / 24).quantize(Decimal("0.01"))
    assert 0 < cost.total.p10 < cost.net < cost.total.p90
    assert {line.quantity for line in cost.price_breaks} >= {1, 24, 100}


def test_cutter_and_supplier_of_the_route_are_priced(result: RouteResult) -> None:
    """Plates: 31 pairs at 6.00. Cutter: a test of 20 min, then 3 loads of 3 min and 34 · 2 films of 1 min.

    Laminating: 3 trays of 5 min and 31 · 2 films of 3 min.
    """
    lines = {(line.category, line.from_step): line for line in result.cost.lines if line.from_step}
    assert lines["bought_in", "order_plates"].amount == Decimal("186.00")
    assert lines["machine", "kerf_test"].quantity == pytest.approx(20 / 60, abs=1e-6)
    assert lines["machine", "cut_films"].quantity == pytest.approx((3 * 3 + 34 * 2) / 60, abs=1e-6)
    # 250.00 over 500 h, and electricity on top
    assert Decimal("0.50") < lines["machine", "cut_films"].unit_price < Decimal("0.55")
    assert lines["labour", "laminate"].quantity == pytest.approx((3 * 5 + 31 * 2 * 3) / 60)


def test_without_an_oven_the_plates_stay_as_cut_and_the_quote_says_so(client: Client) -> None:
    cold = quoted(client, straight(), bench={"oven": None})
    assert cold.verdict == Verdict.MAKEABLE
    assert "anneal" not in {step.step for step in cold.schedule.steps}
    assert any("leave the plates as cut" in finding.message for finding in cold.findings)


def test_the_quote_is_what_the_contract_describes(quote: Quote) -> None:
    assert_contract(dict(quote.raw), "Quote")
    assert quote.comparison.recommended == ROUTE


def test_quotation_and_pictures_show_it(client: Client, quote: Quote) -> None:
    page = client.document(quote.quote_id)
    assert "Laminated film between plates" in page
    assert "laser-cutting service" in page
    for picture in ("findings", "timeline"):
        assert quote.picture(ROUTE, picture).startswith("<svg")
