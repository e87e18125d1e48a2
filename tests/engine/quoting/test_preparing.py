"""Defaults are told, and what cannot be answered is refused with place and remedy."""

from dataclasses import replace
from datetime import datetime

import pytest
from shapely import MultiPolygon, Point, box

from rillcast_service.engine.errors import EngineError, LayoutInvalid, RequestInvalid, UnknownName
from rillcast_service.engine.layout.model import Layer, Port, PortRole, Role
from rillcast_service.engine.preparing import MAX_QUANTITY, prepare
from rillcast_service.engine.request import QuoteRequest

START = "2027-03-01T09:00:00+01:00"


@pytest.fixture
def layout(make_job):
    return make_job().layout


def _request(**members):
    return QuoteRequest.from_json({"quantity": 24, "start": START, **members})


def test_every_default_is_told_with_its_source(layout, catalogue):
    job, assumptions = prepare(layout, _request(), catalogue)
    told = {assumption.what: assumption for assumption in assumptions}
    assert told["bench.printer"].value == job.bench["printer"].name
    assert told["bench.plasma"].value == "none"
    assert told["chip.thickness_mm"].value == "4 mm"
    assert all(assumption.why and assumption.source for assumption in assumptions)


def test_what_the_request_says_is_no_assumption(layout, catalogue):
    request = _request(
        bench={"printer": "masked_lcd_22um", "plasma": None},
        chip={"thickness_mm": 5.0, "lid": "silicone", "viewed_from": "body"},
        use={"liquid": "water", "temperature_c": 30, "flow_ul_per_min": 10},
        commercial={"margin_percent": "25", "tax_percent": "0"},
        currency="EUR",
    )
    job, assumptions = prepare(layout, request, catalogue)
    told = {assumption.what for assumption in assumptions}
    assert not told & {
        "bench.printer",
        "bench.plasma",
        "chip.thickness_mm",
        "chip.lid",
        "use.liquid",
        "currency",
    }
    assert (job.chip.thickness_mm, job.chip.lid, job.chip.viewed_from) == (5.0, "silicone", "body")
    assert str(job.terms.margin_percent) == "25"
    # IAPWS SR6-08: 797.2 µPa·s at 30 °C
    assert job.use.viscosity_pa_s == pytest.approx(797.2e-6, rel=1e-3)


def test_a_printer_that_tells_no_spread_of_light_takes_the_usual_and_says_so(layout, catalogue):
    known = catalogue.get("printers", "masked_lcd_35um")
    values = {k: v for k, v in known.values.items() if k not in ("light_spread_um", "grey_levels_count")}
    mine = replace(
        known,
        name="mine",
        values={**values, "pixel_y_um": replace(values["pixel_y_um"], value=50.0, low=50.0, high=50.0)},
    )
    with_mine = catalogue.with_bench((mine,))
    job, assumptions = prepare(layout, _request(bench={"printer": "mine"}), with_mine)
    told = {one.what: one for one in assumptions if one.what.startswith("printers.")}
    # 63 % of the wider pixel, by the defaults of the catalogue
    assert job.bench["printer"].number("light_spread_um") == pytest.approx(31.5)
    assert job.bench["printer"].number("grey_levels_count") == 1.0
    assert {what: one.value for what, one in told.items()} == {
        "printers.mine.light_spread_um": "31.5 µm",
        "printers.mine.grey_levels_count": "1",
    }
    # a printer that only a variant names is filled in as well; one that nothing names is not told
    job, assumptions = prepare(layout, _request(variants=[{"printer": "mine"}]), with_mine)
    assert "printers.mine.light_spread_um" in {one.what for one in assumptions}
    assert job.catalogue.get("printers", "mine").has("light_spread_um")
    _, assumptions = prepare(layout, _request(), with_mine)
    assert not [one for one in assumptions if one.what.startswith("printers.")]


def test_marks_are_as_deep_as_asked_else_as_drawn_else_by_default(layout, catalogue):
    spot = MultiPolygon([box(1.0, 1.0, 2.0, 2.0)])
    for asked, drawn, taken in (({"label": 80.0}, 60.0, 80.0), ({}, 60.0, 60.0), ({}, None, 150.0)):
        marks = Layer("label", Role.MARKS, spot, depth_um=drawn)
        marked = replace(layout, layers=(*layout.layers, marks))
        job, told = prepare(marked, _request(depths_um={"channels": 150, **asked}), catalogue)
        assert [layer.depth_um for layer in job.layout.mark_layers] == [taken]
        assert any(one.what == "depths_um.label" for one in told) is (drawn is None)
    with pytest.raises(RequestInvalid, match="Mark layer 'label' is 9000 µm deep"):
        prepare(marked, _request(depths_um={"channels": 150, "label": 9000}), catalogue)


def test_a_drawing_without_an_outline_gets_one_with_land(layout, catalogue):
    job, assumptions = prepare(replace(layout, outline=None), _request(), catalogue)
    drawn = box(5.0, 11.0, 65.0, 11.5).union(Point(6.0, 11.25).buffer(0.75))
    assert job.chip.outline.contains(drawn)
    land = job.chip.outline.exterior.distance(drawn)
    assert land == pytest.approx(catalogue.defaults["land_mm"].value, abs=1e-2)
    assert "chip.outline" in {assumption.what for assumption in assumptions}


@pytest.mark.parametrize(
    ("members", "error", "pointer", "said"),
    [
        ({"quantity": 0}, RequestInvalid, "#/quantity", "1 to 10000"),
        ({"quantity": MAX_QUANTITY + 1}, RequestInvalid, "#/quantity", "1 to 10000"),
        ({"routes": ["milled"]}, UnknownName, "#/routes/0", "cast_printed_mould"),
        ({"bench": {"printer": "nobodys"}}, UnknownName, "#/bench/printer", "masked_lcd_35um"),
        ({"bench": {"laser": "x"}}, RequestInvalid, "#/bench/laser", "printer"),
        ({"bench": {"silicone": None}}, RequestInvalid, "#/bench/silicone", "leave it out"),
        ({"bench": {"passivation": "bond_plasma"}}, RequestInvalid, "#/bench/passivation", "passivation"),
        ({"depths_um": {"chanels": 100}}, RequestInvalid, "#/depths_um/chanels", "channels"),
        ({"depths_um": {"channels": 5000}}, RequestInvalid, "#/depths_um", "thick"),
        ({"chip": {"lid": "gold"}}, UnknownName, "#/chip/lid", "glass"),
        ({"chip": {"viewed_from": "moon"}}, UnknownName, "#/chip/viewed_from", "lid"),
        ({"use": {"liquid": "lava"}}, UnknownName, "#/use/liquid", "water"),
        ({"use": {"temperature_c": 150}}, RequestInvalid, "#/use/temperature_c", "0 to 100"),
        ({"use": {"optics": ["visible", "x_ray"]}}, RequestInvalid, "#/use/optics/1", "uv_fluorescence"),
        ({"currency": "USD"}, RequestInvalid, "#/currency", "EUR"),
        ({"variants": [{"cure": "slwo_65c"}]}, RequestInvalid, "#/variants/0", "slow_45c"),
        (
            {"ports": [{"name": "new", "x_mm": 30.0, "y_mm": 3.0, "bore_mm": 1.0, "role": "vent"}]},
            LayoutInvalid,
            None,
            "nearest",
        ),
    ],
)
def test_refusals_say_where_and_how_to_mend(layout, catalogue, members, error, pointer, said):
    with pytest.raises(EngineError) as refused:
        prepare(layout, _request(**members), catalogue)
    assert type(refused.value) is error
    fault = refused.value.faults[0]
    assert fault.pointer == pointer
    assert said in f"{fault.message} {fault.remedy}"


def test_a_channel_layer_without_depth_is_refused_by_name(layout, catalogue):
    layers = tuple(replace(layer, depth_um=None) for layer in layout.layers)
    bare = replace(layout, layers=layers)
    with pytest.raises(RequestInvalid) as refused:
        prepare(bare, _request(), catalogue)
    assert refused.value.faults[0].pointer == "#/depths_um"
    assert "'channels'" in refused.value.faults[0].message
    job, _ = prepare(bare, _request(depths_um={"channels": 120}), catalogue)
    assert [layer.depth_um for layer in job.layout.channel_layers] == [120.0]


def test_a_port_of_the_file_that_touches_nothing_tells_its_place(layout, catalogue):
    stray = Port("stray", PortRole.VENT, Point(30.0, 3.0).buffer(0.5), 1.0)
    with pytest.raises(LayoutInvalid) as refused:
        prepare(replace(layout, ports=(*layout.ports, stray)), _request(), catalogue)
    (fault,) = refused.value.faults
    assert "stray" in fault.where
    assert "(30.000, 3.000) mm" in fault.where
    # from the hole's edge at y = 3.5 to the channel's lower wall at y = 11
    assert "7.5" in fault.remedy


def test_the_request_is_read_with_its_time_zone():
    request = _request(deadline="2027-03-19T17:00:00+01:00")
    assert request.start == datetime.fromisoformat(START)
    assert request.deadline.utcoffset() == request.start.utcoffset()


@pytest.mark.parametrize(
    ("asked", "depth"), [({}, 400.0), ({"channels": 120}, 120.0), ({"channels": 120, "deep": 90}, 90.0)]
)
def test_a_depth_in_the_request_beats_the_file_and_a_name_beats_all(layout, catalogue, asked, depth):
    named = replace(layout, layers=tuple(replace(layer, name="deep") for layer in layout.layers))
    job, _ = prepare(named, _request(depths_um=asked), catalogue)
    assert [layer.depth_um for layer in job.layout.channel_layers] == [depth]


def test_times_are_told_on_the_bench_clock(layout, catalogue):
    asked = {"start": "2027-03-01T08:00:00Z", "deadline": "2027-07-01T00:00:00Z"}
    job, _ = prepare(layout, QuoteRequest.from_json({"quantity": 1, **asked}), catalogue)
    # the shipped calendar lies in Berlin: an hour ahead in winter, two in summer
    assert job.start.isoformat() == "2027-03-01T09:00:00+01:00"
    assert job.deadline.isoformat() == "2027-07-01T02:00:00+02:00"


def _with_low_layer(layout, **changes):
    (layer,) = layout.channel_layers
    low = replace(layer, name="low", geometry=MultiPolygon([box(20.0, 5.0, 21.0, 18.0)]), **changes)
    return replace(layout, layers=(*layout.layers, low))


def _told(assumptions):
    return {assumption.what: assumption for assumption in assumptions}


def test_channel_layers_that_overlap_are_one_cavity_unless_levels_are_given(layout, catalogue):
    both = _with_low_layer(layout)
    job, assumptions = prepare(both, _request(), catalogue)
    assert [layer.level for layer in job.layout.channel_layers] == [1, 1]
    assert _told(assumptions)["layers"].value == "one cavity"
    assert "levels" not in _told(assumptions)

    job, assumptions = prepare(both, _request(levels={"low": 2}), catalogue)
    assert [layer.level for layer in job.layout.channel_layers] == [1, 2]
    told = _told(assumptions)["levels"]
    assert (told.value, told.source) == ("2 levels", "the request")
    assert "level 1 (channels), level 2 (low)" in told.why
    assert "layers" not in _told(assumptions)


def test_a_level_in_the_request_beats_the_file(layout, catalogue):
    both = _with_low_layer(layout, level=3)
    job, assumptions = prepare(both, _request(), catalogue)
    assert [layer.level for layer in job.layout.channel_layers] == [1, 3]
    assert _told(assumptions)["levels"].source == "the layout"
    job, assumptions = prepare(both, _request(levels={"low": 1}), catalogue)
    assert [layer.level for layer in job.layout.channel_layers] == [1, 1]
    assert "levels" not in _told(assumptions)


@pytest.mark.parametrize(
    ("asked", "pointer", "said"),
    [
        ({"cellar/1": 2}, "#/levels/cellar~11", "channels"),
        ({"channels": 0}, "#/levels/channels", "1 (next to the lid)"),
        ({"channels": 17}, "#/levels/channels", "16"),
    ],
)
def test_levels_that_cannot_be_are_refused(layout, catalogue, asked, pointer, said):
    with pytest.raises(RequestInvalid) as refused:
        prepare(layout, _request(levels=asked), catalogue)
    (fault,) = refused.value.faults
    assert fault.pointer == pointer
    assert said in fault.remedy
