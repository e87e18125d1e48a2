"""The review: every registered rule over one build variant.

A family of rules is a module; importing it here registers its rules.
"""

from rillcast_service.engine.checks import (
    branching,
    chemistry,
    chip,
    corners,
    draining,
    drying,
    exchange,
    grid_ports,
    inuse,
    islands,
    levels,
    marks,
    matter,
    mixing,
    moulds,
    openings,
    ports,
    roofs,
    sizes,
    strength,
    using,
    walls,
)
from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.checks.review import review, verdict

FAMILIES = (
    branching,
    chemistry,
    chip,
    corners,
    draining,
    exchange,
    drying,
    grid_ports,
    inuse,
    islands,
    levels,
    marks,
    matter,
    mixing,
    moulds,
    openings,
    ports,
    roofs,
    sizes,
    strength,
    using,
    walls,
)

__all__ = ["FAMILIES", "Case", "registered", "review", "verdict"]
