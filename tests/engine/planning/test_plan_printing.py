"""Print times by hand."""

import pytest

from rillcast_service.engine.planning.printing import layers, print_time_min, print_time_s


def test_print_time_by_hand():
    # 5 mm in layers of 50 µm are 100: 100 · (2.2 + 7) s + 5 · (20 − 2.2) s + 120 s = 920 + 89 + 120 s
    assert layers(5.0, 50.0) == 100
    time_s = print_time_s(
        layers_count=100, exposure_s=2.2, move_s=7.0, base_layers_count=5, base_exposure_s=20.0, setup_s=120.0
    )
    assert time_s == pytest.approx(1129.0)


@pytest.mark.parametrize(
    ("height_mm", "layer_um", "count"),
    [(4.0, 50.0, 80), (4.001, 50.0, 81), (0.3, 100.0, 3), (0.001, 50.0, 1), (75.0, 50.0, 1500)],
)
def test_layers_are_whole(height_mm, layer_um, count):
    assert layers(height_mm, layer_um) == count


def test_a_print_of_fewer_layers_than_base_layers_is_all_base():
    time_s = print_time_s(
        layers_count=3, exposure_s=2.0, move_s=7.0, base_layers_count=5, base_exposure_s=25.0, setup_s=0.0
    )
    assert time_s == pytest.approx(3 * (25.0 + 7.0))


def test_the_shipped_printer_prints_a_chip_in_the_time_its_values_give(catalogue):
    printer, resin = catalogue.get("printers", "masked_lcd_35um"), catalogue.get("resins", "clear_standard")
    # 80 · (2.5 + 7) + 5 · (25 − 2.5) + 600 s = 1472.5 s
    assert print_time_min(printer, resin, height_mm=4.0).best == pytest.approx(1472.5 / 60.0)


def test_time_follows_height_and_not_what_else_is_on_the_plate(catalogue):
    printer, resin = catalogue.get("printers", "masked_lcd_35um"), catalogue.get("resins", "clear_standard")
    low, high = (print_time_min(printer, resin, height_mm=mm) for mm in (4.0, 22.0))
    # 360 layers more of 9.5 s
    assert high.best - low.best == pytest.approx(360 * 9.5 / 60.0)
    assert low.low < low.best < low.high
