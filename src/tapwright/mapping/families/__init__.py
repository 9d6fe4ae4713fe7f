"""One file per value family."""
