"""Mean age and exchange against closed forms, tables and a transient of its own.

The mean age and its closed forms: Sandberg 1981, Build. Environ. 16, 123-135; Danckwerts 1953, Chem. Eng.
Sci. 2, 1-13 (from memory). Dead ends: Crank, "The Mathematics of Diffusion", ch. 4 (times from its series).
"""

import math

import numpy as np
import pytest
from scipy.sparse import coo_array, diags_array
from scipy.sparse.linalg import splu
from shapely import MultiPolygon, affinity, box, union_all

from rillcast_service.engine.asmade.model import MadeChannel
from rillcast_service.engine.fluidics import transient as transient_module
from rillcast_service.engine.fluidics.exchange import Fineness, Kind, exchange, mean_age_s
from rillcast_service.engine.fluidics.hydraulics import solve
from rillcast_service.engine.fluidics.nodes import join
from rillcast_service.engine.fluidics.transport import stream
from rillcast_service.engine.layout.grid import Sampling
from rillcast_service.engine.layout.model import Port, PortRole
from rillcast_service.engine.ranges import Range

D = 1e-9  # m²/s
FINENESS = Fineness(slow_ratio=3.0, still_peclet=10.0, most_share=0.95, ring_bores=0.5, places=10)
DEAD_ARM = [box(0, 0, 6, 0.2), box(3, 0, 3.2, 1.2)]
CHAMBER = [box(0, 0, 6, 0.2), box(2, -1.4, 5, 1.6)]
TEE = [box(0, 0, 6, 0.2), box(3, 0, 3.2, 3)]
IN, OUT = ("in", PortRole.INLET, 0.0, 0.1), ("out", PortRole.OUTLET, 6.0, 0.1)
UP = ("up", PortRole.OUTLET, 3.1, 3.0)


def flow_through(
    shapes, ports=(IN, OUT), *, depth_um=100.0, ul_per_min=1.0, across=6.0, turn=lambda shape: shape
):
    merged = turn(union_all(shapes))
    geometry = merged if isinstance(merged, MultiPolygon) else MultiPolygon([merged])
    return solve(
        [MadeChannel("channels", geometry, Range.exact(depth_um))],
        [Port(name, role, turn(box(x - 0.2, y - 0.3, x + 0.2, y + 0.3)), 0.4) for name, role, x, y in ports],
        viscosity_pa_s=1e-3,
        density_kg_per_m3=998.0,
        flow_ul_per_min=ul_per_min,
        sampling=Sampling(cells_across=across),
    )


def exchanged(hydraulics, **options):
    return exchange(hydraulics, diffusivity_m2_per_s=D, fineness=FINENESS, **options)


def transient(hydraulics, until_s):
    """Switch to fresh liquid, cell by cell: nodes, their mean age and their 95 and 99 % times.

    Assembled on its own from the flow and the spread of the faces; steps of implicit Euler, extrapolated to
    second order, of 1 % of the time passed at most. The mean age is the integral of what is left.
    """
    flowing = stream(hydraulics, join(hydraulics), diffusivity_m2_per_s=D)
    a, b, count = flowing.nodes.a, flowing.nodes.b, len(flowing.volume_m3)
    forth, back = np.maximum(flowing.flow, 0) + flowing.spread, np.maximum(-flowing.flow, 0) + flowing.spread
    diagonal = np.zeros(count)
    np.add.at(diagonal, a, forth)
    np.add.at(diagonal, b, back)
    diagonal[: flowing.nodes.ports] += flowing.leaves
    matrix = diags_array(diagonal) - coo_array(
        (np.concatenate((forth, back)), (np.concatenate((b, a)), np.concatenate((a, b)))),
        shape=(count, count),
    )
    inlet = np.zeros(count, dtype=bool)
    inlet[: flowing.nodes.ports] = flowing.enters > 0
    left, age = np.where(inlet, 0.0, 1.0), np.zeros(count)
    times = {0.05: np.zeros(count), 0.01: np.zeros(count)}
    now, step = 0.0, 2e-5 * until_s
    while now < until_s:
        whole, half = (
            splu((diags_array(flowing.volume_m3) + size * matrix).tocsc()) for size in (step, step / 2.0)
        )
        for _ in range(100):
            middle = half.solve(flowing.volume_m3 * left)
            new = 2.0 * half.solve(flowing.volume_m3 * middle) - whole.solve(flowing.volume_m3 * left)
            age += step * (left + new) / 2.0
            now += step
            for share, reached in times.items():
                reached[(left > share) & (new <= share)] = now
            left = new
        step *= 2.0
    return flowing, age, times[0.05], times[0.01]


@pytest.mark.parametrize(
    ("shapes", "ports"),
    [(DEAD_ARM, (IN, OUT)), (CHAMBER, (IN, OUT)), (TEE, (IN, OUT, UP))],
    ids=["dead arm", "chamber", "tee"],
)
class TestAgainstATransient:
    @pytest.fixture
    def hydraulics(self, shapes, ports):
        return flow_through(shapes, ports, across=4.0)

    def test_ages_and_times(self, hydraulics):
        found = exchanged(hydraulics, profiles=False)
        flowing, age, t95, t99 = transient(hydraulics, 3.0 * found.t99_s)
        place, own = flowing.nodes.place[0], found.levels[0]
        seen = np.flatnonzero((place >= flowing.nodes.ports) & (own.age_s > 0.1 * found.outlets[0].age_s))
        node = place[seen]
        assert own.age_s[seen] == pytest.approx(age[node], rel=0.05)
        for mine, theirs in ((own.t95_s, t95), (own.t99_s, t99)):
            ratio = mine[seen] / theirs[node]
            assert ratio.max() < 1.5
            assert ratio.min() > 1.0 / 1.5
        for outlet in found.outlets:
            port = [item.name for item in hydraulics.ports].index(outlet.name)
            assert outlet.t95_s == pytest.approx(t95[port], rel=0.1)
            assert outlet.t99_s == pytest.approx(t99[port], rel=0.1)
        assert found.t95_s == pytest.approx(t95[node].max(), rel=0.1)
        assert found.t99_s == pytest.approx(t99[node].max(), rel=0.1)

    def test_the_mean_over_what_leaves_is_volume_over_flow(self, hydraulics):
        """Whatever the shape, dead spaces counted: Spalding 1958, Chem. Eng. Sci. 9, 74-77 (from memory)."""
        found = exchanged(hydraulics)
        total = sum(outlet.flow_m3_per_s * outlet.age_s for outlet in found.outlets)
        assert total == pytest.approx(found.exchanged_m3, rel=1e-9)
        assert found.flow_m3_per_s == pytest.approx(1e-9 / 60.0, rel=1e-10)
        assert sum(outlet.flow_m3_per_s for outlet in found.outlets) == pytest.approx(
            found.flow_m3_per_s, rel=1e-10
        )


@pytest.mark.parametrize(
    ("shapes", "ports"),
    [(DEAD_ARM, (IN, OUT)), (CHAMBER, (IN, OUT)), (TEE, (IN, OUT, UP))],
    ids=["dead arm", "chamber", "tee"],
)
def test_blocks_of_cells_serve_as_well(monkeypatch, shapes, ports):
    """Two blocks across the narrowest channel, as large chips have them, against every cell a block."""
    hydraulics = flow_through(shapes, ports, across=8.0)
    fine = exchanged(hydraulics)
    monkeypatch.setattr(transient_module, "BLOCKS_MAX", 100)
    coarse = exchanged(hydraulics)
    assert coarse.t95_s == pytest.approx(fine.t95_s, rel=0.15)
    assert coarse.t99_s == pytest.approx(fine.t99_s, rel=0.15)
    assert coarse.most_t95_s == pytest.approx(fine.most_t95_s, rel=0.15)
    for one, other in zip(coarse.outlets, fine.outlets, strict=True):
        assert one.t95_s == pytest.approx(other.t95_s, rel=0.15)


def test_every_cell_gives_what_it_gets():
    hydraulics = flow_through(TEE, (IN, OUT, UP))
    flowing = stream(hydraulics, join(hydraulics), diffusivity_m2_per_s=D)
    net = flowing.carried(np.ones(len(flowing.volume_m3)))
    net[: flowing.nodes.ports] -= flowing.enters
    assert np.abs(net).max() < 1e-10 * flowing.through_m3_per_s


def test_a_straight_channel_is_a_plug():
    """A(x) = x/u + (D/u²)(1 − exp(−u (L − x)/D)): closed inlet, no gradient at the outlet; by substitution.

    Upwinding gives each cell the age at its downstream edge.
    """
    hydraulics = flow_through([box(0, 0, 6, 0.2)], ul_per_min=0.01, across=8.0)
    (age,) = mean_age_s(hydraulics, diffusivity_m2_per_s=D)
    speed = 0.01e-9 / 60.0 / (0.2e-3 * 0.1e-3)
    grid = hydraulics.levels[0].fitted.grid
    x = (grid.centre_mm[:, 0] + grid.pitch_mm / 2.0 - 0.2) * 1e-3
    inner = (x > 0.5e-3) & (x < 5.1e-3)
    exact = x / speed + D / speed**2 * (1.0 - np.exp(-speed * (5.6e-3 - x) / D))
    assert age[inner] == pytest.approx(exact[inner], rel=0.01)
    found = exchanged(hydraulics)
    assert found.outlets[0].age_s == pytest.approx(5.6e-3 / speed, rel=1e-9)


@pytest.mark.parametrize("length_mm", [1.0, 2.0])
@pytest.mark.parametrize("ul_per_min", [0.5, 5.0])
def test_a_dead_arm_ages_by_its_length_squared(length_mm, ul_per_min):
    """End L²/(2D) over the mouth; 95 % after 1.31203 L²/D and 99 % after 1.96431 L²/D at the closed end."""
    hydraulics = flow_through([box(0, 0, 6, 0.2), box(3, 0, 3.2, 0.2 + length_mm)], ul_per_min=ul_per_min)
    place = exchanged(hydraulics).slowest[0]
    assert place.kind is Kind.DEAD_ARM
    assert (place.at.x, place.at.y) == pytest.approx((3.1, 0.2 + length_mm), abs=0.11)
    # the flow flushes what is left of the arm in its mouth: about one width
    assert length_mm - 0.45 < place.reach_mm < length_mm
    square_s = (place.reach_mm * 1e-3) ** 2 / D
    assert place.age_s == pytest.approx(square_s / 2.0, rel=0.1)
    assert place.t95_s == pytest.approx(1.31203 * square_s, rel=0.1)
    assert place.t99_s == pytest.approx(1.96431 * square_s, rel=0.1)
    assert place.carried_share < 0.25


def test_the_mean_over_a_dead_arm_is_a_third():
    """Mean L²/(3D), end L²/(2D): the share of both is 2/3, whatever the mouth does to L."""
    hydraulics = flow_through([box(0, 0, 6, 0.2), box(3, 0, 3.2, 4.2)])
    (age,) = mean_age_s(hydraulics, diffusivity_m2_per_s=D)
    y = hydraulics.levels[0].fitted.grid.centre_mm[:, 1]
    end = age[y > 4.15].mean()
    reach_m = math.sqrt(2.0 * D * end)
    arm = y > 4.2 - reach_m * 1e3
    assert age[arm].mean() == pytest.approx(2.0 / 3.0 * end, rel=0.02)
    depth = np.array([0.25, 0.5, 0.75])
    for share in depth:
        # A(x) = (L x − x²/2)/D
        at = np.abs(y - (4.2 - reach_m * 1e3 * (1.0 - share))) < 0.04
        assert age[at].mean() == pytest.approx(end * (2.0 * share - share**2), rel=0.03)


def test_what_doubling_the_flow_changes_is_told_before():
    for shapes, ports in ((DEAD_ARM, (IN, OUT)), (CHAMBER, (IN, OUT)), (TEE, (IN, OUT, UP))):
        once = exchanged(flow_through(shapes, ports)).slowest[0]
        twice = exchanged(flow_through(shapes, ports, ul_per_min=2.0)).slowest[0]
        assert once.doubled_t95_s == pytest.approx(twice.t95_s, rel=0.1)
    arm, stream_place = (
        exchanged(flow_through(DEAD_ARM)).slowest[0],
        exchanged(flow_through(TEE, (IN, OUT, UP))),
    )
    assert arm.doubled_t95_s > 0.8 * arm.t95_s
    assert stream_place.slowest[0].doubled_t95_s < 0.55 * stream_place.slowest[0].t95_s


@pytest.mark.parametrize(
    "turn",
    [
        lambda shape: affinity.scale(shape, -1, 1, origin=(0, 0)),
        lambda shape: affinity.rotate(shape, 90, origin=(0, 0)),
        lambda shape: affinity.translate(shape, 13.7, -4.2),
    ],
    ids=["mirrored", "turned", "moved"],
)
def test_neither_side_nor_direction_matters(turn):
    as_drawn, moved = exchanged(flow_through(DEAD_ARM)), exchanged(flow_through(DEAD_ARM, turn=turn))
    # cells at the rims of ports, and blocks of cells, may fall another way
    assert moved.slowest[0].age_s == pytest.approx(as_drawn.slowest[0].age_s, rel=0.03)
    assert moved.t99_s == pytest.approx(as_drawn.t99_s, rel=0.05)
    assert moved.outlets[0].t95_s == pytest.approx(as_drawn.outlets[0].t95_s, rel=0.05)


@pytest.mark.parametrize("shapes", [DEAD_ARM, CHAMBER, TEE], ids=["dead arm", "chamber", "tee"])
def test_more_flow_makes_no_point_older(shapes):
    """On an unchanged pattern of flow; to 1 % of the mean, for old liquid is carried somewhat further too."""
    slow, fast = (
        mean_age_s(flow_through(shapes, ul_per_min=flow), diffusivity_m2_per_s=D)[0] for flow in (1.0, 1.5)
    )
    known = np.isfinite(slow)
    assert (fast[known] <= slow[known] + 0.01 * slow[known].mean()).all()


def test_a_stub_that_hangs_on_an_inlet_is_exchanged_by_diffusion():
    stub = [box(0, 0, 6, 0.2), box(-1.2, 0, 0, 0.2)]
    place = exchanged(flow_through(stub)).slowest[0]
    assert place.kind is Kind.DEAD_ARM
    assert place.at.x == pytest.approx(-1.2, abs=0.05)
    # 1 mm from the edge of the port to the end
    assert place.age_s == pytest.approx(1e-6 / (2.0 * D), rel=0.02)


def test_what_nothing_flows_through_is_told_apart():
    found = exchanged(flow_through([box(0, 0, 6, 0.2), box(0, 2, 1, 3)]))
    assert found.unreached_m3 == pytest.approx(0.1e-9, rel=1e-6)
    closed = flow_through([box(0, 0, 6, 0.2)], (IN, ("in2", PortRole.INLET, 6.0, 0.1)))
    assert exchanged(closed) is None
