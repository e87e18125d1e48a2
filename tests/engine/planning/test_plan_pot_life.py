"""Mixed silicone does not wait: from mixing over pouring and degassing to the oven, whatever the quantity."""

from collections import Counter, defaultdict
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rillcast_service.engine.planning.planner import Plan, candidates
from rillcast_service.engine.routes.registry import load_routes

CASTS = ("cast_printed_mould", "cast_wafer_mould")

#: Longest waits in minutes. Common practice: foam starts to skin, bubbles come back, dust falls in.
WAITS = (
    ("degas_mix", "pour", 15),
    ("rest_mix", "pour", 15),
    ("pour", "degas_moulds", 15),
    ("degas_moulds", "cure", 60),
    ("degas_lids", "pour_lids", 15),
    ("pour_lids", "cure_lids", 60),
)
BENCHES = (
    {},
    {"plasma": "benchtop_air"},
    {"vacuum_chamber": "chamber_150mm"},
    {"vacuum_chamber": None},
    {"oven": None},
    {"calendar": "every_day_8_to_20"},
)


def all_plans(job, route_id: str) -> list[Plan]:
    route = load_routes(job.catalogue)[route_id]
    found = []
    for variant in route.variants(job):
        process = route.process(job, variant)
        if all(told.instead for told in process.replacements):
            found += candidates(job, route, variant, process)
    return found


def check(job, plan: Plan) -> None:
    shown = defaultdict(dict)
    for step in plan.schedule.steps:
        shown[step.step][step.batch] = step
    for before, after, wait_min in WAITS:
        if before in shown and after in shown:
            assert shown[before].keys() == shown[after].keys()
            for batch, late in shown[after].items():
                early = shown[before][batch]
                assert late.items == early.items
                assert timedelta(0) <= late.start - early.end <= timedelta(minutes=wait_min), (after, batch)
    pot_life = timedelta(hours=job.bench["silicone"].number("pot_life_h"))
    poured = next(name for name in ("degas_moulds", "pour") if name in shown)
    for batch, step in shown[poured].items():
        assert step.end - shown["mix"][batch].start <= pot_life
    for batch, step in shown.get("pour_lids", {}).items():
        assert step.end - shown["mix_lids"][batch].start <= pot_life
    for batch, step in shown.get("glue", {}).items():
        assert step.end - shown["mix_film"][batch].start <= timedelta(minutes=90)


@pytest.mark.parametrize("route_id", CASTS)
@pytest.mark.parametrize("quantity", [24, 100, 1000])
@pytest.mark.parametrize("lid", ["glass", "silicone"])
def test_nothing_that_is_poured_waits(make_job, route_id, quantity, lid):
    job = make_job(quantity=quantity, lid=lid)
    plans = all_plans(job, route_id)
    assert plans
    for plan in plans:
        check(job, plan)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    route_id=st.sampled_from(CASTS),
    quantity=st.integers(min_value=1, max_value=150),
    bench=st.sampled_from(BENCHES),
    thickness_mm=st.sampled_from([2.0, 4.0, 8.0]),
    first_article=st.booleans(),
)
def test_no_quantity_and_no_bench_makes_a_pour_wait(
    make_job, route_id, quantity, bench, thickness_mm, first_article
):
    job = make_job(
        quantity=quantity, bench=bench, lid="silicone", thickness_mm=thickness_mm, first_article=first_article
    )
    for plan in all_plans(job, route_id):
        check(job, plan)


def test_a_batch_of_pours_is_one_cup_one_chamber_and_one_pot_life(make_job):
    """By hand, for the mould of one chip of 6.148 mL: a cup of 250 mL, foaming up fourfold, holds 62.5 mL of
    mix, so 62.5/(6.148 · 1.2) = 8 pours. Of 90 min mixing takes 8, degassing 35, pouring 2 + 3 n and
    degassing again 25: 6 moulds. The chamber floor would take 12."""
    plan = next(
        plan for plan in all_plans(make_job(quantity=100), "cast_printed_mould") if plan.sizing.moulds > 12
    )
    assert plan.sizing.parts_per_mould == 1
    assert max(plan.sizing.batches["mix"]) == 6
    assert plan.sizing.batches["mix"] == plan.sizing.batches["cure"]


def test_batches_of_a_cure_share_the_oven(make_job):
    """One round of casts does not keep the next out of an oven that is mostly empty."""
    plan = max(all_plans(make_job(quantity=100), "cast_printed_mould"), key=lambda plan: plan.sizing.moulds)
    cures = [step for step in plan.schedule.steps if step.step == "cure"]
    assert any(one.start < other.start < one.end for one in cures for other in cures)
    (timed,) = (timed for timed in plan.steps if timed.step.id == "cure")
    # its hours are those that it runs, however many batches are in it
    assert timed.machine_min.best < timed.elapsed_min.best


def test_silicone_that_sets_too_soon_blocks_the_route_and_says_so(make_job, catalogue):
    from dataclasses import replace

    job = make_job()
    silicone = catalogue.get("silicones", "general_purpose_10_1")
    pot_life = replace(silicone.quantity("pot_life_h"), value=1.0, low=1.0, high=1.0)
    quick = replace(silicone, values={**silicone.values, "pot_life_h": pot_life})
    job = replace(job, bench=replace(job.bench, items={**job.bench.items, "silicone": quick}))
    route = load_routes(catalogue)["cast_wafer_mould"]
    told = [r for r in route.process(job, route.variants(job)[0]).replacements if r.instead is None]
    # 8 + 35 + 2 + 3 + 25 = 73 min
    assert any("73 min" in r.lacking and "60 min" in r.remedy for r in told)


@pytest.mark.parametrize(("quantity", "share"), [(100, 0.6), (1000, 0.3)])
def test_the_first_pieces_are_packed_long_before_the_last_are_cast(make_job, quantity, share):
    for plan in all_plans(make_job(quantity=quantity), "cast_printed_mould"):
        start = min(step.start for step in plan.schedule.steps)
        first = min(step.end for step in plan.schedule.steps if step.step == "pack")
        assert plan.schedule.first_article_at <= first
        assert first - start < share * (plan.schedule.finished_at - start)
        assert first < max(step.end for step in plan.schedule.steps if step.step == "demould")


def test_trays_stay_together(make_job):
    for plan in all_plans(make_job(quantity=30), "cast_printed_mould"):
        trays = Counter(
            len(plan.sizing.batches[name]) and sum(plan.sizing.batches[name].values())
            for name in ("trim", "punch", "clean", "dry_chips", "glue", "cure_bond", "leak_test", "pack")
        )
        assert len(trays) == 1
