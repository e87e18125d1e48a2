"""Working curve and roof print-through against published and hand-worked numbers."""

import math

import pytest

from rillcast_service.engine.asmade.exposure import cure_depth, roof_loss


def test_working_curve_reproduces_a_resin_sheets_own_check_value():
    # Epoxy stereolithography resin sheet (from memory): Dp 6.5 mil, Ec 11.5 mJ/cm², and E10 = 54 mJ/cm²,
    # the dose for 10 mil. Tolerance: the sheet prints E10 to whole mJ/cm².
    depth_m = cure_depth(dose_j_per_m2=540.0, critical_dose_j_per_m2=115.0, penetration_depth_m=6.5 * 25.4e-6)
    assert depth_m / 25.4e-6 == pytest.approx(10.0, rel=0.01)


def test_one_roof_layer_is_the_working_curve_less_the_layer_itself():
    # Jacobs 1992, ch. 4: the light has to cross the roof layer first.
    light = {"dose_j_per_m2": 30.0, "critical_dose_j_per_m2": 10.0, "penetration_depth_m": 100e-6}
    loss_m = roof_loss(**light, layer_m=50e-6, layers=1)
    assert loss_m == pytest.approx(cure_depth(**light) - 50e-6, rel=1e-12)
    assert loss_m * 1e6 == pytest.approx(100.0 * math.log(3.0) - 50.0)


def test_many_roof_layers_by_hand():
    # Dp = 100 µm, layer 50 µm, E0/Ec = 3: 100·(ln 3 − ln(e^0.5 − 1)) = 153.1 µm.
    loss_m = roof_loss(
        dose_j_per_m2=30.0, critical_dose_j_per_m2=10.0, penetration_depth_m=100e-6, layer_m=50e-6
    )
    assert loss_m * 1e6 == pytest.approx(153.1, abs=0.1)


@pytest.mark.parametrize("layers", [1, 2, 5, 40])
def test_closed_sum_equals_the_sum_layer_by_layer(layers):
    # The naive twin: find by bisection where the dose, added up layer by layer, is Ec.
    dose, critical, depth, layer = 42.0, 9.0, 80e-6, 30e-6

    def dose_behind_roof(z: float) -> float:
        return sum(dose * math.exp(-(n * layer + z) / depth) for n in range(1, layers + 1))

    low, high = 0.0, 2e-3
    for _ in range(80):
        middle = (low + high) / 2.0
        low, high = (middle, high) if dose_behind_roof(middle) > critical else (low, middle)
    loss_m = roof_loss(
        dose_j_per_m2=dose,
        critical_dose_j_per_m2=critical,
        penetration_depth_m=depth,
        layer_m=layer,
        layers=layers,
    )
    assert loss_m == pytest.approx(low, abs=1e-12)
