"""Variants on several machines: each is worked out, planned and priced on its own, and one is taken."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import MultiPolygon, box

from rillcast_service.engine.errors import RequestInvalid, UnknownName
from rillcast_service.engine.preparing import prepare
from rillcast_service.engine.quoting import quote
from rillcast_service.engine.request import QuoteRequest
from rillcast_service.engine.result import Verdict

FINE, COARSE = "masked_lcd_22um", "masked_lcd_50um"
BOTH = [{"printer": COARSE}, {"printer": FINE}]
BOTH_SLOW = [{**wish, "cure": "slow_45c"} for wish in BOTH]
MOULD = {"routes": ["cast_printed_mould"]}


def _request(**members):
    return QuoteRequest.from_json({"quantity": 6, "start": "2027-03-01T09:00:00+01:00", **members})


def _route(layout, catalogue, **members):
    (route,) = quote(layout, _request(**members), catalogue, data_version="test").result.routes
    return route


@pytest.fixture(scope="module")
def straight(make_job):
    """`straight(width_um)`: the small chip with its channel that wide and 200 µm deep."""
    layout = make_job().layout

    def of(width_um):
        half = width_um / 2000.0
        (channel,) = layout.layers
        geometry = MultiPolygon([box(5.0, 11.25 - half, 65.0, 11.25 + half)])
        return replace(layout, layers=(replace(channel, geometry=geometry, depth_um=200.0),))

    return of


def test_the_printer_that_can_make_it_is_taken(straight, catalogue):
    # A ridge takes about four pixels (common practice, no source): 88 µm of one printer, 200 µm of the other.
    route = _route(straight(150), catalogue, **MOULD, variants=BOTH_SLOW)
    coarse, fine = route.variants
    assert [coarse.machine, fine.machine] == [COARSE, FINE]
    assert coarse.verdict is Verdict.NOT_MAKEABLE
    assert fine.verdict is not Verdict.NOT_MAKEABLE
    assert (coarse.chosen, fine.chosen) == (False, True)
    assert coarse.why == "cannot be made"


def test_what_the_route_answers_is_the_taken_machines_own(straight, catalogue):
    both = _route(straight(150), catalogue, **MOULD, variants=BOTH_SLOW)
    alone = _route(
        straight(150), catalogue, **MOULD, bench={"printer": FINE}, variants=[{"cure": "slow_45c"}]
    )
    assert replace(both, variants=()) == replace(alone, variants=())


def test_of_two_that_can_make_it_the_aim_decides_plan_and_price_alike(straight, catalogue):
    layout, asked = straight(500), {"routes": ["printed_bonded_halves"], "quantity": 24}
    alone = {name: _route(layout, catalogue, **asked, bench={"printer": name}) for name in (FINE, COARSE)}
    ready = {name: route.schedule.finished_at for name, route in alone.items()}
    costs = {name: route.cost.net for name, route in alone.items()}
    assert ready[COARSE] < ready[FINE], "50 µm layers are half as many as 25 µm layers"
    assert costs[FINE] != costs[COARSE]
    for aim, best in (("date", COARSE), ("price", min(costs, key=costs.get))):
        route = _route(layout, catalogue, **asked, aim=aim, variants=BOTH)
        (chosen,) = [variant for variant in route.variants if variant.chosen]
        assert chosen.machine == best
        assert route.schedule.finished_at == ready[best]
        assert route.cost.net == costs[best]
        assert len(route.cost.price_breaks) == len(alone[best].cost.price_breaks)


def test_every_cure_is_looked_at_on_every_machine(straight, catalogue):
    route = _route(straight(500), catalogue, **MOULD, variants=BOTH)
    looked_at = [(variant.machine, variant.name) for variant in route.variants]
    cures = {name for _, name in looked_at}
    assert len(cures) > 1
    assert len(looked_at) == len(set(looked_at)) == 2 * len(cures)


def test_a_variant_that_names_a_mould_is_one_of_the_wafer_route_alone(straight, catalogue):
    layout, moulds = straight(500), ("wafer_film_mask", "wafer_chrome_mask")
    result = quote(
        layout,
        _request(
            routes=["cast_wafer_mould", "printed_bonded_halves"],
            variants=[{"mould": name, "cure": "slow_65c"} for name in moulds],
        ),
        catalogue,
        data_version="test",
    ).result
    wafer, halves = result.routes
    assert [variant.machine for variant in wafer.variants] == list(moulds)
    # a route that none of them fits is looked at as if none were named
    assert [variant.machine for variant in halves.variants] == ["masked_lcd_35um"]


def test_a_bench_without_a_printer_can_ask_for_one_by_variant(straight, catalogue):
    route = _route(
        straight(500),
        catalogue,
        routes=["printed_bonded_halves"],
        bench={"printer": None},
        variants=[{"printer": FINE}],
    )
    assert [variant.machine for variant in route.variants] == [FINE]
    assert route.verdict is not Verdict.NOT_MAKEABLE


def test_the_default_printer_is_not_told_when_no_variant_is_made_on_it(straight, catalogue):
    told = {
        bool(wishes): "bench.printer"
        in {line.what for line in prepare(straight(500), _request(variants=wishes), catalogue)[1]}
        for wishes in ([], BOTH)
    }
    assert told == {False: True, True: False}


@pytest.mark.parametrize(
    ("wish", "error", "pointer", "said"),
    [
        ({"printer": "nobodys"}, UnknownName, "#/variants/1/printer", FINE),
        ({"mould": "nobodys"}, UnknownName, "#/variants/1/mould", "wafer_film_mask"),
        ({"printer": FINE, "mould": "wafer_film_mask"}, RequestInvalid, "#/variants/1", "mould, printer"),
        ({"printer": FINE, "cure": "slwo_65c"}, RequestInvalid, "#/variants/1", "slow_45c"),
        ({"mould": "wafer_film_mask", "orientation_deg": 90.0}, RequestInvalid, "#/variants/1", "slow_65c"),
    ],
)
def test_refusals_name_the_machine_and_what_there_is(straight, catalogue, wish, error, pointer, said):
    with pytest.raises(error) as refused:
        prepare(straight(500), _request(variants=[{"printer": FINE}, wish]), catalogue)
    (fault,) = refused.value.faults
    assert fault.pointer == pointer
    assert said in f"{fault.message} {fault.remedy}"
