"""What a printer makes of a bar, flat and upright."""

import pytest
from shapely import MultiPolygon, box

from rillcast_service.catalogue.types import Entry, Fact, Quantity
from rillcast_service.engine.asmade.exposure import roof_loss_range
from rillcast_service.engine.asmade.printing import in_layers, made_in_part, made_on_mould
from rillcast_service.engine.layout.model import Layer, Role


def _quantity(value: float, unit: str, low: float | None = None, high: float | None = None) -> Quantity:
    return Quantity(
        value=value,
        unit=unit,
        source="test",
        low=value if low is None else low,
        high=value if high is None else high,
    )


def _printer(*, calibrated: bool = False) -> Entry:
    return Entry(
        kind="printers",
        name="test",
        title="test printer",
        values={
            "pixel_x_um": _quantity(40, "µm"),
            "pixel_y_um": _quantity(50, "µm"),
            "layer_um": _quantity(50, "µm"),
            "edge_bleed_um": _quantity(20, "µm", 10, 40),
            "repeatability_um": _quantity(10, "µm"),
            "intensity_mw_per_cm2": _quantity(3, "mW/cm²"),
            "calibrated": Fact(calibrated, "test"),
        },
    )


def _resin() -> Entry:
    return Entry(
        kind="resins",
        name="test",
        title="test resin",
        values={
            "penetration_depth_um": _quantity(100, "µm", 40, 250),
            "critical_dose_mj_per_cm2": _quantity(2, "mJ/cm²", 0.5, 8),
            "exposure_s": _quantity(2, "s"),
        },
    )


def _layer(depth_um: float = 210.0) -> Layer:
    bar = box(0.0, 0.0, 20.0, 0.5)
    return Layer(name="channels", role=Role.CHANNELS, geometry=MultiPolygon([bar]), depth_um=depth_um)


def test_depth_is_a_whole_number_of_layers():
    assert in_layers(210.0, _printer()) == 200.0
    assert in_layers(10.0, _printer()) == 50.0


def test_a_channel_narrows_and_a_ridge_widens_by_the_same_bleed():
    channel, channel_change = made_in_part(
        _layer(), _printer(), _resin(), enclosed=False, orientation_deg=0.0
    )
    ridge, ridge_change = made_on_mould(_layer(), _printer(), _resin())
    assert (channel_change.best, ridge_change.best) == (-40.0, 40.0)
    y0, y1 = channel.geometry.bounds[1], channel.geometry.bounds[3]
    assert y1 - y0 == pytest.approx(0.46)
    y0, y1 = ridge.geometry.bounds[1], ridge.geometry.bounds[3]
    assert y1 - y0 == pytest.approx(0.54)
    # the range holds the spread of the bleed, a pixel of edge placement and the repeatability
    assert channel_change.low == -80.0 - 50.0 - 10.0
    assert ridge_change.high == 80.0 + 50.0 + 10.0


def test_a_measured_printer_has_no_doubt_about_its_bleed():
    _, change = made_on_mould(_layer(), _printer(calibrated=True), _resin())
    assert (change.low, change.high) == (40.0 - 60.0, 40.0 + 60.0)


def test_an_open_channel_keeps_its_layers_and_an_enclosed_one_loses_the_roofs_reach():
    opened, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=False, orientation_deg=0.0)
    closed, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=True, orientation_deg=0.0)
    assert (opened.depth_um.low, opened.depth_um.best, opened.depth_um.high) == (190.0, 200.0, 210.0)
    loss = roof_loss_range(_printer(), _resin())
    # 3 mW/cm² for 2 s over Ec 2 mJ/cm² is E0/Ec = 3 with Dp 100 µm and 50 µm layers: 153.1 µm
    assert loss.best == pytest.approx(153.1, abs=0.1)
    assert closed.depth_um.best == pytest.approx(200.0 - loss.best)
    assert closed.depth_um.low == pytest.approx(190.0 - loss.high)


def test_the_scatter_leaves_out_constants_with_which_nothing_would_print():
    # With Ec 8 mJ/cm² a dose of 6 cures nothing: such pairs say nothing about a machine that prints.
    loss = roof_loss_range(_printer(), _resin())
    assert 0.0 < loss.low < loss.best < loss.high
    assert roof_loss_range(_printer(calibrated=True), _resin()).low == loss.best


def test_upright_takes_the_roof_off_the_width_of_level_channels_only():
    loss_mm = roof_loss_range(_printer(), _resin()).best / 1000.0
    level, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=True, orientation_deg=90.0)
    x0, y0, x1, y1 = level.geometry.bounds
    assert (x1 - x0, y1 - y0) == (pytest.approx(19.96), pytest.approx(0.46 - loss_mm))
    # depth lies in the plane now: both walls bleed into it, no roof takes from it
    assert level.depth_um.best == pytest.approx(210.0 - 40.0)


def test_upright_a_channel_that_runs_along_the_build_axis_loses_only_its_end():
    loss_mm = roof_loss_range(_printer(), _resin()).best / 1000.0
    both = MultiPolygon([box(0.0, 0.0, 20.0, 0.5), box(10.0, 2.0, 10.5, 12.0)])
    layer = Layer(name="channels", role=Role.CHANNELS, geometry=both, depth_um=210.0)
    made, _ = made_in_part(layer, _printer(), _resin(), enclosed=True, orientation_deg=90.0)
    upright = max(made.geometry.geoms, key=lambda part: part.bounds[3])
    x0, y0, x1, y1 = upright.bounds
    assert (x1 - x0, y1 - y0) == (pytest.approx(0.46), pytest.approx(9.96 - loss_mm))
