"""Water through silicone: steam tables, a slab by hand, and a solver that knows no conformal map."""

import numpy as np
import pytest
from scipy.sparse import lil_array
from scipy.sparse.linalg import spsolve

from rillcast_service.catalogue.units import to_si
from rillcast_service.engine.fluidics import evaporation


@pytest.mark.parametrize(("temperature_c", "kpa"), [(10, 1.2282), (20, 2.3393), (25, 3.1699), (40, 7.3849)])
def test_vapour_pressure_of_the_steam_tables(temperature_c, kpa):
    """IAPWS-95, saturation pressure at these temperatures."""
    assert evaporation.vapour_pressure_pa(temperature_c) == pytest.approx(1e3 * kpa, rel=7e-3)


def test_a_barrer_in_si():
    """1e-10 cm³(STP) cm / (cm² s cmHg), 22 414 cm³/mol, 1333.22 Pa."""
    assert to_si(1.0, "permeability_barrer") == pytest.approx(
        1e-10 / 22414.0 * 1e-2 / 1e-4 / 1333.22, rel=1e-3
    )


def _by_differences(width, thickness=1.0, cells=40, beside=5.0):
    """Flux from half a strip into a slab, doubled: Laplace's equation on a grid of nodes."""
    step = thickness / cells
    columns, rows = round((width / 2 + beside) / step) + 1, cells + 1
    strip = width / 2 / step

    def place(i, j):
        return j * columns + i

    matrix, right = lil_array((columns * rows, columns * rows)), np.zeros(columns * rows)
    for j in range(rows):
        for i in range(columns):
            here = place(i, j)
            if j == rows - 1 or (j == 0 and i <= strip):
                matrix[here, here] = 1.0
                right[here] = 1.0 if j == 0 else 0.0
                continue
            # mirrored at the middle, at the far side and at the tight floor
            for di, dj in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                x, y = i + di, j + dj
                x = 1 if x < 0 else columns - 2 if x == columns else x
                y = 1 if y < 0 else y
                matrix[here, place(x, y)] += 1.0
            matrix[here, here] -= 4.0
    value = spsolve(matrix.tocsr(), right).reshape(rows, columns)
    out = value[-2] - value[-1]
    return 2.0 * (out.sum() - out[0] / 2 - out[-1] / 2)


@pytest.mark.parametrize("width", [0.5, 1.0, 4.0])
def test_spreading_into_a_slab_against_finite_differences(width):
    """The corner at the edge of the strip is worth half a step of width: that is taken off."""
    step = 1.0 / 40
    assert float(evaporation.spreading(width + step / 2, 1.0)) == pytest.approx(
        _by_differences(width), rel=0.02
    )


def test_spreading_at_its_limits():
    """Wide: w/H + ln(16)/π. Narrow: half of a cylinder of radius w/4 buried in the slab (Incropera et al.,
    conduction shape factors, from memory)."""
    assert float(evaporation.spreading(20.0, 1.0)) == pytest.approx(20.0 + np.log(16.0) / np.pi, rel=1e-6)
    assert float(evaporation.spreading(0.04, 1.0)) == pytest.approx(
        np.pi / np.log(16.0 / (np.pi * 0.04)), rel=1e-3
    )


def test_a_wide_chamber_under_a_thin_roof_by_hand():
    """36 000 barrer, 100 µm, 25 °C, dry room: 1.205e-11 · 3170 · 0.018 / 997 / 1e-4 = 6.9 nm/s = 25 µm/h."""
    found = evaporation.loss_m_per_s(
        width_m=10e-3,
        silicone_m=[100e-6],
        permeability_mol_m_per_m2_s_pa=to_si(36000.0, "permeability_barrer"),
        vapour_drop_pa=3170.0,
        density_kg_per_m3=997.0,
    )
    assert float(found) == pytest.approx(6.9e-9, rel=0.02)


def test_two_soft_faces_lose_what_each_loses():
    def loss(faces):
        return float(
            evaporation.loss_m_per_s(
                width_m=1e-3,
                silicone_m=faces,
                permeability_mol_m_per_m2_s_pa=1e-11,
                vapour_drop_pa=1000.0,
                density_kg_per_m3=1000.0,
            )
        )

    assert loss([1e-3, 2e-3]) == pytest.approx(loss([1e-3]) + loss([2e-3]), rel=1e-12)
