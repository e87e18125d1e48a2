"""Amounts by hand."""

import pytest

from rillcast_service.catalogue.types import Entry, Quantity
from rillcast_service.engine.routes.base import Printed, Process, Sizing
from rillcast_service.engine.routes.materials import (
    listed_needs,
    resin_need,
    silicone_needs,
    small_mixes,
    weighed_g,
)


def entry(kind: str, **values: tuple[float, str] | tuple[float, float, float, str]) -> Entry:
    """An entry of numbers, written (value, unit) or (low, value, high, unit)."""
    quantities = {
        key: Quantity(*(written[1], written[3], "test", written[0], written[2]))
        if len(written) == 4
        else Quantity(written[0], written[1], "test", low=written[0], high=written[0])
        for key, written in values.items()
    }
    return Entry(kind=kind, name="test", title="test", values=quantities)


RESIN = entry(
    "resins",
    density_liquid_g_per_ml=(1.10, "g/mL"),
    density_cured_g_per_ml=(1.21, "g/mL"),
    film_um=(100.0, 150.0, 200.0, "µm"),
    waste_percent=(4.0, "%"),
)
PRINTER = entry("printers", vat_minimum_ml=(50.0, "mL"))
SILICONE = entry(
    "silicones",
    mix_ratio=(10.0, "1"),
    density_g_per_ml=(1.03, "g/mL"),
    cup_loss_percent=(15.0, 20.0, 30.0, "%"),
)
MOULD = Printed("mould", "print_moulds", 80.0, 30.0, 9.0, solid_ml=10.0, surface_cm2=80.0)


def test_resin_by_hand():
    need = resin_need(
        (MOULD,),
        items=3,
        resin=RESIN,
        printer=PRINTER,
        support_percent=Quantity(20.0, "%", "test", low=20.0, high=20.0),
        purpose="moulds",
        shared=True,
    )
    # solid 10 · 1.2 = 12 mL, as liquid · 1.21/1.10 = 13.2 mL; film 80 cm² · 0.015 cm = 1.2 mL;
    # 3 · 14.4 · 1.04 = 44.928 mL, in mass · 1.10 = 49.4 g
    assert need.volume_ml == pytest.approx(44.928)
    assert need.mass_g == pytest.approx(49.4208)
    assert need.quantity.best == pytest.approx(0.044928)
    # the film may be 0.8 or 1.6 mL: 3 · 14.0 · 1.04 and 3 · 14.8 · 1.04
    assert (need.quantity.low, need.quantity.high) == pytest.approx((0.04368, 0.046176))
    assert (need.kind, need.unit, need.step, need.shared) == ("resins", "l", "print_moulds", True)
    assert "50 mL" in need.why


def test_silicone_by_hand():
    base, agent = silicone_needs(
        SILICONE, pour_ml=6.0, batches={4: 3, 1: 1}, item="pour", purpose="casts", step="mix"
    )
    # for 4 pours 4 · 6 · 1.03 · 1.2 = 29.664 g, agent 29.664/11 = 2.697 → 2.7 g, base 27.0 g, three times;
    # for 1 pour 7.416 g, agent 0.674 → 0.7 g, base 7.0 g
    assert agent.mass_g == pytest.approx(3 * 2.7 + 0.7)
    assert base.mass_g == pytest.approx(3 * 27.0 + 7.0)
    assert base.quantity.best == pytest.approx(0.088)
    assert base.quantity.low == pytest.approx(0.088 * 1.15 / 1.20)
    # the card tells what goes into each cup, not an average
    assert "3 mixes for 4 pours: 27.0 g base and 2.7 g agent each" in base.why
    assert "1 mix for 1 pour: 7.0 g base and 0.7 g agent." in base.why


def test_every_mix_is_enough_for_its_pours():
    for size in range(1, 9):
        base, agent = silicone_needs(
            SILICONE, pour_ml=6.123, batches={size: 1}, item="lid", purpose="lids", step="mix_lids"
        )
        assert base.mass_g / agent.mass_g == pytest.approx(10.0)
        assert base.mass_g + agent.mass_g >= size * 6.123 * 1.03 * 1.2
        assert "pour" not in base.why


def test_small_mixes_are_counted_by_the_batch():
    base, agent = small_mixes(SILICONE, 5.0, count=3, purpose="bonding film", step="mix_film")
    # 5/11 = 0.4545 → 0.5 g of agent, ten times that of base
    assert (base.mass_g, agent.mass_g) == pytest.approx((15.0, 1.5))


@pytest.mark.parametrize(("exact", "weighed"), [(2.697, 2.7), (2.7, 2.7), (2.7001, 2.8), (0.01, 0.1)])
def test_masses_are_weighed_to_a_tenth_of_a_gram_and_never_short(exact, weighed):
    assert weighed_g(exact) == weighed


def test_listed_materials_are_counted_by_what_uses_them(make_step):
    steps = (
        make_step("mix", unit="pour"),
        make_step("punch", after=["mix"], yield_percent=80.0),
        make_step("pack", after=["punch"]),
    )
    row = {"kind": "consumables", "purpose": "p", "source": "test", "unit": "piece", "amount": [1, 2, 3]}
    rows = [
        row | {"name": "job", "step": "mix", "per": "job"},
        row | {"name": "round", "step": "mix", "per": "round"},
        row | {"name": "pour", "step": "mix", "per": "pour"},
        row | {"name": "mould", "step": "mix", "per": "mould", "shared": True},
        row | {"name": "part", "step": "pack", "per": "part"},
        row | {"name": "port", "step": "pack", "per": "port"},
        row
        | {"name": "punch", "step": "punch", "per": "part_port", "amount": [0.02, 0.03, 0.05], "whole": True},
        row | {"name": "gone", "step": "plasma", "per": "part"},
        row | {"name": "batch", "step": "mix", "per": "batch"},
        row | {"name": "cup", "step": "mix", "per": "cup"},
    ]
    sizing = Sizing(
        good_parts=8, started_parts=10, moulds=2, rounds=3, parts_per_mould=2, batches={"mix": {2: 2, 1: 1}}
    )
    listed = listed_needs(rows, Process(steps), sizing, ports=3, cups={"mix": 5})
    needs = {need.name: need for need in listed}
    assert "gone" not in needs
    best = {name: need.quantity.best for name, need in needs.items()}
    # 10 pieces on moulds of 2 are 5 pours; 8 are packed; 10 are punched at 3 ports: 30 · 0.03 = 0.9 → 1
    assert best == {
        "job": 2,
        "round": 6,
        "pour": 10,
        "mould": 4,
        "part": 16,
        "port": 6,
        "punch": 1,
        "batch": 6,
        "cup": 10,
    }
    assert (needs["punch"].quantity.low, needs["punch"].quantity.high) == (1, 2)
    assert [name for name, need in needs.items() if need.shared] == ["mould"]
