"""Families of values: one file each, with `find` (hypotheses that explain labels) and `read` (one frame's digits)."""
