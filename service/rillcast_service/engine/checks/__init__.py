"""The review: every registered rule over one build variant."""

from rillcast_service.engine.checks import chemistry, chip, openings, ports, sizes
from rillcast_service.engine.checks.registry import Case, registered
from rillcast_service.engine.checks.review import review

__all__ = ["Case", "chemistry", "chip", "openings", "ports", "registered", "review", "sizes"]
