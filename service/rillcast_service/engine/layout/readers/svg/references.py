"""Elements that refer to others of the same drawing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from xml.etree.ElementTree import Element

from rillcast_service.engine.layout.readers.svg.document import attribute
from rillcast_service.engine.layout.readers.svg.faults import Unusable

_ADDRESS = re.compile(r"url\(\s*([\"']?)\s*#(.*?)\s*\1\s*\)", re.DOTALL)


def referred(element: Element, by_id: Mapping[str, Element], passed: frozenset[str]) -> tuple[str, Element]:
    """What a `use` element shows.

    Args:
        element: with an `href`.
        by_id: elements of the drawing.
        passed: names of the references that are being followed.

    Returns:
        Name and element.

    Raises:
        Unusable: outside the drawing, not there, or one that holds this reference.
    """
    address = (attribute(element, "href") or "").strip()
    if not address.startswith("#"):
        raise Unusable(
            f"It refers to {address!r}, which is not in the drawing.",
            "Put the shape into the drawing itself.",
        )
    target = by_id.get(address[1:])
    if target is None:
        raise Unusable(
            f"It refers to {address!r}, which does not exist.", "Remove it, or mend the reference."
        )
    if address in passed:
        raise Unusable(f"It refers to {address!r}, which holds this reference.", "Remove the reference.")
    return address, target


def addressed(value: str) -> str | None:
    """The name that a property refers to.

    Args:
        value: such as `url(#a)`.

    Returns:
        Such as `a`; None for any other value.
    """
    match = _ADDRESS.fullmatch(value.strip())
    return None if match is None else match[2]
