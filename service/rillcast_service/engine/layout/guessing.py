"""What a drawing does not say and its shapes suggest: roles of layers, told as guesses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rillcast_service.engine.layout.model import Role

if TYPE_CHECKING:
    from rillcast_service.engine.layout.sketch import Sketch


def guess_roles(sketch: Sketch) -> None:
    """Give layers whose name says nothing a role that their shapes suggest, or leave them out.

    Args:
        sketch: all that was read; its undecided layers get a role.

    Raises:
        EngineError: such a layer counts, and holds what cannot be read.
    """
    for layer in sketch.layers.values():
        if layer.role is None:
            layer.role = Role.IGNORED
        elif layer.refused is not None and layer.role is not Role.IGNORED:
            raise layer.refused
