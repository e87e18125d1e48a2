"""What is asked for: the quote request as the engine sees it, already checked for form."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any, Self

from rillcast_service.engine.layout.model import PortRole


@dataclass(frozen=True, slots=True)
class LineRequest:
    """A needle or a tube between source and chip, named by gauge or by catalogue name.

    Args:
        needle_gauge, tubing: one of them.
        length_mm: None means: take the catalogue's default for its kind and say so.
    """

    needle_gauge: int | None = None
    tubing: str | None = None
    length_mm: float | None = None


@dataclass(frozen=True, slots=True)
class PortRequest:
    """A port named in the request: adds one, or says more about one that the file has.

    Args:
        name: the file's port of that name is changed; otherwise a round port is added.
        x_mm, y_mm: centre; needed for a new port.
        role: inlet, outlet or vent.
        bore_mm: diameter; needed for a new port.
        flow_ul_per_min, pressure_kpa, closed: its operating point, at most one of them.
        line: what lies between it and its source (or its waste), in any order; empty: nothing.
    """

    name: str
    x_mm: float | None = None
    y_mm: float | None = None
    role: PortRole | None = None
    bore_mm: float | None = None
    flow_ul_per_min: float | None = None
    pressure_kpa: float | None = None
    closed: bool = False
    line: tuple[LineRequest, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadoutRequest:
    """A round place where the chip is read: its name, its middle and its diameter."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class ChipRequest:
    """The body around the channels. None means: take the route's default and say so."""

    thickness_mm: float | None = None
    lid: str | None = None
    viewed_from: str | None = None


@dataclass(frozen=True, slots=True)
class UseRequest:
    """How the chip will be used. None means: take the catalogue's default and say so.

    Args:
        liquid, temperature_c: what flows, and how warm it is.
        viscosity_mpa_s, density_g_per_ml, surface_tension_mn_per_m: of the liquid at that temperature,
            in place of the catalogue's.
        flow_ul_per_min: through the whole chip.
        optics: how it is read.
        max_pressure_kpa: that the user allows; None: any.
        purge_ml: volume that is pushed through at once; None: none is.
        duration_h: how long liquid stands in the chip, for what evaporates; None: not asked.
        humidity_percent: relative humidity of the room, for the same.
    """

    liquid: str | None = None
    temperature_c: float | None = None
    flow_ul_per_min: float | None = None
    optics: tuple[str, ...] = ()
    max_pressure_kpa: float | None = None
    diffusivity_m2_per_s: float | None = None
    viscosity_mpa_s: float | None = None
    density_g_per_ml: float | None = None
    surface_tension_mn_per_m: float | None = None
    purge_ml: float | None = None
    duration_h: float | None = None
    humidity_percent: float | None = None
    mixed_fraction: float | None = None


@dataclass(frozen=True, slots=True)
class VariantRequest:
    """A build variant to look at. None means: every value that the route proposes.

    Args:
        orientation_deg: angle between chip and build plate.
        cure: name of a cure programme of the silicone.
        printer, mould: what it is made on, in place of the bench's; with one of them the variant is
            one of the routes that shape the channels on such a thing.
    """

    orientation_deg: float | None = None
    cure: str | None = None
    printer: str | None = None
    mould: str | None = None

    @property
    def machines(self) -> dict[str, str]:
        """Bench key → name, of the machines that it names."""
        named = {"printer": self.printer, "mould": self.mould}
        return {key: name for key, name in named.items() if name is not None}

    def fits(self, orientation_deg: float, cure: str | None) -> bool:
        """Whether a variant of that orientation and cure programme is one of those meant."""
        return self.orientation_deg in (None, orientation_deg) and self.cure in (None, cure)


@dataclass(frozen=True, slots=True)
class CommercialRequest:
    """Terms of the price. None means: take the rate of the catalogue and say so."""

    margin_percent: Decimal | None = None
    discount_percent: Decimal | None = None
    tax_percent: Decimal | None = None


@dataclass(frozen=True, slots=True)
class QuoteRequest:
    """One quote request.

    Args:
        quantity: good pieces wanted.
        start: when the bench can begin, with its time zone.
        routes: route ids to quote; empty for all.
        depths_um: channel layer name → depth; the key `channels` stands for every channel layer.
        levels: channel layer name → plane, 1 next to the lid; what is not named keeps that of the drawing.
        bench: kind of machine or material (`printer`, `resin`, `silicone`, `mould`, `oven`,
            `uv_lamp`, `vacuum_chamber`, `plasma`, `calendar`) → catalogue name, or None for
            "the bench has none".
        aim: `price`, `date` or `hands_on`: what the plan minimises.
        deadline: the latest date that is of use; None when there is none.
        currency: ISO 4217 code.
        seed: of the uncertainty simulation.
        rule_sets: optional sets of review rules to hold the chip to.
        readouts: places where the chip is read.
    """

    quantity: int
    start: datetime
    routes: tuple[str, ...] = ()
    depths_um: dict[str, float] = field(default_factory=dict)
    levels: dict[str, int] = field(default_factory=dict)
    chip: ChipRequest = ChipRequest()
    ports: tuple[PortRequest, ...] = ()
    use: UseRequest = UseRequest()
    bench: dict[str, str | None] = field(default_factory=dict)
    variants: tuple[VariantRequest, ...] = ()
    aim: str = "price"
    deadline: datetime | None = None
    first_article: bool = False
    commercial: CommercialRequest = CommercialRequest()
    currency: str | None = None
    seed: int = 1
    rule_sets: tuple[str, ...] = ()
    readouts: tuple[ReadoutRequest, ...] = ()

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Self:
        """A request from its JSON form, which the contract's `QuoteRequest` schema has passed.

        Args:
            document: members as in the contract; `start` is required here, for the engine has no
                clock. Members that say nothing to the engine are left alone.

        Returns:
            The request.
        """
        chip, use = document.get("chip") or {}, document.get("use") or {}
        terms = document.get("commercial") or {}
        return cls(
            quantity=int(document["quantity"]),
            start=datetime.fromisoformat(document["start"]),
            routes=tuple(document.get("routes") or ()),
            depths_um={key: float(value) for key, value in (document.get("depths_um") or {}).items()},
            levels={key: int(value) for key, value in (document.get("levels") or {}).items()},
            chip=ChipRequest(
                thickness_mm=chip.get("thickness_mm"),
                lid=chip.get("lid"),
                viewed_from=chip.get("viewed_from"),
            ),
            ports=tuple(_port(port) for port in document.get("ports") or ()),
            use=UseRequest(
                liquid=use.get("liquid"),
                temperature_c=use.get("temperature_c"),
                flow_ul_per_min=use.get("flow_ul_per_min"),
                optics=tuple(use.get("optics") or ()),
                max_pressure_kpa=use.get("max_pressure_kpa"),
                diffusivity_m2_per_s=use.get("diffusivity_m2_per_s"),
                viscosity_mpa_s=use.get("viscosity_mpa_s"),
                density_g_per_ml=use.get("density_g_per_ml"),
                surface_tension_mn_per_m=use.get("surface_tension_mn_per_m"),
                purge_ml=use.get("purge_ml"),
                duration_h=use.get("duration_h"),
                humidity_percent=use.get("humidity_percent"),
                mixed_fraction=use.get("mixed_fraction"),
            ),
            bench=dict(document.get("bench") or {}),
            variants=tuple(
                VariantRequest(
                    orientation_deg=item.get("orientation_deg"),
                    cure=item.get("cure"),
                    printer=item.get("printer"),
                    mould=item.get("mould"),
                )
                for item in document.get("variants") or ()
            ),
            aim=document.get("aim") or "price",
            deadline=datetime.fromisoformat(document["deadline"]) if document.get("deadline") else None,
            first_article=bool(document.get("first_article", False)),
            commercial=CommercialRequest(
                margin_percent=_decimal(terms.get("margin_percent")),
                discount_percent=_decimal(terms.get("discount_percent")),
                tax_percent=_decimal(terms.get("tax_percent")),
            ),
            currency=document.get("currency"),
            seed=int(document.get("seed", 1)),
            rule_sets=tuple(document.get("rule_sets") or ()),
            readouts=tuple(ReadoutRequest(**item) for item in document.get("readouts") or ()),
        )


def _port(document: dict[str, Any]) -> PortRequest:
    role = document.get("role")
    return PortRequest(
        name=document["name"],
        x_mm=document.get("x_mm"),
        y_mm=document.get("y_mm"),
        role=PortRole(role) if role else None,
        bore_mm=document.get("bore_mm"),
        flow_ul_per_min=document.get("flow_ul_per_min"),
        pressure_kpa=document.get("pressure_kpa"),
        closed=bool(document.get("closed", False)),
        line=tuple(LineRequest(**part) for part in document.get("line") or ()),
    )


def _decimal(value: str | None) -> Decimal | None:
    return None if value is None else Decimal(value)
