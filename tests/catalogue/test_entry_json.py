"""A user's own entries: laid over shipped ones, read back unchanged, refused with every fault named."""

import copy
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.serial import entry_from_json, entry_to_json
from rillcast_service.catalogue.types import KINDS, Entry, InvalidEntry, Price, Quantity

CATALOGUE = load()
SHIPPED = [entry for entry in CATALOGUE.entries.values() if entry.kind in KINDS]


def faults_of(kind: str, name: str, document: dict) -> list[tuple[str, str]]:
    with pytest.raises(InvalidEntry) as caught:
        entry_from_json(kind, name, document, CATALOGUE)
    assert all(fault.remedy for fault in caught.value.faults)
    return [(pointer, message) for pointer, message, _ in caught.value.faults]


@pytest.mark.parametrize("entry", SHIPPED, ids=lambda entry: f"{entry.kind}-{entry.name}")
def test_every_shipped_entry_survives_the_round_trip(entry):
    document = entry_to_json(entry)
    again = entry_from_json(entry.kind, entry.name, document, CATALOGUE)
    assert again.values == entry.values
    assert again.title == entry.title
    assert again.origin == "bench"


def test_reading_back_what_was_written_changes_nothing():
    entry = entry_from_json(
        "printers", "mine", {"based_on": "masked_lcd_35um", "values": {"layer_um": 25}}, CATALOGUE
    )
    assert entry_from_json("printers", "mine", entry_to_json(entry), CATALOGUE) == entry


def test_json_keeps_money_as_text():
    written = entry_to_json(CATALOGUE.get("resins", "clear_standard"))["values"]["price"]
    assert written["amount"] == "35.00"
    assert set(written) == {"amount", "low", "high", "currency", "per", "source", "as_of"}


def test_a_bare_number_is_the_users_own_exact_figure_in_the_unit_of_its_key():
    entry = entry_from_json("printers", "masked_lcd_35um", {"values": {"edge_bleed_um": 18}}, CATALOGUE)
    assert entry.quantity("edge_bleed_um") == Quantity(18.0, "µm", "bench", 18.0, 18.0)
    # what was not sent stays as shipped, with its own source
    shipped = CATALOGUE.get("printers", "masked_lcd_35um")
    assert entry.quantity("pixel_x_um") == shipped.quantity("pixel_x_um")
    assert entry.title == f"{shipped.title} (own values)"


def test_a_bare_amount_keeps_unit_currency_and_date_of_the_shipped_price():
    entry = entry_from_json("resins", "grey_mould", {"values": {"price": "29.90"}}, CATALOGUE)
    price = Decimal("29.90")
    assert entry.price() == Price(price, price, price, "EUR", "l", "bench", "2026-11-25")


def test_a_price_sent_today_is_of_today():
    document = {"values": {"price": 29.9}}
    entry = entry_from_json("resins", "grey_mould", document, CATALOGUE, as_of="2027-03-01")
    assert (entry.price().amount, entry.price().as_of) == (Decimal("29.9"), "2027-03-01")


def test_a_bare_switch_word_list_and_table_are_facts():
    entry = entry_from_json("printers", "masked_lcd_35um", {"values": {"calibrated": True}}, CATALOGUE)
    assert entry.fact("calibrated") is True
    entry = entry_from_json("calendars", "weekdays_9_to_17", {"values": {"holidays": []}}, CATALOGUE)
    assert entry.fact("holidays") == []
    hours = {"saturday": ["10:00", "14:00"], "monday": [["08:00", "12:00"], ["13:00", "17:00"]]}
    entry = entry_from_json(
        "calendars", "late", {"based_on": "weekdays_9_to_17", "values": {"hours": hours}}, CATALOGUE
    )
    assert entry.fact("hours") == hours


def test_a_new_name_may_be_based_on_an_existing_one():
    entry = entry_from_json(
        "ovens",
        "old_one",
        {"title": "the old one", "based_on": "bench_oven_30l", "values": {"max_c": 110}},
        CATALOGUE,
    )
    assert (entry.title, entry.number("max_c"), entry.number("shelves_count")) == ("the old one", 110, 2)
    assert CATALOGUE.with_bench((entry,)).get("ovens", "old_one") is entry


def test_a_new_name_without_a_base_must_say_everything():
    [(pointer, message)] = faults_of("plasma", "mine", {"values": {"tray_area_cm2": 100}})
    assert pointer == "#/values"
    assert message == "It lacks power_w, purchase, life_h."


def test_a_complete_new_entry_needs_no_base():
    values = {
        "tray_area_cm2": 100,
        "power_w": 500,
        "purchase": {"amount": "9000", "per": "piece", "currency": "EUR", "as_of": "2026-05-04"},
        "life_h": {"value": 6000, "low": 4000, "high": 8000, "source": "maker"},
    }
    entry = entry_from_json("plasma", "mine", {"values": values}, CATALOGUE)
    assert entry.quantity("life_h") == Quantity(6000.0, "h", "maker", 4000.0, 8000.0)
    assert entry.price("purchase").as_of == "2026-05-04"


@pytest.mark.parametrize(
    ("kind", "values", "pointer", "message"),
    [
        ("resins", {"hdt": 60}, "#/values/hdt", "Resins have no 'hdt'."),
        ("resins", {"hdt_c": {"value": 60, "unit": "K"}}, "#/values/hdt_c/unit", "hdt_c is in °C, not in K."),
        ("resins", {"hdt_c": "warm"}, "#/values/hdt_c", "hdt_c needs a number."),
        ("resins", {"hdt_c": True}, "#/values/hdt_c", "hdt_c needs a number."),
        ("resins", {"hdt_c": None}, "#/values/hdt_c", "hdt_c needs a number."),
        ("resins", {"film_um": float("nan")}, "#/values/film_um/value", "film_um is not a finite number."),
        ("resins", {"film_um": 10**400}, "#/values/film_um/value", "film_um is not a finite number."),
        ("resins", {"film_um": -1}, "#/values/film_um", "film_um must be 0 or more µm, not -1."),
        ("resins", {"exposure_s": 0}, "#/values/exposure_s", "exposure_s must be above 0 s, not 0."),
        (
            "resins",
            {"exposure_s": {"value": 2, "low": 0, "high": 3}},
            "#/values/exposure_s",
            "exposure_s must be above 0 s, not 0.",
        ),
        (
            "resins",
            {"waste_percent": 101},
            "#/values/waste_percent",
            "waste_percent must be 100 or less %, not 101.",
        ),
        (
            "resins",
            {"hdt_c": {"value": 60, "low": 70}},
            "#/values/hdt_c",
            "hdt_c: 60 lies outside its range 70 to 60.",
        ),
        ("resins", {"clear": "yes"}, "#/values/clear", "clear needs true or false."),
        ("resins", {"clear": 1}, "#/values/clear", "clear needs true or false."),
        ("resins", {"price": "-3"}, "#/values/price/amount", "'-3' is not an amount of money."),
        ("resins", {"price": "1e400000"}, "#/values/price/amount", "'1e400000' is not an amount of money."),
        (
            "resins",
            {"price": "0.00000000000001"},
            "#/values/price/amount",
            "'0.00000000000001' is not an amount of money.",
        ),
        ("resins", {"price": {"value": 3}}, "#/values/price", "price needs an amount of money."),
        (
            "resins",
            {"price": {"amount": "3", "currency": "euro"}},
            "#/values/price/currency",
            "The price's currency cannot be 'euro'.",
        ),
        (
            "resins",
            {"price": {"amount": "3", "per": "ml"}},
            "#/values/price/per",
            "price is per l, not per ml.",
        ),
        (
            "resins",
            {"price": {"amount": "3", "as_of": "yesterday"}},
            "#/values/price/as_of",
            "The price's as_of cannot be 'yesterday'.",
        ),
        (
            "silicones",
            {"cure_points": [{"temperature_c": 25, "time_h": 48}]},
            "#/values/cure_points",
            "cure_points needs a list of two points or more.",
        ),
        (
            "silicones",
            {"cure_points": [{"temperature_c": 25, "time_h": 48}, {"temperature_c": 25, "time_h": 4}]},
            "#/values/cure_points",
            "cure_points gives 25 °C twice.",
        ),
        (
            "silicones",
            {"cure_points": [{"temperature_c": 25, "time_h": 48}, {"temperature_c": 100, "time_h": 0}]},
            "#/values/cure_points",
            "cure_points has a time_h that is too small.",
        ),
        (
            "silicones",
            {"cure_points": [{"temperature_c": 25}, {"temperature_c": 100, "time_h": 1}]},
            "#/values/cure_points",
            "cure_points needs a number temperature_c and a number time_h in every point.",
        ),
        (
            "silicones",
            {
                "cure_points": [
                    {"temperature_c": 25, "time_h": float("inf")},
                    {"temperature_c": 30, "time_h": 1},
                ]
            },
            "#/values/cure_points/value",
            "It holds a number that is not finite.",
        ),
        (
            "moulds",
            {"supplier": "nobody"},
            "#/values/supplier",
            "supplier names no suppliers entry: 'nobody'.",
        ),
        (
            "calendars",
            {"timezone": "Mars/Olympus"},
            "#/values/timezone",
            "timezone needs the IANA name of a time zone, e.g. Europe/Berlin.",
        ),
        (
            "calendars",
            {"timezone": "../etc/passwd"},
            "#/values/timezone",
            "timezone needs the IANA name of a time zone, e.g. Europe/Berlin.",
        ),
        (
            "calendars",
            {"holidays": ["2026-02-30"]},
            "#/values/holidays",
            "holidays needs dates as in ISO 8601, e.g. 2026-12-24, not '2026-02-30'.",
        ),
        (
            "calendars",
            {"hours": {"monday": ["17:00", "09:00"]}},
            "#/values/hours",
            "hours ends before it begins on monday.",
        ),
        (
            "calendars",
            {"hours": {"funday": ["09:00", "17:00"]}},
            "#/values/hours",
            "hours has a day 'funday'; the days are "
            "monday, tuesday, wednesday, thursday, friday, saturday, sunday.",
        ),
    ],
)
def test_a_wrong_value_is_refused_where_it_stands(kind, values, pointer, message):
    name = CATALOGUE.names(kind)[0]
    assert faults_of(kind, name, {"values": values}) == [(pointer, message)]


def test_a_wrong_key_names_the_likely_ones():
    with pytest.raises(InvalidEntry) as caught:
        entry_from_json("printers", "masked_lcd_35um", {"values": {"pixel_um": 35}}, CATALOGUE)
    assert caught.value.faults[0].remedy.startswith("Perhaps pixel_")


def test_every_fault_is_told_at_once():
    values = {"layer_um": 0, "calibrated": "no", "colour": "red"}
    pointers = [pointer for pointer, _ in faults_of("printers", "masked_lcd_35um", {"values": values})]
    assert pointers == ["#/values/layer_um", "#/values/calibrated", "#/values/colour"]


@pytest.mark.parametrize(
    ("kind", "name", "document", "pointer"),
    [
        ("widgets", "mine", {}, "#/kind"),
        ("standards", "microscope_slide", {}, "#/kind"),
        ("ovens", "My Oven", {}, "#/name"),
        ("ovens", "bench_oven_30l", {"name": "other"}, "#/name"),
        ("ovens", "bench_oven_30l", {"kind": "plasma"}, "#/kind"),
        ("ovens", "bench_oven_30l", {"title": 3}, "#/title"),
        ("ovens", "bench_oven_30l", {"title": "x" * 201}, "#/title"),
        ("ovens", "bench_oven_30l", {"values": [1]}, "#/values"),
        ("ovens", "bench_oven_30l", {"colour": "red"}, "#/colour"),
        ("ovens", "mine", {"based_on": "none_such"}, "#/based_on"),
        ("ovens", "mine", {"based_on": ["bench_oven_30l"]}, "#/based_on"),
    ],
)
def test_a_misshapen_document_is_refused(kind, name, document, pointer):
    assert [found for found, _ in faults_of(kind, name, document)] == [pointer]


_PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(entry=st.sampled_from(SHIPPED), data=st.data())
def test_whatever_is_sent_gives_a_whole_entry_or_an_ordered_refusal(entry: Entry, data: st.DataObject):
    key = data.draw(st.sampled_from(sorted(entry.values)))
    document = copy.deepcopy(entry_to_json(entry))
    member = data.draw(st.sampled_from([None, *document["values"][key]]))
    written = data.draw(_PLAIN)
    if member is None:
        document["values"][key] = written
    else:
        document["values"][key][member] = written
    try:
        again = entry_from_json(entry.kind, entry.name, document, CATALOGUE)
    except InvalidEntry as error:
        refusal = error
    else:
        assert set(again.values) == set(entry.values)
        assert type(again.values[key]) is type(entry.values[key])
        return
    assert all(fault.pointer.startswith(f"#/values/{key}") and fault.message for fault in refusal.faults)


@pytest.mark.parametrize("value", [1e300, 1e10, 1e-300])
def test_a_size_that_no_bench_knows_is_refused(value):
    with pytest.raises(InvalidEntry) as refused:
        entry_from_json("printers", "masked_lcd_35um", {"values": {"pixel_x_um": value}}, load())
    fault = refused.value.faults[0]
    assert fault.pointer.endswith("pixel_x_um")
    assert fault.remedy.startswith("Give a number above 0")
