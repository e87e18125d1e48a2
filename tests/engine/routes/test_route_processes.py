"""The processes of the shipped routes: order, machines that are missing, and what checks read of them."""

import itertools

import pytest

from rillcast_service.engine.planning.batches import chains
from rillcast_service.engine.routes.base import Process, Step
from rillcast_service.engine.routes.registry import load_routes, route_kinds

ROUTES = ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith")
CASTS = ("cast_printed_mould", "cast_wafer_mould")


def process(job, route_id: str, variant: int = 0) -> Process:
    route = load_routes(job.catalogue)[route_id]
    return route.process(job, route.variants(job)[variant])


def order(found: Process) -> list[str]:
    return [step.id for step in found.steps]


def before(found: Process, earlier: str, later: str) -> bool:
    """Whether a step must be over before another starts, through whatever lies between."""
    steps = {step.id: step for step in found.steps}
    open_, seen = [later], set()
    while open_:
        for name in steps[open_.pop()].after:
            if name == earlier:
                return True
            if name not in seen:
                seen.add(name)
                open_.append(name)
    return False


def step(found: Process, step_id: str) -> Step:
    return next(step for step in found.steps if step.id == step_id)


def test_every_table_with_a_module_is_a_route(catalogue):
    assert tuple(load_routes(catalogue)) == ROUTES
    assert tuple(kind.id for kind in route_kinds()) == ROUTES


@pytest.mark.parametrize("route_id", ROUTES)
@pytest.mark.parametrize("lid", ["glass", "silicone", "printed"])
@pytest.mark.parametrize(
    "bench",
    [
        {},
        {"plasma": "benchtop_air"},
        {"printer": None},
        {"oven": None},
        {"uv_lamp": None},
        {"vacuum_chamber": None},
        {"oven": None, "vacuum_chamber": None, "uv_lamp": None, "printer": None},
        {"passivation": "uv_bake_and_coat"},
        {"passivation": None},
    ],
    ids=str,
)
def test_steps_follow_only_steps_before_them_and_nothing_dangles(make_job, route_id, lid, bench):
    job = make_job(bench=bench, lid=lid, first_article=True)
    route = load_routes(job.catalogue)[route_id]
    for variant in route.variants(job):
        found = route.process(job, variant)
        seen: set[str] = set()
        for one in found.steps:
            assert set(one.after) <= seen, one.id
            assert one.after or not seen, f"{one.id} could start before everything"
            assert one.id not in seen
            assert "{" not in one.title
            assert "None" not in one.title
            assert one.source
            seen.add(one.id)
        # all ways lead to the end
        assert all(
            one.id == "pack" or before(found, one.id, "pack")
            for one in found.steps
            if one.id != "first_article"
        )
        assert chains(found.steps)


@pytest.mark.parametrize(
    ("route_id", "earlier", "later"),
    [
        # uncured resin is washed off before any light, or it cures in the channels
        ("printed_monolith", "clear", "wash"),
        ("printed_monolith", "wash", "post_cure"),
        ("printed_monolith", "dry", "post_cure"),
        ("printed_bonded_halves", "wash", "bond_resin"),
        ("printed_bonded_halves", "wash", "cure_bond"),
        ("cast_printed_mould", "wash_moulds", "light_moulds"),
        # a fresh print poisons the silicone: light, bake and a witness come before the first pour
        ("cast_printed_mould", "light_moulds", "bake_moulds"),
        ("cast_printed_mould", "bake_moulds", "mix"),
        ("cast_printed_mould", "bake_moulds", "pour"),
        ("cast_printed_mould", "witness", "pour"),
        ("cast_printed_mould", "degas_mix", "pour"),
        ("cast_printed_mould", "pour", "degas_moulds"),
        ("cast_printed_mould", "degas_moulds", "cure"),
        ("cast_printed_mould", "cure", "demould"),
        ("cast_printed_mould", "punch", "clean"),
        ("cast_printed_mould", "clean", "glue"),
        ("cast_printed_mould", "cure_bond", "leak_test"),
        ("cast_wafer_mould", "order_wafers", "pour"),
        ("cast_wafer_mould", "inspect_wafers", "pour"),
        ("cast_wafer_mould", "punch", "clean"),
        ("cast_wafer_mould", "clean", "glue"),
    ],
)
def test_what_must_come_first_does(make_job, route_id, earlier, later):
    assert before(process(make_job(), route_id), earlier, later)


@pytest.mark.parametrize("route_id", CASTS)
def test_without_plasma_the_bond_is_uncured_silicone_and_says_so(make_job, route_id):
    found = process(make_job(), route_id)
    assert {"glue", "cure_bond"} <= set(order(found))
    assert "activate" not in order(found)
    (replacement,) = found.replacements
    assert replacement.lacking == "plasma"
    assert replacement.instead is not None
    assert "uncured silicone" in replacement.instead
    assert "plasma cleaner to the bench" in replacement.remedy


@pytest.mark.parametrize("route_id", CASTS)
def test_with_plasma_the_faces_meet_within_the_recipe_s_time(make_job, catalogue, route_id):
    found = process(make_job(bench={"plasma": "benchtop_air"}), route_id)
    assert found.replacements == ()
    assert step(found, "activate").machine == "plasma"
    assert before(found, "clean", "activate")
    limit = catalogue.get("recipes", "bond_plasma").number("contact_within_min")
    assert step(found, "join_activated").max_gap_h == pytest.approx(limit / 60.0)
    assert step(found, "join_activated").after == ("activate",)


@pytest.mark.parametrize("route_id", CASTS)
def test_the_pot_life_counts_from_mixing_to_the_end_of_degassing_on_the_mould(make_job, route_id):
    found = process(make_job(), route_id)
    for name in ("pour", "degas_moulds"):
        assert (step(found, name).since, step(found, name).within_h) == ("mix", 1.5)
    gaps_min = {
        name: step(found, name).max_gap_h * 60.0 for name in ("degas_mix", "pour", "degas_moulds", "cure")
    }
    assert gaps_min == pytest.approx({"degas_mix": 10.0, "pour": 15.0, "degas_moulds": 15.0, "cure": 60.0})
    (run,) = (run for run in chains(found.steps) if order(found).index("mix") in run)
    assert [order(found)[index] for index in run] == ["mix", "degas_mix", "pour", "degas_moulds", "cure"]


@pytest.mark.parametrize("route_id", CASTS)
def test_cleaned_silicone_dries_for_half_an_hour_at_60_degrees_before_it_is_bonded(make_job, route_id):
    found = process(make_job(), route_id)
    assert before(found, "clean", "dry_chips")
    assert before(found, "dry_chips", "glue")
    dry = step(found, "dry_chips")
    assert dry.elapsed_min.low >= 30.0
    assert dry.holds_c >= 60.0
    # without an oven it takes hours
    air = step(process(make_job(bench={"oven": None}), "cast_wafer_mould"), "dry_chips_at_room")
    assert air.elapsed_min.low >= 120.0


def test_lapped_faces_are_rinsed_and_dried_before_they_are_bonded(make_job):
    found = process(make_job(), "printed_bonded_halves")
    assert before(found, "lap", "rinse")
    assert before(found, "rinse", "dry_faces")
    assert before(found, "dry_faces", "bond_resin")


@pytest.mark.parametrize("route_id", CASTS)
def test_silicone_lids_are_mixed_degassed_and_cured_before_they_are_cut(make_job, route_id):
    found = process(make_job(lid="silicone"), route_id)
    lids = ["mix_lids", "degas_lids", "pour_lids", "cure_lids", "cut_lids"]
    for earlier, later in itertools.pairwise([*lids, "glue"]):
        assert before(found, earlier, later)
    assert not set(lids) & set(order(process(make_job(), route_id)))


@pytest.mark.parametrize("route_id", ["cast_printed_mould", "printed_bonded_halves", "printed_monolith"])
def test_without_a_printer_the_prints_are_bought_in(make_job, route_id):
    found = process(make_job(bench={"printer": None}), route_id)
    outside = [one for one in found.steps if one.supplier is not None]
    assert [one.supplier.name for one in outside if one.supplier] == ["print_service"]
    assert outside[0].supply_days is not None
    assert all(one.computed != "print" for one in found.steps)
    assert [(r.lacking, r.instead is not None) for r in found.replacements if r.lacking == "printer"] == [
        ("printer", True)
    ]


def test_without_an_oven_a_mould_that_needs_baking_is_blocked(make_job):
    found = process(make_job(bench={"oven": None}), "cast_printed_mould")
    blocked = [r for r in found.replacements if r.instead is None]
    assert {r.lacking for r in blocked} == {"oven"}
    assert any("Passivate" in r.step for r in blocked)
    assert all("to the bench: oven" in r.remedy for r in blocked)


def test_without_an_oven_a_wafer_cast_cures_at_room_temperature(make_job):
    job = make_job(bench={"oven": None})
    (variant,) = load_routes(job.catalogue)["cast_wafer_mould"].variants(job)
    assert variant.cure_temperature_c == 25.0
    assert variant.cure_time_h == 48.0
    found = process(job, "cast_wafer_mould")
    assert "cure_at_room" in order(found)
    assert "cure" not in order(found)
    assert all(r.instead for r in found.replacements)


def test_without_a_vacuum_chamber_the_mix_rests(make_job):
    found = process(make_job(bench={"vacuum_chamber": None}), "cast_wafer_mould")
    assert "rest_mix" in order(found)
    assert not {"degas_mix", "degas_moulds"} & set(order(found))
    assert before(found, "rest_mix", "pour")
    assert any(r.lacking == "vacuum_chamber" and r.instead for r in found.replacements)


def test_a_lamp_that_is_missing_blocks_what_cannot_do_without(make_job):
    found = process(make_job(bench={"uv_lamp": None}), "cast_printed_mould")
    assert [r.lacking for r in found.replacements if r.instead is None] == ["uv_lamp"]
    bonded = process(make_job(bench={"uv_lamp": None}), "printed_bonded_halves")
    assert "bond_film" in order(bonded)
    assert all(r.instead for r in bonded.replacements)


def test_facts_for_the_review(make_job, catalogue):
    found = process(make_job(), "cast_printed_mould")
    facts = found.facts
    assert facts["mould_resin"] == "grey_mould"
    assert facts["silicone"] == "general_purpose_10_1"
    assert facts["passivation"] == "uv_and_bake"
    assert facts["initiator"] == "phosphine_oxide"
    assert facts["lid"] == "glass"
    heated = {
        step_id: (temperature_c, resin) for step_id, temperature_c, resin in facts["heated_resin_steps"]
    }
    assert heated["bake_moulds"] == (catalogue.get("recipes", "uv_and_bake").number("bake_c"), "grey_mould")
    assert heated["cure"] == (facts["cure_temperature_c"], "grey_mould")
    assert facts["cure_time_h"] > 0.0
    wafer = process(make_job(), "cast_wafer_mould").facts
    assert wafer["mould_resin"] is None
    assert wafer["heated_resin_steps"] == ()


def test_without_a_recipe_nothing_is_passivated_and_the_facts_say_so(make_job):
    found = process(make_job(bench={"passivation": None}), "cast_printed_mould")
    assert found.facts["passivation"] is None
    assert not {"bake_moulds", "witness"} & set(order(found))
    assert before(found, "light_moulds", "mix")


def test_cures_stay_below_what_the_mould_resin_stands(make_job, catalogue):
    resin = catalogue.get("resins", "grey_mould")
    limit_c = resin.number("hdt_c") - resin.number("hdt_margin_k")
    job = make_job()
    routes = load_routes(catalogue)
    printed = routes["cast_printed_mould"].variants(job)
    assert printed
    assert all(variant.cure_temperature_c <= limit_c for variant in printed)
    assert max(v.cure_temperature_c for v in routes["cast_wafer_mould"].variants(job)) > limit_c


def test_variants_of_prints(make_job, catalogue):
    routes = load_routes(catalogue)
    flat, upright = routes["printed_monolith"].variants(make_job())
    assert (flat.orientation_deg, upright.orientation_deg) == (0.0, 90.0)
    assert [v.name for v in routes["printed_bonded_halves"].variants(make_job())] == ["flat"]


def test_ports_compound_yield_and_hands(make_job, catalogue):
    found = step(process(make_job(), "cast_printed_mould"), "punch")
    written = next(row for row in catalogue.routes["cast_printed_mould"]["steps"] if row["id"] == "punch")
    each = written["yield_per_port_percent"]["value"] / 100.0
    assert found.first_pass_yield is not None
    # three ports
    assert found.first_pass_yield.value == pytest.approx(100.0 * each * each * each)
    assert found.hands_on_per_item_min.best == pytest.approx(3 * written["hands_on_per_port_min"][1])


def test_the_same_caution_reads_the_same_on_every_route(catalogue):
    texts: dict[str, set[str]] = {}
    for route_id in ROUTES:
        for name, text in catalogue.routes[route_id]["cautions"].items():
            texts.setdefault(name, set()).add(text)
    assert {name for name, found in texts.items() if len(found) > 1} == set()
    # every caution leaves the last word to those who know the place
    assert all("come first" in text for found in texts.values() for text in found)


@pytest.mark.parametrize(
    ("route_id", "step_id", "word"),
    [
        ("printed_monolith", "print", "resin"),
        ("printed_monolith", "clear", "flammable"),
        ("printed_monolith", "post_cure", "Ultraviolet"),
        ("printed_bonded_halves", "bond_resin", "resin"),
        ("cast_printed_mould", "bake_moulds", "oven"),
        ("cast_printed_mould", "degas_mix", "vacuum"),
        ("cast_printed_mould", "punch", "sharp"),
        ("cast_printed_mould", "leak_test", "burst"),
        ("cast_wafer_mould", "degas_moulds", "implode"),
    ],
)
def test_steps_that_can_hurt_carry_their_caution(make_job, route_id, step_id, word):
    assert any(word in caution for caution in step(process(make_job(), route_id), step_id).cautions)


def test_plasma_carries_its_caution(make_job):
    found = process(make_job(bench={"plasma": "benchtop_air"}), "cast_wafer_mould")
    assert any("ozone" in caution for caution in step(found, "activate").cautions)


def test_no_text_of_a_route_that_a_client_reads_is_written_in_code(catalogue):
    """They stand in quotations: a name of the request in backticks says nothing there."""

    def texts(table):
        for value in table.values() if isinstance(table, dict) else table:
            if isinstance(value, str):
                yield value
            elif isinstance(value, dict | list):
                yield from texts(value)

    said = [text for route in catalogue.routes.values() for text in texts(route)]
    assert len(said) > 500
    assert [text for text in said if "`" in text] == []
