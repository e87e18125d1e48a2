"""The one grid: polygons sampled to square cells with exact coverage and exact open face lengths.

Each edge is cut at the grid lines, and every piece adds its signed height and area to the cell it
lies in; sums along rows and columns then give, exact to rounding, the covered share of each cell
and the open share of each face. Only cells that the polygons touch are kept.

Source: signed-area accumulation as in anti-aliased scan conversion (Catmull 1978, "A hidden-surface
algorithm with anti-aliasing", Computer Graphics 12, 6-11).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from rillcast_service.engine.errors import Fault, LayoutTooComplex
from rillcast_service.engine.layout.measure import Measurements, Span
from rillcast_service.engine.layout.medial import Floats, Ints, polygons_of

#: Coverage and open length (as shares) below this are rounding.
_NOTHING = 1e-9
#: How far around a cell that reaches around the tip of a wall the tip is looked for, in cells.
_TIP_REACH_CELLS = (1, 2, 4, 8, 16, 32, 64)
_REFINE = 0.7
_TRIES = 5
_MM_TO_UM = 1e3


@dataclass(frozen=True, slots=True)
class Sampling:
    """How finely to sample.

    Args:
        cells_across: cells across the narrowest channel; `least_cells_across` when the budget forces it.
        cells_per_gap: cells across the thinnest wall, so that no cell touches both of its sides.
        cells_max: budget of cells.
    """

    cells_across: float = 8.0
    least_cells_across: float = 4.0
    cells_per_gap: float = 2.0
    cells_max: int = 900_000


class TooFineForGrid(LayoutTooComplex):
    """The narrowest channel or wall needs more cells than the budget has.

    `place` is that narrowest place, None when it could not be told; `pitch_mm` is the finest grid
    within the budget, `cells_across` how many of its cells lie across the narrowest channel.
    """

    def __init__(self, fault: Fault, *, place: Span | None, pitch_mm: float, cells_across: float) -> None:
        super().__init__(fault)
        self.place = place
        self.pitch_mm = pitch_mm
        self.cells_across = cells_across


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells that polygons cover, and the open faces between them.

    Args:
        origin_mm: lower left corner of cell (0, 0).
        pitch_mm: edge of a cell.
        columns, rows: extent of the grid.
        cell: (n,) `row * columns + column` of each covered cell, ascending.
        coverage: (n,) covered share of each cell, above 0 to 1.
        face: (m, 2) positions in `cell` of the two cells on either side of an open face; the second
            lies to the right of the first, or above it.
        aperture: (m,) open share of each face, above 0 to 1.
        upright: (m,) whether the face is upright (its cells are left and right of it).
    """

    origin_mm: tuple[float, float]
    pitch_mm: float
    columns: int
    rows: int
    cell: Ints
    coverage: Floats
    face: Ints
    aperture: Floats
    upright: NDArray[np.bool_]

    @property
    def column(self) -> Ints:
        """Column of each cell, (n,)."""
        return self.cell % self.columns

    @property
    def row(self) -> Ints:
        """Row of each cell, (n,), counted upwards."""
        return self.cell // self.columns

    @property
    def centre_mm(self) -> Floats:
        """Centre of each cell, (n, 2) mm."""
        places = np.column_stack((self.column, self.row)) + 0.5
        centre: Floats = np.asarray(self.origin_mm) + places * self.pitch_mm
        return centre

    @property
    def area_mm2(self) -> Floats:
        """Covered area of each cell, (n,) mm²."""
        return self.coverage * self.pitch_mm**2

    def components(self) -> Ints:
        """A number per cell, the same for cells that open faces connect."""
        count = len(self.cell)
        links = coo_array(
            (np.ones(len(self.face), dtype=np.int8), (self.face[:, 0], self.face[:, 1])), shape=(count, count)
        )
        labels: Ints = connected_components(links, directed=False)[1].astype(np.int64)
        return labels

    def find(self, points_mm: Floats) -> Ints:
        """The cell that holds each point.

        Args:
            points_mm: (k, 2) mm.

        Returns:
            (k,) positions in `cell`; -1 where no covered cell is.
        """
        place = np.floor((points_mm - np.asarray(self.origin_mm)) / self.pitch_mm).astype(np.int64)
        valid = ((place >= 0) & (place < (self.columns, self.rows))).all(axis=1)
        return np.where(valid, _position(self.cell, place[:, 1] * self.columns + place[:, 0]), -1)


@dataclass(frozen=True, slots=True)
class FittedGrid:
    """A grid fine enough for its layout, with the same parts and holes as the vectors.

    Args:
        grid: the grid.
        cells_across: cells across the narrowest channel.
        notes: what the reader must know of its fineness.
    """

    grid: Grid
    cells_across: float
    notes: tuple[str, ...] = field(default=())


def sample(geometry: MultiPolygon | Polygon, *, pitch_mm: float, frame: Grid | None = None) -> Grid:
    """Sample polygons to a grid.

    Args:
        geometry: valid polygons without overlap, mm.
        pitch_mm: edge of a cell.
        frame: take origin, pitch and extent from this grid, so that cells correspond.

    Returns:
        The grid. Covered area is exact to rounding; cells covered by less than 1e-9 are left out.
    """
    if frame is None:
        left, bottom, right, top = geometry.bounds
        columns = math.ceil((right - left) / pitch_mm) + 2
        rows = math.ceil((top - bottom) / pitch_mm) + 2
        # Centred, so that a mirrored layout gives the mirrored grid.
        origin = ((left + right - columns * pitch_mm) / 2, (bottom + top - rows * pitch_mm) / 2)
    else:
        origin, pitch_mm, columns, rows = frame.origin_mm, frame.pitch_mm, frame.columns, frame.rows

    column, row, width, height, right_share = _pieces(geometry, origin, pitch_mm)
    keys, where, cover, area, left_open = _cut_cells(row * columns + column, height, right_share, columns)
    across = _gathered(where, width, len(keys))
    by_column = np.lexsort((keys // columns, keys % columns))
    bottom_open = np.empty_like(left_open)
    bottom_open[by_column] = _sum_before(across[by_column], keys[by_column] % columns)

    inner = _full_cells(keys, left_open + cover)
    cell = np.concatenate((keys, inner))
    order = np.argsort(cell, kind="stable")
    ones = np.ones(len(inner))
    cell = cell[order]
    coverage = np.concatenate((left_open + area, ones))[order]
    left_open = np.concatenate((left_open, ones))[order]
    bottom_open = np.concatenate((bottom_open, ones))[order]

    kept = coverage > _NOTHING
    cell, coverage = cell[kept], np.minimum(coverage[kept], 1.0)
    to_left = _faces(cell, left_open[kept], 1)
    to_bottom = _faces(cell, bottom_open[kept], columns)
    return Grid(
        origin_mm=origin,
        pitch_mm=pitch_mm,
        columns=columns,
        rows=rows,
        cell=cell,
        coverage=coverage,
        face=np.concatenate((to_left[0], to_bottom[0])),
        aperture=np.concatenate((to_left[1], to_bottom[1])),
        upright=np.repeat([True, False], [len(to_left[1]), len(to_bottom[1])]),
    )


def coverage(
    geometry: MultiPolygon | Polygon, *, origin_mm: tuple[float, float], pitch_mm: tuple[float, float]
) -> tuple[Ints, Ints, Floats]:
    """The covered share of every cell of an endless grid, exact to rounding.

    Args:
        geometry: valid polygons without overlap, mm; not empty.
        origin_mm: a corner of cell (0, 0); pitch_mm: width and height of a cell.

    Returns:
        Column, row and share of each cell that the polygons cover by more than 1e-9, row by row.
    """
    column, row, _, height, right_share = _pieces(geometry, origin_mm, pitch_mm)
    first_column, first_row = int(column.min()), int(row.min())
    columns = int(column.max()) - first_column + 1
    keys = (row - first_row) * columns + column - first_column
    keys, _, cover, area, left_open = _cut_cells(keys, height, right_share, columns)
    inner = _full_cells(keys, left_open + cover)
    cell = np.concatenate((keys, inner))
    share = np.minimum(np.concatenate((left_open + area, np.ones(len(inner)))), 1.0)
    order = np.argsort(cell, kind="stable")
    order = order[share[order] > _NOTHING]
    return cell[order] % columns + first_column, cell[order] // columns + first_row, share[order]


def fit(
    geometry: MultiPolygon | Polygon,
    measured: Measurements,
    *,
    sampling: Sampling | None = None,
    detail_mm: float = math.inf,
) -> FittedGrid:
    """Sample polygons finely enough that the flow is right and nothing merges or vanishes.

    Args:
        geometry: union of the channels, mm; valid, not empty.
        measured: its least width and gap.
        sampling: fineness and budget.
        detail_mm: size of the smallest other thing to resolve, such as a port; it gets `least_cells_across`
            where the budget allows.

    Returns:
        A grid with as many connected parts and holes as the polygons, part by part.

    Raises:
        TooFineForGrid: the budget does not allow such a grid; the fault names the narrowest place.
    """
    sampling = sampling or Sampling()
    width_mm = measured.width.length_um / _MM_TO_UM if measured.width else math.sqrt(geometry.area)
    gap_mm = measured.gap.length_um / _MM_TO_UM if measured.gap else math.inf
    coarsest = min(width_mm / sampling.least_cells_across, gap_mm / sampling.cells_per_gap)
    affordable = _pitch_for(geometry, sampling.cells_max)
    if affordable > coarsest:
        raise _too_fine(measured, coarsest, affordable, width_mm, sampling)
    wanted = min(width_mm / sampling.cells_across, gap_mm / sampling.cells_per_gap)
    pitch = max(min(wanted, detail_mm / sampling.least_cells_across), affordable)
    for _ in range(_TRIES):
        grid = sample(geometry, pitch_mm=pitch)
        if _same_topology(geometry, grid):
            across = width_mm / pitch
            notes = () if pitch <= wanted else (_coarse_note(across, sampling),)
            return FittedGrid(grid=grid, cells_across=across, notes=notes)
        pitch *= _REFINE
        if pitch < affordable:
            break
    raise _too_fine(measured, pitch, affordable, width_mm, sampling)


def euler_characteristic(geometry: MultiPolygon | Polygon, grid: Grid) -> Ints:
    """Euler characteristic (1 minus holes) of each connected part of a grid, in no given order.

    Cells count 1, open faces -1, and inner grid points 1: points inside the channels where four
    cells meet through four open faces.

    Args:
        geometry: what was sampled.
        grid: its samples.

    Returns:
        One number per connected part.
    """
    label = grid.components()
    parts = int(label.max(initial=-1)) + 1
    inner = _inner_points(geometry, grid)
    counts = np.bincount(label, minlength=parts) + np.bincount(label[inner], minlength=parts)
    counts -= np.bincount(label[grid.face[:, 0]], minlength=parts)
    return counts.astype(np.int64)


def _pieces(
    geometry: MultiPolygon | Polygon, origin: tuple[float, float], pitch_mm: float | tuple[float, float]
) -> tuple[Ints, Ints, Floats, Floats, Floats]:
    """Edges cut at grid lines: column, row, signed width and height, and share of the cell to its right."""
    starts, ends = [], []
    for polygon in polygons_of(geometry):
        turned = orient(polygon)
        for ring in (turned.exterior, *turned.interiors):
            points = (shapely.get_coordinates(ring) - origin) / pitch_mm
            starts.append(points[:-1])
            ends.append(points[1:])
    start, end = np.concatenate(starts), np.concatenate(ends)
    vector = end - start
    low, high = np.minimum(start, end), np.maximum(start, end)
    first_line = np.floor(low).astype(np.int64) + 1
    lines = np.maximum(np.ceil(high).astype(np.int64) - first_line, 0)

    count = len(start)
    edges, along = [np.arange(count), np.arange(count)], [np.zeros(count), np.ones(count)]
    for axis in (0, 1):
        edge = np.repeat(np.arange(count), lines[:, axis])
        line = np.repeat(first_line[:, axis], lines[:, axis]) + _ramp(lines[:, axis])
        edges.append(edge)
        along.append((line - start[edge, axis]) / vector[edge, axis])
    edge, share = np.concatenate(edges), np.clip(np.concatenate(along), 0.0, 1.0)
    order = np.lexsort((share, edge))
    edge, share = edge[order], share[order]
    inside = edge[1:] == edge[:-1]
    edge, before, after = edge[:-1][inside], share[:-1][inside], share[1:][inside]

    middle = start[edge] + vector[edge] * ((before + after) / 2)[:, None]
    cell = np.floor(middle).astype(np.int64)
    # From the points, not the shares: all pieces of a row must add up to nothing exactly.
    step = vector[edge] * after[:, None] - vector[edge] * before[:, None]
    return cell[:, 0], cell[:, 1], step[:, 0], step[:, 1], 1.0 - (middle[:, 0] - cell[:, 0])


def _cut_cells(
    key: Ints, height: Floats, right_share: Floats, columns: int
) -> tuple[Ints, Ints, Floats, Floats, Floats]:
    """Cells that edges cut: key, place of each piece, height and area in it, open length of its left face."""
    keys, where = np.unique(key, return_inverse=True)
    cover = _gathered(where, -height, len(keys))
    area = _gathered(where, -height * right_share, len(keys))
    # Along a row, all height left of a face adds up to the open length of that face.
    return keys, where, cover, area, _sum_before(cover, keys // columns)


def _full_cells(keys: Ints, right_open: Floats) -> Ints:
    """Between two cut cells of a row that face open towards each other, all cells are full."""
    gap = np.diff(keys, append=keys[-1:] + 1) - 1
    full = np.where(right_open > 0.5, gap, 0)
    return np.repeat(keys + 1, full) + _ramp(full)


def _gathered(where: Ints, values: Floats, count: int) -> Floats:
    return np.bincount(where, weights=values, minlength=count).astype(np.float64)


def _ramp(counts: Ints) -> Ints:
    """0, 1, … for each count, one after the other."""
    ends = np.cumsum(counts)
    total = int(ends[-1]) if len(ends) else 0
    return np.arange(total) - np.repeat(ends - counts, counts)


def _sum_before(values: Floats, group: Ints) -> Floats:
    """Sum of the values before each one within its group; groups follow one another."""
    before = np.cumsum(values) - values
    new = np.flatnonzero(np.diff(group, prepend=group[:1] - 1))
    sizes = np.diff(np.append(new, len(group)))
    result: Floats = before - np.repeat(before[new], sizes)
    return result


def _faces(cell: Ints, open_share: Floats, stride: int) -> tuple[Ints, Floats]:
    """Open faces between each cell and the one `stride` before it."""
    other = _position(cell, cell - stride)
    kept = np.flatnonzero((other >= 0) & (open_share > _NOTHING))
    return np.column_stack((other[kept], kept)), np.minimum(open_share[kept], 1.0)


def _position(ascending: Ints, wanted: Ints) -> Ints:
    """Where values stand in an ascending array; -1 for those that are not in it."""
    if not len(ascending):
        return np.full(len(wanted), -1, dtype=np.int64)
    place = np.minimum(np.searchsorted(ascending, wanted), len(ascending) - 1)
    return np.where(ascending[place] == wanted, place, -1)


def _inner_points(geometry: MultiPolygon | Polygon, grid: Grid) -> Ints:
    """Cells whose lower left corner is an inner point, see `euler_characteristic`."""
    count = len(grid.cell)
    left = np.full(count, -1, dtype=np.int64)
    below = np.full(count, -1, dtype=np.int64)
    left[grid.face[grid.upright, 1]] = grid.face[grid.upright, 0]
    below[grid.face[~grid.upright, 1]] = grid.face[~grid.upright, 0]
    candidates = np.flatnonzero((left >= 0) & (below >= 0))
    around = left[below[candidates]]
    kept = (around >= 0) & (below[left[candidates]] == around)
    candidates, around = candidates[kept], around[kept]

    full = grid.coverage >= 1.0 - _NOTHING
    clear = full[candidates] & full[left[candidates]] & full[below[candidates]] & full[around]
    doubtful = candidates[~clear]
    corner = grid.centre_mm[doubtful] - grid.pitch_mm / 2
    shapely.prepare(geometry)
    inside = shapely.contains_xy(geometry, corner)
    return np.concatenate((candidates[clear], doubtful[inside]))


def _same_topology(geometry: MultiPolygon | Polygon, grid: Grid) -> bool:
    """Whether a grid has the parts and holes of its polygons, sharp tips aside."""
    parts = polygons_of(geometry)
    characteristic = euler_characteristic(geometry, grid)
    if sorted(1 - len(part.interiors) for part in parts) == sorted(characteristic.tolist()):
        return True
    if len(parts) != len(characteristic):
        return False
    return all(_joined_nearby(geometry, grid, cell) for cell in _cut_twice(geometry, grid))


def _cut_twice(geometry: MultiPolygon | Polygon, grid: Grid) -> list[tuple[int, int]]:
    """Cells (column, row) that the boundary crosses more than once."""
    column, row, *_ = _pieces(geometry, grid.origin_mm, grid.pitch_mm)
    key = row * grid.columns + column
    entered = key[np.flatnonzero(np.diff(key, prepend=-1))]
    cells, times = np.unique(entered, return_counts=True)
    return [(int(cell % grid.columns), int(cell // grid.columns)) for cell in cells[times > 1]]


def _joined_nearby(geometry: MultiPolygon | Polygon, grid: Grid, cell: tuple[int, int]) -> bool:
    """Whether channels that one cell joins are joined close by anyway.

    A cell at a sharp tip of wall reaches around the tip. That moves the place where two branches
    part by a few cells and merges nothing, while a wall that runs on would be lost.
    """
    x, y = (origin + place * grid.pitch_mm for origin, place in zip(grid.origin_mm, cell, strict=True))
    pieces = shapely.get_parts(shapely.clip_by_rect(geometry, x, y, x + grid.pitch_mm, y + grid.pitch_mm))
    pieces = pieces[shapely.area(pieces) > _NOTHING * grid.pitch_mm**2]
    if len(pieces) < 2:
        return True
    inner = shapely.point_on_surface(pieces)
    for reach in _TIP_REACH_CELLS:
        margin = reach * grid.pitch_mm
        window = shapely.clip_by_rect(
            geometry, x - margin, y - margin, x + grid.pitch_mm + margin, y + grid.pitch_mm + margin
        )
        if any(shapely.contains(part, inner).all() for part in shapely.get_parts(window)):
            return True
    return False


def _pitch_for(geometry: MultiPolygon | Polygon, cells: int) -> float:
    """The pitch at which polygons take about so many cells: area / p² + perimeter / p = cells."""
    area, perimeter = geometry.area, geometry.length
    return float((perimeter + math.sqrt(perimeter**2 + 4.0 * cells * area)) / (2.0 * cells))


def _coarse_note(across: float, sampling: Sampling) -> str:
    return (
        f"The grid has {across:.1f} cells across the narrowest channel instead of {sampling.cells_across:g}, "
        f"to stay within {sampling.cells_max} cells."
    )


def _too_fine(
    measured: Measurements, needed_mm: float, affordable_mm: float, width_mm: float, sampling: Sampling
) -> TooFineForGrid:
    width, gap = measured.width, measured.gap
    is_channel = width is not None and (
        gap is None or width.length_um / sampling.least_cells_across <= gap.length_um / sampling.cells_per_gap
    )
    place = width if is_channel else gap
    what = "channel" if is_channel else "wall between channels"
    size = f" ({place.length_um:.1f} µm)" if place else ""
    fault = Fault(
        message=(
            f"the narrowest {what}{size} needs a grid of {needed_mm * _MM_TO_UM:.2f} µm, "
            f"which is more than {sampling.cells_max} cells over this layout"
        ),
        remedy=f"widen that {what}, or split the layout into smaller chips",
        where=f"x = {place.centre.x:.3f} mm, y = {place.centre.y:.3f} mm" if place else None,
    )
    return TooFineForGrid(fault, place=place, pitch_mm=affordable_mm, cells_across=width_mm / affordable_mm)
