"""One instrument's tables, empty here: the emitted file has those of its description."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

TABLES = {}
GLYPHS = {}
SELF_TEST = ()
