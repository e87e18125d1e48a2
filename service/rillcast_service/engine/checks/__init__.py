"""The review: every registered rule over one build variant.

A family of rules is a module; importing it here registers its rules.
"""

from rillcast_service.engine.checks import (  # noqa: F401 imported to register
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

__all__ = ["Case", "registered", "review", "verdict"]
