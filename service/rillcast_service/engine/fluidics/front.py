"""The cells of a chip and their sides, for a line of equal pressure that sweeps over them.

A line of equal pressure is the row of faces between cells passed and cells to come. Walked with the cells
passed on its left, it goes counter-clockwise along the outflowing sides of a cell and clockwise along its
inflowing ones, and on over a corner only where channels lie all around the corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rillcast_service.engine.fluidics.hydraulics import Hydraulics
from rillcast_service.engine.fluidics.nodes import Nodes
from rillcast_service.engine.layout.medial import Floats, Ints

Bools = NDArray[np.bool_]

#: Sides of a cell counter-clockwise; the corner of a side lies between it and the next.
_EAST, _NORTH, _WEST, _SOUTH = range(4)
_SIDES = np.arange(4)
_AFTER, _BEFORE = np.roll(_SIDES, -1), np.roll(_SIDES, 1)


@dataclass(frozen=True, slots=True)
class Mesh:
    """Cells of all levels in one numbering, and so their faces; (cells, 4) counter-clockwise from the right.

    Args:
        node: (cells,) of the network, -1 where nothing moves.
        rank: (cells,) order by falling pressure; cells of one port share theirs.
        side: the face there, -1 for a wall; beyond: the cell on its other side.
        status: -1 where liquid flows in, 1 where it flows out, 0 at a wall or within a port.
        diagonal: the cell across the corner after each side, -1 where a wall reaches the corner.
    """

    node: Ints
    rank: Ints
    side: Ints
    beyond: Ints
    status: Ints
    diagonal: Ints


@dataclass(frozen=True, slots=True)
class Regular:
    """Cells that one row of inflowing faces enters and one row of outflowing faces leaves.

    Args:
        widest: the inflowing face that carries most; -1 for a cell of another kind.
        before: flow of the inflowing faces that precede it in the line.
        out: outflowing faces, cell after cell, in the line's order; shift: flow of those before it.
        first: where those of each cell begin, and where the last end.
    """

    widest: list[int]
    before: list[float]
    out: list[int]
    shift: list[float]
    first: list[int]


@dataclass(frozen=True, slots=True)
class _Side:
    """A side on the way around a cell or a port.

    Args:
        face: -1 for a wall.
        status: as in `Mesh`.
        enters_on, leaves_on: whether a row of inflowing or outflowing faces goes on over its corner.
    """

    face: int
    status: int
    enters_on: bool
    leaves_on: bool


@dataclass(frozen=True, slots=True)
class Around:
    """What enters and leaves on the way around a cell or a port, counter-clockwise.

    Args:
        rows: inflowing faces that follow one another, each row in the line's order.
        gaps: after each row the rows of outflowing faces up to the next; one gap where nothing enters.
        closed: whether nothing enters and one row of outflowing faces closes around.
    """

    rows: list[list[int]]
    gaps: list[list[list[int]]]
    closed: bool


def mesh_of(hydraulics: Hydraulics, nodes: Nodes, pressure_pa: Floats, moves: Bools) -> Mesh:
    """The cells and sides of a chip.

    Args:
        hydraulics, nodes: of the chip.
        pressure_pa: (nodes,) Pa.
        moves: (nodes,) whether liquid flows there; what stands still is taken for wall.

    Returns:
        The mesh.
    """
    node_rank = np.empty(len(pressure_pa), dtype=np.int64)
    node_rank[np.argsort(-pressure_pa, kind="stable")] = np.arange(len(pressure_pa))
    node = np.concatenate(nodes.place)
    node = np.where((node >= 0) & moves[node], node, -1)
    side, beyond = (np.full((len(node), 4), -1, dtype=np.int64) for _ in range(2))
    first_cell = first_face = 0
    for problem in hydraulics.problems:
        grid = problem.field.grid
        a, b = grid.face.T + first_cell
        face = first_face + np.arange(len(a))
        kept = (node[a] >= 0) & (node[b] >= 0)
        for own, forth, back in ((grid.upright, _EAST, _WEST), (~grid.upright, _NORTH, _SOUTH)):
            open_ = kept & own
            for here, there, at in ((a, b, forth), (b, a, back)):
                side[here[open_], at], beyond[here[open_], at] = face[open_], there[open_]
        first_cell, first_face = first_cell + len(grid.cell), first_face + len(a)
    rank = np.where(node >= 0, node_rank[node], -1)
    diagonal = np.full_like(side, -1)
    for at in range(4):
        after = (at + 1) % 4
        here, there = beyond[:, at], beyond[:, after]
        one = np.where(here < 0, -1, beyond[here, after])
        other = np.where(there < 0, -1, beyond[there, at])
        diagonal[:, at] = np.where(one == other, one, -1)
    status = np.where(side < 0, 0, np.sign(rank[beyond] - rank[:, None]))
    return Mesh(node=node, rank=rank, side=side, beyond=beyond, status=status, diagonal=diagonal)


def regular(mesh: Mesh, flow: Floats) -> Regular:
    """What the sweep needs of its common cells.

    Args:
        mesh: of the chip.
        flow: (faces,) m³/s, not negative.

    Returns:
        The cells that do not change what runs beside what.
    """
    enters, leaves, enters_on, leaves_on = _rows(mesh)
    begins = leaves & ~leaves_on[:, _BEFORE]
    rows = (enters & ~enters_on[:, _BEFORE]).sum(axis=1)
    own = (rows == 1) & (begins.sum(axis=1) == 1) & (mesh.node >= 0)

    carried = np.where(mesh.side >= 0, flow[mesh.side], 0.0)
    cell = np.arange(len(own))
    at = np.argmax(np.where(enters, carried, -1.0), axis=1)
    before, joined = np.zeros(len(own)), np.ones(len(own), dtype=bool)
    for step in range(1, 4):
        joined &= enters_on[cell, (at + step - 1) % 4]
        before += np.where(joined, carried[cell, (at + step) % 4], 0.0)
    sides = (np.argmax(begins, axis=1)[:, None] + _SIDES) % 4
    out = leaves[cell[:, None], sides] & own[:, None]
    amount = np.where(out, carried[cell[:, None], sides], 0.0)
    return Regular(
        widest=np.where(own, mesh.side[cell, at], -1).tolist(),
        before=before.tolist(),
        out=mesh.side[cell[:, None], sides][out].tolist(),
        shift=(np.cumsum(amount, axis=1) - amount)[out].tolist(),
        first=np.concatenate(([0], np.cumsum(out.sum(axis=1)))).tolist(),
    )


def around_cell(mesh: Mesh, cell: int) -> Around:
    """What enters and leaves a cell.

    Args:
        mesh: of the chip.
        cell: its number.

    Returns:
        Its rows and gaps.
    """
    return _around([_side(mesh, cell, at, turning=True) for at in range(4)])


def around_port(mesh: Mesh, port: int) -> list[Around]:
    """What enters and leaves the cells that a port holds.

    Args:
        mesh: of the chip.
        port: its node.

    Returns:
        Rows and gaps around each part of them, and around each hole.
    """

    def within(cell: int) -> bool:
        return cell >= 0 and int(mesh.node[cell]) == port

    cells = np.flatnonzero(mesh.node == port).tolist()
    waiting = {(cell, at) for cell in cells for at in range(4) if not within(int(mesh.beyond[cell, at]))}
    borders = []
    while waiting:
        start = cell, at = min(waiting)
        border = []
        while True:
            waiting.discard((cell, at))
            after = (at + 1) % 4
            beside = int(mesh.beyond[cell, after])
            border.append(_side(mesh, cell, at, turning=not within(beside)))
            if not within(beside):
                at = after
            elif not within(int(mesh.beyond[beside, at])):
                cell = beside
            else:
                cell, at = int(mesh.beyond[beside, at]), (at - 1) % 4
            if (cell, at) == start:
                break
        borders.append(_around(border))
    return borders


def _around(border: list[_Side]) -> Around:
    enters = [side.status < 0 for side in border]
    begins = [j for j in range(len(border)) if enters[j] and not (enters[j - 1] and border[j - 1].enters_on)]
    if not begins:
        if any(enters):
            return Around([[side.face for side in reversed(border)]], [[]], closed=False)
        closed = all(side.status > 0 and side.leaves_on for side in border)
        # begin where no row of outflowing faces runs on
        cut = [j + 1 for j, side in enumerate(border) if side.status <= 0 or not side.leaves_on]
        start = cut[0] if cut else 0
        return Around([], [_leaving(border[start:] + border[:start])], closed=closed)
    rows, gaps = [], []
    for begin, end in zip(begins, [*begins[1:], begins[0] + len(border)], strict=True):
        sides = [border[j % len(border)] for j in range(begin, end)]
        upto = next((j for j, side in enumerate(sides) if side.status >= 0), len(sides))
        rows.append([side.face for side in reversed(sides[:upto])])
        gaps.append(_leaving(sides[upto:]))
    return Around(rows, gaps, closed=False)


def _leaving(sides: list[_Side]) -> list[list[int]]:
    """Rows of outflowing faces among sides that follow one another."""
    rows: list[list[int]] = []
    on = False
    for side in sides:
        if side.status > 0:
            if on:
                rows[-1].append(side.face)
            else:
                rows.append([side.face])
        on = side.status > 0 and side.leaves_on
    return rows


def _rows(mesh: Mesh) -> tuple[Bools, Bools, Bools, Bools]:
    """Of each side, whether it enters or leaves, and whether that goes on over its corner, (cells, 4)."""
    inner = mesh.diagonal >= 0
    passed = inner & (mesh.rank[mesh.diagonal] < mesh.rank[:, None])
    enters, leaves = mesh.status < 0, mesh.status > 0
    return enters, leaves, enters & enters[:, _AFTER] & passed, leaves & leaves[:, _AFTER] & inner


def _side(mesh: Mesh, cell: int, at: int, *, turning: bool) -> _Side:
    """A side; where the border turns a convex corner, the cell across must have been passed to enter on."""
    across = int(mesh.diagonal[cell, at])
    passed = across >= 0 and (not turning or int(mesh.rank[across]) < int(mesh.rank[cell]))
    return _Side(
        face=int(mesh.side[cell, at]),
        status=int(mesh.status[cell, at]),
        enters_on=passed,
        leaves_on=across >= 0,
    )
