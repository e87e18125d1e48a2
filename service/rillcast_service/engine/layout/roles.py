"""What a layer's name says about its role. The one table; the rest of the program asks here.

Names are compared in lower case; spaces, hyphens, dots, slashes and underscores are alike. A number at the
end (`channels 2`, `channels_150um`) does not change the role, and a name that begins with `channels` and a
separator (`channels_deep`) is a channel layer, so that a chip of several depths can name each.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from rillcast_service.engine.layout.model import Role

NAMES: Mapping[Role, tuple[str, ...]] = {
    Role.CHANNELS: (
        "channels", "channel", "ch", "fluidics", "fluidic", "microchannels", "microchannel",
        "chambers",
    ),
    Role.PORTS: ("ports", "port", "holes", "hole", "inlets", "outlets", "inlets outlets", "punches"),
    Role.OUTLINE: ("outline", "chip", "edge", "border", "boundary", "contour", "chip outline", "chip edge"),
    Role.MARKS: (
        "marks", "mark", "label", "labels", "text", "engraving", "engravings", "engraved", "code", "codes",
        "alignment", "logo",
    ),
    Role.IGNORED: (
        "notes", "note", "comments", "ignore", "ignored", "guides", "construction", "dimensions",
        "background", "reference",
    ),
}  # fmt: skip

_BY_NAME = {name: role for role, names in NAMES.items() for name in names}
_SEPARATORS = re.compile(r"[\s._\-/&]+")
_NUMBER_AT_END = re.compile(r"[ ]?\d+( ?(um|µm|μm))?$")

_LAYER_AND_DATATYPE = re.compile(r"(\d+)/\d+")


def plain(name: str) -> str:
    """A layer name as it is compared.

    Args:
        name: as in the file.

    Returns:
        Such as `chip outline` for `Chip_outline`.
    """
    return _SEPARATORS.sub(" ", name).strip().lower()


def request_keys(name: str) -> tuple[str, ...]:
    """What a request may call a layer.

    Args:
        name: as in the file; `1/0` is layer number 1, data type 0.

    Returns:
        The name as it is compared, and the layer number that stands for all its data types, if it is one.
    """
    number = _LAYER_AND_DATATYPE.fullmatch(name)
    return (plain(name), number[1]) if number else (plain(name),)


def role_of(name: str) -> Role | None:
    """The role that a layer name stands for.

    Args:
        name: as in the file.

    Returns:
        The role; None when the name says nothing.
    """
    key = plain(name)
    for candidate in (key, _NUMBER_AT_END.sub("", key)):
        if candidate in _BY_NAME:
            return _BY_NAME[candidate]
    return Role.CHANNELS if key.startswith("channels ") else None


def accepted_names() -> str:
    """The names of every used role, for a message."""
    used = (role for role in NAMES if role is not Role.IGNORED)
    return "; ".join(f"{role}: {', '.join(NAMES[role])}" for role in used)
