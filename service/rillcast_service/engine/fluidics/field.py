"""Pressure in thin channels: finite volumes on the grid, factorised once for all ports.

Depth-averaged flow with side walls accounted for: the flow per width is q = -(h³ F(h/w) / 12 μ) ∇p
with the local depth h and width w (`duct.shape_factor`). Its flux through a face is the open length
of the face times the harmonic mean of both cells' h³ F / 12 μ times the pressure difference over
their distance. A linear pressure along a straight channel at any angle solves these equations
exactly, because the open lengths of a cell's faces and its wall close the cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import SuperLU, splu

from rillcast_service.engine.layout.grid import Grid
from rillcast_service.engine.layout.medial import Floats, Ints
from rillcast_service.engine.layout.model import Port

#: A cell this close to the edge of a port, in cells, is as good as on it.
_LEAST_DISTANCE = 0.02
#: Columns of the multi-port solve that are held at once.
_BLOCK = 16


@dataclass(frozen=True, slots=True)
class PortCells:
    """The cells that each port holds at its own pressure.

    Args:
        owner: (cells,) index of the port that holds a cell, -1 for none.
        pinched: names of ports smaller than a cell.
        detached: names of ports that hold no cell.
    """

    owner: Ints
    pinched: tuple[str, ...]
    detached: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PressureField:
    """The factorised flow problem.

    Args:
        admittance: (ports, ports) m³/(Pa·s): flow into the chip at each port for given port
            pressures; symmetric, rows sum to zero.
        conductance: (faces,) m³/(Pa·s) of each open face of the grid.
        scale: m³/(Pa·s) that the factorised matrix is counted in.
    """

    grid: Grid
    owner: Ints
    admittance: Floats
    conductance: Floats
    free: Ints
    coupling: csc_array
    factor: SuperLU | None
    scale: float

    def pressure_pa(self, port_pressure_pa: Floats) -> Floats:
        """Pressure in every cell.

        Args:
            port_pressure_pa: (ports,) Pa; NaN at ports whose channels are not to be worked out.

        Returns:
            (cells,) Pa; NaN in cells that no port reaches, or that a port with NaN reaches.
        """
        pressure = np.full(len(self.owner), np.nan)
        held = self.owner >= 0
        pressure[held] = port_pressure_pa[self.owner[held]]
        if self.factor is not None:
            known = np.isfinite(port_pressure_pa)
            solved = self.factor.solve(-self.coupling @ np.where(known, port_pressure_pa, 0.0))
            solved += self._correction(
                np.where(held, np.where(known, port_pressure_pa, 0.0)[self.owner], 0.0), solved
            )
            label = self.grid.components()
            lost = np.unique(label[held & np.isnan(pressure)])
            pressure[self.free] = np.where(np.isin(label[self.free], lost), np.nan, solved)
        return pressure

    def _correction(self, held_pa: Floats, solved_pa: Floats) -> Floats:
        """What a solution lacks (iterative refinement), so that each cell's flows add up to nothing.

        A chip's whole pressure may be millions of times what drops over a cell of a wide chamber, whose flows
        would else be the rounding of the solution.
        """
        pressure = held_pa.copy()
        pressure[self.free] = solved_pa
        a, b = self.grid.face.T
        flow = self.conductance * (pressure[a] - pressure[b])
        net = np.bincount(b, weights=flow, minlength=len(pressure)) - np.bincount(
            a, weights=flow, minlength=len(pressure)
        )
        correction: Floats = self.factor.solve(net[self.free] / self.scale)  # type: ignore[union-attr]
        return correction

    def speed_m_per_s(self, pressure_pa: Floats, depth_m: Floats) -> Floats:
        """Mean speed over the depth in every cell, from the flow through its faces.

        Args:
            pressure_pa: (cells,) Pa.
            depth_m: (cells,) m.

        Returns:
            (cells,) m/s; zero where the pressure is not known.
        """
        a, b = self.grid.face.T
        flow = np.nan_to_num(self.conductance * (pressure_pa[a] - pressure_pa[b]))
        area = self.grid.aperture * self.grid.pitch_mm * 1e-3
        squared = np.zeros(len(depth_m))
        for axis in (self.grid.upright, ~self.grid.upright):
            ends = np.concatenate((a[axis], b[axis]))
            through = np.bincount(ends, weights=np.tile(flow[axis], 2), minlength=len(depth_m))
            open_length = np.bincount(ends, weights=np.tile(area[axis], 2), minlength=len(depth_m))
            squared += (through / np.maximum(open_length, 1e-300) / depth_m) ** 2
        speed: Floats = np.sqrt(squared)
        return speed


def hold(grid: Grid, ports: Sequence[Port]) -> PortCells:
    """Which cells each port holds: those whose centre lies in its opening.

    Args:
        grid: samples of the channels.
        ports: their openings.

    Returns:
        The cells. A port that covers no cell's centre holds the cells that its opening meets; where
        openings overlap the nearer port holds the cell.
    """
    centre = grid.centre_mm
    owner = np.full(len(centre), -1, dtype=np.int64)
    distance = np.full(len(centre), np.inf)
    pinched = []
    for k, port in enumerate(ports):
        left, bottom, right, top = port.opening.bounds
        margin = grid.pitch_mm / 2
        near = np.flatnonzero(
            (centre[:, 0] > left - margin)
            & (centre[:, 0] < right + margin)
            & (centre[:, 1] > bottom - margin)
            & (centre[:, 1] < top + margin)
        )
        shapely.prepare(port.opening)
        own = near[shapely.contains_xy(port.opening, centre[near])]
        if not own.size:
            squares = shapely.box(*(centre[near] - margin).T, *(centre[near] + margin).T)
            own = near[shapely.intersects(squares, port.opening)]
            if own.size:
                pinched.append(port.name)
        away = np.hypot(*(centre[own] - (port.centre.x, port.centre.y)).T)
        nearer = away < distance[own]
        owner[own[nearer]], distance[own[nearer]] = k, away[nearer]
    holds = np.bincount(owner[owner >= 0], minlength=len(ports))
    return PortCells(
        owner=owner,
        pinched=tuple(pinched),
        detached=tuple(port.name for port, count in zip(ports, holds, strict=True) if not count),
    )


def assemble(
    grid: Grid, ports: Sequence[Port], owner: Ints, *, depth_m: Floats, shape: Floats, viscosity_pa_s: float
) -> PressureField:
    """Set up and factorise the flow problem.

    Args:
        grid: samples of the channels.
        ports: at least one.
        owner: from `hold`.
        depth_m: (cells,) local depth, m.
        shape: (cells,) local shape factor F(h/w).
        viscosity_pa_s: of the liquid.

    Returns:
        The problem, ready to be solved for any port pressures. Cells in parts of the channels that
        no port reaches are left out, so the matrix is never singular.
    """
    conductance = _face_conductance(grid, ports, owner, depth_m**3 * shape / (12.0 * viscosity_pa_s))
    a, b = grid.face.T
    count, ports_count = len(owner), len(ports)
    label = grid.components()
    reached = np.isin(label, np.unique(label[owner >= 0]))
    free = np.flatnonzero(reached & (owner < 0))
    # Ports first, then free cells; cells of a port share its place.
    place = np.full(count, -1, dtype=np.int64)
    place[owner >= 0] = owner[owner >= 0]
    place[free] = ports_count + np.arange(len(free))
    used = (place[a] >= 0) & (place[b] >= 0) & (place[a] != place[b])
    rows, columns, values = place[a][used], place[b][used], conductance[used]
    scale = float(values.max(initial=0.0)) or 1.0
    size = ports_count + len(free)
    off = coo_array((-values / scale, (rows, columns)), shape=(size, size)).tocsc()
    off = off + off.T
    matrix = csc_array(off - _diagonal(np.asarray(off.sum(axis=0), dtype=np.float64).ravel()))

    inner = csc_array(matrix[ports_count:, ports_count:])
    coupling = csc_array(matrix[ports_count:, :ports_count])
    schur = matrix[:ports_count, :ports_count].toarray()
    factor = None
    if len(free):
        factor = splu(
            inner, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )
        for first in range(0, ports_count, _BLOCK):
            block = slice(first, min(first + _BLOCK, ports_count))
            schur[:, block] -= coupling.T @ factor.solve(coupling[:, block].toarray())
    return PressureField(
        grid=grid,
        owner=owner,
        admittance=_balanced(schur) * scale,
        conductance=conductance,
        free=free,
        coupling=coupling,
        factor=factor,
        scale=scale,
    )


def _face_conductance(grid: Grid, ports: Sequence[Port], owner: Ints, per_width: Floats) -> Floats:
    a, b = grid.face.T
    mean = 2.0 * per_width[a] * per_width[b] / (per_width[a] + per_width[b])
    distance = np.ones(len(a))
    centre = grid.centre_mm
    for k, port in enumerate(ports):
        edge = np.flatnonzero((owner[a] == k) != (owner[b] == k))
        ends = np.stack((centre[a[edge]], centre[b[edge]]), axis=1)
        # The port's pressure holds up to its edge, which lies somewhere between the two centres.
        outside = shapely.length(shapely.difference(shapely.linestrings(ends), port.opening))
        distance[edge] = np.maximum(outside / grid.pitch_mm, _LEAST_DISTANCE)
    result: Floats = mean * grid.aperture / distance
    return result


def _diagonal(values: Floats) -> csc_array:
    places = np.arange(len(values))
    return csc_array((values, (places, places)), shape=(len(values), len(values)))


def _balanced(admittance: NDArray[np.float64]) -> Floats:
    """Rid a port admittance matrix of rounding: symmetric, no negative link, rows sum to zero."""
    coupled = np.minimum((admittance + admittance.T) / 2.0, 0.0)
    np.fill_diagonal(coupled, 0.0)
    np.fill_diagonal(coupled, -coupled.sum(axis=1))
    return coupled
