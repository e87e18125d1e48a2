"""Whole plans of all routes on the shipped catalogue."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from rillcast_service.engine.costing.lines import direct_costs
from rillcast_service.engine.planning.planner import Plan, candidates
from rillcast_service.engine.routes.registry import load_routes

ROUTES = ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith")


def plans(job, route_id: str, variant: int = 0) -> tuple[Plan, ...]:
    route = load_routes(job.catalogue)[route_id]
    chosen = route.variants(job)[variant]
    return candidates(job, route, chosen, route.process(job, chosen))


@pytest.mark.parametrize("route_id", ROUTES)
def test_the_same_request_gives_the_same_plans(make_job, route_id):
    assert plans(make_job(), route_id) == plans(make_job(), route_id)


@pytest.mark.parametrize("route_id", ROUTES)
def test_totals_agree_with_the_calendar(make_job, route_id):
    for plan in plans(make_job(), route_id):
        shown = plan.schedule.steps
        assert plan.schedule.hands_on_h == pytest.approx(sum(step.hands_on_min for step in shown) / 60.0)
        assert plan.schedule.hands_on_h == pytest.approx(sum(t.hands_on_min.best for t in plan.steps) / 60.0)
        assert plan.schedule.finished_at == max(step.end for step in shown)
        begin = min(step.start for step in shown)
        # clocks may change in between, so by instants
        taken = plan.schedule.finished_at.astimezone(UTC) - begin.astimezone(UTC)
        assert taken == timedelta(hours=plan.schedule.elapsed_h)
        for timed in plan.steps:
            batches = [step for step in shown if step.step == timed.step.id]
            assert len(batches) == timed.batches
            assert [step.batch for step in batches] == list(range(1, timed.batches + 1))
            if timed.step.supplier is None:
                taken = sum(((step.end - step.start).total_seconds() / 60.0 for step in batches), 0.0)
                # each batch is rounded up to a whole minute on the calendar; what is put aside ends later
                if timed.step.machine is None and not timed.step.unattended:
                    assert timed.elapsed_min.best <= taken + 1e-6
                    continue
                assert timed.elapsed_min.best <= taken + 1e-6 <= timed.elapsed_min.best + timed.batches + 1e-5
            if timed.step.machine is None:
                assert timed.machine_min.best == 0.0
            elif timed.step.holds_c is None:
                assert timed.machine_min.best == timed.elapsed_min.best
            else:
                # batches may share an oven, whose hours count once
                assert 0.0 < timed.machine_min.best <= timed.elapsed_min.best


@pytest.mark.parametrize("route_id", ROUTES)
def test_the_first_article_is_ready_before_the_rest_and_after_the_start(make_job, route_id):
    job = make_job()
    for plan in plans(job, route_id):
        assert plan.schedule.first_article_at is not None
        assert job.start < plan.schedule.first_article_at <= plan.schedule.finished_at


def test_a_first_article_that_is_asked_for_comes_earlier_and_is_reported(make_job):
    usual = plans(make_job(quantity=40), "cast_printed_mould")
    ahead = plans(make_job(quantity=40, first_article=True), "cast_printed_mould")
    many_rounds = [(u, a) for u, a in zip(usual, ahead, strict=True) if u.sizing.rounds >= 4]
    assert many_rounds
    for without, with_ in many_rounds:
        assert with_.schedule.first_article_at < without.schedule.first_article_at
        reports = [step for step in with_.schedule.steps if step.step == "first_article"]
        assert len(reports) == 1
        assert reports[0].start >= with_.schedule.first_article_at
    assert all(step.step != "first_article" for plan in usual for step in plan.schedule.steps)


def test_more_moulds_cost_resin_and_save_rounds(make_job):
    single = [plan for plan in plans(make_job(), "cast_printed_mould") if plan.sizing.parts_per_mould == 1]
    assert len(single) >= 3
    resin = [next(need for need in plan.materials if need.kind == "resins").volume_ml for plan in single]
    rounds = [plan.sizing.rounds for plan in single]
    assert resin == sorted(resin)
    assert rounds == sorted(rounds, reverse=True)
    assert {plan.schedule.counts["casting_rounds"] for plan in single} == set(rounds)


def test_a_mould_is_never_poured_beyond_its_life(make_job, catalogue):
    life = catalogue.get("resins", "grey_mould").number("mould_life_casts_count")
    for plan in plans(make_job(quantity=300), "cast_printed_mould"):
        assert plan.sizing.rounds <= life
        assert (
            plan.sizing.moulds * plan.sizing.rounds * plan.sizing.parts_per_mould >= plan.sizing.started_parts
        )


def test_printing_flat_takes_more_plates_and_upright_longer_prints(make_job):
    (flat,), (upright,) = (plans(make_job(), "printed_monolith", variant) for variant in (0, 1))
    assert flat.schedule.counts["plates"] > upright.schedule.counts["plates"]

    def print_min(plan: Plan) -> float:
        timed = next(timed for timed in plan.steps if timed.step.id == "print")
        return timed.elapsed_min.best / timed.batches

    # 4 mm and 22 mm in layers of 50 µm at 9.5 s: 360 layers more
    assert print_min(upright) - print_min(flat) == pytest.approx(360 * 9.5 / 60.0)


def test_a_part_that_no_plate_takes_has_no_plan(make_job):
    assert plans(make_job(thickness_mm=200.0), "printed_monolith", 0) == ()


@pytest.mark.parametrize("lacking", ["oven", "vacuum_chamber", "plasma"])
def test_a_bench_that_lacks_a_machine_still_casts_on_a_wafer(make_job, lacking):
    found = plans(make_job(bench={"plasma": "benchtop_air"} | {lacking: None}), "cast_wafer_mould")
    assert found
    assert all(timed.step.machine != lacking for plan in found for timed in plan.steps)


def test_deadlines_are_met_or_missed(make_job):
    zone = ZoneInfo("Europe/Berlin")
    job = make_job(deadline=datetime(2027, 3, 31, 17, tzinfo=zone))
    assert all(plan.schedule.meets_deadline for plan in plans(job, "printed_monolith"))
    job = make_job(deadline=datetime(2027, 3, 1, 10, tzinfo=zone))
    assert not any(plan.schedule.meets_deadline for plan in plans(job, "printed_monolith"))
    assert all(plan.schedule.meets_deadline is None for plan in plans(make_job(), "printed_monolith"))


def test_a_later_start_moves_the_plan_and_does_not_shrink_it(make_job):
    """The same weekday and hour a week later, without a holiday in between, gives the same plan, later."""
    week = timedelta(days=7)
    for route_id in ROUTES:
        early = plans(make_job(quantity=5, bench={"calendar": "every_day_8_to_20"}), route_id)
        job = make_job(quantity=5, bench={"calendar": "every_day_8_to_20"})
        late = plans(replace(job, start=job.start + week), route_id)
        for one, other in zip(early, late, strict=True):
            assert other.schedule.finished_at - one.schedule.finished_at == week


@pytest.mark.parametrize("route_id", ROUTES)
def test_a_thousand_pieces_are_planned(make_job, route_id):
    found = plans(make_job(quantity=1000), route_id)
    assert found
    for plan in found:
        assert plan.sizing.started_parts > 1000
        done = [step for step in plan.schedule.steps if step.step == "pack"]
        assert sum(int(step.items.split()[0]) for step in done) == 1000


def test_a_plan_begins_on_a_stroke_of_the_clock(make_job):
    start = datetime(2027, 3, 1, 9, 1, 27, 500, tzinfo=ZoneInfo("Europe/Berlin"))
    for route_id in ROUTES:
        for plan in plans(make_job(quantity=3, start=start), route_id):
            assert plan.schedule.steps[0].start == datetime(2027, 3, 1, 9, 5, tzinfo=start.tzinfo)
            assert all(
                (moment.second, moment.microsecond) == (0, 0)
                for step in plan.schedule.steps
                for moment in (step.start, step.end)
            )
    sharp = make_job(quantity=3, start=start.replace(minute=10, second=0, microsecond=0))
    assert plans(sharp, "printed_monolith")[0].schedule.steps[0].start == sharp.start


def test_two_parts_a_piece_are_ordered_as_two(make_job):
    """Half and lid at 28.00 each: 5 pieces begun are 10 parts."""
    job = make_job(quantity=5, bench={"printer": None})
    route = load_routes(job.catalogue)["printed_bonded_halves"]
    (variant,) = route.variants(job)
    process = route.process(job, variant)
    (plan,) = candidates(job, route, variant, process)
    order = next(timed for timed in plan.steps if timed.step.id == "order")
    bought = [cost.line for cost in direct_costs(job, plan, process) if cost.line.category == "bought_in"]
    assert [line.quantity for line in bought] == [2.0 * order.items]
    assert bought[0].amount == 2 * order.items * Decimal("28.00")
