"""The chip as drawn: readers, the layout model, measuring it, and sampling it to the one grid."""
