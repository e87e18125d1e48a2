"""Chips and requests in which nothing can flow as asked: told with place and remedy, really calculated."""

import pytest

from rillcast_service.jobs.compute import compute
from rillcast_service.store.rows import Artefact

ROUTE = "cast_wafer_mould"


@pytest.fixture
def answer(ask, dispatcher):
    """Asks for the straight channel by one route, calculated; gives that route's answer."""

    def work(store):
        claim = store.claim("test", lease_s=60, max_attempts=3)
        computed = compute(claim.payload, lambda share, step: None)
        files = [Artefact(file.route, file.name, file.media_type, file.body) for file in computed.artefacts]
        assert store.finish(claim, result=computed.result, files=files)

    def send(route=ROUTE, **members):
        dispatcher.work = work
        response = ask(headers={"Prefer": "wait=20"}, routes=[route], **members)
        assert response.status_code == 201, response.json
        assert response.json["state"] == "done", response.json
        (told,) = response.json["result"]["routes"]
        return told

    return send


def found(route, rule):
    return [finding for finding in route["findings"] if finding["rule"] == rule]


CANNOT_RUN = {
    "all ports closed": ([{"name": "sample", "closed": True}, {"name": "waste", "closed": True}], "closed"),
    "no outlet": ([{"name": "waste", "role": "inlet"}], "no outlet"),
    "no inlet": ([{"name": "sample", "role": "outlet"}], "inlet"),
    "contradictory flows": (
        [{"name": "sample", "flow_ul_per_min": 10}, {"name": "waste", "flow_ul_per_min": 30}],
        "do not add up",
    ),
    "no pressure": ([{"name": "sample", "pressure_kpa": 0}], "the same or zero"),
}


@pytest.mark.parametrize(("ports", "why"), CANNOT_RUN.values(), ids=CANNOT_RUN)
def test_what_cannot_run_is_a_finding_and_no_figure_stands_for_it(answer, ports, why):
    route = answer(ports=ports)
    (finding,) = found(route, "operating_point")
    assert why in finding["message"]
    assert finding["remedy"]
    assert finding["where"]["coordinates"]
    (fault,) = route["fluidics"]["faults"]
    assert fault["stops"]
    assert fault["ports"] == ["sample", "waste"]
    assert route["fluidics"]["pressure_kpa"] is None
    assert route["fluidics"]["reynolds"] is None


def test_ports_on_different_islands_are_told_with_the_island(answer, straight):
    (channel,) = [item for item in straight["features"] if item["properties"].get("layer") == "channels"]
    left, right = (
        [[x0, 9.9], [x1, 9.9], [x1, 10.1], [x0, 10.1], [x0, 9.9]] for x0, x1 in ((5, 12), (18, 25))
    )
    channel["geometry"] = {"type": "MultiPolygon", "coordinates": [[left], [right]]}
    route = answer(layout_id=..., layout=straight)
    lacking = found(route, "unreachable_cavity")
    assert {("inlet" in finding["message"], "outlet" in finding["message"]) for finding in lacking} == {
        (True, False),
        (False, True),
    }
    assert all(finding["where"]["coordinates"] and finding["remedy"] for finding in lacking)
    assert found(route, "operating_point")
    assert route["fluidics"]["resistance_pa_s_per_m3"][0][1] is None


def test_an_opening_narrower_than_a_cell_is_told_with_the_width_it_needs(answer, straight):
    (channel,) = [item for item in straight["features"] if item["properties"].get("layer") == "channels"]
    channel["geometry"] = {
        "type": "Polygon",
        "coordinates": [[[5, 5], [25, 5], [25, 15], [5, 15], [5, 5]]],
    }
    ports = [
        {"name": "sample", "x_mm": 6, "y_mm": 10, "bore_mm": 0.01},
        {"name": "waste", "x_mm": 24, "y_mm": 10, "bore_mm": 0.01},
    ]
    (finding,) = found(answer(layout_id=..., layout=straight, ports=ports), "operating_point")
    assert finding["severity"] == "note"
    assert "smaller than a grid cell" in finding["message"]
    assert "µm" in finding["remedy"]


def test_a_channel_that_making_closes_is_a_blocker_and_no_flow_is_told(answer):
    """50 µm deep and enclosed in one print: the light of the roof goes deeper."""
    route = answer(route="printed_monolith", depths_um={"channels": 50})
    assert route["verdict"] == "not_makeable"
    assert route["fluidics"] is None
    (finding,) = found(route, "roof_closes")
    assert finding["severity"] == "blocker"
    assert finding["remedy"]


def test_a_cavity_that_making_cuts_is_told_with_both_halves(answer, straight):
    """Two wide channels that a neck of 40 µm joins, printed with pixels of 35 µm: the neck closes."""
    (channel,) = [item for item in straight["features"] if item["properties"].get("layer") == "channels"]
    ring = [
        [5, 9.5], [14.5, 9.5], [14.5, 9.98], [15.5, 9.98], [15.5, 9.5], [25, 9.5],
        [25, 10.5], [15.5, 10.5], [15.5, 10.02], [14.5, 10.02], [14.5, 10.5], [5, 10.5], [5, 9.5],
    ]  # fmt: skip
    channel["geometry"] = {"type": "Polygon", "coordinates": [ring]}
    route = answer(route="printed_bonded_halves", layout_id=..., layout=straight, depths_um={"channels": 400})
    lacking = found(route, "unreachable_cavity")
    assert len(lacking) == 2
    assert all("cavity at" in finding["message"] for finding in lacking)
    assert route["fluidics"]["resistance_pa_s_per_m3"][0][1] is None
    # the neck is told once, by the rule that says how wide it has to be
    (neck,) = (item for item in found(route, "channel_width") if item["severity"] == "blocker")
    assert neck["measured"] == 40


BAD_MEMBERS = {
    "needle of no gauge": (
        {"ports": [{"name": "sample", "line": [{"needle_gauge": 40}]}]},
        "#/ports/0/line/0/needle_gauge",
    ),
    "unknown tube": (
        {"ports": [{"name": "sample", "line": [{"tubing": "hose"}]}]},
        "#/ports/0/line/0/tubing",
    ),
    "needle and tube in one": (
        {"ports": [{"name": "sample", "line": [{"needle_gauge": 22, "tubing": "ptfe_0_56"}]}]},
        "#/ports/0/line/0",
    ),
    "a length alone": ({"ports": [{"name": "sample", "line": [{"length_mm": 10}]}]}, "#/ports/0/line/0"),
    "a bore of no length": (
        {"ports": [{"name": "sample", "line": [{"needle_gauge": 22, "length_mm": 0}]}]},
        "#/ports/0/line/0/length_mm",
    ),
    "read-out beside the channels": (
        {"readouts": [{"name": "eye", "x_mm": 15, "y_mm": 3, "diameter_mm": 1}]},
        "#/readouts/0",
    ),
    "read-out given twice": (
        {"readouts": [{"name": "eye", "x_mm": 15, "y_mm": 10, "diameter_mm": 1}] * 2},
        "#/readouts/1/name",
    ),
    "read-out without a size": (
        {"readouts": [{"name": "eye", "x_mm": 1, "y_mm": 1}]},
        "#/readouts/0/diameter_mm",
    ),
    "viscosity of 0": ({"use": {"viscosity_mpa_s": 0}}, "#/use/viscosity_mpa_s"),
    "a purge of nothing": ({"use": {"purge_ml": 0}}, "#/use/purge_ml"),
    "air wetter than wet": ({"use": {"humidity_percent": 101}}, "#/use/humidity_percent"),
}


@pytest.mark.parametrize(("members", "pointer"), BAD_MEMBERS.values(), ids=BAD_MEMBERS)
def test_a_member_about_flow_that_cannot_be_is_refused_with_its_place(ask, members, pointer):
    response = ask(**members)
    assert response.status_code == 422, response.json
    told = {error["pointer"]: error for error in response.json["errors"]}
    assert pointer in told
    assert told[pointer]["message"]
    assert told[pointer]["remedy"]


def test_a_read_out_beside_the_channels_is_told_how_far(ask):
    response = ask(readouts=[{"name": "eye", "x_mm": 15, "y_mm": 3, "diameter_mm": 1}])
    (error,) = response.json["errors"]
    assert "6.9" in error["remedy"]
    assert "(15.000, 3.000)" in error["where"]


def test_values_of_the_liquid_in_the_request_go_before_the_catalogue(answer):
    water, syrup = answer(), answer(use={"viscosity_mpa_s": 9.55, "density_g_per_ml": 1.2})
    ratio = 9.55 / water["fluidics"]["viscosity_mpa_s"]
    assert syrup["fluidics"]["viscosity_mpa_s"] == 9.55
    assert syrup["fluidics"]["pressure_kpa"] == pytest.approx(ratio * water["fluidics"]["pressure_kpa"])
    assert any("those of the request" in note for note in syrup["fluidics"]["notes"])
    # Stokes-Einstein: what dissolves in it diffuses the slower for it
    slow, fast = (told["fluidics"]["exchange"]["diffusivity_m2_per_s"] for told in (syrup, water))
    assert slow == pytest.approx(fast / ratio)


def test_needle_purge_read_out_and_evaporation_come_with_the_answer(answer):
    route = answer(
        ports=[{"name": "sample", "line": [{"needle_gauge": 22}, {"tubing": "ptfe_0_56", "length_mm": 200}]}],
        readouts=[{"name": "eye", "x_mm": 15, "y_mm": 10, "diameter_mm": 0.2}],
        use={"purge_ml": 0.5, "duration_h": 1},
    )
    told = route["fluidics"]
    assert [line["port"] for line in told["path"]["lines"]] == ["sample"]
    assert told["path"]["source_kpa"] > told["pressure_kpa"] > 0
    assert 0 < told["purge"]["seconds"]["best"] < told["purge"]["seconds"]["high"]
    (eye,) = told["readouts"]
    assert eye["optical_path_um"]["best"] == pytest.approx(150, rel=0.1)
    assert 0 < eye["water_loss_percent"]["best"] < 100
    assert 0 < told["evaporation"]["percent"]["best"] < 100
