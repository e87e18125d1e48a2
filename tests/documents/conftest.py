"""A made-up chip and a made-up quote of it, complete enough to fill every part of a document."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from shapely import LineString, MultiPolygon, Point, Polygon, box, union_all

from rillcast_service.engine.layout.model import Assumption, Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import (
    AsMadeSummary,
    Choice,
    Comparison,
    Cost,
    CostLine,
    Driver,
    Finding,
    FluidicsSummary,
    MaterialLine,
    Model,
    Percentiles,
    PortState,
    PriceBreak,
    QuoteResult,
    RouteResult,
    Schedule,
    ScheduledStep,
    Severity,
    VariantResult,
    Verdict,
    as_json,
)

CET = timezone(timedelta(hours=1))
MONDAY = datetime(2027, 3, 1, 9, 0, tzinfo=CET)

NO_AS_MADE = AsMadeSummary(None, None, {}, {}, Range(-30.0, -18.0, -6.0), 2, 1)


@pytest.fixture
def outline() -> Polygon:
    return box(1, 1, 75, 25)


@pytest.fixture
def layout(outline: Polygon) -> Layout:
    """Two inlets, a Y, a serpentine, three chambers of which one has a side pocket, a waste port."""
    legs: list[tuple[float, float]] = [(16, 13), (20, 13)]
    for index in range(8):
        x = 20 + 1.4 * index
        legs += [(x, 19), (x + 1.4, 19)] if index % 2 == 0 else [(x, 7), (x + 1.4, 7)]
    legs += [(31.2, 13), (68, 13)]
    channel = union_all(
        [
            LineString([(6, 8), (12, 8), (16, 13)]).buffer(0.1),
            LineString([(6, 18), (12, 18), (16, 13)]).buffer(0.1),
            LineString(legs).buffer(0.1),
            *(Point(x, 13).buffer(1.5) for x in (40, 48, 56)),
            box(55.6, 14, 56.4, 17.5),
            *(Point(x, y).buffer(1.0) for x, y in ((6, 8), (6, 18), (68, 13))),
        ]
    )
    marks = [
        box(60 + 0.5 * (i % 8), 18 + 0.5 * (i // 8), 60.45 + 0.5 * (i % 8), 18.45 + 0.5 * (i // 8))
        for i in range(64)
        if (i * 7) % 5 < 3
    ]
    opening = [
        ("sample", PortRole.INLET, 6, 18),
        ("reagent", PortRole.INLET, 6, 8),
        ("waste", PortRole.OUTLET, 68, 13),
    ]
    return Layout(
        name="River nitrate chip",
        source_format="svg",
        layers=(
            Layer("outline", Role.OUTLINE, MultiPolygon([outline])),
            Layer("channels", Role.CHANNELS, _multi(channel), depth_um=150.0),
            Layer("marks", Role.MARKS, MultiPolygon(marks)),
        ),
        ports=tuple(Port(name, role, Point(x, y).buffer(0.75), 1.5) for name, role, x, y in opening),
        outline=outline,
        flattening_um=1.0,
    )


@pytest.fixture
def cast_route() -> RouteResult:
    """A route that can make it, with findings of every severity, in several kinds of place."""
    findings = (
        Finding(
            rule="narrow_ridge",
            severity=Severity.RISK,
            measured=200.0,
            limit=210.0,
            limit_low=175.0,
            limit_high=250.0,
            unit="µm",
            where=LineString([(25.6, 8), (25.6, 16)]),
            message="The ridge of the mixer is 200 µm wide, inside the spread of an uncalibrated printer; "
            "the cast channel may come out wider or broken.",
            why="A ridge of few pixels is not held and comes off with the cast.",
            remedy="Widen the mixer to 250 µm, or calibrate the printer with a test coupon.",
            source="common practice, no source",
        ),
        Finding(
            rule="dead_end",
            severity=Severity.RISK,
            measured=3.0,
            limit=1.0,
            unit="mm",
            where=box(55.6, 14.4, 56.4, 17.5),
            message="The side pocket of the third chamber is a dead end of 3 mm that keeps air on filling.",
            why="Air that cannot leave stops the liquid.",
            remedy="Add a vent at its end or shorten it to under 1 mm.",
            source="common practice, no source",
        ),
        Finding(
            rule="port_edge_distance",
            severity=Severity.NOTE,
            measured=4.3,
            limit=4.0,
            unit="mm",
            where=Point(6, 8),
            message="The reagent port is 4.3 mm from the chip's edge, just outside the recommended distance.",
            remedy="No change needed; punch with the edge supported.",
            source="common practice, no source",
        ),
        Finding(
            rule="cure_inhibition",
            severity=Severity.NOTE,
            message="The fresh print would inhibit the silicone's cure; wash and UV dose are in the plan.",
            remedy="Keep to the planned dose, and make a test cure on a corner of the mould first.",
            source="an invented source",
        ),
    )
    return RouteResult(
        route="cast_printed_mould",
        title="Silicone cast on a printed mould",
        verdict=Verdict.MAKEABLE_WITH_RISK,
        summary="Can be made; the mixer's width lies within the spread of an uncalibrated printer.",
        variants=(
            VariantResult(
                "flat, cure 65 °C",
                0.0,
                "slow_65c",
                "masked_lcd_35um",
                True,
                Verdict.MAKEABLE_WITH_RISK,
                "Lowest price.",
            ),
            VariantResult(
                "flat, cure 80 °C",
                0.0,
                "fast_80c",
                "masked_lcd_35um",
                False,
                Verdict.NOT_MAKEABLE,
                "The resin softens.",
            ),
        ),
        findings=findings,
        as_made=AsMadeSummary(
            min_width_um=Range(198.0, 214.0, 236.0),
            min_gap_um=Range(1164.0, 1186.0, 1202.0),
            width_um={"channels": Range(198.0, 214.0, 236.0)},
            depth_um={"channels": Range(140.0, 148.5, 155.0)},
            width_change_um=Range(-2.0, 14.0, 36.0),
            lost_features=0,
            merged_features=0,
            notes=("Widths from the pixel grid and the printer's light bleed, without a measured profile.",),
        ),
        fluidics=FluidicsSummary(
            channel_volume_ul=6.42,
            reached_fraction=0.93,
            ports=(
                PortState("sample", "inlet", 1.24, 25.0),
                PortState("reagent", "inlet", 1.24, 25.0),
                PortState("waste", "outlet", 0.0, -50.0),
            ),
            resistance_pa_s_per_m3=((0.0, 2.1e11, 1.49e12), (2.1e11, 0.0, 1.49e12), (1.49e12, 1.49e12, 0.0)),
            pressure_kpa=1.24,
            reynolds=4.7,
            grid_pitch_um=25.0,
            cells_across=8.0,
            liquid="water",
            viscosity_mpa_s=0.9544,
            temperature_c=22.0,
        ),
        draining=None,
        materials=(
            MaterialLine(
                "pdms_10_to_1",
                "Two-part 10:1 PDMS elastomer (general-purpose)",
                "casting 28 chips",
                0.386,
                "kg",
                "28 chips of 7.1 mL, 20 % cup loss",
                volume_ml=375.0,
                mass_g=386.0,
            ),
            MaterialLine(
                "glass_slide", "Glass slide 76 × 26 mm", "lids", 28.0, "piece", "one for each chip begun"
            ),
        ),
        schedule=schedule(),
        cost=cost(),
    )


def schedule() -> Schedule:
    """Two moulds printed, two rounds of casting over two nights."""

    def step(
        step_id: str,
        title: str,
        start_h: float,
        length_h: float,
        resource: str | None,
        hands_on_min: float,
        unattended: bool,
        batch: int = 1,
        of: int = 1,
        items: str = "4 moulds",
        cautions: tuple[str, ...] = (),
    ) -> ScheduledStep:
        start = MONDAY + timedelta(hours=start_h)
        return ScheduledStep(
            step_id,
            title,
            batch,
            of,
            items,
            start,
            start + timedelta(hours=length_h),
            resource,
            hands_on_min,
            unattended,
            "common practice, no source",
            cautions,
        )

    resin = ("Uncured resin irritates the skin: gloves and goggles, see the safety data sheet.",)
    oven = ("Hot oven: heat-proof gloves.",)
    steps = (
        step("print", "Print the moulds", 0, 2.4, "printer", 15, True, cautions=resin),
        step("wash", "Wash in isopropanol and dry", 2.5, 0.5, None, 25, False, cautions=resin),
        step("uv", "UV dose against cure inhibition", 3.0, 1.5, "uv_lamp", 10, True),
        step("bake", "Bake the moulds", 4.5, 16, "oven", 5, True, cautions=oven),
        step("pour", "Mix, degas and pour", 24, 1.2, "vacuum_chamber", 45, False, 1, 2, "14 chips"),
        step("cure", "Cure at 65 °C", 25.2, 5, "oven", 5, True, 1, 2, "14 chips", oven),
        step("pour", "Mix, degas and pour", 48, 1.2, "vacuum_chamber", 45, False, 2, 2, "14 chips"),
        step("cure", "Cure at 65 °C", 49.2, 5, "oven", 5, True, 2, 2, "14 chips", oven),
        step(
            "cut",
            "Cut apart and punch ports",
            54.3,
            1.6,
            None,
            95,
            False,
            items="28 chips",
            cautions=("Blades cut.",),
        ),
        step("bond", "Bond to glass", 72, 2.0, "bonding_bench", 110, False, items="28 chips"),
        step("inspect", "Fill with water and inspect", 74, 1.0, None, 60, False, items="28 chips"),
    )
    return Schedule(
        steps=steps,
        counts={"moulds": 4, "rounds": 2, "started_parts": 28},
        hands_on_h=7.0,
        elapsed_h=75.0,
        first_article_at=MONDAY + timedelta(hours=30.2),
        finished_at=MONDAY + timedelta(hours=75),
        critical_path=("print", "wash", "uv", "bake", "pour", "cure", "cut", "bond", "inspect"),
        meets_deadline=True,
    )


def cost() -> Cost:
    """Lines that add up: net 624.10, tax 19 % of it."""
    lines = (
        CostLine(
            "material",
            "Two-part 10:1 PDMS elastomer (general-purpose)",
            Decimal("69.48"),
            False,
            0.386,
            "kg",
            Decimal("180.00"),
            "pour",
            "pdms_10_to_1",
            "list price, invented",
            "2026-11-01",
        ),
        CostLine("machine", "Printer, 2.4 h", Decimal("4.32"), True, 2.4, "h", Decimal("1.80"), "print"),
        CostLine(
            "labour",
            "Hands-on time",
            Decimal("385.00"),
            False,
            7.0,
            "h",
            Decimal("55.00"),
            None,
            None,
            "common practice, no source",
            "2026-11-01",
        ),
        CostLine("overhead", "Overhead 15 %", Decimal("68.82"), False),
        CostLine("margin", "Margin 20 %", Decimal("105.52"), False),
        CostLine("discount", "Discount", Decimal("-9.04"), False),
        CostLine("tax", "Tax 19 %", Decimal("118.58"), False),
    )
    return Cost(
        currency="EUR",
        lines=lines,
        net=Decimal("624.10"),
        amount=Decimal("742.68"),
        shared=Decimal("4.32"),
        unit_price=Decimal("26.00"),
        total=Percentiles(Decimal("548.20"), Decimal("631.75"), Decimal("748.90")),
        price_breaks=(
            PriceBreak(10, Decimal("39.80"), Decimal("398.00"), MONDAY + timedelta(hours=54)),
            PriceBreak(100, Decimal("18.41"), Decimal("1841.00"), MONDAY + timedelta(days=9)),
        ),
        drivers=(
            Driver("hands-on minutes of bonding", 0.46),
            Driver("first-pass yield", 0.31),
            Driver("labour rate", 0.17),
        ),
        rounding="Each line is rounded to 0.01 EUR, half to even; totals add rounded lines.",
    )


@pytest.fixture
def blocked_route() -> RouteResult:
    """A route that cannot make it, named by somebody with markup in mind."""
    return RouteResult(
        route="printed_monolith",
        title="One-piece print with enclosed channels",
        verdict=Verdict.NOT_MAKEABLE,
        summary="The roof closes the 150 µm deep channels.",
        variants=(
            VariantResult("flat", 0.0, None, None, True, Verdict.NOT_MAKEABLE, "The only one proposed."),
        ),
        findings=(
            Finding(
                rule="roof_cure_through",
                severity=Severity.BLOCKER,
                measured=-22.0,
                limit=0.0,
                unit="µm",
                where=MultiPolygon([box(19.9, 7, 20.1, 19), box(22.7, 7, 22.9, 19)]),
                message="Light behind the roof cures the channels of layer <script>alert(1)</script> shut.",
                remedy="Make the channels at least 320 µm deep.",
                source="an invented source",
            ),
        ),
        as_made=NO_AS_MADE,
        fluidics=None,
        draining=None,
        materials=(),
        schedule=None,
        cost=None,
    )


@pytest.fixture
def quote(cast_route: RouteResult, blocked_route: RouteResult) -> dict[str, Any]:
    """The quote resource, as the service gives it."""
    result = QuoteResult(
        model=Model("rillcast", "2026.11.1", "9f3c2a"),
        routes=(blocked_route, cast_route),
        comparison=Comparison(
            recommended="cast_printed_mould",
            reasons=("It is the only route that can make the chip as it is drawn.",),
            choices=tuple(
                Choice(
                    route.route,
                    route.verdict,
                    route.cost.unit_price if route.cost else None,
                    route.cost.net if route.cost else None,
                    route.schedule.finished_at if route.schedule else None,
                    route.schedule.hands_on_h if route.schedule else None,
                    route.schedule.meets_deadline if route.schedule else None,
                )
                for route in (blocked_route, cast_route)
            ),
        ),
        assumptions=(
            Assumption(
                "use.temperature_c", "22 °C", "Not given; room temperature.", "common practice, no source"
            ),
        ),
        cautions=("A chip is not a medical device.",),
    )
    return {
        "quote_id": "quo_9fT3yB7LkQ2p",
        "revision": 1,
        "state": "done",
        "progress": 1.0,
        "step": None,
        "request": {"layout_id": "lay_4Jk2v9QmT1xW", "quantity": 24, "start": MONDAY.isoformat()},
        "assumptions": as_json(result.assumptions),
        "result": as_json(result),
        "problem": None,
        "created_at": "2027-02-26T15:12:00+01:00",
        "finished_at": "2027-02-26T15:12:04+01:00",
        "links": {},
    }


def _multi(geometry: Any) -> MultiPolygon:
    return geometry if isinstance(geometry, MultiPolygon) else MultiPolygon([geometry])
