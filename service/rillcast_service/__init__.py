"""Rillcast service: from a flat microfluidic layout to a verdict, a plan and a price."""

__version__ = "0.1.0"

#: Changes whenever the same request may give other numbers; part of every result and cache key.
MODEL_VERSION = "2026.11.3"
