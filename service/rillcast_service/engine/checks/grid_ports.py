"""Rules of the common port grid, an optional set: what lets chips, holders and connectors fit one another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from rillcast_service.engine.checks.limits import Limit, rule_range
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import count, mm
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import Finding, Severity

#: So many ports are named one by one.
_NAMED = 4


@rule("port_grid")
def port_grid(case: Case) -> Iterator[Finding]:
    """Every port on a grid that begins one edge distance from both sides of a corner of the chip.

    Any corner may be the one: that on whose grid the ports lie best is taken.
    """
    ports = case.job.layout.ports
    if not ports:
        return
    grid = case.job.catalogue.get("standards", "port_grid")
    pitch, first = grid.number("pitch_mm"), grid.number("edge_mm")
    tolerance = rule_range(case, "port_grid", "tolerance_mm").best
    x0, y0, x1, y1 = case.job.chip.outline.bounds
    centres = np.array([(port.centre.x, port.centre.y) for port in ports])
    moves = [_moves(centres, (x, y), (first, pitch)) for x in (x0, x1) for y in (y0, y1)]
    best = min(moves, key=lambda move: (_beyond(move, tolerance).sum(), np.abs(move).sum()))
    off = _beyond(best, tolerance)
    if not off.any():
        return
    wrong = [(port, move) for port, move, away in zip(ports, best, off, strict=True) if away]
    how = "; ".join(f"{port.name!r} by ({dx:+.2f}, {dy:+.2f}) mm" for port, (dx, dy) in wrong[:_NAMED])
    more = f" and {count(len(wrong) - _NAMED, 'more port')}" if len(wrong) > _NAMED else ""
    farthest = round(float(np.hypot(*best[off].T).max()), 3)
    yield Finding(
        rule="port_grid",
        severity=Severity.RISK,
        message=(
            f"{count(len(wrong), 'port')} of {len(ports)} off the grid of {mm(pitch)} that begins "
            f"{mm(first)} from the sides, by up to {mm(farthest)}."
        ),
        remedy=f"Move {how}{more}.",
        measured=farthest,
        limit=tolerance,
        source=grid.source_of("pitch_mm"),
        unit="mm",
        where=shapely.union_all([port.opening for port, _ in wrong]),
    )


def _moves(
    centres: NDArray[np.float64], corner: tuple[float, float], grid: tuple[float, float]
) -> NDArray[np.float64]:
    """What takes each centre, (n, 2) mm, to the nearest point of the grid from a corner, (n, 2) mm."""
    first, pitch = grid
    inward = np.where(centres.mean(axis=0) >= corner, 1.0, -1.0)
    along = (centres - corner) * inward - first
    steps: NDArray[np.float64] = (np.maximum(np.round(along / pitch), 0.0) * pitch - along) * inward
    return steps


def _beyond(moves: NDArray[np.float64], tolerance_mm: float) -> NDArray[np.bool_]:
    off: NDArray[np.bool_] = np.round(np.abs(moves).max(axis=1), 3) > tolerance_mm
    return off


@rule("port_edge")
def port_edge(case: Case) -> Iterator[Finding]:
    """Every port's centre as far from all sides as the guideline asks."""
    entry = case.job.catalogue.get("standards", "port_grid").quantity("edge_mm")
    edge = case.job.chip.outline.exterior
    near = [
        (distance, port)
        for port in case.job.layout.ports
        if (distance := round(float(shapely.distance(port.centre, edge)), 3)) < entry.value
    ]
    if not near:
        return
    least, nearest = min(near, key=lambda item: item[0])
    yield Finding(
        rule="port_edge",
        severity=Severity.RISK,
        message=(
            f"{count(len(near), 'port')} nearer to the edge than {mm(entry.value)}; the centre of "
            f"{nearest.name!r} is {mm(least)} from it."
        ),
        remedy=f"Move it {mm(entry.value - least)} inward.",
        measured=least,
        **Limit.of(entry).shown,
        unit="mm",
        where=shapely.union_all([port.opening for _, port in near]),
    )


@rule("port_bore")
def port_bore(case: Case) -> Iterator[Finding]:
    """Every bore within the band that belongs to the distance of its nearest neighbour."""
    ports = case.job.layout.ports
    table = case.job.catalogue.rules["port_bore"]
    tolerance = rule_range(case, "port_grid", "tolerance_mm").best
    for port in ports:
        pitch = _pitch_mm(port, ports, [float(band["pitch_mm"]) for band in table["bands"]], tolerance)
        band = next(item for item in table["bands"] if float(item["pitch_mm"]) == pitch)
        least, most = float(band["above_mm"]), float(band["below_mm"])
        bore = round(port.bore_mm, 3)
        if least < bore < most:
            continue
        limit, change = (most, "Narrow") if bore >= most else (least, "Widen")
        yield Finding(
            rule="port_bore",
            severity=Severity.RISK,
            message=(
                f"Port {port.name!r} is {mm(bore)} wide; at a pitch of {mm(pitch)} the guideline takes bores "
                f"between {mm(least)} and {mm(most)}."
            ),
            remedy=f"{change} it by more than {mm(abs(bore - limit))}.",
            measured=bore,
            limit=limit,
            source=str(table["source"]),
            unit="mm",
            where=port.opening,
        )


def _pitch_mm(port: Port, ports: Sequence[Port], pitches: Sequence[float], tolerance_mm: float) -> float:
    """The largest pitch of the guideline that the nearest neighbour leaves; the least where none does."""
    distances = [port.centre.distance(other.centre) for other in ports if other is not port]
    nearest = min(distances, default=max(pitches)) + tolerance_mm
    return max((pitch for pitch in pitches if pitch <= nearest), default=min(pitches))
