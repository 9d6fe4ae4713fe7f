"""One file per sink of readings."""
