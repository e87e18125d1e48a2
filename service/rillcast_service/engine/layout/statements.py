"""What a layout says about a shape, as one line of text, for formats that can only hang texts on shapes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from rillcast_service.engine.errors import Fault, LayoutInvalid
from rillcast_service.engine.layout.model import PortRole, Role

#: What such a text begins with, and other programs' texts do not.
MARK = "rillcast:"


@dataclass(frozen=True, slots=True)
class Statement:
    """What is said of a shape; None is not said.

    Args:
        layer, role, depth_um, level: of its layer.
        port, port_role: name and role of the port whose opening it is.
    """

    layer: str | None = None
    role: Role | None = None
    depth_um: float | None = None
    level: int | None = None
    port: str | None = None
    port_role: PortRole | None = None


def told(statement: Statement) -> str:
    """A statement as text.

    Args:
        statement: any.

    Returns:
        ASCII, such as `rillcast:{"layer":"channels","role":"channels","depth_um":100.0,"level":1}`.
    """
    says = {key: getattr(statement, key) for key in Statement.__slots__}
    return MARK + json.dumps(
        {key: value for key, value in says.items() if value is not None}, separators=(",", ":")
    )


def understood(text: str, *, where: str) -> Statement | None:
    """The statement in a text.

    Args:
        text: that may hold others' words before and after it.
        where: the shape stands in its file.

    Returns:
        The statement; None when the text holds none.

    Raises:
        LayoutInvalid: it begins like one and cannot be understood.
    """
    _, mark, rest = text.partition(MARK)
    if not mark:
        return None
    try:
        says, _ = json.JSONDecoder().raw_decode(rest)
        return Statement(
            layer=_word(says.get("layer")),
            role=None if says.get("role") is None else Role(says["role"]),
            depth_um=_depth(says.get("depth_um")),
            level=_level(says.get("level")),
            port=_word(says.get("port")),
            port_role=None if says.get("port_role") is None else PortRole(says["port_role"]),
        )
    except (ValueError, AttributeError, TypeError, RecursionError):
        raise LayoutInvalid(
            Fault(
                f"The property {MARK}{rest[:80]} cannot be understood.",
                "Remove the property, or write the file anew.",
                where=where,
            )
        ) from None


def _word(value: Any) -> str | None:
    if value is None or (isinstance(value, str) and value.strip()):
        return value
    raise ValueError


def _depth(value: Any) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value < float("inf"):
        raise ValueError
    return float(value)


def _level(value: Any) -> int | None:
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and value >= 1):
        return value
    raise ValueError
