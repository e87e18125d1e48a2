"""From drawn to made: what a printer, a silicone and a wafer mould do to widths and depths."""
