"""The table of layer names."""

import pytest

from rillcast_service.engine.layout import roles
from rillcast_service.engine.layout.model import Role


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("channels", Role.CHANNELS),
        (" CHANNELS ", Role.CHANNELS),
        ("ch", Role.CHANNELS),
        ("channel-2", Role.CHANNELS),
        ("channels_150um", Role.CHANNELS),
        ("channels 150 µm", Role.CHANNELS),
        ("channels_deep", Role.CHANNELS),
        ("holes", Role.PORTS),
        ("Chip_Outline", Role.OUTLINE),
        ("engraving", Role.MARKS),
        ("label 1", Role.MARKS),
        ("notes", Role.IGNORED),
        ("chips", None),
        ("channelled", None),
        ("port labels", None),
        ("150um", None),
        ("", None),
        ("Layer 1", None),
    ],
)
def test_what_a_name_stands_for(name, role):
    assert roles.role_of(name) is role


def test_no_name_stands_for_two_roles_and_all_are_written_plainly():
    names = [name for of_role in roles.NAMES.values() for name in of_role]
    assert len(names) == len(set(names))
    assert [roles.plain(name) for name in names] == names


@pytest.mark.parametrize(
    ("name", "keys"),
    [("Top_1", ("top 1",)), ("1/0", ("1 0", "1")), ("63/12", ("63 12", "63")), ("a/0", ("a 0",))],
)
def test_what_a_request_may_call_a_layer(name, keys):
    assert roles.request_keys(name) == keys
