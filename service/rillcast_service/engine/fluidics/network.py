"""Ports as the nodes of a circuit: resistances between them, and the operating point asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.result import FlowFault

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_M3_PER_S_PER_UL_PER_MIN = 1e-9 / 60.0
_PA_PER_KPA = 1e3
#: Given flows balance when they differ by less than this share of their sum.
_BALANCED = 1e-9


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Pressures and flows at all ports.

    Args:
        pressure_pa: where the port opens into the channels, above the outlets'; None for a port whose
            pressure cannot be told.
        flow_m3_per_s: into the chip; None likewise.
        possible: whether every flow that was asked for can run.
        notes: what was assumed, and why a flow cannot run.
        source_pa: at the far end of each port's line; that of the port where it has none.
        faults: why what was asked cannot run, and what to change.
    """

    pressure_pa: tuple[float | None, ...]
    flow_m3_per_s: tuple[float | None, ...]
    possible: bool
    notes: tuple[str, ...]
    source_pa: tuple[float | None, ...] = ()
    faults: tuple[FlowFault, ...] = ()


def circuits(admittance: Floats) -> Ints:
    """A number per port, the same for ports that liquid can flow between.

    Args:
        admittance: (ports, ports) m³/(Pa·s).

    Returns:
        (ports,) numbers.
    """
    labels: Ints = connected_components(admittance != 0.0, directed=False)[1].astype(np.int64)
    return labels


def resistances(admittance: Floats) -> tuple[tuple[float | None, ...], ...]:
    """Resistance between every two ports with all others closed.

    Args:
        admittance: (ports, ports) m³/(Pa·s), symmetric, rows sum to zero: flow into the chip at each
            port for given port pressures.

    Returns:
        Pa·s/m³; zero on the diagonal, None between ports that no channel joins.
    """
    count = len(admittance)
    result: list[list[float | None]] = [[None] * count for _ in range(count)]
    labels = circuits(admittance)
    for label in np.unique(labels):
        own = np.flatnonzero(labels == label)
        # With the first port as ground, Z holds the potentials for unit currents:
        # R_ab = Z_aa + Z_bb - 2 Z_ab.
        block = np.zeros((len(own), len(own)))
        block[1:, 1:] = np.linalg.inv(_scaled(admittance[np.ix_(own[1:], own[1:])]))
        scale = _scale(admittance[np.ix_(own[1:], own[1:])])
        for a, port_a in enumerate(own):
            for b, port_b in enumerate(own):
                value = (block[a, a] + block[b, b] - 2.0 * block[a, b]) / scale
                result[port_a][port_b] = 0.0 if a == b else float(value)
    return tuple(tuple(row) for row in result)


def operate(
    admittance: Floats,
    ports: Sequence[Port],
    *,
    flow_ul_per_min: float,
    detached: frozenset[str] = frozenset(),
    line_pa_s_per_m3: Floats | None = None,
) -> OperatingPoint:
    """Pressures and flows at the operating point that ports and request ask for.

    A port with a flow or a pressure has it; a flow is counted into the chip at an inlet and out of
    it at an outlet. A closed port and a vent pass no liquid. An outlet without a value is at zero
    pressure. Inlets without a value share what the given flows leave of the asked total, equally. A
    given pressure is that of the source, before the port's line.

    Args:
        admittance: (ports, ports) m³/(Pa·s), see `resistances`.
        ports: in its order.
        flow_ul_per_min: asked total flow.
        detached: names of ports that open into no channel.
        line_pa_s_per_m3: (ports,) resistance of what lies between each port and its source.

    Returns:
        The operating point.
    """
    count = len(ports)
    notes: list[str] = []
    flow, pressure = _boundary_values(ports, flow_ul_per_min, detached, notes)
    pressures: list[float | None] = [None] * count
    flows: list[float | None] = [None] * count
    possible = not any(flow.get(k) for k in range(count) if ports[k].name in detached)
    sources: list[float | None] = [None] * count
    line = np.zeros(count) if line_pa_s_per_m3 is None else line_pa_s_per_m3
    faults: list[FlowFault] = []
    labels = circuits(admittance)
    for label in np.unique(labels):
        own = [k for k in np.flatnonzero(labels == label).tolist() if ports[k].name not in detached]
        if not own:
            continue
        fault = _contradiction(own, ports, flow, pressure)
        if fault:
            notes.append(f"{fault.message} {fault.remedy}")
            faults.append(fault)
            possible = False
            continue
        seen = in_series(admittance[np.ix_(own, own)], line[own])
        solved, driven = _solve(seen, own, flow, pressure)
        for k, port in enumerate(own):
            sources[port], flows[port] = float(solved[k]), float(driven[k])
            pressures[port] = float(solved[k] - line[port] * driven[k])
    if not faults and count > len(detached) and not any(flows):
        possible = False
        faults.append(_nothing_flows([port for port in ports if port.name not in detached]))
        notes.append(f"{faults[0].message} {faults[0].remedy}")
    return OperatingPoint(
        tuple(pressures), tuple(flows), possible, tuple(notes), tuple(sources), tuple(faults)
    )


def in_series(admittance: Floats, line_pa_s_per_m3: Floats) -> Floats:
    """The admittance that is seen through a resistance in series with each port.

    Args:
        admittance: (ports, ports) m³/(Pa·s), of the chip.
        line_pa_s_per_m3: (ports,) zero or more.

    Returns:
        (1 + Y R)⁻¹ Y, symmetric: from q = Y p and p = s − R q.
    """
    if not line_pa_s_per_m3.any():
        return admittance
    scale = _scale(admittance)
    scaled = admittance / scale
    seen = np.linalg.solve(np.eye(len(scaled)) + scaled * (line_pa_s_per_m3 * scale), scaled)
    result: Floats = (seen + seen.T) / 2.0 * scale
    return result


def _nothing_flows(ports: Sequence[Port]) -> FlowFault:
    """Why every flow is zero although nothing contradicts, and what to change."""
    names = tuple(port.name for port in ports)
    running = [port for port in ports if not port.closed and port.role is not PortRole.VENT]
    if not running:
        why = "every port is closed or a vent"
        remedy = "Open an inlet and an outlet."
    elif not any(port.role is PortRole.INLET for port in running):
        why = "no port that is open is an inlet"
        remedy = "Make one of the ports an inlet, or give one of them a pressure or a flow."
    elif not any(port.role is PortRole.OUTLET for port in running):
        why = "no port that is open is an outlet"
        remedy = "Make one of the ports an outlet, or give two of them different pressures."
    else:
        why = "all pressures and flows that are given are the same or zero"
        remedy = "Give an inlet a flow above zero, or a pressure above that of the outlets."
    return FlowFault(message=f"Nothing flows through the chip: {why}.", remedy=remedy, ports=names)


def _boundary_values(
    ports: Sequence[Port], total_ul_per_min: float, detached: frozenset[str], notes: list[str]
) -> tuple[dict[int, float], dict[int, float]]:
    """Given flow (m³/s, into the chip) or given pressure (Pa) of each port."""
    flow: dict[int, float] = {}
    pressure: dict[int, float] = {}
    waiting: list[int] = []
    vents: list[str] = []
    for k, port in enumerate(ports):
        if port.pressure_kpa is not None and not port.closed:
            pressure[k] = port.pressure_kpa * _PA_PER_KPA
        elif port.flow_ul_per_min is not None and not port.closed:
            sign = -1.0 if port.role is PortRole.OUTLET else 1.0
            flow[k] = sign * port.flow_ul_per_min * _M3_PER_S_PER_UL_PER_MIN
        elif port.closed or port.name in detached:
            flow[k] = 0.0
        elif port.role is PortRole.OUTLET:
            pressure[k] = 0.0
        elif port.role is PortRole.VENT:
            flow[k] = 0.0
            vents.append(port.name)
        else:
            waiting.append(k)
    if vents:
        notes.append(f"A vent passes air and no liquid, so no flow is counted at {', '.join(vents)}.")
    given = sum(
        port.flow_ul_per_min or 0.0 for port in ports if port.role is PortRole.INLET and not port.closed
    )
    rest = max(total_ul_per_min - given, 0.0)
    for k in waiting:
        flow[k] = rest / len(waiting) * _M3_PER_S_PER_UL_PER_MIN
    names = ", ".join(ports[k].name for k in waiting)
    if waiting and rest == 0.0:
        notes.append(
            f"The flows given at inlets already make up the asked {total_ul_per_min:g} µL/min, "
            f"so nothing flows in at {names}."
        )
    elif len(waiting) > 1 or (waiting and given):
        notes.append(
            f"{rest:g} µL/min of the asked {total_ul_per_min:g} µL/min is shared equally over the inlets "
            f"without a value of their own: {names}."
        )
    elif given and not waiting and abs(given - total_ul_per_min) > _BALANCED * total_ul_per_min:
        notes.append(
            f"Every inlet has a value of its own, so the asked total of {total_ul_per_min:g} µL/min "
            "is not used."
        )
    return flow, pressure


def _contradiction(
    own: list[int], ports: Sequence[Port], flow: dict[int, float], pressure: dict[int, float]
) -> FlowFault | None:
    """Why the ports of one circuit cannot run as asked, and what to change; None when they can."""
    if any(k in pressure for k in own):
        return None
    values = [flow[k] for k in own]
    if abs(sum(values)) <= _BALANCED * sum(abs(value) for value in values):
        return None
    named = tuple(ports[k].name for k in own)
    names = ", ".join(named)
    if any(ports[k].role is PortRole.OUTLET for k in own):
        return FlowFault(
            message=f"The flows given at {names} do not add up: what enters must leave.",
            remedy="Leave one outlet without a value, and it takes the rest.",
            ports=named,
        )
    return FlowFault(
        message=f"Flow enters at {names}, and no outlet opens into the same channels, so there is no "
        "pressure at which it can run.",
        remedy="Add an outlet there, make one of these ports an outlet, or close them.",
        ports=named,
    )


def _solve(
    admittance: Floats, own: list[int], flow: dict[int, float], pressure: dict[int, float]
) -> tuple[Floats, Floats]:
    """Port pressures (Pa) and flows (m³/s) of one circuit."""
    count = len(own)
    known = np.array([k in pressure for k in own])
    values = np.array([pressure.get(k, 0.0) for k in own])
    wanted = np.array([flow.get(k, 0.0) for k in own])
    floating = not known.any()
    if floating:
        known[0] = True
    solved = values.copy()
    unknown = ~known
    if unknown.any():
        right = wanted[unknown] - admittance[np.ix_(unknown, known)] @ values[known]
        block = admittance[np.ix_(unknown, unknown)]
        solved[unknown] = np.linalg.solve(_scaled(block), right / _scale(block))
    if floating:
        # Only differences matter here: the lowest port is the outlet.
        solved -= solved.min()
    driven = wanted.copy()
    if count > 1:
        # From differences, so that flows add up to nothing to rounding.
        driven[known] = (admittance[known] * (solved[None, :] - solved[known, None])).sum(axis=1)
        # Given flows are exact; the ports with a given pressure take up the rounding.
        driven[known] -= driven.sum() / known.sum()
    return solved, driven


def _scale(block: Floats) -> float:
    return float(np.abs(np.diag(block)).max(initial=0.0)) or 1.0


def _scaled(block: Floats) -> Floats:
    result: Floats = block / _scale(block)
    return result
