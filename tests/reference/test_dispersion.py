"""Taylor–Aris dispersion in rectangles, against a solution of its own of both cross-section problems."""

import numpy as np
import pytest
from scipy.sparse import diags_array, eye_array, kron
from scipy.sparse.linalg import spsolve

from rillcast_service.engine.fluidics import dispersion


def _second_difference(cells, wall):
    """On cell middles of a unit length; `wall`: 3 where the value is zero there, 1 where its slope is."""
    diagonal = np.full(cells, 2.0)
    diagonal[[0, -1]] = wall
    off = np.full(cells - 1, -1.0)
    return diags_array([off, diagonal, off], offsets=[-1, 0, 1]) * float(cells) ** 2


def _laplacian(nx, ny, width, wall):
    across, along = _second_difference(ny, wall), _second_difference(nx, wall) / width**2
    return (kron(eye_array(nx), across) + kron(along, eye_array(ny))).tocsc()


def _factor(ratio, cells):
    """210 ⟨v g⟩ with ∇²u = −1, u = 0 at the walls, v = u/ū − 1, ∇²g = −v, no slope at the walls; h = 1."""
    ny, width = cells, 1.0 / ratio
    nx = round(cells * min(width, 4.0))
    u = spsolve(_laplacian(nx, ny, width, 3.0), np.ones(nx * ny))
    v = u / u.mean() - 1.0
    matrix = _laplacian(nx, ny, width, 1.0).tolil()
    matrix[0] = 0.0
    matrix[0, 0] = 1.0
    right = v.copy()
    right[0] = 0.0
    g = spsolve(matrix.tocsc(), right)
    return 210.0 * float((v * g).mean())


@pytest.mark.parametrize("ratio", [1.0, 0.8, 0.5, 1.0 / 3.0, 0.25, 0.1])
def test_factor_of_a_rectangle(ratio):
    coarse, fine = _factor(ratio, 24), _factor(ratio, 48)
    assert dispersion.factor(ratio) == pytest.approx(fine + (fine - coarse) / 3.0, rel=0.01)


def test_published_ends():
    """1.76 for a square and 7.95 for wide channels: Chatwin & Sullivan 1982, J. Fluid Mech. 120, 347-358."""
    assert dispersion.factor(1.0) == pytest.approx(1.76, abs=0.005)
    assert dispersion.factor(0.0) == pytest.approx(7.95, abs=0.005)
    assert dispersion.factor(4.0) == dispersion.factor(0.25)


def test_plates_have_one_in_210():
    """⟨v g⟩ = 1/210 for u = 6 y (1 − y): Aris 1956, Proc. R. Soc. A 235, 67-77."""
    y = (np.arange(2000) + 0.5) / 2000
    v = 6.0 * y * (1.0 - y) - 1.0
    slope = -np.cumsum(v) / 2000
    # ⟨v g⟩ = ⟨g′²⟩, by parts
    assert (slope**2).mean() == pytest.approx(1.0 / dispersion.PLATES, rel=1e-3)


def test_variance_grows_by_the_published_coefficient():
    """2 D_eff/u² per time, D_eff − D = f Pe² D/210: by hand for 300 × 100 µm, 0.5 mm/s, D = 4e-10 m²/s."""
    peclet = 0.5e-3 * 100e-6 / 4e-10
    extra = 4.570 * peclet**2 / 210.0 * 4e-10
    rate, early = (
        dispersion.spread_rate_s(
            width_m=np.array([300e-6]),
            depth_m=np.array([100e-6]),
            age_s=np.array([age_s]),
            diffusivity_m2_per_s=4e-10,
        )
        for age_s in (1e6, 0.01)
    )
    assert rate[0] == pytest.approx(2.0 * extra / 0.5e-3**2, rel=1e-6)
    assert early[0] < 0.02 * rate[0]


def test_a_profile_evens_out_after_the_square_of_its_breadth():
    # 1 mm, 1e-9 m²/s: 1e-6/(9.8696e-9) = 101.3 s
    found = dispersion.averaging_time_s(breadth_m=1e-3, diffusivity_m2_per_s=1e-9)
    assert found == pytest.approx(101.32, rel=1e-4)
