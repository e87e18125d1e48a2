"""Corrections: a layout with the places mended that a route's review objects to, and nothing else changed."""
