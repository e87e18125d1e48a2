"""Submitting, running and recovering work. The quotes table is the truth; a queue only says "look now"."""
