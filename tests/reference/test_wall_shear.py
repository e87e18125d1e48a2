"""Shear on the walls of rectangular ducts: plates, a handbook ratio, and a solver that knows no series."""

import numpy as np
import pytest
from scipy.sparse import diags_array, eye_array, kron
from scipy.sparse.linalg import spsolve

from rillcast_service.engine.fluidics import duct


def _solved(width, height, per_height=60):
    """Mean speed and slope at the middle of the long wall for μ = 1, dp/dx = −1: central differences."""
    rows = per_height
    columns = round(per_height * width / height)
    step = height / rows

    def second(count):
        line = diags_array([1.0, -2.0, 1.0], offsets=[-1, 0, 1], shape=(count, count)).tolil()
        # half a step to the wall, where the speed is zero: ghost value −u
        line[0, 0] = line[-1, -1] = -3.0
        return line.tocsc() / step**2

    laplace = kron(second(rows), eye_array(columns)) + kron(eye_array(rows), second(columns))
    speed = spsolve(laplace.tocsc(), -np.ones(rows * columns)).reshape(rows, columns)
    # the flux through the wall that balances the cells
    return speed.mean(), 2.0 * speed[0, columns // 2] / step


@pytest.mark.parametrize("ratio", [1.0, 2.0, 5.0])
def test_wall_shear_against_a_finite_difference_solution(ratio):
    mean, slope = _solved(ratio, 1.0)
    ours = duct.wall_shear_pa(speed_m_per_s=mean, width_m=ratio, height_m=1.0, viscosity_pa_s=1.0)
    assert float(ours) == pytest.approx(slope, rel=3e-3)
    turned = duct.wall_shear_pa(speed_m_per_s=mean, width_m=1.0, height_m=ratio, viscosity_pa_s=1.0)
    assert float(turned) == pytest.approx(float(ours), rel=1e-12)


def test_between_plates_it_is_six_mu_u_over_h():
    """Bruus 2008, Theoretical Microfluidics, §3.4.2: parabola between plates, slope 6 U / h at the wall."""
    ours = duct.wall_shear_pa(speed_m_per_s=0.01, width_m=1.0, height_m=1e-4, viscosity_pa_s=1e-3)
    assert float(ours) == pytest.approx(6 * 1e-3 * 0.01 / 1e-4, rel=1e-3)


def test_the_mean_over_the_wall_balances_the_pressure():
    """f Re = 14.227 of the square (Shah & London 1978): mean shear = f ρ U² / 2 = 14.227 μ U / (2 D_h). The
    largest is 1.35 times as much (torsion of a square bar: 0.675 G θ a at the middle against 0.5)."""
    largest = float(duct.wall_shear_pa(speed_m_per_s=1.0, width_m=1.0, height_m=1.0, viscosity_pa_s=1.0))
    assert largest / (14.2271 / 2.0) == pytest.approx(0.6753 / 0.5, rel=1e-3)


@pytest.mark.parametrize(("reynolds", "diameters"), [(0.0, 0.6), (100.0, 0.6 / 4.5 + 5.6)])
def test_entrance_length_at_the_ends_of_its_formula(reynolds, diameters):
    found = duct.entrance_length_m(reynolds=reynolds, hydraulic_diameter_m=2e-4)
    assert float(found) == pytest.approx(diameters * 2e-4)
