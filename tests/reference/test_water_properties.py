"""Water against the releases and a published table."""

import pytest

from rillcast_service.engine.fluidics.liquids import water_density_kg_per_m3, water_viscosity_pa_s


def test_viscosity_check_value_of_the_release():
    """IAPWS SR6-08(2011), check value at 298.15 K: 889.9968 µPa·s."""
    assert water_viscosity_pa_s(25.0) * 1e6 == pytest.approx(889.9968, abs=5e-5)


@pytest.mark.parametrize(
    ("temperature_c", "printed_mpa_s"), [(10.0, 1.307), (20.0, 1.002), (30.0, 0.797), (40.0, 0.653)]
)
def test_viscosity_table(temperature_c, printed_mpa_s):
    """M. Chaplin, Water Structure and Science, "Water properties", London South Bank University.

    The table holds older values; the release lies up to 0.1 % lower, so 0.15 % is allowed."""
    assert water_viscosity_pa_s(temperature_c) * 1e3 == pytest.approx(printed_mpa_s, rel=1.5e-3)


@pytest.mark.parametrize(
    ("temperature_c", "printed"), [(10.0, 999.7), (20.0, 998.2), (30.0, 995.7), (40.0, 992.2)]
)
def test_density_table(temperature_c, printed):
    """Same table, kg/m³, one decimal printed."""
    assert water_density_kg_per_m3(temperature_c) == pytest.approx(printed, abs=0.06)


def test_density_is_greatest_at_four_degrees():
    """Tanaka et al. 2001: the maximum, 999.974950 kg/m³, lies at 3.983035 °C."""
    assert water_density_kg_per_m3(3.983035) == pytest.approx(999.974950, abs=1e-9)
    assert water_density_kg_per_m3(3.0) < 999.97495 > water_density_kg_per_m3(5.0)
