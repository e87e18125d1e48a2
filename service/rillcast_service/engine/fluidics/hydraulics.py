"""Hydraulics of a chip as made: resistance between ports, operating point, Reynolds number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.fluidics import duct, field, liquids, network
from rillcast_service.engine.fluidics.cavities import Cavities, find_cavities
from rillcast_service.engine.fluidics.depths import Plan, plans_of
from rillcast_service.engine.fluidics.extremes import Extremes, extremes
from rillcast_service.engine.fluidics.lines import resistance_of
from rillcast_service.engine.fluidics.local_width import local_width_mm
from rillcast_service.engine.fluidics.path import path_of
from rillcast_service.engine.job import Use
from rillcast_service.engine.layout.grid import FittedGrid, Grid, Sampling, TooFineForGrid, fit, sample
from rillcast_service.engine.layout.measure import Measurements, measure
from rillcast_service.engine.layout.medial import Balls, Floats, Ints, boundary_of, inscribed_balls
from rillcast_service.engine.layout.model import Port
from rillcast_service.engine.result import FlowFault, FluidicsSummary, PortState

#: Above this Reynolds number inertia begins to matter in bends and junctions, which the model leaves out.
CREEPING_REYNOLDS = 10.0
#: Widths beyond so many depths make no odds: F(1/100) = 0.994.
_WIDEST_DEPTHS = 100.0
#: Feet of medial balls per least width.
_FEET_PER_WIDTH = 4.0

_M_PER_MM = 1e-3
_UL_PER_MIN_PER_M3_PER_S = 60.0e9
_KPA_PER_PA = 1e-3
_UM_PER_MM = 1e3
_MPA_S_PER_PA_S = 1e3


@dataclass(frozen=True, slots=True)
class LevelFlow:
    """The flow through the channels of one level, on a grid of their own.

    Args:
        level: plane of the channels, 1 next to the lid.
        fitted: the grid it was computed on.
        depth_mm, width_mm: (cells,) local depth and width.
        pressure_pa: (cells,) pressure; NaN where it is not known.
        speed_m_per_s: (cells,) mean speed over the depth; zero where it is not known.
    """

    level: int
    fitted: FittedGrid
    depth_mm: Floats
    width_mm: Floats
    pressure_pa: Floats
    speed_m_per_s: Floats


@dataclass(frozen=True, slots=True)
class LevelProblem:
    """The flow problem of one level; `reaching` are the indices of the ports that open into it."""

    level: int
    fitted: FittedGrid
    balls: Balls
    depth_mm: Floats
    width_mm: Floats
    reaching: Ints
    held: field.PortCells
    field: field.PressureField


@dataclass(frozen=True, slots=True)
class Hydraulics:
    """How liquid flows through a chip at the asked operating point.

    Args:
        ports: in the order of all that follows.
        resistance_pa_s_per_m3: between every two ports with the others closed; None: no path.
        operating: pressures and flows at the ports.
        reynolds, wall_shear_pa, entrance_length_m: largest in any channel; None when the flow is not known.
        cavities: connected channels and their ports.
        levels: the flow within each level that has open channels, the level next to the lid first.
        viscosity_pa_s, density_kg_per_m3: of the liquid.
        notes: leaving the range of the model, assumptions and the like.
        problems: the factorised flow problem of each of those levels.
        admittance: (ports, ports) m³/(Pa·s), of all levels together, see `field.PressureField`.
    """

    ports: tuple[Port, ...]
    resistance_pa_s_per_m3: tuple[tuple[float | None, ...], ...]
    operating: network.OperatingPoint
    reynolds: float | None
    wall_shear_pa: float | None
    entrance_length_m: float | None
    cavities: Cavities
    levels: tuple[LevelFlow, ...]
    viscosity_pa_s: float
    density_kg_per_m3: float
    notes: tuple[str, ...]
    problems: tuple[LevelProblem, ...]
    admittance: Floats


def solve(
    channels: Sequence[MadeChannel],
    ports: Sequence[Port],
    *,
    viscosity_pa_s: float,
    density_kg_per_m3: float,
    flow_ul_per_min: float,
    measured: Mapping[int, Measurements] | None = None,
    sampling: Sampling | None = None,
    line_pa_s_per_m3: Floats | None = None,
) -> Hydraulics:
    """Work out the flow through channels as made.

    Args:
        channels: layers as made; the best estimates of outline and depth count.
        ports: with the flow, pressure or closure asked of each.
        viscosity_pa_s, density_kg_per_m3: of the liquid.
        flow_ul_per_min: asked total flow.
        measured: level → least width and gap of the union of its channels, when already known.
        sampling: fineness and budget of the grid of a level.
        line_pa_s_per_m3: (ports,) resistance of what lies between each port and its source; None: nothing.

    Returns:
        The hydraulics. What cannot flow as asked has no pressure, and a note says why.

    Raises:
        LayoutInvalid: no channel is open as made.
        TooFineForGrid: a channel or wall is too narrow for a grid within the budget.

    The model is steady, slow flow (no inertia) in channels of one local depth, see `field`. In
    straight channels of any angle it is exact; in bends and junctions it lacks what the third
    dimension adds, of the order of one depth of channel length each. Levels meet in ports alone, each
    of which has one pressure from top to bottom: so the admittances between ports of all levels add
    (conductors in parallel), and one operating point holds for all.
    """
    plans = plans_of(channels)
    is_open = {level: plan for level, plan in plans.items() if not plan.geometry.is_empty}
    if not is_open:
        raise LayoutInvalid(
            Fault(
                message="no channel is open, so nothing can flow",
                remedy="make the channels deeper or wider, or choose another route",
            )
        )
    problems = [
        _problem(
            level,
            plan,
            ports,
            viscosity_pa_s=viscosity_pa_s,
            measured=(measured or {}).get(level) or measure(plan.geometry),
            sampling=sampling,
        )
        for level, plan in is_open.items()
    ]
    admittance = np.zeros((len(ports), len(ports)))
    for problem in problems:
        admittance[np.ix_(problem.reaching, problem.reaching)] += problem.field.admittance
    detached = _detached(ports, problems)
    operating = network.operate(
        admittance,
        ports,
        flow_ul_per_min=flow_ul_per_min,
        detached=frozenset(detached),
        line_pa_s_per_m3=line_pa_s_per_m3,
    )
    port_pressure = np.array([np.nan if p is None else p for p in operating.pressure_pa], dtype=np.float64)
    levels = tuple(_flow_within(problem, port_pressure) for problem in problems)
    largest = Extremes()
    for problem, flow in zip(problems, levels, strict=True):
        here = extremes(
            problem.fitted.grid,
            problem.balls,
            [ports[int(k)] for k in problem.reaching],
            speed_m_per_s=flow.speed_m_per_s,
            depth_mm=problem.depth_mm,
            viscosity_pa_s=viscosity_pa_s,
            density_kg_per_m3=density_kg_per_m3,
        )
        largest = largest.joined(here)
    flowing = operating.possible and bool(ports)
    closed = [name for plan in plans.values() for name in plan.closed_layers]
    return Hydraulics(
        ports=tuple(ports),
        resistance_pa_s_per_m3=network.resistances(admittance),
        operating=operating,
        reynolds=largest.reynolds if flowing else None,
        wall_shear_pa=largest.wall_shear_pa if flowing else None,
        entrance_length_m=largest.entrance_length_m if flowing else None,
        cavities=find_cavities(channels, ports),
        levels=levels,
        viscosity_pa_s=viscosity_pa_s,
        density_kg_per_m3=density_kg_per_m3,
        notes=(
            *(
                f"Level {problem.level}: {note}" if len(plans) > 1 else note
                for problem in problems
                for note in problem.fitted.notes
            ),
            *_port_notes(ports, problems, detached),
            *(f"Layer {name} has no depth left as made and is closed." for name in closed),
            *operating.notes,
            *(_reynolds_notes(largest.reynolds) if flowing else ()),
        ),
        problems=tuple(problems),
        admittance=admittance,
    )


def _problem(
    level: int,
    plan: Plan,
    ports: Sequence[Port],
    *,
    viscosity_pa_s: float,
    measured: Measurements,
    sampling: Sampling | None,
) -> LevelProblem:
    """The flow problem of one level with the ports that open into it."""
    shapely.prepare(plan.geometry)
    reaching = np.flatnonzero([port.opening.intersects(plan.geometry) for port in ports])
    own = [ports[int(k)] for k in reaching]
    bore = min((port.bore_mm for port in own), default=math.inf)
    fitted = fit(plan.geometry, measured, sampling=sampling, detail_mm=bore)
    balls = _medial_balls(plan, measured)
    depth_mm = _local_depth_mm(fitted.grid, plan)
    width_mm = local_width_mm(fitted.grid, balls)
    held = field.hold(fitted.grid, own)
    return LevelProblem(
        level=level,
        fitted=fitted,
        balls=balls,
        depth_mm=depth_mm,
        width_mm=width_mm,
        reaching=reaching,
        held=held,
        field=field.assemble(
            fitted.grid,
            own,
            held.owner,
            depth_m=depth_mm * _M_PER_MM,
            shape=duct.shape_factor(depth_mm / width_mm),
            viscosity_pa_s=viscosity_pa_s,
        ),
    )


def _flow_within(problem: LevelProblem, port_pressure_pa: Floats) -> LevelFlow:
    pressure = problem.field.pressure_pa(port_pressure_pa[problem.reaching])
    return LevelFlow(
        level=problem.level,
        fitted=problem.fitted,
        depth_mm=problem.depth_mm,
        width_mm=problem.width_mm,
        pressure_pa=pressure,
        speed_m_per_s=problem.field.speed_m_per_s(pressure, problem.depth_mm * _M_PER_MM),
    )


def _detached(ports: Sequence[Port], problems: Sequence[LevelProblem]) -> list[str]:
    """Names of the ports that hold no cell of any level."""
    joined = {
        ports[k].name
        for problem in problems
        for k in problem.reaching
        if ports[k].name not in problem.held.detached
    }
    return [port.name for port in ports if port.name not in joined]


def study(
    channels: Sequence[MadeChannel],
    ports: Sequence[Port],
    use: Use,
    *,
    measured: Mapping[int, Measurements] | None = None,
    sampling: Sampling | None = None,
) -> tuple[FluidicsSummary, Hydraulics | None]:
    """The flow through channels as made, as a quote reports it, and the solved problem behind it.

    Args:
        channels: layers as made.
        ports: with the flow, pressure or closure asked of each.
        use: liquid, temperature and asked flow.
        measured: level → least width and gap of its channels, where they are known already.
        sampling: fineness and budget of the grid of a level.

    Returns:
        The summary; flows are counted into the chip. Of several levels it tells the coarsest grid.
        Where the grid cannot be fine enough it holds volumes but no resistances and no pressures, a
        note names the place, and there is no solved problem.

    Raises:
        LayoutInvalid: no channel is open as made.
    """
    about_liquid = use.notes or liquids.notes(use.liquid, use.temperature_c)
    lines = [use.lines.get(port.name, ()) for port in ports]
    try:
        hydraulics = solve(
            channels,
            ports,
            viscosity_pa_s=use.viscosity_pa_s,
            density_kg_per_m3=use.density_kg_per_m3,
            flow_ul_per_min=use.flow_ul_per_min,
            measured=measured,
            sampling=sampling,
            line_pa_s_per_m3=np.array([resistance_of(line, use.viscosity_pa_s).best for line in lines]),
        )
    except TooFineForGrid as fault:
        return _without_flow(find_cavities(channels, ports), ports, use, fault, about_liquid), None
    return _summed_up(hydraulics, use, about_liquid), hydraulics


def _summed_up(hydraulics: Hydraulics, use: Use, about_liquid: tuple[str, ...]) -> FluidicsSummary:
    ports, operating = hydraulics.ports, hydraulics.operating
    known = [pressure for pressure in operating.pressure_pa if pressure is not None]
    return FluidicsSummary(
        channel_volume_ul=hydraulics.cavities.volume_ul,
        reached_fraction=hydraulics.cavities.reached_fraction,
        ports=tuple(
            PortState(
                name=port.name,
                role=str(port.role),
                pressure_kpa=None if pressure is None else pressure * _KPA_PER_PA,
                flow_ul_per_min=None if flow is None else flow * _UL_PER_MIN_PER_M3_PER_S,
                source_kpa=None if source is None else source * _KPA_PER_PA,
            )
            for port, pressure, flow, source in zip(
                ports, operating.pressure_pa, operating.flow_m3_per_s, operating.source_pa, strict=True
            )
        ),
        resistance_pa_s_per_m3=hydraulics.resistance_pa_s_per_m3,
        pressure_kpa=max(known) * _KPA_PER_PA if operating.possible and known else None,
        reynolds=hydraulics.reynolds,
        wall_shear_pa=hydraulics.wall_shear_pa,
        entrance_length_mm=None
        if hydraulics.entrance_length_m is None
        else hydraulics.entrance_length_m / _M_PER_MM,
        grid_pitch_um=max(flow.fitted.grid.pitch_mm for flow in hydraulics.levels) * _UM_PER_MM,
        cells_across=min(flow.fitted.cells_across for flow in hydraulics.levels),
        liquid=use.liquid.title,
        viscosity_mpa_s=use.viscosity_pa_s * _MPA_S_PER_PA_S,
        temperature_c=use.temperature_c,
        notes=(*about_liquid, *hydraulics.notes),
        faults=(*operating.faults, *_rough_ports(hydraulics.problems)),
        path=path_of(ports, operating, use),
    )


def _without_flow(
    cavities: Cavities, ports: Sequence[Port], use: Use, fault: TooFineForGrid, notes: tuple[str, ...]
) -> FluidicsSummary:
    place = f" at {fault.faults[0].where}" if fault.faults[0].where else ""
    why = f"No resistances or pressures: {fault.detail}{place}; {fault.faults[0].remedy}."
    return FluidicsSummary(
        channel_volume_ul=cavities.volume_ul,
        reached_fraction=cavities.reached_fraction,
        ports=tuple(PortState(port.name, str(port.role), None, None) for port in ports),
        resistance_pa_s_per_m3=tuple((None,) * len(ports) for _ in ports),
        pressure_kpa=None,
        reynolds=None,
        grid_pitch_um=fault.pitch_mm * _UM_PER_MM,
        cells_across=fault.cells_across,
        liquid=use.liquid.title,
        viscosity_mpa_s=use.viscosity_pa_s * _MPA_S_PER_PA_S,
        temperature_c=use.temperature_c,
        notes=(*notes, why),
    )


def _medial_balls(plan: Plan, measured: Measurements) -> Balls:
    boundary = boundary_of(plan.geometry)
    if boundary is None or measured.width is None:
        raise ValueError("channels without a boundary have no width")
    deepest = max(region.depth_mm for region in plan.regions)
    width = measured.width.length_um * _M_PER_MM
    return inscribed_balls(
        boundary,
        spacing_mm=width / _FEET_PER_WIDTH,
        cap_mm=max(_WIDEST_DEPTHS * deepest, 4.0 * width),
    )


def _local_depth_mm(grid: Grid, plan: Plan) -> Floats:
    """Depth of each cell: that of the region with the largest share of it."""
    depth = np.full(len(grid.cell), plan.regions[0].depth_mm)
    if len(plan.regions) == 1:
        return depth
    largest = np.zeros(len(grid.cell))
    for region in plan.regions:
        part = sample(region.geometry, pitch_mm=grid.pitch_mm, frame=grid)
        place = np.minimum(np.searchsorted(grid.cell, part.cell), len(grid.cell) - 1)
        valid = grid.cell[place] == part.cell
        place, share = place[valid], part.coverage[valid]
        wins = share > largest[place]
        largest[place[wins]], depth[place[wins]] = share[wins], region.depth_mm
    return depth


def _port_notes(
    ports: Sequence[Port], problems: Sequence[LevelProblem], detached: Sequence[str]
) -> list[str]:
    notes = []
    if not ports:
        notes.append("The layout has no ports, so no flow can be worked out.")
    notes += [fault.message for fault in _rough_ports(problems)]
    if detached:
        notes.append(f"No channel reaches port {', '.join(detached)}; nothing flows there.")
    return notes


def _rough_ports(problems: Sequence[LevelProblem]) -> list[FlowFault]:
    pinched = tuple(dict.fromkeys(name for problem in problems for name in problem.held.pinched))
    if not pinched:
        return []
    pitch_um = max(problem.fitted.grid.pitch_mm for problem in problems) * _UM_PER_MM
    return [
        FlowFault(
            message=f"Port {', '.join(pinched)} is smaller than a grid cell, so the resistance close to it "
            "is rough.",
            remedy=f"Make its hole wider than {pitch_um:.0f} µm, the grid's pitch.",
            ports=pinched,
            stops=False,
        )
    ]


def _reynolds_notes(reynolds: float) -> list[str]:
    if reynolds <= CREEPING_REYNOLDS:
        return []
    return [
        f"The Reynolds number reaches {reynolds:.3g}. Above {CREEPING_REYNOLDS:g} inertia adds pressure loss "
        "in bends and junctions, which this model of slow flow leaves out; expect a somewhat higher pressure."
    ]
