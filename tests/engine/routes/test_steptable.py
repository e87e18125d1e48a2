"""The format of a route's table: what it says is what is planned, and slips are told."""

from dataclasses import replace
from typing import Any

import pytest

from rillcast_service.catalogue.types import Fact
from rillcast_service.engine.routes.base import BuildVariant
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.routes.steptable import Setting, build

VARIANT = BuildVariant(route="test", name="flat")


def table(*steps: dict[str, Any], **more: Any) -> dict[str, Any]:
    blank = {"unit": "part", "batch": "all"}
    rows = [blank | {"title": step["id"]} | step for step in steps]
    return {"source": "test", "cautions": {"hot": "Hot."}, "steps": rows} | more


CHOICE = {
    "id": "bond",
    "title": "Bond",
    "ways": [
        {"id": "plasma", "title": "by plasma", "needs": ["plasma"], "remedy": "Get plasma.", "source": "one"},
        {"id": "glue", "title": "by glue", "needs": ["oven"], "remedy": "Get an oven.", "source": "two"},
    ],
}
BONDING = (
    {"id": "clean"},
    {"id": "activate", "way": "bond.plasma", "after": ["clean"], "machine": "plasma"},
    {"id": "join", "way": "bond.plasma", "after": ["activate"], "max_gap_min": 5},
    {"id": "stamp", "way": "bond.glue", "after": ["clean"]},
    {"id": "test", "after": ["bond"], "max_gap_min": 30},
)


@pytest.mark.parametrize(
    ("bench", "order", "last"),
    [
        ({"plasma": "benchtop_air"}, ["clean", "activate", "join", "test"], "join"),
        ({"plasma": None}, ["clean", "stamp", "test"], "stamp"),
    ],
)
def test_the_first_way_whose_machines_are_there_is_taken(make_job, bench, order, last):
    process = build(table(*BONDING, choices=[CHOICE]), make_job(bench=bench), VARIANT, Setting())
    assert [step.id for step in process.steps] == order
    assert process.steps[-1].after == (last,)
    assert process.steps[-1].max_gap_h == pytest.approx(0.5)


def test_a_replacement_tells_what_is_lacking_what_is_done_and_how_to_get_it_back(make_job):
    process = build(table(*BONDING, choices=[CHOICE]), make_job(), VARIANT, Setting())
    (told,) = process.replacements
    assert (told.step, told.lacking, told.instead) == ("Bond", "plasma", "by glue")
    assert (told.remedy, told.source) == ("Get plasma.", "two")


def test_a_choice_without_a_way_blocks(make_job):
    job = make_job(bench={"oven": None})
    process = build(table(*BONDING, choices=[CHOICE]), job, VARIANT, Setting())
    assert [told.instead for told in process.replacements if told.step == "Bond"] == [None]


def test_a_step_without_its_machine_goes_to_its_supplier(make_job, catalogue):
    row = {"id": "print", "machine": "printer", "supplier": "print_service"}
    process = build(table(row), make_job(bench={"printer": None}), VARIANT, Setting())
    (step,), (told,) = process.steps, process.replacements
    assert step.supplier == catalogue.get("suppliers", "print_service")
    assert step.machine is None
    assert step.supply_days is not None
    assert step.supply_days.best == catalogue.get("suppliers", "print_service").number("lead_days")
    assert told.instead is not None
    assert "working days" in told.instead


def test_a_step_without_machine_and_supplier_blocks(make_job):
    process = build(
        table({"id": "print", "machine": "printer"}), make_job(bench={"printer": None}), VARIANT, Setting()
    )
    assert [told.instead for told in process.replacements] == [None]


def test_steps_that_do_not_apply_are_bridged(make_job):
    rows = ({"id": "a"}, {"id": "b", "after": ["a"], "when": ["first_article"]}, {"id": "c", "after": ["b"]})
    assert build(table(*rows), make_job(), VARIANT, Setting()).steps[-1].after == ("a",)
    asked = build(table(*rows), make_job(first_article=True), VARIANT, Setting())
    assert asked.steps[-1].after == ("b",)


def test_a_longest_wait_after_a_step_that_does_not_run_counts_from_what_it_follows_instead(make_job):
    rows = (
        {"id": "pour"},
        {"id": "degas", "after": ["pour"], "when": ["has_vacuum_chamber"]},
        {"id": "cure", "after": ["degas"], "max_gap_min": 60},
    )
    process = build(table(*rows), make_job(bench={"vacuum_chamber": None}), VARIANT, Setting())
    assert process.steps[-1].after == ("pour",)
    assert process.steps[-1].max_gap_h == pytest.approx(1.0)


def test_a_step_may_ask_for_what_the_bench_lacks(make_job):
    rows = ({"id": "bake", "when": ["has_oven"]}, {"id": "air", "when": ["lacks_oven"]})
    for oven, step_id in (("bench_oven_30l", "bake"), (None, "air")):
        process = build(table(*rows), make_job(bench={"oven": oven}), VARIANT, Setting())
        assert [step.id for step in process.steps] == [step_id]


def test_an_oven_step_tells_its_temperature(make_job, catalogue):
    rows = (
        {"id": "dry", "machine": "oven", "elapsed": {"recipe": "dry_silicone", "key": "bake_h"}},
        {"id": "print", "machine": "printer", "elapsed_min": [1, 2, 3]},
    )
    dry, print_ = build(table(*rows), make_job(), VARIANT, Setting()).steps
    assert dry.holds_c == catalogue.get("recipes", "dry_silicone").number("bake_c")
    assert print_.holds_c is None


def test_times_come_from_the_recipe_and_the_lamp(make_job, catalogue):
    rows = (
        {"id": "bake", "machine": "oven", "elapsed": {"recipe": "bond_plasma", "key": "bake_h"}},
        {
            "id": "light",
            "machine": "uv_lamp",
            "elapsed": {"recipe": "wash", "key": "uv_dose_mj_per_cm2", "times": 2},
        },
    )
    bake, light = build(table(*rows), make_job(), VARIANT, Setting()).steps
    assert bake.elapsed_min.best == pytest.approx(60.0)
    # 12 000 mJ/cm² at 10 mW/cm² are 1200 s, on two faces
    assert light.elapsed_min.best == pytest.approx(40.0)
    # least dose under the brightest lamp, most under the dimmest: 6000/20 and 18 000/5 s, twice
    assert (light.elapsed_min.low, light.elapsed_min.high) == pytest.approx((10.0, 120.0))
    assert light.source == catalogue.get("recipes", "wash").source_of("uv_dose_mj_per_cm2")


@pytest.mark.parametrize(
    ("depth_um", "percent"),
    # the channel is 500 µm wide: at 450 µm of depth a quarter of the way from 50 to 65 %; then width counts
    [(450.0, (42.5, 53.75, 67.5)), (2000.0, (45.0, 57.5, 70.0)), (100.0, (5.0, 20.0, 40.0))],
)
def test_the_yield_of_enclosed_channels_goes_by_the_smallest(make_job, catalogue, depth_um, percent):
    job = make_job()
    (layer,) = job.layout.channel_layers
    deep = replace(job, layout=replace(job.layout, layers=(replace(layer, depth_um=depth_um),)))
    route = load_routes(catalogue)["printed_monolith"]
    steps = {step.id: step for step in route.process(deep, route.variants(deep)[0]).steps}
    found = steps["flow_check"].first_pass_yield
    assert (found.low, found.value, found.high) == pytest.approx(percent)
    assert f"smallest channel {min(depth_um, 500.0):.0f} µm" in found.note


def test_a_cure_in_the_oven_is_the_programme_and_the_warming_of_slab_and_mould(make_job, catalogue):
    silicone = catalogue.get("silicones", "general_purpose_10_1")
    variant = replace(VARIANT, cure_temperature_c=65.0, cure_time_h=3.6)
    setting = Setting(silicone=silicone, mould_j_per_m2_k=5310.0)
    rows = ({"id": "cure", "elapsed": "cure", "machine": "oven"}, {"id": "at_room", "elapsed": "cure"})
    cure, at_room = build(table(*rows), make_job(), variant, setting).steps
    # (1030 · 1460 · 0.004 + 5310)/(2 · 15) s · ln 20 = 18.85 min; 43 K at 4 °C/min 10.75 min
    assert cure.elapsed_min.best == pytest.approx(216.0 + 18.85 + 10.75, abs=0.02)
    # nothing warms up on the bench
    assert at_room.elapsed_min.best == pytest.approx(216.0)
    # a data sheet whose times hold the warming is taken as it is
    whole = {**silicone.values, "sheet_times_include_heating": Fact(True, "test")}
    included = replace(setting, silicone=replace(silicone, values=whole))
    assert build(table(*rows), make_job(), variant, included).steps[0].elapsed_min.best == pytest.approx(
        216.0
    )


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (({"id": "a", "handson_min": [1, 2, 3]},), "handson_min"),
        (({"id": "a", "unit": "chip"},), "unit"),
        (({"id": "a", "unit": "mould", "yield_percent": {"value": 90, "source": "x"}},), "yield"),
        (({"id": "a", "after": ["b"]}, {"id": "b"}), "'b'"),
        (({"id": "a", "cautions": ["cold"]},), "cold"),
        (({"id": "bond"},), "choice"),
    ],
)
def test_slips_of_the_pen_are_told(make_job, rows, message):
    with pytest.raises(ValueError, match=message):
        build(table(*rows, choices=[CHOICE]), make_job(), VARIANT, Setting())


def test_a_module_without_a_table_is_no_route(catalogue):
    without = {
        route_id: table for route_id, table in catalogue.routes.items() if route_id != "cast_wafer_mould"
    }
    assert "cast_wafer_mould" not in load_routes(replace(catalogue, routes=without))
