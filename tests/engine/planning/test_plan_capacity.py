"""How many go together: on plates and in cups, by hand."""

from dataclasses import replace

import pytest
from shapely import box

from rillcast_service.engine.planning.capacity import Plates, on_plates
from rillcast_service.engine.planning.planner import candidates
from rillcast_service.engine.routes import cups
from rillcast_service.engine.routes.base import Printed
from rillcast_service.engine.routes.registry import load_routes


def thing(width_mm: float, depth_mm: float, height_mm: float) -> Printed:
    return Printed("thing", "print", width_mm, depth_mm, height_mm, solid_ml=1.0, surface_cm2=1.0)


def test_objects_of_one_item_share_a_plate_or_take_several(catalogue):
    printer = catalogue.get("printers", "masked_lcd_35um")
    # 128 × 69 mm are free: four places of 60 × 30 (2 × 60 + 4, 2 × 30 + 4), one of 100 × 60
    half, lid = thing(60.0, 30.0, 4.0), thing(60.0, 30.0, 2.0)
    assert on_plates([half], printer) == Plates(4, (4.0,))
    assert on_plates([half, lid], printer) == Plates(2, (4.0,))
    large = [thing(100.0, 60.0, 2.0), thing(100.0, 60.0, 4.0)]
    assert on_plates(large, printer) == Plates(1, (4.0, 2.0))
    assert on_plates([thing(100.0, 70.0, 4.0)], printer) is None
    assert on_plates([thing(10.0, 10.0, 500.0)], printer) is None


def test_a_chip_whose_half_and_lid_fit_no_plate_together_is_printed_on_two(make_job):
    job = make_job(quantity=5)
    job = replace(job, chip=replace(job.chip, outline=box(0.0, 0.0, 100.0, 60.0)))
    route = load_routes(job.catalogue)["printed_bonded_halves"]
    (variant,) = route.variants(job)
    (plan,) = candidates(job, route, variant, route.process(job, variant))
    (timed,) = (timed for timed in plan.steps if timed.step.id == "print")
    assert plan.schedule.counts["plates"] == 2 * timed.items
    # 80 and 40 layers of 50 µm at 9.5 s, base layers and setup for each plate
    (small,) = candidates(
        make_job(quantity=5),
        route,
        variant,
        route.process(make_job(quantity=5), variant),
    )
    (single,) = (timed for timed in small.steps if timed.step.id == "print")
    each, one = timed.elapsed_min.best / timed.items, single.elapsed_min.best / single.batches
    assert each == pytest.approx(2.0 * one - 40 * 9.5 / 60.0)
    # the plate is changed in between, so someone must be there
    assert timed.hands_on_min.best == pytest.approx(2 * timed.items * 8.0)
    assert not timed.step.unattended


def test_a_cup_takes_the_foam_of_its_mix(make_job):
    """250 mL of cup, the foam four times the liquid: 62.5 mL, of which a fifth more is mixed than poured."""
    job = make_job()
    assert cups.room_ml(job, chamber_percent=40.0) == pytest.approx(62.5)
    # a small share of the chamber: 9000 mL · 2 % = 180 mL are less than the cup
    assert cups.room_ml(job, chamber_percent=2.0) == pytest.approx(45.0)
    assert cups.mixed_ml(job, 10.0) == pytest.approx(12.0)
    assert cups.pours_per_cup(job, 10.0, chamber_percent=40.0) == 5
    assert cups.room_ml(make_job(bench={"vacuum_chamber": None}), chamber_percent=40.0) == 250.0


def test_cups_are_counted_mix_by_mix(make_job):
    # 5 pours of 10 mL fill one cup; one pour of 60 mL, 72 mL mixed, takes two
    assert cups.cups(make_job(), 10.0, {5: 3, 2: 1}, chamber_percent=40.0) == 4
    assert cups.cups(make_job(), 60.0, {1: 3}, chamber_percent=40.0) == 6


@pytest.mark.parametrize("route_id", ["cast_printed_mould", "cast_wafer_mould"])
def test_every_mix_of_a_plan_has_its_cup_and_stick(make_job, route_id):
    job = make_job(quantity=50, lid="silicone")
    route = load_routes(job.catalogue)[route_id]
    variant = route.variants(job)[0]
    for plan in candidates(job, route, variant, route.process(job, variant)):
        mixes = {
            name: sum(sizes.values()) for name, sizes in plan.sizing.batches.items() if name.startswith("mix")
        }
        assert set(mixes) == {"mix", "mix_lids", "mix_film"}
        for thing_name in ("mixing_cup", "stirring_stick"):
            found = {need.step: need.quantity.best for need in plan.materials if need.name == thing_name}
            assert {step: found[step] for step in mixes} == mixes
            assert found.get("witness", 1.0) == 1.0
        silicone = {need.step for need in plan.materials if need.kind == "silicones"}
        assert silicone >= set(mixes)
        assert ("witness" in silicone) == (route_id == "cast_printed_mould")
