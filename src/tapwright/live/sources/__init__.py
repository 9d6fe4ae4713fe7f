"""One file per source of bytes."""
