"""Sizes, volumes and amounts of what the routes make, by hand.

The chip is 70 × 22 × 4 mm with one channel of 60 × 0.5 mm, 400 µm deep: 0.012 mL.
"""

import math
from dataclasses import replace

import pytest
from shapely import MultiPolygon, Polygon, box

from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.planning.planner import Plan, candidates
from rillcast_service.engine.routes import bodies
from rillcast_service.engine.routes.base import MaterialNeed
from rillcast_service.engine.routes.registry import load_routes

SIZES = bodies.TraySizes(base_mm=3.0, wall_mm=2.0, freeboard_mm=2.0, lane_mm=2.0, scale=1.0)


def plans(job, route_id: str, variant: int = 0) -> tuple[Plan, ...]:
    route = load_routes(job.catalogue)[route_id]
    chosen = route.variants(job)[variant]
    return candidates(job, route, chosen, route.process(job, chosen))


def need(plan: Plan, kind: str, word: str) -> MaterialNeed:
    return next(need for need in plan.materials if need.kind == kind and word in need.purpose)


def test_channels_by_hand(make_job):
    job = make_job()
    assert bodies.channel_volume_ml(job) == pytest.approx(60.0 * 0.5 * 0.4 * 1e-3)
    # floor and roof 2 · 30 mm², walls 121 mm · 0.4 mm
    assert bodies.channel_surface_cm2(job) == pytest.approx((60.0 + 48.4) * 1e-2)


def test_where_layers_overlap_the_deeper_counts(make_job):
    job = make_job()
    deep = Layer("deep", Role.CHANNELS, MultiPolygon([box(5.0, 11.0, 15.0, 11.5)]), depth_um=1000.0, shapes=1)
    job = replace(job, layout=replace(job.layout, layers=(*job.layout.layers, deep)))
    # 10 of the 60 mm are 1 mm deep
    assert bodies.channel_volume_ml(job) == pytest.approx((50.0 * 0.5 * 0.4 + 10.0 * 0.5 * 1.0) * 1e-3)


def test_every_level_counts_by_itself(make_job):
    job = make_job()
    low = Layer("low", Role.CHANNELS, MultiPolygon([box(30.0, 4.0, 30.3, 18.0)]), 1000.0, 1, level=2)
    job = replace(job, layout=replace(job.layout, layers=(*job.layout.layers, low)))
    # 14 × 0.3 mm, 1 mm deep, all of it below the other channel
    assert bodies.channel_volume_ml(job) == pytest.approx((60.0 * 0.5 * 0.4 + 14.0 * 0.3 * 1.0) * 1e-3)
    assert bodies.smallest_channel_um(job) == pytest.approx(300.0)
    slab = bodies.slab(job, name="part", step="print", thickness_mm=4.0, open_channels=True)
    assert slab.solid_ml == pytest.approx(6.16 - 0.012 - 0.0042)


def test_a_printed_slab_by_hand(make_job):
    slab = bodies.slab(make_job(), name="part", step="print", thickness_mm=4.0, open_channels=True)
    assert slab.solid_ml == pytest.approx(6.16 - 0.012)
    assert slab.surface_cm2 == pytest.approx((2 * 1540.0 + 184.0 * 4.0) * 1e-2 + 1.084)
    assert (slab.width_mm, slab.depth_mm, slab.height_mm) == (70.0, 22.0, 4.0)


def test_a_mould_for_one_by_hand(make_job):
    tray = bodies.tray(make_job(), SIZES, columns=1, rows=1)
    assert (tray.width_mm, tray.depth_mm, tray.height_mm) == (74.0, 26.0, 9.0)
    assert tray.pour_ml == pytest.approx(6.16 - 0.012)
    # floor 74 · 26 · 3; walls (1924 − 1540) · 6; ridge 12 mm³
    assert tray.solid_ml == pytest.approx((5772.0 + 384.0 * 6.0 + 12.0) * 1e-3)
    # both faces, outer walls 200 · 9, inner walls 184 · 6
    assert tray.surface_cm2 == pytest.approx((2 * 1924.0 + 1800.0 + 1104.0) * 1e-2)


def test_a_mould_for_two_has_a_lane_between_and_pours_it_too(make_job):
    tray = bodies.tray(make_job(), SIZES, columns=1, rows=2)
    assert tray.parts == 2
    assert (tray.width_mm, tray.depth_mm) == (74.0, 50.0)
    assert tray.pour_ml == pytest.approx(70.0 * 46.0 * 4.0 * 1e-3 - 0.024)


def test_a_chip_that_is_not_a_rectangle_is_poured_along_its_outline(make_job):
    job = make_job()
    corner_cut = Polygon([(0, 0), (70, 0), (70, 12), (60, 22), (0, 22)])
    job = replace(job, chip=replace(job.chip, outline=corner_cut))
    assert bodies.tray(job, SIZES, columns=1, rows=1).pour_ml == pytest.approx((1540.0 - 50.0) * 4e-3 - 0.012)


def test_moulds_grow_with_the_shrinkage_and_fit_the_plate(make_job):
    scaled = bodies.tray(make_job(), replace(SIZES, scale=1.02), columns=1, rows=1)
    assert (scaled.width_mm, scaled.depth_mm) == pytest.approx((74.0 * 1.02, 26.0 * 1.02))
    found = bodies.trays(make_job(), SIZES, plate_x_mm=128.0, plate_y_mm=69.0)
    # two rows need 50 of 69 mm, three 74; turned, 128 mm take five rows (122) but 74 mm are more than 69
    assert [tray.parts for tray in found] == [1, 2]
    assert all(tray.width_mm <= 128.0 and tray.depth_mm <= 69.0 for tray in found)


def test_a_wafer_is_poured_over_its_whole_dish(make_job, catalogue):
    job = make_job()
    route = load_routes(catalogue)["cast_wafer_mould"]
    (mould,) = route.moulds(job, route.variants(job)[0])
    # drawn 1.98 % larger for 100 °C, chips of 71.4 × 22.4: two rows with a lane of 2 reach 23.4 mm out, where
    # the wafer is 2√(50² − 23.4²) = 88.4 wide; the channel, 5.1 mm inside, ends at 35.7 − 5.1 = 30.6 mm
    assert mould.parts == 2
    assert mould.width_mm == pytest.approx(106.0)
    assert mould.pour_ml == pytest.approx(math.pi * 53.0**2 * 4.0 * 1e-3 - 2 * 0.012)


def test_every_further_depth_is_a_mask_and_a_film_more(make_job, catalogue):
    """By hand: 420 + 210 a wafer, 90 + 90 an order, 10 + 3 days."""
    job = make_job()
    (channels,) = job.layout.channel_layers
    job = replace(job, layout=replace(job.layout, layers=(replace(channels, depth_um=150.0),)))
    deep = Layer("deep", Role.CHANNELS, MultiPolygon([box(5.0, 11.0, 15.0, 11.5)]), depth_um=100.0, shapes=1)
    two = replace(job, layout=replace(job.layout, layers=(*job.layout.layers, deep)))
    route = load_routes(catalogue)["cast_wafer_mould"]
    variant = route.variants(job)[0]

    def order(of):
        return next(step for step in route.process(of, variant).steps if step.id == "order_wafers")

    one, both = order(job), order(two)
    assert one.supplier.price("price").amount == 420
    assert (both.supplier.price("price").amount, both.supplier.price("setup").amount) == (630, 180)
    assert both.supplier.price("minimum_charge").amount == 750
    assert (one.supply_days.best, both.supply_days.best) == (10.0, 13.0)
    assert "2 films, 2 masks aligned" in both.supplier.title
    # 450 + 210 + 210 + 90 of four films and two masks: 100 µm, then three of 166.7 µm up to 600 µm
    tall = replace(job, layout=replace(job.layout, layers=(replace(channels, depth_um=600.0), deep)))
    assert order(tall).supplier.price("price").amount == 420 + 3 * 210
    assert order(tall).supplier.price("setup").amount == 180
    assert order(tall).supplier.price("minimum_charge").amount == 450 + 3 * 210 + 90
    assert order(tall).supply_days.best == 10.0 + 3 * 3.0
    # as many layers of one depth are one film
    alike = replace(deep, depth_um=150.0)
    same = replace(job, layout=replace(job.layout, layers=(*job.layout.layers, alike)))
    assert order(same).supplier == one.supplier


def test_a_maker_that_does_not_price_a_second_film_blocks_the_route(make_job, catalogue):
    job = make_job()
    deep = Layer("deep", Role.CHANNELS, MultiPolygon([box(5.0, 11.0, 15.0, 11.5)]), depth_um=100.0, shapes=1)
    maker = catalogue.get("suppliers", "mask_and_wafer_mould")
    plain = replace(maker, values={k: v for k, v in maker.values.items() if not k.startswith("extra")})
    entries = {**catalogue.entries, ("suppliers", plain.name): plain}
    job = replace(
        job,
        layout=replace(job.layout, layers=(*job.layout.layers, deep)),
        catalogue=replace(catalogue, entries=entries),
    )
    route = load_routes(catalogue)["cast_wafer_mould"]
    blocked = [r for r in route.process(job, route.variants(job)[0]).replacements if r.instead is None]
    # 100 µm, and two of 150 µm on it
    assert ["3 films" in told.lacking for told in blocked] == [True]


def test_resin_of_a_one_piece_print_by_hand(make_job):
    (plan,) = plans(make_job(), "printed_monolith", 0)
    resin = need(plan, "resins", "chips")
    # 6.148 mL of solid are 6.148 · 1.17/1.10 = 6.539 mL of liquid; 39.244 cm² · 150 µm = 0.589 mL; 4 % loss
    each_ml = (6.148 * 1.17 / 1.10 + 39.244 * 0.015) * 1.04
    assert resin.volume_ml == pytest.approx(plan.sizing.started_parts * each_ml, rel=1e-6)
    assert resin.mass_g == pytest.approx(resin.volume_ml * 1.10)


def test_silicone_of_a_cast_by_hand(make_job):
    plan = next(p for p in plans(make_job(), "cast_printed_mould") if p.sizing.parts_per_mould == 1)
    base, agent = need(plan, "silicones", "casts: base"), need(plan, "silicones", "casts: curing agent")
    least_g = plan.sizing.started_parts * 6.148 * 1.03 * 1.20
    rounded_g = plan.sizing.rounds * 1.1
    assert least_g <= base.mass_g + agent.mass_g <= least_g + rounded_g
    assert base.mass_g / agent.mass_g == pytest.approx(10.0)
    assert base.unit == agent.unit == "kg"


def test_lids_are_glass_that_holds_the_chip_or_silicone(make_job):
    plan = plans(make_job(), "cast_printed_mould")[0]
    slides = next(need for need in plan.materials if need.name == "glass_slide")
    glued = next(timed.items for timed in plan.steps if timed.step.id == "glue")
    assert slides.quantity.best == glued
    large = make_job()
    large = replace(large, chip=replace(large.chip, outline=box(0.0, 0.0, 70.0, 40.0)))
    names = {need.name for need in plans(large, "cast_printed_mould")[0].materials}
    assert "large_glass_plate" in names
    assert "glass_slide" not in names
    soft = plans(make_job(lid="silicone"), "cast_printed_mould")[0]
    assert not {"glass_slide", "large_glass_plate"} & {need.name for need in soft.materials}
    lids = need(soft, "silicones", "lids: base").mass_g + need(soft, "silicones", "lids: curing agent").mass_g
    slabs = next(timed.items for timed in soft.steps if timed.step.id == "pour_lids")
    # 1540 mm² · 2 mm of silicone each
    assert lids == pytest.approx(slabs * 3.08 * 1.03 * 1.20, abs=1.2)


@pytest.mark.parametrize("route_id", ["cast_printed_mould", "cast_wafer_mould"])
def test_a_lid_is_one_plate_and_where_none_is_large_enough_a_slab_of_silicone(make_job, route_id):
    job = make_job()
    # 76 × 52 mm is the largest glass
    large = replace(job, chip=replace(job.chip, outline=box(0.0, 0.0, 60.0, 53.0)))
    route = load_routes(job.catalogue)[route_id]
    process = route.process(large, route.variants(large)[0])
    (told,) = (told for told in process.replacements if "glass" in told.lacking)
    assert told.lacking == "glass plate of 60 × 53 mm"
    assert "silicone" in told.instead
    assert "76 × 52 mm" in told.remedy
    assert "cut_lids" in {step.id for step in process.steps}
    plan = plans(large, route_id)[0]
    assert not [need for need in plan.materials if "glass" in need.name]
    # 3180 mm² · 2 mm of silicone each, a fifth more in the cup
    lids = need(plan, "silicones", "lids: base").mass_g + need(plan, "silicones", "lids: curing agent").mass_g
    slabs = next(timed.items for timed in plan.steps if timed.step.id == "pour_lids")
    mixes = sum(plan.sizing.batches["mix_lids"].values())
    least_g = slabs * 6.36 * 1.03 * 1.20
    assert least_g <= lids <= least_g + 1.1 * mixes
    # turned it fits
    turned = replace(job, chip=replace(job.chip, outline=box(0.0, 0.0, 26.0, 76.0)))
    assert [n for n in plans(turned, "cast_printed_mould")[0].materials if n.name == "glass_slide"]


def test_bought_prints_use_no_resin_of_the_bench(make_job):
    for route_id in ("cast_printed_mould", "printed_bonded_halves", "printed_monolith"):
        plan = plans(make_job(bench={"printer": None}), route_id)[0]
        assert not [need for need in plan.materials if need.kind == "resins"]
        assert "plates" not in plan.schedule.counts


@pytest.mark.parametrize(
    "route_id", ["cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith"]
)
def test_every_material_says_how_its_amount_comes_about(make_job, route_id):
    for plan in plans(make_job(), route_id):
        steps = {timed.step.id for timed in plan.steps}
        for one in plan.materials:
            assert one.step in steps, one.name
            assert any(letter.isdigit() for letter in one.why), one.name
            assert 0.0 < one.quantity.low <= one.quantity.best <= one.quantity.high


@pytest.mark.parametrize(
    "route_id", ["cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith"]
)
def test_every_layer_comes_out_under_its_own_name(make_job, route_id):
    job = make_job(lid="silicone")
    route = load_routes(job.catalogue)[route_id]
    for variant in route.variants(job):
        made = route.as_made(job, variant)
        assert [channel.layer for channel in made.channels] == ["channels"]
        assert made.calibrated is (None if route_id == "cast_wafer_mould" else False)
        told = " ".join(made.notes)
        assert ("lid is not used" in told) == route_id.startswith("printed")


def test_without_a_printer_the_sizes_say_whose_they_are(make_job):
    job = make_job(bench={"printer": None})
    route = load_routes(job.catalogue)["printed_monolith"]
    made = route.as_made(job, route.variants(job)[0])
    assert any("print service" in note for note in made.notes)
