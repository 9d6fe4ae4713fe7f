"""One file per capture format."""
