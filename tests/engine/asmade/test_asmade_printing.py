"""What a printer makes of a bar, flat and upright."""

import math
from dataclasses import replace

import pytest
from shapely import MultiPolygon, Polygon, box
from shapely.affinity import scale

from rillcast_service.catalogue.types import Entry, Fact, Quantity
from rillcast_service.engine.asmade.exposure import Gentler, gentler_exposure, roof_loss, roof_loss_range
from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.asmade.printing import (
    Lying,
    base_growth_um,
    in_layers,
    made_in_part,
    made_on_mould,
)
from rillcast_service.engine.layout.model import Layer, Role


def _quantity(value: float, unit: str, low: float | None = None, high: float | None = None) -> Quantity:
    return Quantity(
        value=value,
        unit=unit,
        source="test",
        low=value if low is None else low,
        high=value if high is None else high,
    )


def _printer(*, calibrated: bool = False, grey_levels: int = 1, pixel_x_um: float = 40.0) -> Entry:
    return Entry(
        kind="printers",
        name="test",
        title="test printer",
        values={
            "pixel_x_um": _quantity(pixel_x_um, "µm"),
            "pixel_y_um": _quantity(50, "µm"),
            "layer_um": _quantity(50, "µm"),
            "edge_bleed_um": _quantity(20, "µm", 10, 40),
            "light_spread_um": _quantity(18, "µm"),
            "grey_levels_count": _quantity(grey_levels, "1"),
            "base_exposure_s": _quantity(20, "s", 10, 40),
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


def _lying(*, upright: bool = False, turned_deg: float = 0.0) -> Lying:
    return Lying((0.0, 0.0), tolerance_percent=1.0, turned_deg=turned_deg, upright=upright)


def _layer(depth_um: float = 210.0, bar: Polygon | None = None) -> Layer:
    # 500 × 10 pixels of 40 × 50 µm
    bar = bar or box(0.0, 0.0, 20.0, 0.5)
    return Layer(name="channels", role=Role.CHANNELS, geometry=MultiPolygon([bar]), depth_um=depth_um)


def _size(made: MadeChannel) -> tuple[float, float]:
    x0, y0, x1, y1 = made.geometry.bounds
    return x1 - x0, y1 - y0


def test_depth_is_a_whole_number_of_layers():
    assert in_layers(210.0, _printer()) == 200.0
    assert in_layers(10.0, _printer()) == 50.0


def test_a_channel_narrows_and_a_ridge_widens_by_the_same_bleed():
    channel, channel_change = made_in_part(_layer(), _printer(), _resin(), enclosed=False, lying=_lying())
    ridge, ridge_change = made_on_mould(_layer(), _printer(), lying=_lying(), scale=1.0)
    assert (channel_change.best, ridge_change.best) == (-40.0, 40.0)
    assert _size(channel) == (pytest.approx(19.96, abs=2e-5), pytest.approx(0.46, abs=2e-5))
    assert _size(ridge) == (pytest.approx(20.04, abs=2e-5), pytest.approx(0.54, abs=2e-5))
    # the range holds the spread of the bleed, a pixel of edge placement and the repeatability
    assert channel_change.low == -80.0 - 50.0 - 10.0
    assert ridge_change.high == 80.0 + 50.0 + 10.0


def test_a_measured_printer_has_no_doubt_about_its_bleed():
    _, change = made_on_mould(_layer(), _printer(calibrated=True), lying=_lying(), scale=1.0)
    assert (change.low, change.high) == (40.0 - 60.0, 40.0 + 60.0)


def test_layers_and_pixels_are_those_of_the_mould_which_is_larger_than_the_cast():
    # silicone that shrinks by 2 %: a mould of 370 / 0.98 = 377.6 µm is 8 layers, 400 µm, and gives 392 µm;
    # the drawn 370 µm would be 7 layers
    drawn, shrinkage = _layer(370.0, bar=box(1.0, 2.0, 9.0, 2.337)), 0.02
    larger = 1.0 / (1.0 - shrinkage)
    ridge, change = made_on_mould(drawn, _printer(), lying=_lying(), scale=larger)
    assert ridge.depth_um.best == pytest.approx(400.0 * 0.98)
    assert ridge.depth_um.high - ridge.depth_um.best == pytest.approx(10.0 * 0.98)
    # the mould as it is printed, then all of it shrunk
    magnified = scale(drawn.geometry, larger, larger, origin=(0.0, 0.0))
    mould, mould_change = made_on_mould(
        replace(drawn, geometry=magnified), _printer(), lying=_lying(), scale=1.0
    )
    cast = scale(mould.geometry, 0.98, 0.98, origin=(0.0, 0.0))
    assert ridge.geometry.symmetric_difference(cast).area < 1e-6 * cast.area
    assert change.best == pytest.approx(mould_change.best * 0.98)
    assert change.high == pytest.approx(mould_change.high * 0.98)
    # and that is not what the raster makes of the drawing at its own size
    alike, _ = made_on_mould(drawn, _printer(), lying=_lying(), scale=1.0)
    assert ridge.geometry.symmetric_difference(alike.geometry).area > 1e-3 * cast.area


@pytest.mark.parametrize("grey_levels", [1, 4, 255])
def test_on_the_mean_of_all_places_an_edge_moves_by_the_profiles_bleed(grey_levels):
    # 32 places over one square pixel of 50 µm: what a wide bar loses on each side, on the mean
    printer = _printer(grey_levels=grey_levels, pixel_x_um=50.0)
    widths = []
    for place in range(32):
        bottom = 1.0 + 0.05 * (place + 0.5) / 32.0
        layer = _layer(bar=box(0.0, bottom, 20.0, bottom + 1.525))
        made, change = made_in_part(layer, printer, _resin(), enclosed=False, lying=_lying())
        widths.append(1e3 * _size(made)[1])
        assert change.low + 40.0 + 10.0 - 1e-3 <= widths[-1] - 1525.0 <= change.high - 10.0 + 1e-3
    assert sum(widths) / 32.0 == pytest.approx(1525.0 - 40.0, abs=0.05 if grey_levels == 1 else 0.3)


def test_greys_place_an_edge_finer_than_pixels():
    coarse = made_on_mould(_layer(), _printer(calibrated=True), lying=_lying(), scale=1.0)[1]
    fine = made_on_mould(_layer(), _printer(calibrated=True, grey_levels=255), lying=_lying(), scale=1.0)[1]
    assert (fine.high - fine.low) < 0.7 * (coarse.high - coarse.low)


def test_an_open_channel_keeps_its_layers_and_an_enclosed_one_loses_the_roofs_reach():
    opened, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=False, lying=_lying())
    closed, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=True, lying=_lying())
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
    level, _ = made_in_part(_layer(), _printer(), _resin(), enclosed=True, lying=_lying(upright=True))
    # pixels print its ends, which bleed; a layer its floor, which stays; and its roof lets light by
    assert _size(level) == (pytest.approx(19.96, abs=2e-5), pytest.approx(0.5 - loss_mm, abs=4e-3))
    # depth lies in the plane now: both walls bleed into it, no roof takes from it
    assert level.depth_um.best == pytest.approx(210.0 - 40.0)


def test_upright_a_channel_that_runs_along_the_build_axis_loses_only_its_end():
    loss_mm = roof_loss_range(_printer(), _resin()).best / 1000.0
    both = MultiPolygon([box(0.0, 0.0, 20.0, 0.5), box(10.0, 2.0, 10.4, 12.0)])
    layer = Layer(name="channels", role=Role.CHANNELS, geometry=both, depth_um=210.0)
    made, _ = made_in_part(layer, _printer(), _resin(), enclosed=True, lying=_lying(upright=True))
    upright = max(made.geometry.geoms, key=lambda part: part.bounds[3])
    x0, y0, x1, y1 = upright.bounds
    assert (x1 - x0, y1 - y0) == (pytest.approx(0.36, abs=2e-5), pytest.approx(10.0 - loss_mm, abs=4e-3))
    # the end under the roof closes, the end on the floor stays
    assert y0 == pytest.approx(2.0, abs=2e-3)


def test_what_stands_on_its_other_side_is_built_along_x():
    lying = Lying((0.0, 0.0), tolerance_percent=1.0, upright=True, long_in_x=False)
    bar = box(0.0, 0.0, 0.5, 20.0)
    made, _ = made_in_part(_layer(bar=bar), _printer(), _resin(), enclosed=True, lying=lying)
    loss_mm = roof_loss_range(_printer(), _resin()).best / 1000.0
    assert _size(made) == (pytest.approx(0.5 - loss_mm, abs=4e-3), pytest.approx(19.96, abs=2e-5))


@pytest.mark.parametrize(("pixels", "stays"), [(1, False), (2, True), (4, True)])
def test_channels_of_few_pixels(pixels, stays):
    """Gong et al. 2015, RSC Adv. 5, 106621: four pixels is the least width that stays open.

    With a bleed of half a pixel the light closes one pixel and leaves four a channel; whether resin can
    be washed out of it, which the published rule holds as well, is another matter.
    """
    bar = box(0.0, 1.0, 20.0, 1.0 + 0.05 * pixels)
    made, _ = made_in_part(_layer(bar=bar), _printer(), _resin(), enclosed=False, lying=_lying())
    assert (not made.geometry.is_empty) == stays


def test_the_published_least_height_in_penetration_depths():
    """Gong et al. 2015, RSC Adv. 5, 106621 (abstract): least height 3.5 to 5.5 penetration depths.

    For layers of 0.3 to 1.0 penetration depths, exposed by as much as cures about a layer and as much again:
    what the roof takes, a layer left open, and the drawn depth it takes lie in that span for the doses
    with which such layers hold together.
    """
    heights = []
    for layer_share in (0.3, 0.6, 1.0):
        for overcure in (8.0, 20.0):
            loss = roof_loss(
                dose_j_per_m2=overcure * math.exp(layer_share),
                critical_dose_j_per_m2=1.0,
                penetration_depth_m=100e-6,
                layer_m=layer_share * 100e-6,
            )
            heights.append(loss / 100e-6 + layer_share)
    assert min(heights) > 2.5
    assert max(heights) < 5.5
    assert sum(3.5 <= height <= 5.5 for height in heights) >= 2


@pytest.mark.parametrize("loss_um", [90.0, 120.0, 150.0])
def test_the_gentler_exposure_and_the_absorber_give_just_the_asked_loss(loss_um):
    printer, resin = _printer(), _resin()
    ways = gentler_exposure(printer, resin, loss_um=loss_um)

    def loss(exposure_s: float, depth_um: float) -> float:
        return 1e6 * roof_loss(
            dose_j_per_m2=30.0 * exposure_s,
            critical_dose_j_per_m2=20.0,
            penetration_depth_m=depth_um * 1e-6,
            layer_m=50e-6,
        )

    assert ways.penetration_depth_um is not None
    assert loss(2.0, ways.penetration_depth_um) == pytest.approx(loss_um)
    # 2 s give E0/Ec = 3; below exp(50/100) = 1.65 of Ec a layer no longer cures through: 1.1 s
    if ways.exposure_s is None:
        assert loss(1.0991, 100.0) > loss_um
    else:
        assert loss(ways.exposure_s, 100.0) == pytest.approx(loss_um)
        assert 1.099 < ways.exposure_s < 2.0


def test_where_nothing_helps_nothing_is_proposed():
    assert gentler_exposure(_printer(), _resin(), loss_um=0.0) == Gentler(None, None)


def test_base_layers_grow_to_where_their_longer_exposure_has_the_same_dose():
    # 20 s instead of 2 s: the dose at the grown edge, ten times its light, is that at the edge of a layer
    growth = base_growth_um(_printer(), _resin())

    def light(x_um: float) -> float:
        return 0.5 * math.erfc(x_um / (math.sqrt(2.0) * 18.0))

    assert 10.0 * light(20.0 + growth.best) == pytest.approx(light(20.0))
    assert growth.low < growth.best < growth.high
