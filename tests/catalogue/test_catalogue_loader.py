"""Reading a folder of tables: what is refused, and how it is told."""

from pathlib import Path

import pytest

from rillcast_service.catalogue import loader
from rillcast_service.catalogue.loader import InvalidCatalogue, read_catalogue
from rillcast_service.catalogue.types import UnknownEntry

GLASS = """
currency = "EUR"
prices_as_of = "2026-11-25"

[slide]
title = "slide"
price = { amount = "0.20", low = "0.10", high = "0.35", per = "piece", source = "from memory" }
"""


def folder(tmp_path: Path, **files: str) -> Path:
    for name, text in files.items():
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


def fault_of(tmp_path: Path, **files: str) -> str:
    with pytest.raises(InvalidCatalogue) as caught:
        read_catalogue(folder(tmp_path, **files))
    return str(caught.value)


def test_the_shipped_catalogue_is_read_once():
    assert loader.load() is loader.load()


def test_an_unknown_entry_is_told_with_the_known_ones():
    with pytest.raises(UnknownEntry, match=r"masked_lcd_35um"):
        loader.load().get("printers", "none_such")


def test_a_price_takes_currency_and_date_from_the_head_of_its_file(tmp_path):
    price = read_catalogue(folder(tmp_path, consumables=GLASS)).get("consumables", "slide").price()
    assert (price.currency, price.as_of, price.per) == ("EUR", "2026-11-25", "piece")


def test_a_price_without_a_date_is_refused(tmp_path):
    told = fault_of(tmp_path, consumables=GLASS.replace('prices_as_of = "2026-11-25"', ""))
    assert told == (
        "consumables.toml [slide] price as_of: The price's as_of is missing. "
        "Give the date of the price as in ISO 8601, e.g. 2026-11-25."
    )


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            'thickness_mm = { value = 1, source = "" }',
            "[slide] thickness_mm source: The value names no source.",
        ),
        ("thickness_mm = 1", "[slide] thickness_mm source: The value names no source."),
        (
            'thickness_mm = { value = 1, low = 2, high = 3, source = "s" }',
            "[slide] thickness_mm: thickness_mm: 1 lies outside its range 2 to 3.",
        ),
        (
            'thickness_mm = { value = 1, unit = "m", source = "s" }',
            "[slide] thickness_mm unit: thickness_mm is in mm, not in m.",
        ),
        (
            'thickness_mm = { value = 0, source = "s" }',
            "[slide] thickness_mm: thickness_mm must be above 0 mm",
        ),
        ('thicknes_mm = { value = 1, source = "s" }', "Perhaps thickness_mm"),
        ('thickness_mm = { valve = 1, source = "s" }', "[slide] thickness_mm source"),
        ('thickness_mm = { value = 1, sauce = "s" }', "A value has no 'sauce'."),
    ],
)
def test_a_fault_is_told_with_file_entry_and_key(tmp_path, line, told):
    assert told in fault_of(tmp_path, consumables=GLASS + line)


def test_all_faults_are_told_at_once(tmp_path):
    told = fault_of(
        tmp_path,
        consumables=GLASS + "length_mm = 76\nwidth_mm = 26",
        ovens='[hot]\ntitle = "hot"',
        plasma="x =",
    )
    assert [line.split(":")[0] for line in told.splitlines()] == [
        "plasma.toml",
        "ovens.toml [hot] #",
        "consumables.toml [slide] length_mm source",
        "consumables.toml [slide] width_mm source",
    ]


def test_an_entry_without_a_required_key_is_refused(tmp_path):
    told = fault_of(tmp_path, consumables='[slide]\ntitle = "slide"')
    assert "It lacks price." in told


def test_an_entry_without_a_title_is_refused(tmp_path):
    assert "The entry has no title." in fault_of(tmp_path, consumables=GLASS.replace('title = "slide"', ""))


def test_a_mould_must_name_a_supplier_that_exists(tmp_path):
    moulds = Path(loader.__file__).with_name("moulds.toml").read_text(encoding="utf-8")
    assert "supplier names no suppliers entry: 'mask_and_wafer_mould'." in fault_of(tmp_path, moulds=moulds)


def test_a_stray_value_outside_an_entry_is_refused(tmp_path):
    assert "consumables.toml: colour belongs to no entry" in fault_of(
        tmp_path, consumables='colour = "red"\n' + GLASS
    )


def test_routes_are_known_by_their_file_names(tmp_path):
    (tmp_path / "routes").mkdir()
    (tmp_path / "routes" / "milled.toml").write_text('title = "Milled"', encoding="utf-8")
    assert read_catalogue(tmp_path).routes == {"milled": {"title": "Milled"}}


def test_the_data_version_is_short_and_changes_with_any_value(tmp_path, monkeypatch):
    shipped = loader.data_version()
    assert len(shipped) == 12
    assert shipped == loader.data_version()
    versions = set()
    for text in (GLASS, GLASS.replace("0.20", "0.21")):
        monkeypatch.setattr(loader, "_package", lambda text=text: folder(tmp_path, consumables=text))
        versions.add(loader.data_version.__wrapped__())
    assert len(versions) == 2
