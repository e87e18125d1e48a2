"""What a file says of itself in names and messages, in a form that can be kept and shown."""

from __future__ import annotations

import re
from dataclasses import replace

from rillcast_service.engine.errors import EngineError, Fault, LayoutInvalid
from rillcast_service.engine.layout.model import Layout

#: No sentence that a file has a part in is longer.
LONGEST = 800

#: What databases cannot keep (NUL) and UTF-8 cannot write (half a surrogate pair).
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")


def presentable(text: str) -> str:
    """A sentence with whatever of the file stands in it.

    Args:
        text: such as a message that quotes an attribute.

    Returns:
        The same, characters that cannot be kept replaced, and a middle that nobody would read left out.
    """
    clean = _UNSTORABLE.sub("\N{REPLACEMENT CHARACTER}", text)
    half = LONGEST // 2
    return clean if len(clean) <= LONGEST else f"{clean[:half]} … {clean[-half:]}"


def presentable_error(error: EngineError) -> EngineError:
    """An error whose faults can be kept and shown.

    Args:
        error: as a reader raised it.

    Returns:
        An error of the same class.
    """
    return type(error)(
        *(
            Fault(
                presentable(fault.message),
                presentable(fault.remedy),
                fault.pointer and presentable(fault.pointer),
                fault.where and presentable(fault.where),
            )
            for fault in error.faults
        )
    )


def presentable_layout(layout: Layout) -> Layout:
    """A layout whose names and sentences can be kept and shown.

    Args:
        layout: as read.

    Returns:
        The same layout, its repairs and assumptions in presentable words.

    Raises:
        LayoutInvalid: a name cannot be kept; it is not changed, as the request may refer to it.
    """
    for kind, things in (("layer", layout.layers), ("port", layout.ports)):
        for thing in things:
            if _UNSTORABLE.search(thing.name):
                raise LayoutInvalid(
                    Fault(
                        "A name holds a character that cannot be kept: NUL or half a surrogate pair.",
                        "Rename it in the drawing.",
                        where=f"{kind} {presentable(thing.name)!r}",
                    )
                )
    return replace(
        layout,
        repairs=tuple(replace(repair, what=presentable(repair.what)) for repair in layout.repairs),
        assumptions=tuple(
            replace(
                assumption,
                what=presentable(assumption.what),
                value=presentable(assumption.value),
                why=presentable(assumption.why),
            )
            for assumption in layout.assumptions
        ),
    )
