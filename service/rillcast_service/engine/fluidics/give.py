"""The give of soft roofs under the liquid's pressure: deeper channels, less resistance, a slower start.

Where the pressure is p a roof of span W bulges by a p on the mean of its width, so a channel of depth h
conducts (1 + a p / h)³ times as well. Along a branch of one width and depth that integrates to

    q = (Ψ(p₁) − Ψ(p₂)) / R,   Ψ(p) = (h / 4a) ((1 + a p / h)⁴ − 1),

with its resistance R when rigid: the quartic of Gervais et al. 2006, Lab Chip 6, 500, whose α is a h-free
a E / W here taken from elasticity instead of a fit (cf. Christov et al. 2018, J. Fluid Mech. 841, 267).
The branches are solved as one circuit by Newton's method, so flow and bulge agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rillcast_service.engine.fluidics.branches import Branches
from rillcast_service.engine.layout.medial import Floats

#: Mean over middle: of the bulge of a half-space over a strip (an ellipse), and of a clamped strip.
_OF_ELLIPSE, _OF_PLATE = math.pi / 4.0, 8.0 / 15.0
_ROUNDS, _SETTLED = 60, 1e-10


@dataclass(frozen=True, slots=True)
class Given:
    """The circuit with soft roofs.

    Args:
        pressure_pa: largest at any node.
        flow_m3_per_s: into the whole chip.
        deeper_share: largest mean bulge over depth.
        extra_m3: volume that the bulges hold.
    """

    pressure_pa: float
    flow_m3_per_s: float
    deeper_share: float
    extra_m3: float

    @property
    def settling_s(self) -> float:
        """Time until the flow is within 1 % of steady after a start.

        ln(100) times the volume that the bulges hold over the flow that fills them: that is half of
        resistance times compliance of an even channel, whose slowest mode decays in 4/π² of it.
        """
        return math.log(100.0) * self.extra_m3 / self.flow_m3_per_s


def bulge_m_per_pa(*, span_m: ArrayLike, thickness_m: Sequence[float], plane_pa: float) -> Floats:
    """Mean bulge over the span of the soft faces of a channel.

    Args:
        span_m: width of the channel, any shape; thickness_m: of each soft face; plane_pa: E* = E / (1 − ν²).

    Returns:
        Σ (π/4) W / E* + (8/15) W⁴ / (32 E* t³), m/Pa: a thick face and a clamped thin one, each the whole
        where the other is nothing.

    Source: `asmade.elasticity` for the middle: half-space over a strip (Sneddon), whose bulge is an ellipse,
    and clamped strip (Timoshenko), whose bulge is (1 − x²)²; their means are π/4 and 8/15 of it.
    """
    span = np.asarray(span_m, dtype=np.float64)
    total = np.zeros_like(span)
    for thickness in thickness_m:
        total = total + _OF_ELLIPSE * span / plane_pa
        total = total + _OF_PLATE * span**4 / (32.0 * plane_pa * thickness**3)
    return total


def soften(
    branches: Branches, *, held_pa: dict[int, float], thickness_m: Sequence[float], plane_pa: float
) -> Given | None:
    """Flow and bulge of the circuit together.

    Args:
        branches: at the operating point with rigid walls.
        held_pa: node → pressure that stays; at the others the flow from outside stays.
        thickness_m: of each soft face; plane_pa: E* of the silicone.

    Returns:
        None where it does not settle: the roofs give way without end.
    """
    ends = np.array([(branch.begins, branch.ends) for branch in branches.branches])
    depth = np.array([branch.depth_m for branch in branches.branches])
    rigid = np.array([branch.resistance_pa_s_per_m3 for branch in branches.branches])
    width = np.array([branch.width_m for branch in branches.branches])
    rate = bulge_m_per_pa(span_m=width, thickness_m=thickness_m, plane_pa=plane_pa) / depth
    pressure = np.zeros(branches.nodes)
    for branch in branches.branches:
        pressure[branch.begins], pressure[branch.ends] = branch.from_pa, branch.to_pa
    for node, value in held_pa.items():
        pressure[node] = value
    free = np.array([node for node in range(branches.nodes) if node not in held_pa], dtype=np.int64)

    def flow_of(at: Floats) -> Floats:
        x = rate[:, None] * at[ends]
        # ((1 + x)⁴ − 1) / 4x, without the difference of near equals
        whole = at[ends] * (1.0 + x * (1.5 + x * (1.0 + x / 4.0)))
        result: Floats = (whole[:, 0] - whole[:, 1]) / rigid
        return result

    def left_over(at: Floats) -> Floats:
        own = flow_of(at)
        sums = branches.entering.copy()
        np.subtract.at(sums, ends[:, 0], own)
        np.add.at(sums, ends[:, 1], own)
        return sums

    scale = float(np.abs([branch.flow_m3_per_s for branch in branches.branches]).max())
    for _ in range(_ROUNDS):
        missing = left_over(pressure)[free]
        if float(np.abs(missing).max(initial=0.0)) <= _SETTLED * scale:
            break
        slope = (1.0 + rate[:, None] * pressure[ends]) ** 3 / rigid[:, None]
        matrix = np.zeros((branches.nodes, branches.nodes))
        for (begin, end), (up, down) in zip(ends, slope, strict=True):
            matrix[begin, begin] += up
            matrix[begin, end] -= down
            matrix[end, begin] -= up
            matrix[end, end] += down
        inner = matrix[np.ix_(free, free)]
        size = float(np.abs(inner).max())
        pressure[free] += np.linalg.solve(inner / size, missing / size)
        # a bulge cannot be deeper than the channel is, downwards
        pressure = np.maximum(pressure, -0.9 / float(rate.max()))
    else:
        return None
    own = flow_of(pressure)
    mean = rate * depth * pressure[ends].mean(axis=1)
    area = width * np.array([branch.length_m for branch in branches.branches])
    net = np.zeros(branches.nodes)
    np.add.at(net, ends[:, 0], own)
    np.subtract.at(net, ends[:, 1], own)
    return Given(
        pressure_pa=float(pressure.max()),
        flow_m3_per_s=float(np.maximum(net, 0.0).sum()),
        deeper_share=float((rate[:, None] * pressure[ends]).max()),
        extra_m3=float((area * mean).sum()),
    )
